"""The tables of a run folder: columns, types, keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

#: Version of the layout of a run folder; a reader refuses a later one by name.
SCHEMA_VERSION = 1

KEY = ("event", "draw", "sensor_set", "algorithm", "restraint")

_META = {b"crashsense_schema_version": str(SCHEMA_VERSION).encode()}

VERDICT_SCHEMA = pa.schema(
    [
        ("event", pa.string()),
        ("family", pa.string()),
        ("occurrence", pa.string()),
        ("restraint", pa.string()),
        ("sensor_set", pa.string()),
        ("algorithm", pa.string()),
        ("draw", pa.int64()),
        ("expectation", pa.string()),
        ("required_time_ms", pa.float64()),
        ("fire_time_ms", pa.float64()),
        ("time_margin_ms", pa.float64()),
        ("max_demand", pa.float64()),
        ("demand_at_required_time", pa.float64()),
        ("demand_before_allowed", pa.float64()),
        ("demand_margin", pa.float64()),
        ("arming_time_ms", pa.float64()),
        ("held_by", pa.string()),
        ("path", pa.string()),
        ("verdict", pa.string()),
        ("infeasible", pa.bool_()),
        ("waived", pa.bool_()),
        ("clipped_before_filter", pa.int64()),
        ("seed", pa.int64()),
        ("reason", pa.string()),
    ],
    metadata=_META,
)

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
    metadata=_META,
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
    metadata=_META,
)

#: Table -> (folder in the run folder, schema).
TABLES: Mapping[str, tuple[str, pa.Schema]] = {
    "verdicts": ("verdicts.parquet", VERDICT_SCHEMA),
    "fire_curves": ("fire_curves.parquet", CURVE_SCHEMA),
    "traces": ("traces.parquet", TRACE_SCHEMA),
}


@dataclass(frozen=True, eq=False)
class Coded:
    """A column of few words: ``names[codes]``."""

    codes: npt.NDArray[np.int8]
    names: tuple[str | None, ...]

    def __getitem__(self, row: int) -> str | None:
        return self.names[self.codes[row]]


def build_table(pieces: Sequence[Mapping[str, Any]], *, schema: pa.Schema) -> pa.Table:
    """Join pieces (column -> array, or one value for all rows) into a table; NaN becomes null."""
    sizes = [next(len(v) for v in piece.values() if isinstance(v, np.ndarray)) for piece in pieces]
    columns = []
    for column in schema:
        parts = [
            _array(piece[column.name], size=size, kind=column.type)
            for piece, size in zip(pieces, sizes, strict=True)
        ]
        chunked = pa.chunked_array(parts, type=column.type) if parts else pa.array([], column.type)
        columns.append(chunked.combine_chunks() if parts else chunked)
    return pa.table(columns, schema=schema)


def _array(value: Any, *, size: int, kind: pa.DataType) -> pa.Array:
    if isinstance(value, Coded):
        names = pa.array(value.names, type=kind)
        return names.take(pa.array(value.codes))
    if isinstance(value, np.ndarray):
        return pa.array(value, type=kind, from_pandas=True)
    if isinstance(value, float) and np.isnan(value):
        value = None
    return pa.repeat(pa.scalar(value, type=kind), size)
