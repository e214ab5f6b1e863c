"""The exception tree, and the one-line fault that every bad input is reported by."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

#: Longest value that a message shows [characters].
_LONGEST_VALUE = 240
#: Unicode classes that a terminal or a page may obey instead of showing: control, format (such as
#: a change of the writing direction), half characters, and separators of lines.
_UNSHOWN = ("Cc", "Cf", "Cs", "Zl", "Zp")
#: Those of them that do harm in a document (a soft hyphen or a joiner does none).
_OBEYED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def printable(text: object) -> str:
    r"""Return *text* with every character escaped that a terminal, a CSV or a page would act on.

    Control sequences, direction marks and undecodable bytes of a file name become ``\x1b`` and
    the like; a line end or tab becomes a space.

    >>> printable("wall\x1b[31m"), printable("two\nlines")
    ('wall\\x1b[31m', 'two lines')
    """
    found = str(text)
    if found.isascii() and found.isprintable():
        return found
    return "".join(
        " "
        if sign in "\n\r\t"
        else sign.encode("unicode_escape").decode("ascii")
        if unicodedata.category(sign) in _UNSHOWN
        else sign
        for sign in found
    )


def harmless(document: str) -> str:
    r"""Return a document with the same characters escaped; line ends and tabs stay.

    >>> harmless("<p>wall\x1b[31m</p>\n")
    '<p>wall\\x1b[31m</p>\n'
    """
    return _OBEYED.sub(lambda sign: sign[0].encode("unicode_escape").decode("ascii"), document)


@dataclass(frozen=True)
class Fault:
    """One fault of an input: where it is, what was found there, what was expected.

    >>> print(Fault("plan.toml", "draws", -3, "a whole number, 0 or more"))
    plan.toml: draws: got -3; expected a whole number, 0 or more
    """

    file: str
    field: str
    value: object
    expected: str

    def __str__(self) -> str:
        where = ": ".join(part for part in (self.file, self.field) if part)
        got = "" if self.value is None else f"got {_shown(self.value)}; "
        return printable(f"{where}: {got}expected {self.expected}")


def _shown(value: object) -> str:
    """The value as a Python literal, shortened if long."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of more digits than Python prints
        return "a number of thousands of digits"
    return text if len(text) <= _LONGEST_VALUE else f"{text[: _LONGEST_VALUE - 4]} ..."


class CrashsenseError(Exception):
    """Root of every error that the package raises on purpose."""


class InputError(CrashsenseError, ValueError):
    """Bad input. Carries every fault found, one line each, without repeats.

    >>> error = InputError([Fault("a.toml", "bits", 0, "1 or more")])
    >>> str(error)
    'a.toml: bits: got 0; expected 1 or more'
    """

    def __init__(self, faults: Sequence[Fault] | str) -> None:
        told = {} if isinstance(faults, str) else {str(fault): fault for fault in faults}
        self.faults: tuple[Fault, ...] = tuple(told.values())
        text = faults if isinstance(faults, str) else "\n".join(str(f) for f in self.faults)
        super().__init__(text)

    def __reduce__(self) -> tuple[type, tuple[object]]:
        return type(self), (self.faults or str(self),)


class UnknownNameError(InputError):
    """An unknown name; the message suggests the nearest known one."""


class RuleError(CrashsenseError):
    """A decision rule failed, or returned something a rule may not return."""


class RuleTimeout(RuleError):
    """A decision rule did not answer in time."""


class RunFolderError(CrashsenseError, ValueError):
    """A run folder that cannot be read, resumed or written."""


class MissingExtraError(CrashsenseError, ImportError):
    """An optional dependency is needed but not installed."""


def nearest(name: str, known: Iterable[str]) -> str:
    """List the names that exist and say which is the nearest: the end of an error message.

    Of more than 40 names with a near one among them, only the number is listed.

    >>> nearest("gaurded", ["plain", "guarded"])
    "one of guarded, plain (did you mean 'guarded'?)"
    >>> nearest("wall_ful_40", [f"wall_full_{speed}" for speed in range(40, 90)])
    "one of 50 names (did you mean 'wall_full_40'?)"
    """
    names = sorted(known)
    if not names:
        return "a known name; there is none"
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    hint = f" (did you mean {close[0]!r}?)" if close else ""
    if close and len(names) > 40:
        return f"one of {len(names)} names{hint}"
    more = f", ... ({len(names)} in all)" if len(names) > 12 else ""
    return f"one of {', '.join(names[:12])}{more}{hint}"


def unknown_name(kind: str, name: str, known: Iterable[str], *, file: str = "") -> UnknownNameError:
    """Build the error for an unknown *kind* (``"algorithm"``, ``"event"`` ...) called *name*."""
    return UnknownNameError([Fault(file, kind, name, nearest(name, known))])
