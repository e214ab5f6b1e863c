"""What a lesson is: question, texts with computations, exercises, a note for the teacher."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Part:
    """A text and, after it, a piece of plain Python; either may be empty.

    In ``text`` a blank line begins a paragraph, backquotes mark formulas and code, and
    ``[[demand]]`` or ``[[demand|demands]]`` marks a word of the glossary. ``code`` prints its
    results; names that it defines are there for the parts after it. A part that draws leaves its
    figure in ``figure``.
    """

    text: str
    code: str = ""


@dataclass(frozen=True)
class Reply:
    """What a student is told about an answer; never the number."""

    right: bool
    text: str


@dataclass(frozen=True)
class Exercise:
    """A question with one number for an answer.

    ``answer`` computes the number by the functions of the tool; ``tolerance`` is a share of it;
    ``hint`` is what a wrong answer gets, without the number.
    """

    question: str
    unit: str
    answer: Callable[[], float]
    hint: str
    tolerance: float = 0.02

    def check(self, given: float) -> Reply:
        """Compare an answer; right within the tolerance, else a hint.

        >>> one = Exercise("Two and two?", "", lambda: 4.0, "Count on your fingers.")
        >>> one.check(4.05).right, one.check(5.0).text
        (True, 'not yet. Hint: Count on your fingers.')
        """
        wanted = self.answer()
        if math.isfinite(given) and abs(given - wanted) <= self.tolerance * abs(wanted):
            return Reply(True, f"right (within {100 * self.tolerance:g} %).")
        return Reply(False, f"not yet. Hint: {self.hint}")


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """One lesson of about ten minutes of reading, and its exercises.

    ``sources`` say where each formula or number comes from; ``minutes`` is the time in class with
    exercises; ``teacher`` is the note that only the teacher needs.
    """

    number: int
    name: str
    title: str
    question: str
    parts: tuple[Part, ...]
    sources: tuple[str, ...]
    exercises: tuple[Exercise, ...]
    minutes: int
    teacher: str

    @property
    def stem(self) -> str:
        """How its files are called.

        The number has two digits, so that files sort.
        """
        return f"lesson_{self.number:02d}_{self.name}"
