"""Wording that several studies share."""

from __future__ import annotations


def count(number: int, noun: str) -> str:
    """Return a number and its noun, the plural with an s.

    >>> count(1, "event"), count(0, "event")
    ('1 event', '0 events')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"
