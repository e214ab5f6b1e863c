"""A lesson as a plain Python script and as a notebook: the same pieces, not run."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator
from typing import Any

from crashsense.lessons.form import Lesson
from crashsense.resources import CAUTION

_WORD = re.compile(r"\[\[([^\]|]+)(?:\|([^\]]+))?\]\]")


def plain(text: str) -> str:
    """Text without the marks of glossary words.

    >>> plain("A [[demand]] of 1; two [[demand|demands]].")
    'A demand of 1; two demands.'
    """
    return _WORD.sub(lambda found: found.group(2) or found.group(1), text)


def marked_words(lesson: Lesson) -> set[str]:
    """The glossary words that a lesson marks."""
    texts = [lesson.question, *(part.text for part in lesson.parts)]
    return {found.group(1) for text in texts for found in _WORD.finditer(text)}


def paragraphs(text: str) -> list[str]:
    """Split a text at blank lines, each paragraph on one line."""
    return [" ".join(piece.split()) for piece in text.strip().split("\n\n") if piece.strip()]


def script(lesson: Lesson) -> str:
    """Return the lesson as a script that runs as it is.

    Texts are comments; a figure is saved beside the script.
    """
    lines = [
        f'"""Lesson {lesson.number}: {lesson.title}.',
        "",
        *textwrap.wrap(plain(lesson.question), 90),
        "",
        "Change what you like and run it again: python FILE.py",
        *textwrap.wrap(f"Caution: {CAUTION}", 90),
        '"""',
    ]
    for count, part in enumerate(lesson.parts, start=1):
        lines += ["", *_comments(part.text)]
        if part.code:
            lines += ["", part.code.strip()]
        if _draws(part.code):
            lines.append(f'figure.savefig("{lesson.stem}_{count}.png", dpi=130)')
            lines.append(f'print("Figure: {lesson.stem}_{count}.png")')
    lines += ["", "# Exercises"]
    for line in exercise_lines(lesson):
        lines += textwrap.wrap(line, 94, initial_indent="# ", subsequent_indent="#    ")
    return "\n".join(lines) + "\n"


def exercise_lines(lesson: Lesson) -> list[str]:
    """The exercises as text, each with the command that checks it."""
    return [
        f"{count}. {plain(one.question)}  (crashsense lesson {lesson.number} --answer "
        f"{count}=NUMBER, in {one.unit})"
        for count, one in enumerate(lesson.exercises, start=1)
    ]


def _comments(text: str) -> Iterator[str]:
    for count, paragraph in enumerate(paragraphs(plain(text))):
        if count:
            yield "#"
        yield from textwrap.wrap(
            paragraph.replace("`", ""), 94, initial_indent="# ", subsequent_indent="# "
        )


def _draws(code: str) -> bool:
    return re.search(r"^figure = ", code, re.M) is not None


def notebook(lesson: Lesson) -> str:
    """Return the lesson as a notebook (format 4.5), not run."""
    head = f"# Lesson {lesson.number}: {lesson.title}\n\n*{plain(lesson.question)}*\n\n"
    cells = [_text_cell(f"{head}**Caution.** {CAUTION}")]
    for part in lesson.parts:
        if part.text:
            cells.append(_text_cell("\n\n".join(paragraphs(plain(part.text)))))
        if part.code:
            shown = "\nfigure" if _draws(part.code) else ""
            cells.append(_cell("code", part.code.strip() + shown))
    closing = ["## Exercises", *exercise_lines(lesson), "## Sources"]
    closing += [f"- {source}" for source in lesson.sources]
    cells.append(_text_cell("\n\n".join(closing)))
    for count, cell in enumerate(cells):
        cell["id"] = f"cell-{count}"
    content = {
        "cells": cells,
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _text_cell(text: str) -> dict[str, Any]:
    return _cell("markdown", text)


def _cell(kind: str, text: str) -> dict[str, Any]:
    cell: dict[str, Any] = {"cell_type": kind, "metadata": {}, "source": text.splitlines(True)}
    if kind == "code":
        cell |= {"execution_count": None, "outputs": []}
    return cell
