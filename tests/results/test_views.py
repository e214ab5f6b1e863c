"""What a page draws of an event: thinned traces, stored and read again."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass, replace

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense.results.folder import RunFolder
from crashsense.results.tables import NOMINAL_SCHEMA, SCHEMA_VERSION, Task
from crashsense.results.views import (
    MOST_POINTS,
    DemandChart,
    EventView,
    MotionView,
    SensedChannel,
    Told,
    Trace,
    decimate,
    intervals,
    rows_of_view,
    steps,
    stored_views,
    thinned,
    time_window,
)


def test_a_thinned_trace_keeps_window_extremes_and_ends():
    times = np.arange(-50.0, 950.0, 0.1)
    values = np.sin(times / 7.0) + 5.0 * np.exp(-(((times - 700.0) / 3.0) ** 2))
    (found,) = thinned([Trace("true", times, values)], (-10.0, 100.0))
    assert found.times_ms.size <= MOST_POINTS
    inside = (found.times_ms >= -10.0) & (found.times_ms <= 100.0)
    assert inside.sum() > MOST_POINTS - 60
    assert (found.times_ms[0], found.times_ms[-1]) == (times[0], times[-1])
    assert found.values.max() == values.max()
    assert (np.diff(found.times_ms) > 0.0).all()


def test_a_trace_without_rest_or_end_has_at_most_so_many_points_and_hardly_fewer():
    """Noise: each stretch has a smallest and a largest value of its own."""
    times = np.arange(8100) * 0.1
    values = np.random.default_rng(1).normal(size=times.size)
    # Full bins of 40 values: 195 to 200 pairs of them.
    for first, count in [*((50, 40 * bins) for bins in range(195, 201)), (0, 8100), (50, 30)]:
        window = (times[first], times[first + count - 1])
        (trace,) = thinned([Trace("true", times, values)], window)
        inside = (times >= window[0]) & (times <= window[1])
        assert trace.times_ms.size <= MOST_POINTS
        assert trace.times_ms.size >= min(MOST_POINTS - 16, count)
        places = np.searchsorted(times, trace.times_ms)
        np.testing.assert_array_equal(times[places], trace.times_ms)
        np.testing.assert_array_equal(values[places], trace.values)
        # Of the rest the first, the largest and the last.
        rest = np.flatnonzero(~inside)
        kept = rest[[0, np.abs(values[rest]).argmax(), -1]] if rest.size else []
        assert set(places) - set(np.flatnonzero(inside)) == set(kept)


def test_traces_thinned_side_by_side_are_those_thinned_alone():
    """Also those with holes, and those over other times, in the order in which they came."""
    source = np.random.default_rng(2)
    long, short = np.arange(-50.0, 450.0, 0.5), np.arange(-20.0, 30.0)
    traces = []
    for number in range(12):
        times = short if number % 3 == 2 else long
        values = source.integers(-20, 20, times.size).astype(float)
        if number % 4 == 1:
            values[source.integers(0, times.size, 30)] = np.nan
        traces.append(Trace(f"line {number}", times, values))
    traces.append(Trace("nothing", long, np.full(long.size, np.nan)))
    windows = ((-10, 60), (-50, 449.5), (-90, -60), (0, 900), (10, 440), (-50, 20))
    for window in windows:
        for trace, found in zip(traces, thinned(traces, window), strict=True):
            good = np.isfinite(trace.values)
            times, values = trace.times_ms[good], trace.values[good]
            inside = (times >= window[0]) & (times <= window[1])
            x, _ = decimate(times[inside], values[inside], most=MOST_POINTS - 3)
            rest = np.flatnonzero(~inside)
            kept = rest[[0, np.abs(values[rest]).argmax(), -1]] if rest.size else rest
            wanted = np.unique([*x, *times[kept]])
            assert found.name == trace.name
            np.testing.assert_array_equal(found.times_ms, wanted)
            np.testing.assert_array_equal(found.values, values[np.searchsorted(times, wanted)])


def line(name, *values):
    return Trace(name, np.arange(float(len(values))), np.array(values, dtype=float))


MOTION = MotionView("x", "rigid body", line("velocity", 0.0, -1.5), line("travel", 0.0, 127.0),
                    origin_ms=2.0, free_travel_mm=127.0, inflation_ms=30.0)  # fmt: skip
FULL = EventView(
    "wall", title="a wall", family="frontal", belted=False,
    channels=[
        SensedChannel("central_x", "s", "g", line("true", 0, -9, 1), line("sensed", 0, -8), 50.0,
                      1, 2, 3, beyond_ms=[(1.0, 2.0)]),
        SensedChannel("central_x", "other", "g", line("true", 0, -9, 1), line("sensed", 0, -7)),
    ],
    demands=[
        DemandChart("s", "a", "curtain_left", [line("total", 0, 2), line("main", 0, 3)],
                    swept=line("swept", 1.5)),
        DemandChart("s", "a", "curtain_right", [line("total", 0, 0.5)]),
        DemandChart("other", "a", "curtain_left", [line("total", 0, 1)]),
    ],
    reasons=[("Why: a", ["fired", " * main"])], quiet=["central_y"],
    not_before_ms={"curtain_left": 1.0}, facts={"speed": "56 km/h"}, motion=MOTION,
    told=[Told("s", "a", "curtain_left", "Fired.", "velocity", "central_x")],
    flying=["curtain_left"],
)  # fmt: skip


def plain(value):
    """A view as plain values; tuples and lists are the same."""
    if isinstance(value, np.ndarray):
        return value.tolist()
    if is_dataclass(value):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


@pytest.mark.parametrize("held", [0, 10**9])
def test_what_is_stored_of_a_view_is_read_again(held, tmp_path, monkeypatch):
    """Of several events in a part, whether parts are held in memory or read one at a time."""
    monkeypatch.setattr("crashsense.results.views.HELD_BYTES", held)
    still = replace(FULL, name="still", motion=replace(MOTION, travel=None), told=[])
    bare = EventView("bare", title="", family="misuse", belted=True)
    sweep = replace(FULL, name="sweep", demands=[replace(FULL.demands[0], swept=None)])
    folder = RunFolder(tmp_path)
    folder.write_manifest({"schema_version": SCHEMA_VERSION, "identity": {}})
    for number, views in enumerate(([FULL, still], [bare, sweep])):
        rows = [
            {"event": view.name, "draw": 0, **row}
            for view in views
            for row in rows_of_view(view, (-10.0, 100.0))
        ]
        table = pa.Table.from_pylist(rows, schema=NOMINAL_SCHEMA)
        folder.write_parts(Task(number, 0, 1), {"nominal": table})
    stored = stored_views(tmp_path)
    for view in (FULL, still, bare, sweep):
        swept = [replace(chart, swept=chart.swept and steps(chart.swept)) for chart in view.demands]
        # A sweep is stored as the steps of its running maximum.
        assert plain(stored(view.name)) == plain(replace(view, demands=swept)), view.name


@given(
    seed=st.integers(0, 2**32 - 1),
    size=st.integers(1, 400),
    holes=st.sets(st.integers(0, 399), max_size=5),
    most=st.integers(4, 60),
)
def test_a_trace_keeps_the_extremes_of_equal_bins(seed, size, holes, most):
    """Bin by bin: the first smallest and the first largest point of each, and both ends."""
    y = np.random.default_rng(seed).integers(-20, 20, size).tolist()
    x = np.arange(size) * 0.5
    values = np.array([np.nan if k in holes else float(v) for k, v in enumerate(y)])
    found_x, found_y = decimate(x, values, most=most)
    points = [(a, b) for a, b in zip(x.tolist(), values.tolist(), strict=True) if b == b]
    if len(points) > most:
        bins = (most - 2) // 2
        wide = math.ceil(len(points) / bins)
        kept = {0, len(points) - 1}
        for first in range(0, len(points), wide):
            own = [points[k][1] for k in range(first, min(first + wide, len(points)))]
            kept |= {first + own.index(min(own)), first + own.index(max(own))}
        assert len(kept) <= most
        points = [points[k] for k in sorted(kept)]
    assert list(zip(found_x.tolist(), found_y.tolist(), strict=True)) == points


@pytest.mark.parametrize(("start", "seen"), [(0.0, 4), (-1000.0, 8)])
@given(flags=st.lists(st.booleans(), max_size=30))
def test_flagged_stretches_are_joined_where_the_gap_is_hardly_seen(start, seen, flags):
    """Less than 0.4 % of the whole: 4 of 1000 samples, fewer than 4 steps, or 8 of 2000."""
    times = np.arange(1001.0)
    times[0] = start
    whole = np.zeros(1001, dtype=bool)
    whole[500 : 500 + len(flags)] = flags
    stretches: list[list[float]] = []
    for at in np.flatnonzero(whole).tolist():
        if stretches and at - stretches[-1][1] < seen:
            stretches[-1][1] = at
        else:
            stretches.append([at, at])
    found = intervals(times, whole)
    assert found == [(float(first), float(last)) for first, last in stretches]


def channel(times_ms):
    trace = Trace("true", np.asarray(times_ms), np.zeros(len(times_ms)))
    return SensedChannel("central_x", "standard", "g", trace, trace)


@pytest.mark.parametrize("latest", [0.0, 12.0, 40.0, 90.0, 5000.0])
def test_a_page_draws_what_happens_until_bags_must_have_fired_and_says_if_more_was_there(latest):
    times = np.arange(-50.0, 1000.5, 0.5)
    view = EventView("wall", "", "frontal", True, channels=[channel(times), channel(times[50:])])
    first, last, words = time_window([5.0, latest, math.nan], view)
    assert first == -10.0  # the quiet before is cut short, what is not there is not drawn
    assert last == 1000.0 or (last >= 60.0 and last % 10.0 == 0.0)
    assert min(1.5 * latest, 1000.0) <= last <= max(60.0, 1.6 * latest + 25.0)
    assert words == ("" if last == 1000.0 else f"shown to {last:.0f} ms of 1000 ms")
    # Where nothing must fire all is drawn.
    assert time_window([], view) == (-20.0, 1000.0, "")
    short = EventView("knock", "", "misuse", True, channels=[channel([-5.0, 0.0, 30.0])])
    assert time_window([], short) == (-5.0, 30.0, "")
    assert time_window([5.0], short) == (-5.0, 30.0, "")
