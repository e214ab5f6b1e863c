"""The lessons in their order. Whoever adds one adds a module and its name here."""

from __future__ import annotations

import importlib

from crashsense.errors import Fault, UnknownNameError
from crashsense.lessons.form import Lesson

#: Module of each lesson, in the order in which they are taught.
MODULES = (
    "proof_mass",
    "range_and_resonance",
    "noise_and_codes",
    "filters_and_delay",
    "free_flight",
    "peak_or_velocity",
    "own_rule",
    "conflict",
    "hidden_clipping",
    "side_impact",
    "rollover",
    "zero_failures",
)


def lessons() -> tuple[Lesson, ...]:
    """Return every lesson, in order.

    >>> [lesson.number for lesson in lessons()][:3]
    [1, 2, 3]
    """
    found = []
    for module in MODULES:
        found.append(importlib.import_module(f"crashsense.lessons.units.{module}").LESSON)
    return tuple(found)


def find_lesson(number: int) -> Lesson:
    """Return the lesson of a number.

    >>> find_lesson(99)
    Traceback (most recent call last):
        ...
    crashsense.errors.UnknownNameError: lesson: got 99; expected a number from 1 to 12
    """
    found = {lesson.number: lesson for lesson in lessons()}
    if number not in found:
        expected = f"a number from 1 to {max(found)}"
        raise UnknownNameError([Fault("", "lesson", number, expected)])
    return found[number]
