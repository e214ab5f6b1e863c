"""Findings of the quality check on a record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from crashsense.errors import Fault, InputError, printable


@dataclass(frozen=True)
class Finding:
    """One finding on a record.

    Parameters
    ----------
    severity : ``"info"``, ``"warning"`` or ``"error"`` (the record is not used)
    check : which check found it
    file : the file in which it was found
    field : channel or header field
    value : what the file says
    expected : what was expected
    note : likely cause, or what was done about it
    disqualifies : whether the channel may set no requirement: its motion is not to be trusted

    >>> print(Finding("warning", "noise", file="v1.093", field="before contact", value="3.1 g rms",
    ...     expected="below 1 g rms"))
    warning: noise: v1.093: before contact: got '3.1 g rms'; expected below 1 g rms

    A note says what was seen, and what that was checked against:

    >>> print(Finding("info", "offset", file="v1.093", field="before contact", value="0.1 g",
    ...     expected="offset within 1 g", note="taken off"))
    note: offset: v1.093: before contact: 0.1 g; checked against: offset within 1 g (taken off)
    """

    severity: str
    check: str
    file: str
    field: str
    value: object
    expected: str
    note: str = ""
    disqualifies: bool = False

    def fault(self) -> Fault:
        """The finding as the one-line fault that stops a run."""
        tail = f" ({self.note})" if self.note else ""
        return Fault(self.file, self.field, self.value, f"{self.expected}{tail}")

    def __str__(self) -> str:
        if self.severity == "info":
            return printable(f"note: {self.check}: {self.file}: {self.field}: {self._noted()}")
        return f"{self.severity}: {self.check}: {self.fault()}"

    def _noted(self) -> str:
        """Text of a note: nothing is wrong, so no other value was expected."""
        tail = f" ({self.note})" if self.note else ""
        if self.value is None:
            return f"no sign of {self.expected}{tail}"
        return f"{self.value}; checked against: {self.expected}{tail}"


def raise_errors(findings: Iterable[Finding]) -> None:
    """Raise :class:`InputError` with every finding of severity ``error``, if there is one."""
    faults = [finding.fault() for finding in findings if finding.severity == "error"]
    if faults:
        raise InputError(faults)
