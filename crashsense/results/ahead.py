"""Parts of a run that are read as they are written: a command waits for its workers anyway."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import pyarrow as pa

from crashsense.errors import RunFolderError
from crashsense.results.folder import RunFolder
from crashsense.results.tables import Task

#: Bytes of files that are read ahead, and then held until they are used.
AHEAD_BYTES = 20_000_000


class ReadAhead:
    """Reads parts of some tables and holds them; nothing depends on whether it did.

    Parameters
    ----------
    folder : of the run
    tables : that are read; those of which not every part fits are read in part
    """

    def __init__(self, folder: RunFolder, tables: Sequence[str]) -> None:
        self.folder = folder
        self.left = AHEAD_BYTES
        self.held: dict[str, dict[Path, pa.Table]] = {name: {} for name in tables}

    def read(self, task: Task, sums: Mapping[str, str]) -> None:
        """Read the parts of a task that has just been written; *sums*: table -> SHA-256."""
        for name, parts in self.held.items():
            if name not in sums:
                continue
            path = self.folder.part(name, task)
            # A part that cannot be read yet, on a disk far away, is read when it is wanted.
            with suppress(RunFolderError, OSError):
                size = path.stat().st_size
                if size <= self.left:
                    parts[path] = self.folder.read_part(path, sha256=sums[name])
                    self.left -= size
