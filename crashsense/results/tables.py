"""The tables of a run folder: columns, types, keys."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

import pyarrow as pa

from crashsense.trials.rows import (
    KEY,
    METADATA,
    SCHEMA_VERSION,
    VERDICT_SCHEMA,
    build_table,
)

__all__ = ["CURVE_SCHEMA", "KEY", "SCHEMA_VERSION", "TABLES", "TRACE_SCHEMA", "Task"]
__all__ += ["VERDICT_SCHEMA", "build_table", "returned_memory"]

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

#: Table -> (folder in the run folder, schema).
TABLES: Mapping[str, tuple[str, pa.Schema]] = {
    "verdicts": ("verdicts.parquet", VERDICT_SCHEMA),
    "fire_curves": ("fire_curves.parquet", CURVE_SCHEMA),
    "traces": ("traces.parquet", TRACE_SCHEMA),
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
