"""How commands print: lines that fit the terminal; the exit code survives a closed pipe."""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from pathlib import Path

#: Columns where there is no terminal to ask, and ``COLUMNS`` does not say.
WIDTH = 80

#: What follows a folded line is indented by so many blanks more than the line.
HANG = 4


def width() -> int:
    """Columns to fill: the environment variable ``COLUMNS``, else the terminal's, else 80."""
    return shutil.get_terminal_size((WIDTH, 24)).columns


def say(text: str = "", *, as_it_is: bool = False) -> None:
    """Print, folded to the width; if the reader has gone (``| head``), keep the exit code.

    Bytes that the output cannot show, such as those of a name that is not text, are escaped.
    *as_it_is*: the text is a file, and none of its lines is changed.
    """
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    shown = text if as_it_is else folded(text, width())
    try:
        end = "" if as_it_is and text.endswith("\n") else "\n"
        print(shown.encode(encoding, "backslashreplace").decode(encoding), end=end, flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def place(path: str | Path) -> str:
    """A path as a terminal can open it, wherever the command was started: absolute."""
    return os.path.abspath(path)


def folded(text: str, columns: int) -> str:
    """Fold the lines of a text that are longer than *columns*; no word is broken.

    The last cell of a row (cells are two blanks apart) continues below itself if it begins in the
    first half of the line, else on a separate line.

    >>> print(folded("  range_g   100   practice, from memory", 30))
      range_g   100   practice,
                      from memory
    >>> print(folded("a sentence that is a little too long", 30))
    a sentence that is a little
        too long
    """
    return "\n".join(
        line if len(line) <= columns else _fold(line, columns) for line in text.split("\n")
    )


#: A line of at least so many letters was wrapped: the next one goes on with it.
FULL = 72

#: Beginnings of a separate line and of a list item.
_OPENS = re.compile(r"[-*#|>] |\d+\. |.*(::|  )")
_POINT = re.compile(r"\s*([-*] |\d+\. )")


def prose(text: str, columns: int) -> str:
    """Wrap again text that was wrapped in a file: paragraphs, and list items under their marks.

    >>> print(prose("# Head\\n\\n" + "- " + "A line of a file, " * 4 + "and\\n  goes on.", 50))
    # Head
    <BLANKLINE>
    - A line of a file, A line of a file, A line of a
      file, A line of a file, and goes on.
    """
    lines: list[str] = []
    before = ""
    for line in text.split("\n"):
        goes_on = len(before) >= FULL and _indent(line) in (_indent(before), _hang(before))
        if goes_on and line.strip() and not _OPENS.match(line.strip()):
            lines[-1] += " " + line.strip()
        else:
            lines.append(line)
        before = line
    return "\n".join(_wrapped(line, columns, hang=_hang(line)) if line else "" for line in lines)


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip())


def _hang(line: str) -> int:
    point = _POINT.match(line)
    return _indent(line) if point is None else point.end()


def _fold(line: str, columns: int) -> str:
    # A path or an address that fills the line by itself stays in it, to be copied.
    if max(map(len, line.split()), default=0) > columns - 2 * HANG:
        return line
    indent = _indent(line)
    cells = [gap.end() for gap in re.finditer(r"(?<=\S) {2,}(?=\S)", line)]
    if cells and cells[-1] <= 0.62 * columns:
        return _wrapped(line, columns, hang=cells[-1])
    if cells and cells[-1] < columns:
        head, tail = line[: cells[-1]].rstrip(), line[cells[-1] :]
        below = " " * (indent + HANG)
        return head + "\n" + _wrapped(below + tail, columns, hang=indent + HANG)
    return _wrapped(line, columns, hang=indent + HANG)


def _wrapped(line: str, columns: int, *, hang: int) -> str:
    lines = textwrap.wrap(
        line,
        columns,
        subsequent_indent=" " * hang,
        break_long_words=False,
        break_on_hyphens=False,
        drop_whitespace=True,
    )
    return "\n".join(lines)
