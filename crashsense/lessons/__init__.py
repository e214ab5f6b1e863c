"""Lessons: crash sensing taught with the functions that the tool itself uses.

A lesson is data (:class:`~crashsense.lessons.form.Lesson`): texts and short pieces of plain Python.
One renderer makes of it a page, a script and a notebook, so that all three show the same numbers.
"""

from __future__ import annotations

from crashsense.lessons.form import Exercise, Lesson, Part, Reply
from crashsense.lessons.register import find_lesson, lessons

__all__ = ["Exercise", "Lesson", "Part", "Reply", "find_lesson", "lessons"]
