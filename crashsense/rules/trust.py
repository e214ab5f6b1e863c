"""Trust: reading a run folder that came from elsewhere must not execute its code.

Evaluating an algorithm runs the code that its rules name, as the user asked. Explaining, replaying
or reporting a run also runs code, from the folder's copies: only if this user has evaluated exactly
the same bytes on this machine, or says so (``--trust``, ``trust=True``).

The SHA-256 of evaluated code is kept, one per line, in a file of the user's state folder. Each line
is appended in a single write, so that concurrent writers do no harm. Nothing here is part of a
result; if the file cannot be written, the question is asked again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable, Iterator
from contextvars import ContextVar
from pathlib import Path

from crashsense.errors import RunFolderError
from crashsense.files import is_file
from crashsense.resources import STATE_VARIABLE, user_folder

FILE = "evaluated_code"


def state_file() -> Path | None:
    """File of the code this user has evaluated; None if none is kept."""
    folder = user_folder(STATE_VARIABLE)
    return None if folder is None else folder / FILE


def evaluated() -> frozenset[str]:
    """Checksums of the code that this user has evaluated on this machine."""
    path = state_file()
    try:
        text = "" if path is None else path.read_text(encoding="ascii", errors="replace")
    except OSError:
        return frozenset()
    return frozenset(line for line in text.split("\n") if len(line) == 64)


def note_evaluated(places: Iterable[str]) -> None:
    """Record that this user has evaluated the code of *places* (see :func:`digest_of`)."""
    path = state_file()
    if path is None:
        return
    new = sorted({d for d in map(digest_of, places) if d is not None} - evaluated())
    if not new:
        return
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            for digest in new:  # a line break first: another writer may have been cut off
                os.write(handle, f"\n{digest}\n".encode("ascii"))
        finally:
            os.close(handle)


def digest_of(place: str) -> str | None:
    """SHA-256 of the file of ``FILE.py:CLASS`` or of a library; of a module, of its name.

    A module is looked up on this machine, not in a run folder. None if there is no such file.
    """
    path, _, _ = place.rpartition(":")
    for file in (place, path):
        if file and is_file(file):
            try:
                return hashlib.sha256(Path(file).read_bytes()).hexdigest()
            except OSError:
                return None
    if not path or path.endswith(".py"):
        return None
    return hashlib.sha256(f"module {path}".encode()).hexdigest()


_ONLY_EVALUATED: ContextVar[str | None] = ContextVar("crashsense_only_evaluated", default=None)


@contextlib.contextmanager
def only_evaluated(folder: str | Path, *, trust: bool) -> Iterator[None]:
    """Within the block rules load no code that this user has not evaluated, unless *trust*."""
    token = _ONLY_EVALUATED.set(None if trust else str(folder))
    try:
        yield
    finally:
        _ONLY_EVALUATED.reset(token)


def check_code(place: str) -> None:
    """Refuse to load the code of a rule, where :func:`only_evaluated` says so.

    Raises
    ------
    RunFolderError : this user has not evaluated these bytes on this machine
    """
    folder = _ONLY_EVALUATED.get()
    if folder is not None and digest_of(place) not in evaluated():
        raise RunFolderError(
            f"{folder}: this would run code that you have not evaluated on this machine ({place}); "
            "read that file, and if you trust it add --trust (in Python trust=True)"
        )
