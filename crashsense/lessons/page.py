"""A lesson as one self-contained page: no script, no network.

Words of the glossary explain themselves under the pointer, on a tap and by the keyboard.
"""

from __future__ import annotations

import re
from html import escape
from pathlib import Path

from markupsafe import Markup

from crashsense import __version__
from crashsense.glossary import meaning
from crashsense.lessons.form import Lesson
from crashsense.lessons.running import run_lesson
from crashsense.lessons.script import marked_words, paragraphs, script
from crashsense.reporting.pages import environment
from crashsense.resources import CAUTION

_HERE = Path(__file__).resolve().parent

_WORD = re.compile(r"\[\[([^\]|]+)(?:\|([^\]]+))?\]\]")
_CODE = re.compile(r"`([^`]+)`")


def rich(text: str) -> Markup:
    """A paragraph as HTML: code, and words of the glossary with their meaning.

    >>> rich("`x < 1`")
    Markup('<code>x &lt; 1</code>')
    """
    html = _CODE.sub(r"<code>\1</code>", escape(text, quote=False))
    return Markup(_WORD.sub(_word, html))


def _word(found: re.Match[str]) -> str:
    shown = found.group(2) or found.group(1)
    tip = escape(meaning(found.group(1)))
    return f'<span class="word" tabindex="0">{shown}<span class="tip">{tip}</span></span>'


def lesson_page(lesson: Lesson) -> str:
    """Run a lesson and return its page (HTML)."""
    outcomes, _ = run_lesson(lesson)
    template = environment(_HERE).get_template("lesson.html.j2")
    parts = [
        {
            "paragraphs": [rich(one) for one in paragraphs(part.text)],
            "code": part.code.strip(),
            "printed": outcome.printed.rstrip(),
            "figure": Markup(outcome.figure),
        }
        for part, outcome in zip(lesson.parts, outcomes, strict=True)
    ]
    return template.render(
        lesson=lesson,
        question=rich(lesson.question),
        parts=parts,
        exercises=[rich(one.question) for one in lesson.exercises],
        sources=[rich(one) for one in lesson.sources],
        teacher=[rich(one) for one in paragraphs(lesson.teacher)],
        words=[(word, meaning(word)) for word in sorted(marked_words(lesson))],
        caution=CAUTION,
        version=__version__,
        lines=script(lesson).count("\n"),
    )
