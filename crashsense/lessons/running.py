"""Runs the pieces of a lesson one after another and keeps what they print and draw."""

from __future__ import annotations

import contextlib
import io
import sys
import types
from dataclasses import dataclass
from typing import Any

from crashsense.lessons.form import Lesson

_MODULE = "crashsense_lesson"


@dataclass(frozen=True)
class Outcome:
    """What the code of one part printed, and the figure it drew as SVG (empty: none)."""

    printed: str
    figure: str


def run_lesson(lesson: Lesson) -> tuple[list[Outcome], dict[str, Any]]:
    """Run every part in one namespace; return what each gave, and the names at the end.

    Nothing is written to the disk: files of a lesson are written by the script alone.
    """
    # A module of its own, known by name while it runs: classes of a lesson can then be copied
    # and pickled as those of a script can.
    module = types.ModuleType(_MODULE)
    names = vars(module)
    before = sys.modules.get(_MODULE)
    sys.modules[_MODULE] = module
    try:
        return _outcomes(lesson, names), names
    finally:
        if before is None:
            del sys.modules[_MODULE]
        else:
            sys.modules[_MODULE] = before


def _outcomes(lesson: Lesson, names: dict[str, Any]) -> list[Outcome]:
    found = []
    for count, part in enumerate(lesson.parts, start=1):
        said = io.StringIO()
        names.pop("figure", None)
        if part.code:
            code = compile(part.code.strip() + "\n", f"<{lesson.stem}, part {count}>", "exec")
            with contextlib.redirect_stdout(said):
                exec(code, names)
        figure = names.get("figure")
        found.append(Outcome(said.getvalue(), "" if figure is None else _svg(figure)))
    return found


def _svg(figure: Any) -> str:
    """The figure as SVG that can stand inside a page: without prologue and date."""
    from matplotlib import rc_context

    drawn = io.StringIO()
    with rc_context({"svg.hashsalt": "crashsense", "svg.fonttype": "none"}):
        figure.savefig(drawn, format="svg", metadata={"Date": None})
    text = drawn.getvalue()
    return text[text.index("<svg") :]
