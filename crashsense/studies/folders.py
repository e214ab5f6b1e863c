"""Output folders of studies: checked before anything is computed."""

from __future__ import annotations

import os
from itertools import count
from pathlib import Path

from crashsense.errors import Fault, InputError


def check_folder(folder: str | Path, *, study: str, prefix: str = "") -> None:
    """Refuse a folder that cannot be written, before the work is done.

    Raises
    ------
    InputError : it, or the first of its parents that exists, is not a folder or is read-only; it
    holds
        a file whose name does not begin with *prefix*, so that another's work is there
    """
    target = Path(folder).absolute()
    there = next(path for path in (target, *target.parents) if path.exists())
    if not there.is_dir() or not os.access(there, os.W_OK):
        raise InputError([Fault(study, "--out", str(folder), "a folder to write in")])
    if prefix and target.is_dir():
        for path in sorted(target.iterdir()):
            if not path.name.startswith(prefix):
                expected = f"a new or empty folder, or one of this study; it holds {path.name!r}"
                raise InputError([Fault(study, "--out", str(folder), expected)])


def free_folder(folder: str | Path, *, name: str, text: str) -> Path:
    """Return *folder*, or the first of ``folder-2``, ``folder-3``, ... that may be written.

    That is one that is new or empty, or whose file *name* holds *text*: the same study once more.
    """
    path = Path(folder)
    for number in count(1):
        candidate = path if number == 1 else path.with_name(f"{path.name}-{number}")
        if not candidate.exists():
            return candidate
        if candidate.is_dir() and (not any(candidate.iterdir()) or _holds(candidate / name, text)):
            return candidate
    raise AssertionError  # there is always a further number


def _holds(path: Path, text: str) -> bool:
    try:
        return path.read_text(encoding="utf-8") == text
    except (OSError, UnicodeDecodeError):
        return False
