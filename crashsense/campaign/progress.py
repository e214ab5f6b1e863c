"""One line that says how far an evaluation has come, for terminals and notebooks."""

from __future__ import annotations

import contextlib
import sys
from typing import TextIO


class ProgressLine:
    """A line that overwrites itself; pass it as ``on_progress``.

    ``crashsense.evaluate(draws=200, on_progress=crashsense.ProgressLine())``. *stream*: where it is
    written; None: standard error, which a notebook shows below its cell. :meth:`clear` removes the
    line.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = stream
        self.width = 0

    def __call__(self, done: int, total: int, *, seconds: float = 0.0, failures: int = 0) -> None:
        """Show how many of *total* evaluations are done.

        *failures*: requirements not met at nominal so far, those that the result counts.
        """
        text = progress_text(done, total, seconds=seconds, failures=failures)
        self._write("\r" + text.ljust(self.width))
        self.width = len(text)

    def clear(self) -> None:
        """Write blanks over the line."""
        if self.width:
            self._write("\r" + " " * self.width + "\r")
            self.width = 0

    def _write(self, text: str) -> None:
        with contextlib.suppress(OSError):  # the reader may be gone
            stream = sys.stderr if self.stream is None else self.stream
            stream.write(text)
            stream.flush()


def progress_text(done: int, total: int, *, seconds: float = 0.0, failures: int = 0) -> str:
    """The progress line.

    >>> progress_text(50, 200, seconds=10.0, failures=3)
    '50 of 200 evaluations (25 %), 5.0 a second, 30 s left, 3 requirements not met'
    """
    text = f"{done} of {total} evaluations ({100 * done // max(total, 1)} %)"
    if seconds > 0.0 and done:
        rate = done / seconds
        text += f", {rate:.1f} a second, {(total - done) / rate:.0f} s left"
    return text + (f", {failures} requirements not met" if failures else "")
