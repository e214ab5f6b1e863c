"""The tables of a run folder: columns, types, keys."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense.resources import CAUTION

#: Version of the layout of a run folder; a reader refuses a later one by name.
SCHEMA_VERSION = 1

KEY = ("event", "draw", "sensor_set", "algorithm", "restraint")

_META = {
    b"crashsense_schema_version": str(SCHEMA_VERSION).encode(),
    b"crashsense_caution": CAUTION.encode(),
}

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


@dataclass(frozen=True, eq=False)
class Coded:
    """A column of few words: ``names[codes]``."""

    codes: npt.NDArray[np.int8]
    names: tuple[str | None, ...]

    def __getitem__(self, row: int) -> str | None:
        return self.names[self.codes[row]]


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


def build_table(pieces: Sequence[Mapping[str, Any]], *, schema: pa.Schema) -> pa.Table:
    """Join pieces (column -> array, :class:`Coded` or one value for all rows); NaN becomes null."""
    sizes = [next(len(v) for v in p.values() if isinstance(v, np.ndarray)) for p in pieces]
    columns = [
        _column([piece[field.name] for piece in pieces], sizes=sizes, kind=field.type)
        for field in schema
    ]
    return pa.table(columns, schema=schema)


def _column(values: Sequence[Any], *, sizes: Sequence[int], kind: pa.DataType) -> pa.Array:
    if not values:
        return pa.array([], kind)
    if not kind.equals(pa.string()):
        whole = [
            value if isinstance(value, np.ndarray) else np.full(size, _number(value, kind))
            for value, size in zip(values, sizes, strict=True)
        ]
        return pa.array(np.concatenate(whole), type=kind, from_pandas=True)
    if any(isinstance(value, np.ndarray) for value in values):
        whole = [
            value if isinstance(value, np.ndarray) else np.full(size, value, dtype=object)
            for value, size in zip(values, sizes, strict=True)
        ]
        return pa.array(np.concatenate(whole), type=kind, from_pandas=True)
    if all(value == values[0] for value in values) and not isinstance(values[0], Coded):
        return pa.repeat(pa.scalar(values[0], type=kind), sum(sizes))
    names: dict[str | None, int] = {}
    codes = []
    for value, size in zip(values, sizes, strict=True):
        if isinstance(value, Coded):
            places = np.array([names.setdefault(n, len(names)) for n in value.names])
            codes.append(places[value.codes])
        else:
            codes.append(np.full(size, names.setdefault(value, len(names))))
    return pa.array(list(names), type=kind).take(pa.array(np.concatenate(codes)))


def _number(value: Any, kind: pa.DataType) -> Any:
    return np.nan if value is None and pa.types.is_floating(kind) else value
