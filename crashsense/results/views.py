"""What a page draws of one event: signals, demand and reasons, thinned out, stored and read again.

A run folder holds these in one table, a part an occurrence, so that its page is written again
without sensing, and without importing what senses. A trace keeps at most :data:`MOST_POINTS`
points: those of the stretch that a page draws, its extreme values among them, and of the rest the
largest and the last value.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense.arrays import BoolArray, FloatArray, IntArray
from crashsense.results.folder import RunFolder

#: Points of a trace at most.
MOST_POINTS = 400

#: Threshold scales at which the stored sweep is exact.
SCALES = np.round(np.arange(0.01, 5.0001, 0.01), 2)

#: Parts that are read once for a page; the library takes 6 MB.
HELD_BYTES = 50_000_000


@dataclass(frozen=True, eq=False)
class Trace:
    """A line on a chart: times [ms] and values, in the unit of the chart."""

    name: str
    times_ms: FloatArray
    values: FloatArray


@dataclass(frozen=True, eq=False)
class MotionView:
    """How the cabin moved in one event, and a free occupant in it.

    ``axis``: x or y; ``source``: what was integrated, in words; ``velocity``: change of velocity
    [km/h]; ``travel``: travel of an occupant in free flight relative to the cabin [mm], None where
    nothing asks for it; ``free_travel_mm``, ``inflation_ms``: the rule by which a required time was
    set, None where none was.
    """

    axis: str
    source: str
    velocity: Trace
    travel: Trace | None = None
    origin_ms: float = 0.0
    free_travel_mm: float | None = None
    inflation_ms: float | None = None


@dataclass(frozen=True)
class Told:
    """Why one restraint did what it did, in a sentence.

    ``branch``: the criterion that decided; ``channel``: what it reads, empty if it reads none.
    """

    sensor_set: str
    algorithm: str
    restraint: str
    sentence: str
    branch: str
    channel: str


@dataclass(frozen=True, eq=False)
class SensedChannel:
    """One channel of one event: what was there, what arrived, and where the range cut it."""

    channel: str
    sensor_set: str
    unit: str
    raw: Trace
    sensed: Trace
    range_value: float | None = None
    clipped_before_filter: int = 0
    clipped_after_filter: int = 0
    clipped_codes: int = 0
    #: first and last time [ms] of each stretch in which the true signal left the range
    beyond_ms: Sequence[tuple[float, float]] = ()


@dataclass(frozen=True, eq=False)
class DemandChart:
    """Demand of one rule: total, and its branches where there are any.

    ``swept``: the demand whose running maximum reaches k where the rule with all thresholds but
    arming scaled by k fires; None where that must be re-run.
    """

    sensor_set: str
    algorithm: str
    restraint: str
    traces: Sequence[Trace]
    swept: Trace | None = None


@dataclass(frozen=True, eq=False)
class EventView:
    """Everything that the page draws of one event (nominal draw)."""

    name: str
    title: str
    family: str
    belted: bool
    channels: Sequence[SensedChannel] = ()
    demands: Sequence[DemandChart] = ()
    #: why a gating algorithm fired or held, one text a restraint, lines as they are
    reasons: Sequence[tuple[str, Sequence[str]]] = ()
    #: channels that an algorithm reads and that carry nothing but offset and noise
    quiet: Sequence[str] = ()
    #: restraint -> time before which firing is early [ms]
    not_before_ms: Mapping[str, float] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)
    motion: MotionView | None = None
    #: the restraint that matters most, of every gating algorithm and sensor set
    told: Sequence[Told] = ()
    #: restraints whose required time is free flight less inflation
    flying: Sequence[str] = ()


# -- thinning out -------------------------------------------------------------------------------


def time_window(times_ms: Sequence[float], view: EventView) -> tuple[float, float, str]:
    """First and last time [ms] to draw of an event, and words where that is not all of it.

    *times_ms*: required and fire times of what must fire, NaN where there is none; without any all
    of the event is drawn.
    """
    first = min((c.raw.times_ms[0] for c in view.channels), default=0.0)
    last = max((c.raw.times_ms[-1] for c in view.channels), default=100.0)
    if not len(times_ms):
        return float(max(first, -20.0)), float(last), ""
    latest = max([0.0, *(t for t in times_ms if t == t)])
    end = float(min(last, max(60.0, 10.0 * np.ceil((1.6 * latest + 15.0) / 10.0))))
    words = f"shown to {end:.0f} ms of {last:.0f} ms" if end < last else ""
    return float(max(first, -10.0)), end, words


def intervals(times: FloatArray, flags: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """First and last time of each run of flagged samples, near ones joined.

    >>> intervals(np.arange(6.0), np.array([0, 1, 1, 0, 0, 1], dtype=bool))
    [(1.0, 2.0), (5.0, 5.0)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(int), [0]))))
    out: list[tuple[float, float]] = []
    near = 0.004 * float(times[-1] - times[0]) if times.size else 0.0
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        start, end = float(times[first]), float(times[last])
        if out and start - out[-1][1] < near:
            out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return out


