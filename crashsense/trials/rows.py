"""Verdict rows: the columns of a trial's scores."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense.scoring import HELD_BY, ORDER_FAILURES, VERDICTS, Scores
from crashsense.trials.judge import InOrder, in_order
from crashsense.values import Identity
from crashsense.verdict_schema import KEY, PlainRow

if TYPE_CHECKING:
    from crashsense.event import Event
    from crashsense.trials.trial import Trial


@dataclass(frozen=True, eq=False)
class Coded:
    """A column of few words: ``names[codes]``."""

    codes: npt.NDArray[np.int8]
    names: tuple[str | None, ...]

    def __getitem__(self, row: int) -> str | None:
        return self.names[self.codes[row]]


def build_table(pieces: Sequence[Mapping[str, Any]], *, schema: pa.Schema) -> pa.Table:
    """Join pieces (column -> array, :class:`Coded` or one value for all rows); NaN becomes null."""
    sizes = tuple(next(len(v) for v in p.values() if isinstance(v, np.ndarray)) for p in pieces)
    fields = _fields(Identity(schema))
    values = {name: [piece[name] for piece in pieces] for name, _, _ in fields}
    varied = {name: not _VARIED.isdisjoint(map(type, column)) for name, column in values.items()}
    floats = [name for name, _, is_float in fields if is_float and varied[name]]
    found = _floats([values[name] for name in floats], sizes=sizes)
    made = dict(zip(floats, found, strict=True))
    for name, kind, _ in fields:
        if name not in made:
            column = values[name]
            if varied[name]:
                made[name] = _column(column, sizes=sizes, kind=kind)
            else:
                made[name] = _constants(tuple(column), sizes, kind)
    return pa.table([made[name] for name, _, _ in fields], schema=schema)


@lru_cache(maxsize=16)
def _fields(schema: Identity) -> tuple[tuple[str, pa.DataType, bool], ...]:
    """Name and type of every field, and whether it is a floating-point number of 64 bits.

    A schema compares and hashes its fields, which costs as much as a table.
    """
    return tuple((f.name, f.type, pa.types.is_float64(f.type)) for f in schema.value)


#: Numbers of columns that are made at once (0.5 MB): they stay in the cache.
_NUMBERS_AT_ONCE = 2**16


def _floats(columns: Sequence[Sequence[Any]], *, sizes: Sequence[int]) -> list[pa.Array]:
    """As :func:`_column`, of several columns of numbers at once: few calls instead of many."""
    total = sum(sizes)
    step = max(1, _NUMBERS_AT_ONCE // max(1, total))
    found: list[pa.Array] = []
    for first in range(0, len(columns), step):
        rows = np.full((min(step, len(columns) - first), total), np.nan)
        for row, values in zip(rows, columns[first : first + step], strict=True):
            begin = 0
            for value, size in zip(values, sizes, strict=True):
                if value is not None:
                    row[begin : begin + size] = value
                begin += size
        there = ~np.isnan(rows)
        bits = np.packbits(there, axis=-1, bitorder="little")
        counts = np.bitwise_count(bits).sum(axis=-1, dtype=np.int64).tolist()
        for row, own, count in zip(rows, bits, counts, strict=True):
            valid = pa.py_buffer(own) if count < total else None
            parts = [valid, pa.py_buffer(row)]
            found.append(pa.Array.from_buffers(pa.float64(), total, parts, total - count))
    return found


#: What makes a column that is not the same word throughout a piece.
_VARIED = frozenset((np.ndarray, Coded))


def _column(values: Sequence[Any], *, sizes: tuple[int, ...], kind: pa.DataType) -> pa.Array:
    values = [_one_word(value) if type(value) is Coded else value for value in values]
    if _VARIED.isdisjoint(map(type, values)):
        return _constants(tuple(values), sizes, kind)
    if not kind.equals(pa.string()):
        return _numbers(values, sizes=sizes, kind=kind)
    if any(isinstance(value, np.ndarray) for value in values):
        whole = [_spelt_out(value, size) for value, size in zip(values, sizes, strict=True)]
        return pa.array(np.concatenate(whole), type=kind, from_pandas=True)
    return pa.concat_arrays(
        _words(value.names, kind).take(pa.array(value.codes))
        if isinstance(value, Coded)
        else _constants((value,), (size,), kind)
        for value, size in zip(values, sizes, strict=True)
    )


def _spelt_out(value: Any, size: int) -> npt.NDArray[Any]:
    if isinstance(value, Coded):
        return np.array(value.names, dtype=object)[value.codes]
    return value if isinstance(value, np.ndarray) else np.full(size, value, dtype=object)


def _one_word(value: Coded) -> Coded | str | None:
    """Coded words as the word itself, if they are all the same."""
    if not value.codes.size:
        return value
    first = value.codes[0]
    return value.names[first] if (value.codes == first).all() else value


@lru_cache(maxsize=64)
def _constants(values: tuple[Any, ...], sizes: tuple[int, ...], kind: pa.DataType) -> pa.Array:
    """One value after the other, each so many times: the same columns in table after table."""
    if not values:
        return pa.array([], kind)
    if len(set(values)) == 1:
        return pa.repeat(_scalar(values[0], kind), sum(sizes))
    return pa.concat_arrays(
        pa.repeat(_scalar(value, kind), size) for value, size in zip(values, sizes, strict=True)
    )


@lru_cache(maxsize=64)
def _words(names: tuple[str | None, ...], kind: pa.DataType) -> pa.Array:
    return pa.array(names, type=kind)


def _scalar(value: Any, kind: pa.DataType) -> pa.Scalar:
    return pa.scalar(value, type=kind, from_pandas=True)  # NaN is null


def _numbers(values: Sequence[Any], *, sizes: Sequence[int], kind: pa.DataType) -> pa.Array:
    """Arrays and single whole numbers or truths, one after the other."""
    out = np.empty(sum(sizes), dtype=kind.to_pandas_dtype())
    first = 0
    for value, size in zip(values, sizes, strict=True):
        out[first : first + size] = value
        first += size
    return pa.array(out, type=kind)


_SCORED = (
    "fire_time_ms",
    "time_margin_ms",
    "max_demand",
    "demand_at_required_time",
    "demand_before_allowed",
    "demand_margin",
    "arming_time_ms",
)


def verdict_columns(trial: Trial) -> Iterator[Mapping[str, Any]]:
    """Yield the verdict rows of every event, algorithm and restraint, as columns over draws.

    Last come those of restraints in order, where both were judged.
    """
    events = {event.name: event for event in trial.events}
    path = _one_word(Coded(trial.full.astype(np.int8), ("fast", "full")))
    for (name, algorithm, restraint), answer in trial.answers.items():
        event = events[name]
        requirement = event.requirements[restraint]
        if answer.found is None:
            scored = unscored_columns(answer.required_s, reason=answer.reason)
        else:
            scores = answer.scores(requirement, start_s=trial.start_s, rate_hz=trial.rate_hz)
            scored = scored_columns(scores, answer.required_s, errors=answer.errors)
        yield {
            **_about(trial, event, algorithm=algorithm, restraint=restraint),
            "path": path,
            "restraint": restraint,
            "expectation": requirement.expectation,
            "clipped_before_filter": answer.clipped,
            **scored,
        }
    for event, ruler in product(trial.events, trial.algorithms):
        for name, (restraint, order) in event.orders.items():
            mine, other = (
                trial.answers.get((event.name, ruler.name, one)) for one in (restraint, order.after)
            )
            if mine is None or other is None:  # one restraint was asked about alone
                continue
            found = in_order(order, mine, other, start_s=trial.start_s, rate_hz=trial.rate_hz)
            yield {
                **_about(trial, event, algorithm=ruler.name, restraint=restraint),
                "path": path,
                "restraint": name,
                "expectation": "order",
                "clipped_before_filter": np.maximum(mine.clipped, other.clipped),
                **order_columns(found),
            }


def plain_rows(trial: Trial) -> list[PlainRow]:
    """Return the verdict rows of the first draw as plain values, sorted by their key."""
    rows = [
        {name: _plain(value) for name, value in columns.items()}
        for columns in verdict_columns(trial)
    ]
    return sorted(rows, key=lambda row: tuple(row[name] for name in KEY))


def _plain(value: Any) -> Any:
    """The first value of a column; a number that is none is None, as in the table."""
    first = value[0] if isinstance(value, np.ndarray | Coded) else value
    if isinstance(first, np.generic):
        first = first.item()
    return None if isinstance(first, float) and np.isnan(first) else first


def _about(trial: Trial, event: Event, *, algorithm: str, restraint: str) -> dict[str, Any]:
    """Columns that say what a row is about."""
    return {
        "event": event.name,
        "family": event.family,
        "occurrence": event.occurrence,
        "sensor_set": trial.sensor_set.name,
        "algorithm": algorithm,
        "draw": trial.draws,
        "waived": event.requirements[restraint].waiver is not None,
        "seed": trial.conditions.seed,
    }


#: Verdicts of an order whose rows say in words what happened.
_ORDER_TOLD = [VERDICTS.index(name) for name in ORDER_FAILURES]


def order_columns(found: InOrder) -> dict[str, Any]:
    """Return the scored columns of two restraints in order: no demand of its own, but times.

    ``required_time_ms`` is the last moment that the longest delay allows, null without one;
    ``time_margin_ms`` how far the delay lies inside the allowed ones.
    """
    failed = np.isin(found.scores.verdict_code, _ORDER_TOLD)
    told = sorted({*np.flatnonzero(failed).tolist(), *found.unknown})
    reasons: Any = None
    if told:
        reasons = np.full(failed.size, None, dtype=object)
        reasons[told] = [found.reason(at) for at in told]
    last = np.nan if found.order.most_s is None else found.order.most_s
    return {
        **dict.fromkeys(_SCORED, None),
        "required_time_ms": 1e3 * (found.other_s + last),
        "fire_time_ms": 1e3 * found.fire_s,
        "time_margin_ms": 1e3 * found.scores.margin_s,
        "held_by": None,
        "verdict": Coded(found.scores.verdict_code, VERDICTS),
        "infeasible": False,
        "reason": reasons,
    }


def unscored_columns(required_s: npt.NDArray[np.float64], *, reason: str) -> dict[str, Any]:
    """Return the scored columns of a rule that cannot be evaluated."""
    return {
        **dict.fromkeys(_SCORED, None),
        "required_time_ms": 1e3 * required_s,
        "held_by": None,
        "verdict": "not_evaluated",
        "infeasible": False,
        "reason": reason,
    }


def scored_columns(
    scores: Scores, required_s: npt.NDArray[np.float64], *, errors: Mapping[int, str]
) -> dict[str, Any]:
    """Return the scored columns; *errors*: place of a draw -> how the rule failed there."""
    columns: dict[str, Any] = {
        "required_time_ms": 1e3 * required_s,
        "fire_time_ms": 1e3 * scores.fire_s,
        "time_margin_ms": 1e3 * scores.time_margin_s,
        "max_demand": scores.max_demand,
        "demand_at_required_time": scores.demand_at_required,
        "demand_before_allowed": scores.demand_before_allowed,
        "demand_margin": scores.demand_margin,
        "arming_time_ms": 1e3 * scores.arming_s,
        "held_by": Coded(scores.held_code, (None, *HELD_BY[1:])),
        "verdict": Coded(scores.verdict_code, VERDICTS),
        "infeasible": scores.infeasible if scores.infeasible.any() else False,
        "reason": None,
    }
    if errors:
        reasons = np.full(required_s.size, None, dtype=object)
        verdict, held = (columns[name].codes.copy() for name in ("verdict", "held_by"))
        at = sorted(errors)
        reasons[at] = [errors[index] for index in at]
        verdict[at], held[at] = VERDICTS.index("rule_error"), 0
        for name in _SCORED:
            columns[name] = np.array(columns[name])
            columns[name][at] = np.nan
        columns |= {
            "reason": reasons,
            "verdict": Coded(verdict, VERDICTS),
            "held_by": Coded(held, columns["held_by"].names),
        }
    return columns
