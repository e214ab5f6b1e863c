"""Files that a command writes: checked before the work; their folders are created after it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from crashsense.errors import Fault, InputError
from crashsense.files import exists, is_folder

#: Endings of a figure.
FIGURES = (".png", ".svg", ".pdf")


def target_file(name: str | Path, *, option: str, endings: Sequence[str] = ()) -> Path:
    """Return the path of a file that an option names; its folder need not exist.

    Raises
    ------
    InputError : another ending, a folder, or a place that cannot be written
    """
    path = Path(name)
    faults = []
    if endings and path.suffix.lower() not in endings:
        *others, last = endings
        either = f"{', '.join(others)} or {last}" if others else last
        expected = f"a name that ends in {either}"
        faults.append(Fault("command line", option, str(name), expected))
    if expected := _not_writable(path):
        faults.append(Fault("command line", option, str(name), expected))
    if faults:
        raise InputError(faults)
    return path


def target_folder(name: str | Path, *, option: str) -> Path:
    """Return the path of a folder that an option names; it need not exist.

    Raises
    ------
    InputError : a file, or a place that cannot be written
    """
    path = Path(name)
    if exists(path) and not is_folder(path):
        expected = "a folder; this is a file"
        raise InputError([Fault("command line", option, str(name), expected)])
    if expected := _not_writable(path / "file"):
        raise InputError([Fault("command line", option, str(name), expected)])
    return path


def _not_writable(path: Path) -> str:
    """The expectation that a file to write does not meet; empty if it can be written."""
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        pass  # to be made, or named below
    except (OSError, ValueError) as error:
        return f"a name that a file can have ({getattr(error, 'strerror', error)})"
    if path.is_dir():
        return "a file; this is a folder"
    there = next(p for p in (path, *path.absolute().parents) if exists(p))
    if there != path and not there.is_dir():
        return f"a file in a folder; {there} is none"
    return "" if os.access(there, os.W_OK) else "a place that can be written"


def made(path: Path) -> Path:
    """Create the folder of a file, and return the file."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        expected = f"a folder that can be made ({error.strerror or error})"
        raise InputError([Fault(str(path.parent), "", None, expected)]) from None
    return path