def decimate(x: FloatArray, y: FloatArray, *, most: int = MOST_POINTS) -> tuple[FloatArray, ...]:
    """Return at most *most* points of a trace that keep its first, last and extreme values.

    The trace is cut into equal bins; of each the smallest and the largest point stay, in order.
    Points that are not finite are left out.

    >>> x, y = decimate(np.arange(10000.0), np.sin(np.arange(10000.0)), most=100)
    >>> x.size <= 100
    True
    """
    good = np.isfinite(x) & np.isfinite(y)
    x, y = np.asarray(x)[good], np.asarray(y)[good]
    places = _extremes(y[None, :], most=most)
    index = places[_new(places)]
    return x[index], y[index]


def _extremes(rows: FloatArray, *, most: int) -> IntArray:
    """Places that :func:`decimate` keeps of each row, rising, some of them several times."""
    number, size = rows.shape
    if size <= most:
        return np.broadcast_to(np.arange(size), rows.shape)
    bins = max(1, (most - 2) // 2)
    each = -(-size // bins)
    # The last value fills up the last bin; where it is chosen, it stands for the last point.
    filled = np.empty((number, bins * each))
    filled[:, :size] = rows
    filled[:, size:] = rows[:, -1:]
    binned = filled.reshape(number, bins, each)
    found = np.sort(np.stack([binned.argmin(axis=-1), binned.argmax(axis=-1)], axis=-1), axis=-1)
    found += each * np.arange(bins)[:, None]
    places = np.empty((number, 2 * bins + 2), dtype=np.int64)
    places[:, 0], places[:, -1] = 0, size - 1
    places[:, 1:-1] = np.minimum(found.reshape(number, 2 * bins), size - 1)
    return places


def _new(places: IntArray) -> BoolArray:
    """Mark places of each row that are there (not -1) and not the same as the one before."""
    new = places >= 0
    new[:, 1:] &= places[:, 1:] != places[:, :-1]
    return new


def thinned(traces: Sequence[Trace], window: tuple[float, float]) -> list[Trace]:
    """Thin traces out to what a page draws of them; their times rise.

    Inside the *window* [ms] as :func:`decimate` does; outside stay the first, the largest and the
    last value, from which a page chooses its scales. Those with the same array of times are thinned
    out side by side: one by one they take seven times as long.
    """
    groups: dict[int, list[int]] = {}
    for place, trace in enumerate(traces):
        groups.setdefault(id(trace.times_ms), []).append(place)
    found: dict[int, tuple[FloatArray, FloatArray]] = {}
    for own in groups.values():
        times = traces[own[0]].times_ms
        rows = np.stack([traces[place].values for place in own])
        finite = np.isfinite(rows)
        whole = np.asarray(finite.all(axis=-1))
        sound = [place for place, one in zip(own, whole, strict=True) if one]
        found |= zip(sound, _thinned(times, rows[whole], window), strict=True)
        for row in np.flatnonzero(~whole):
            good = finite[row]
            found[own[row]] = _thinned(times[good], rows[row : row + 1, good], window)[0]
    return [Trace(trace.name, *found[place]) for place, trace in enumerate(traces)]


def _thinned(
    times: FloatArray, rows: FloatArray, window: tuple[float, float]
) -> list[tuple[FloatArray, FloatArray]]:
    """As :func:`thinned`, times and values of rows that share their times and are finite."""
    number, size = rows.shape
    start = int(np.searchsorted(times, window[0]))
    stop = int(np.searchsorted(times, window[1], side="right"))
    places = start + _extremes(rows[:, start:stop], most=MOST_POINTS - 3)
    if stop - start < size:
        outside = np.abs(np.concatenate([rows[:, :start], rows[:, stop:]], axis=-1))
        rest = np.empty((number, 3), dtype=np.int64)
        rest[:, 0], rest[:, 1], rest[:, 2] = 0, outside.argmax(axis=-1), size - (stop - start) - 1
        late = rest >= start
        before, after = np.where(late, -1, rest), np.where(late, rest + stop - start, -1)
        places = np.concatenate([before, places, after], axis=-1)
    new = _new(places)
    ends = np.cumsum(new.sum(axis=-1)).tolist()
    at = places[new]
    values = rows[np.nonzero(new)[0], at]
    x = times[at]
    return [(x[a:b], values[a:b]) for a, b in pairwise([0, *ends])]


def steps(trace: Trace) -> Trace:
    """Return where the running maximum of a sweep first reaches each of :data:`SCALES`.

    >>> found = steps(Trace("swept", np.arange(4.0), np.array([0.0, 0.7, 0.2, 1.5])))
    >>> found.times_ms, found.values
    (array([1., 3.]), array([0.7, 1.5]))
    """
    values = np.where(np.isnan(trace.values), 0.0, np.minimum(trace.values, 1e9))
    running = np.maximum.accumulate(values)
    index = np.searchsorted(running, SCALES - 1e-12, side="left")  # rises as the scales do
    index = index[(np.diff(index, prepend=-1) > 0) & (index < running.size)]
    return Trace(trace.name, trace.times_ms[index], running[index])


# -- storing ---------------------------------------------------------------------------------------


def rows_of_view(view: EventView, window: tuple[float, float]) -> Iterator[dict[str, Any]]:
    """Yield the rows of the table of a view, traces thinned out to a window of time [ms]."""
    # Restraints with one rule share its demand, as a rule that is not armed does with its main one.
    drawn = {_key(trace): trace for trace in _drawn(view)}
    thin = dict(zip(drawn, thinned(list(drawn.values()), window), strict=True))

    def line(trace: Trace) -> dict[str, Any]:
        return {**_line(thin[_key(trace)]), "trace": trace.name}

    about = {name: getattr(view, name) for name in _OF_EVENT}
    about["told"] = [asdict(one) for one in view.told]
    yield {"kind": "event", "about": json.dumps(about)}
    if view.motion is not None:
        motion: dict[str, Any] = {"kind": "motion", "subject": view.motion.axis}
        known = {name: getattr(view.motion, name) for name in _OF_MOTION}
        velocity = line(view.motion.velocity)
        yield {**motion, "about": json.dumps(known), **velocity}
        if view.motion.travel is not None:
            yield {**motion, **line(view.motion.travel)}
    for channel in view.channels:
        row: dict[str, Any] = {"kind": "channel", "sensor_set": channel.sensor_set}
        row["subject"] = channel.channel
        about = {name: getattr(channel, name) for name in _OF_CHANNEL}
        yield {**row, "about": json.dumps(about), **line(channel.raw)}
        yield {**row, **line(channel.sensed)}
    for chart in view.demands:
        row = {"kind": "demand", "sensor_set": chart.sensor_set, "algorithm": chart.algorithm}
        row["subject"] = chart.restraint
        for trace in chart.traces:
            yield {**row, **line(trace)}
        if chart.swept is not None:
            yield {**row, "kind": "sweep", **_line(steps(chart.swept))}


def _drawn(view: EventView) -> Iterator[Trace]:
    """Traces of a view that are thinned out."""
    if view.motion is not None:
        yield view.motion.velocity
        if view.motion.travel is not None:
            yield view.motion.travel
    for channel in view.channels:
        yield from (channel.raw, channel.sensed)
    for chart in view.demands:
        yield from chart.traces


def _key(trace: Trace) -> tuple[int, int]:
    return id(trace.times_ms), id(trace.values)


def _line(trace: Trace) -> dict[str, Any]:
    return {"trace": trace.name, "times_ms": trace.times_ms, "values": trace.values}


#: What is stored of an event and of a channel beside traces.
_OF_EVENT = ("title", "family", "belted", "reasons", "quiet", "not_before_ms", "facts", "flying")
_OF_MOTION = ("source", "origin_ms", "free_travel_mm", "inflation_ms")
_CLIPPED = ("clipped_before_filter", "clipped_after_filter", "clipped_codes")
_OF_CHANNEL = ("unit", "range_value", "beyond_ms", *_CLIPPED)


def stored_views(
    path: Path, *, held: Mapping[Path, pa.Table] | None = None
) -> Callable[[str], EventView] | None:
    """Return a function that reads what a run folder holds of an event; None: it holds nothing.

    Parts of up to :data:`HELD_BYTES` are read once and held; of more one is read at a time, so that
    a page of a big run needs one event in memory. *held*: parts that have been read already.
    """
    folder = RunFolder(path)
    there = held or {}
    parts = folder.parts("nominal")
    if not parts:
        return None
    if sum(part.stat().st_size for part in parts) <= HELD_BYTES:
        rows: dict[str, pa.Table] = {}
        for part in parts:
            rows |= _by_event(there[part] if part in there else folder.read_part(part))
        return lambda name: _view_from(name, _rows_of(rows[name]))
    where: dict[str, Path] = {}
    for part in parts:
        where |= dict.fromkeys(_by_event(folder.read_part(part, columns=["event"])), part)
    return lambda name: _view_from(name, _rows_of(_by_event(folder.read_part(where[name]))[name]))


def _by_event(table: pa.Table) -> dict[str, pa.Table]:
    """The rows of each event of a part, where they stand one after the other."""
    found: dict[str, pa.Table] = {}
    first = 0
    for name, rows in groupby(table.column("event").to_pylist()):
        size = len(list(rows))
        found[name] = table.slice(first, size)
        first += size
    return found


def _rows_of(table: pa.Table) -> list[dict[str, Any]]:
    """Rows of one event, their lists of numbers as arrays."""
    lists = ("times_ms", "values")
    rows = table.drop_columns(list(lists)).to_pylist()
    for name in lists:
        column = table.column(name).combine_chunks()
        values = column.flatten().to_numpy().astype(np.float64, copy=False)
        ends = (column.offsets.to_numpy() - column.offsets[0].as_py()).tolist()
        for row, first, last in zip(rows, ends[:-1], ends[1:], strict=True):
            row[name] = values[first:last]
    return rows


def _view_from(name: str, rows: Sequence[Mapping[str, Any]]) -> EventView:
    about: dict[str, Any] = {}
    signals: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    traces: dict[tuple[str, str, str], list[Trace]] = {}
    swept: dict[tuple[str, str, str], Trace] = {}
    motion: list[Mapping[str, Any]] = []
    for row in rows:
        kind, subject = row["kind"], row["subject"]
        if kind == "event":
            about = json.loads(row["about"])
            about["told"] = [Told(**one) for one in about.get("told", ())]
        elif kind == "motion":
            motion.append(row)
        elif kind == "channel":
            signals.setdefault((row["sensor_set"], subject), []).append(row)
        else:
            key = (row["sensor_set"], row["algorithm"], subject)
            own = traces.setdefault(key, [])
            if kind == "sweep":
                swept[key] = _trace_from(row)
            else:
                own.append(_trace_from(row))
    channels = [
        SensedChannel(
            channel,
            sensor_set,
            raw=_trace_from(true),
            sensed=_trace_from(sensed),
            **json.loads(true["about"]),
        )
        for (sensor_set, channel), (true, sensed) in signals.items()
    ]
    return EventView(
        name,
        channels=channels,
        demands=[
            DemandChart(*key, traces=tuple(own), swept=swept.get(key))
            for key, own in traces.items()
        ],
        motion=_motion_from(motion) if motion else None,
        **about,
    )


def _motion_from(rows: Sequence[Mapping[str, Any]]) -> MotionView:
    known = json.loads(rows[0]["about"])
    travel = _trace_from(rows[1]) if len(rows) > 1 else None
    return MotionView(rows[0]["subject"], velocity=_trace_from(rows[0]), travel=travel, **known)


def _trace_from(row: Mapping[str, Any]) -> Trace:
    return Trace(row["trace"], row["times_ms"], row["values"])
