"""Temporary folders that go when the process that made them ends, whatever ended it.

A process that is killed leaves its folder behind. Every folder therefore contains a file that its
process keeps locked; the next process that makes a folder removes those of the same user whose file
is no longer locked.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache, partial
from pathlib import Path

#: Beginning of the name of every folder, and the file that is locked.
PREFIX, HELD = "crashsense-", ".held"


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """Make a folder that is removed at the end of the block.

    Raises
    ------
    OSError
        If there is no room, or no folder to write in.
    """
    made, file = _made()
    try:
        yield made
    finally:
        _remove(made, file)


def folder_until_exit() -> Path:
    """Return a new folder that is removed when this process ends.

    Raises
    ------
    OSError
        If there is no room, or no folder to write in.
    """
    from multiprocessing.util import Finalize

    made, file = _made()
    # Unlike functions of atexit it is called in worker processes too.
    Finalize(None, partial(_remove, made, file), exitpriority=0)
    return made


def _made() -> tuple[Path, int]:
    """Return a new folder, and the descriptor of its locked file (-1: the system locks none)."""
    _remove_abandoned(tempfile.gettempdir())
    while True:
        made = Path(tempfile.mkdtemp(prefix=PREFIX))
        try:
            file = locked(made / HELD, os.O_CREAT)
        except FileNotFoundError:  # another process has taken it for abandoned
            continue
        except OSError:
            shutil.rmtree(made, ignore_errors=True)
            raise
        # It may also have been taken for abandoned after that, before it was locked.
        if file is not None and (file < 0 or (made / HELD).exists()):
            return made, file
        if file is not None:
            os.close(file)


def locked(path: Path, flags: int = 0) -> int | None:
    """Open a file and lock it until it is closed, by forks of this process too.

    *flags*: ``os.O_CREAT`` makes the file where there is none. Returns its descriptor, None if
    another process holds it, or -1 where nothing can be locked.

    Raises
    ------
    OSError
        If it cannot be opened; without flags, if it cannot be locked.
    """
    try:
        import fcntl
    except ModuleNotFoundError:
        return -1
    file = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC | flags, 0o600)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(file)
        if isinstance(error, BlockingIOError):
            return None
        if flags:
            return -1  # a file system without locks: nobody can take this folder either
        raise
    return file


def _remove(folder: Path, file: int) -> None:
    """Remove a folder, the locked file last: killed on the way, it is still known as abandoned."""
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                shutil.rmtree(entry.path, ignore_errors=True)
            elif entry.name != HELD:
                with suppress(OSError):
                    os.unlink(entry.path)
    shutil.rmtree(folder, ignore_errors=True)
    if file >= 0:
        os.close(file)


@lru_cache(maxsize=4)
def _remove_abandoned(place: str) -> None:
    """Remove this user's folders in *place* that no living process holds; once a process."""
    if not hasattr(os, "geteuid"):
        return
    with suppress(OSError), os.scandir(place) as entries:
        for entry in entries:
            if not entry.name.startswith(PREFIX):
                continue
            # Gone meanwhile, without the file (no folder of ours), or not to be locked.
            with suppress(OSError):
                if not entry.is_dir(follow_symlinks=False):
                    continue
                if entry.stat(follow_symlinks=False).st_uid != os.geteuid():
                    continue
                file = locked(Path(entry.path, HELD))
                if file is not None and file >= 0:
                    _remove(Path(entry.path), file)
