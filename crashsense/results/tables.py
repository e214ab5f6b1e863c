"""The tables of a run folder: columns, types, keys."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense.verdict_schema import (
    KEY,
    METADATA,
    SCHEMA_VERSION,
    VERDICT_SCHEMA,
    PlainRow,
)

__all__ = [
    "CURVE_SCHEMA",
    "DRAWN_SCHEMA",
    "KEY",
    "NOMINAL_SCHEMA",
    "SCHEMA_VERSION",
    "TABLES",
    "TRACE_SCHEMA",
    "Task",
]
__all__ += ["VERDICT_SCHEMA", "in_order", "plain_rows_of", "returned_memory"]

CURVE_SCHEMA = pa.schema(
    [
        ("event", pa.string()),
        ("draw", pa.int64()),
        ("sensor_set", pa.string()),
        ("algorithm", pa.string()),
        ("restraint", pa.string()),
        ("branch", pa.string()),
        ("time_ms", pa.float64()),
        ("demand", pa.float64()),
    ],
    metadata=METADATA,
)

TRACE_SCHEMA = pa.schema(
    [
        ("event", pa.string()),
        ("draw", pa.int64()),
        ("sensor_set", pa.string()),
        ("algorithm", pa.string()),
        ("restraint", pa.string()),
        ("trace", pa.string()),
        ("time_ms", pa.float64()),
        ("value", pa.float64()),
    ],
    metadata=METADATA,
)

#: What was drawn: one row a quantity of a draw, the nominal one included.
DRAWN_SCHEMA = pa.schema(
    [
        ("occurrence", pa.string()),
        ("sensor_set", pa.string()),
        ("draw", pa.int64()),
        ("quantity", pa.string()),
        ("value", pa.float64()),
    ],
    metadata=METADATA,
)

#: What a page draws of the nominal draw: one row a line, and one for each event.
NOMINAL_SCHEMA = pa.schema(
    [
        ("event", pa.string()),
        ("draw", pa.int64()),
        ("kind", pa.string()),
        ("sensor_set", pa.string()),
        ("algorithm", pa.string()),
        ("subject", pa.string()),
        ("about", pa.string()),
        ("trace", pa.string()),
        ("times_ms", pa.list_(pa.float64())),
        ("values", pa.list_(pa.float32())),
    ],
    metadata=METADATA,
)

#: Table -> (folder in the run folder, schema).
TABLES: Mapping[str, tuple[str, pa.Schema]] = {
    "verdicts": ("verdicts.parquet", VERDICT_SCHEMA),
    "fire_curves": ("fire_curves.parquet", CURVE_SCHEMA),
    "traces": ("traces.parquet", TRACE_SCHEMA),
    "nominal": ("nominal.parquet", NOMINAL_SCHEMA),
    "drawn": ("drawn.parquet", DRAWN_SCHEMA),
}


@dataclass(frozen=True, order=True)
class Task:
    """Draws *first* to *last* - 1 of one occurrence."""

    occurrence: int
    first: int
    last: int

    @property
    def name(self) -> str:
        """Name of the task's part in every table; final from the start."""
        return f"part-{self.occurrence:04d}-{self.first:09d}-{self.last:09d}"

    def parts_of(self, tables: Iterable[str]) -> tuple[str, ...]:
        """Tables of which the task has a part: not every task has the nominal draw."""
        return tuple(name for name in tables if name != "nominal" or self.first == 0)


def plain_rows_of(tables: Iterable[pa.Table], *, event: str, draw: int) -> list[PlainRow]:
    """Return the rows of one event and draw as plain values, in the order of the tables.

    Read without ``filter`` and ``to_numpy``, for which pyarrow imports its functions and pandas.
    """
    found = []
    for table in tables:
        events = table.column("event")
        for place, number in enumerate(table.column("draw").to_pylist()):
            if number == draw and events[place].as_py() == event:
                found += table.slice(place, 1).to_pylist()
    return found


def in_order(table: pa.Table) -> npt.NDArray[np.int64]:
    """Return the places of the rows of a packed table of verdicts, in the order of the key.

    By the rank of each text among the distinct ones, which are few.
    """
    columns = []
    for name in KEY:
        column = table.column(name).unify_dictionaries().combine_chunks()
        values = column
        if pa.types.is_dictionary(column.type):
            ranks = np.argsort(np.argsort(column.dictionary.to_pylist()))
            values = ranks[column.indices.to_numpy()]
        columns.append(np.asarray(values))
    return np.lexsort(columns[::-1])


@contextmanager
def returned_memory() -> Iterator[None]:
    """Take the memory of tables from the system, to which it returns when they are freed.

    The default pool keeps what it once had: 20 to 30 MB in a campaign.
    """
    before = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(before)
