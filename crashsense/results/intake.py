"""What the end of a run needs of its parts, taken from each as it comes.

While workers compute, the process that waits for them counts what is there already: a run then ends
as soon as its last part is written, and no part is read again for it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import pyarrow as pa

from crashsense.results.folder import packed, unpacked
from crashsense.results.tables import VERDICT_SCHEMA, Task
from crashsense.results.tally import TALLY_COLUMNS, Tally

#: Rows that are tallied together: many small tables are slow one by one, and a large one takes
#: three times its memory.
TALLY_ROWS = 16_384


class Intake:
    """Verdicts of a run, part by part, in any order.

    Parameters
    ----------
    keeps : whether to keep all rows as well, packed: for small runs
    """

    def __init__(self, *, keeps: bool = False) -> None:
        self._keeps = keeps
        self._kept: dict[Task, pa.Table] = {}
        self._nominal: dict[Task, pa.Table] = {}
        self._taken: set[Task] = set()
        self._of: defaultdict[int, list[Task]] = defaultdict(list)
        self._waiting: list[pa.Table] = []
        self._tally = Tally()

    def columns(self, task: Task) -> list[str] | None:
        """Columns of a task's part that are read; None: all."""
        return None if self._keeps or task.first == 0 else TALLY_COLUMNS

    def add(self, part: pa.Table, *, task: Task) -> None:
        """Take the part of a task, once; it holds :meth:`columns` of a verdict table."""
        if task in self._taken:
            return
        part = packed(part)
        self._taken.add(task)
        self._of[task.occurrence].append(task)
        if self._keeps:
            self._kept[task] = part
        if task.first == 0:
            import pyarrow.compute as pc

            self._nominal[task] = part.filter(pc.equal(part.column("draw"), 0))
        self.count(part)

    def count(self, part: pa.Table) -> None:
        """Take a part for the tally alone; it holds its columns."""
        own = packed(part.select(TALLY_COLUMNS))
        for first in range(0, own.num_rows, TALLY_ROWS):
            self._waiting.append(own.slice(first, TALLY_ROWS))
            if sum(table.num_rows for table in self._waiting) >= TALLY_ROWS:
                self._flush()

    def _flush(self) -> None:
        if self._waiting:
            joined = pa.concat_tables(self._waiting).unify_dictionaries()
            self._waiting = []
            self._tally.add(joined)

    def lacks(self, tasks: Iterable[Task]) -> list[Task]:
        """Those of the tasks whose parts have not been taken."""
        return [task for task in tasks if task not in self._taken]

    @property
    def tally(self) -> Tally:
        """Counts of all rows taken so far."""
        self._flush()
        return self._tally

    def rows(self, occurrence: int | None = None) -> list[pa.Table] | None:
        """All rows, or those of an occurrence, packed, in the order of the tasks.

        None if they are not kept.
        """
        if not self._keeps:
            return None
        if occurrence is not None:
            tasks = self._of[occurrence]
            return [self._kept[task] for task in sorted(tasks)]
        return [self._kept[task] for task in sorted(self._kept)]

    @property
    def nominal(self) -> pa.Table:
        """Rows of draw 0, in the order of the tasks."""
        parts = [self._nominal[task] for task in sorted(self._nominal)]
        found = pa.concat_tables(parts) if parts else VERDICT_SCHEMA.empty_table()
        return unpacked(found, VERDICT_SCHEMA)
