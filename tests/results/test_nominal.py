"""What a run folder holds of its nominal draw: thinned traces from which the page is written."""

from __future__ import annotations

import math
import shutil
from dataclasses import fields, is_dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pulses_by_hand import pulse

import crashsense
from crashsense import cli
from crashsense.reporting import write_report
from crashsense.reporting.what_if import SCALES, fire_curve
from crashsense.results import open_run
from crashsense.results.event_motion import MotionView, Told
from crashsense.results.folder import RunFolder
from crashsense.results.nominal import (
    MOST_POINTS,
    MOST_SETS,
    DemandChart,
    EventView,
    SensedChannel,
    Trace,
    _facts,
    _rows,
    computed_views,
    decimate,
    event_view,
    intervals,
    steps,
    stored_views,
    thinned,
    time_window,
)
from crashsense.results.tables import NOMINAL_SCHEMA, SCHEMA_VERSION, Task
from crashsense.rules import algorithm_from_toml
from crashsense.trials import trial

G = 9.80665
OTHER = "central_70g"
EVENTS = ["hammer_tunnel", "wall_full_16_belted", "wall_full_16_unbelted"]


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs") / "run"
    run = crashsense.evaluate(events=EVENTS, draws=3, out=folder, engine="numpy")
    write_report(run, folder)
    return run


def test_a_thinned_trace_keeps_window_extremes_and_ends():
    times = np.arange(-50.0, 950.0, 0.1)
    values = np.sin(times / 7.0) + 5.0 * np.exp(-(((times - 700.0) / 3.0) ** 2))
    found = thinned(Trace("true", times, values), (-10.0, 100.0))
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
        trace = thinned(Trace("true", times, values), window)
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
    monkeypatch.setattr("crashsense.results.nominal.HELD_BYTES", held)
    still = replace(FULL, name="still", motion=replace(MOTION, travel=None), told=[])
    bare = EventView("bare", title="", family="misuse", belted=True)
    sweep = replace(FULL, name="sweep", demands=[replace(FULL.demands[0], swept=None)])
    folder = RunFolder(tmp_path)
    folder.write_manifest({"schema_version": SCHEMA_VERSION, "identity": {}})
    for number, views in enumerate(([FULL, still], [bare, sweep])):
        rows = [
            {"event": view.name, "draw": 0, **row}
            for view in views
            for row in _rows(view, (-10.0, 100.0))
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


RULER = """\
name = "NAME"
gate = GATE
[rules.front_airbag_stage_1]
family = "velocity_change"
channel = "-central_x"
threshold_m_s = LEVEL
"""


def ruler(name, *, gate, level):
    text = RULER.replace("NAME", name).replace("GATE", str(gate).lower())
    return algorithm_from_toml(text.replace("LEVEL", str(level)))


def test_a_view_shows_what_arrived_and_why_gating_algorithms_fail():
    event = pulse("kerb", 6.0, fire=False)
    rulers = [
        ruler("fires", gate=True, level=3.0),
        ruler("holds", gate=True, level=30.0),
        ruler("tells", gate=False, level=3.0),
    ]
    one = trial(event, algorithm=rulers)
    view = event_view(event, [one])
    assert [name for name, _ in view.reasons] == ["Why: fires, front_airbag_stage_1"]
    assert view.reasons[0][1][0].startswith("fired at")
    times = 1e3 * one.times_s[0]
    (shown,) = view.channels
    np.testing.assert_array_equal(shown.sensed.times_ms, times)
    np.testing.assert_array_equal(shown.sensed.values, one.samples.channels["central_x"][0] / G)
    signal = event.signals["central_x"]
    np.testing.assert_array_equal(shown.raw.times_ms, 1e3 * signal.times_s)
    np.testing.assert_array_equal(shown.raw.values, signal.samples / G)
    assert [chart.algorithm for chart in view.demands] == ["fires", "holds", "tells"]
    for chart, own in zip(view.demands, one.each(), strict=True):
        demand = own.demand("front_airbag_stage_1")[0]
        for trace in (*chart.traces, chart.swept):
            np.testing.assert_array_equal(trace.times_ms, times)
        np.testing.assert_array_equal(chart.traces[0].values, demand)
        np.testing.assert_allclose(chart.swept.values, demand, rtol=1e-12)
    both = [one, trial(event, algorithm=rulers, sensor_set=OTHER)]
    assert [name for name, _ in event_view(event, both).reasons] == [
        f"Why: fires / {name}, front_airbag_stage_1" for name in ("standard", OTHER)
    ]


def test_a_stored_sweep_fires_at_the_same_times_at_every_scale_of_the_slider():
    source = np.random.default_rng(4)
    times = np.arange(0.0, 200.0, 0.5)
    demand = np.cumsum(source.normal(0.003, 0.05, times.size)).clip(0.0)
    assert 0.5 < demand.max() < 5.0
    found = steps(Trace("swept", times, demand))
    assert found.times_ms.size < times.size / 2
    assert fire_curve(found.times_ms, found.values) == fire_curve(times, demand)
    assert set(SCALES) <= set(np.round(np.arange(0.01, 5.0001, 0.01), 2))


def test_a_scale_that_is_reached_exactly_is_reached():
    scales = np.round(np.arange(0.01, 5.0001, 0.01), 2)
    found = steps(Trace("swept", np.arange(500.0), scales))
    np.testing.assert_array_equal(found.values, scales)


def test_a_view_draws_so_many_sensor_sets_and_names_what_is_quiet():
    event = pulse("wall", 6.0, fire=True)
    first = event.requirements["front_airbag_stage_1"]
    told = {
        "front_airbag_stage_1": replace(first, free_travel_m=0.127),
        "front_airbag_stage_2": first,  # a time from elsewhere
        "knee_airbag": replace(first, expectation="open", required_s=None, free_travel_m=0.127),
    }
    signal = event.signals["central_x"]
    small = replace(signal, samples=1e-3 * signal.samples, axis="y")
    event = replace(
        event,
        requirements={**event.requirements, **told},
        signals={**event.signals, "central_y": small},
    )
    both = RULER.replace("LEVEL", "3.0").replace("GATE", "true").replace("NAME", "both")
    both += both[both.index("[rules") :].replace("front_airbag_stage_1", "curtain_left").replace(
        "-central_x", "+central_y"
    )  # fmt: skip
    one = trial(event, algorithm=algorithm_from_toml(both))
    view = event_view(event, [one] * (MOST_SETS + 2))
    assert [channel.channel for channel in view.channels] == ["central_x"] * MOST_SETS
    assert list(view.quiet) == ["central_y"]
    assert len(view.demands) == 2 * (MOST_SETS + 2)
    assert list(view.flying) == ["front_airbag_stage_1"]
    alone = event_view(event, [one])
    assert [name for name, _ in alone.reasons] == [
        name.replace(" / standard", "") for name, _ in view.reasons[: len(alone.reasons)]
    ]


@pytest.mark.parametrize(
    ("parameters", "speed"),
    [
        ({"speed_kmh": 56, "speed_m_s": 10.0}, "56 km/h"), ({"speed_m_s": 10.0}, "36 km/h"),
        ({"speed_kmh": 16.04}, "16 km/h"), ({"speed_kmh": "fast"}, None), ({}, None),
    ],
)  # fmt: skip
def test_facts_of_an_event_are_those_of_its_recipe(parameters, speed):
    found = _facts({"parameters": parameters, "model": "frontal", "matrix": "", "more": 1})
    assert found == {**({} if speed is None else {"speed": speed}), "model": "frontal"}
    assert _facts({"matrix": "walls"}) == {"matrix row": "walls"}


@pytest.mark.slow
def test_stored_views_say_what_computed_views_say(finished):
    stored, computed = stored_views(finished.folder), computed_views(finished.plan)
    for event in EVENTS:
        ours, theirs = stored(event), computed(event)
        for name in ("name", "title", "family", "belted", "facts", "not_before_ms"):
            assert getattr(ours, name) == getattr(theirs, name), name
        assert list(ours.quiet) == list(theirs.quiet)
        assert [list(r) for r in ours.reasons] == [list(r) for r in theirs.reasons]
        assert [c.channel for c in ours.channels] == [c.channel for c in theirs.channels]
        for one, other in zip(ours.channels, theirs.channels, strict=True):
            assert one.raw.values.size <= MOST_POINTS
            assert one.raw.values.max() == pytest.approx(other.raw.values.max(), rel=1e-6)
            assert one.range_value == other.range_value
            assert [list(b) for b in one.beyond_ms] == [list(b) for b in other.beyond_ms]
        key = [(d.sensor_set, d.algorithm, d.restraint) for d in ours.demands]
        assert key == [(d.sensor_set, d.algorithm, d.restraint) for d in theirs.demands]
        assert len(key) > 5


@pytest.mark.slow
def test_one_part_an_occurrence_however_many_draws(tmp_path):
    # Of sensors alone: pulses are made anew for every part.
    given = {"events": EVENTS, "draws": 9, "vary": "sensor", "engine": "numpy"}
    crashsense.evaluate(**given, chunk=3, out=tmp_path / "run")
    parts = sorted((tmp_path / "run" / "nominal.parquet").glob("*.parquet"))
    verdicts = sorted((tmp_path / "run" / "verdicts.parquet").glob("*.parquet"))
    assert len(parts) == 2 < len(verdicts)
    assert {part.name for part in parts} < {part.name for part in verdicts}
    # The table is healed like any other.
    parts[0].write_bytes(parts[0].read_bytes()[:100])
    again = crashsense.evaluate(**given, out=tmp_path / "run")
    assert pq.read_table(parts[0]).num_rows > 10
    assert again.exit_code == open_run(tmp_path / "run").exit_code


@pytest.mark.slow
def test_the_table_of_a_run_does_not_depend_on_the_page(finished):
    in_memory = crashsense.evaluate(events=EVENTS, draws=3, engine="numpy")
    assert finished.verdicts.equals(in_memory.verdicts)


@pytest.mark.slow
def test_a_page_is_written_again_without_sensing(finished, tmp_path, monkeypatch, capsys):
    folder = tmp_path / finished.folder.name  # the page names the run by its folder
    shutil.copytree(finished.folder, folder)
    page = (folder / "report.html").read_text(encoding="utf-8")
    (folder / "report.html").unlink()

    def refuse(*args, **kwargs):
        raise AssertionError("sensed again")

    monkeypatch.setattr("crashsense.trials.block.sense_in_parts", refuse)
    monkeypatch.setattr("crashsense.synthesis.recipe.Recipe.events", refuse)
    assert cli.run(["report", str(folder)]) == finished.exit_code
    assert (folder / "report.html").read_text(encoding="utf-8") == page
    assert "RESULT" in capsys.readouterr().out
    words = ["report", str(folder), "--title", "Spring <b>", "--baseline", str(finished.folder)]
    assert cli.run(words) == finished.exit_code
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<title>Spring &lt;b&gt;</title>" in page
    assert f"Changes since {finished.folder}" in page
    assert page.index('class="since"') < page.index('id="timing"')


@pytest.mark.slow
def test_changes_against_an_earlier_run_stand_at_the_top(tmp_path, capsys):
    """A rule that never fires after one that does: what must fire is lost."""
    rule = (
        'name = "{name}"\ngate = true\n[rules.front_airbag_stage_1]\nfamily = "velocity_change"\n'
    )
    for number, threshold in enumerate((1.0, 40.0)):
        file = tmp_path / f"mine_{number}.toml"
        text = rule.format(name=f"mine_{number}") + f"threshold_m_s = {threshold}\n"
        file.write_text(text, encoding="utf-8")
        crashsense.evaluate(
            events=["wall_full_56"],
            algorithms=[str(file)],
            out=tmp_path / f"run_{number}",
            engine="numpy",
        )
    words = ["report", str(tmp_path / "run_1"), "--baseline", str(tmp_path / "run_0")]
    assert cli.run(words) == 1
    assert "1 requirement of gating algorithms lost, nominal." in capsys.readouterr().out
    page = (tmp_path / "run_1" / "report.html").read_text(encoding="utf-8")
    first = page[page.index('id="answer"') : page.index('id="timing"')]
    assert "1 requirement of gating algorithms lost, nominal." in first
    table = page[page.index('id="changes"') : page.index('id="details"')]
    assert '<th scope="row">lost</th>' in table
    assert "on time → missed" in table
    assert "exit code" not in first + table


def test_no_run_is_a_fault(tmp_path, capsys):
    assert cli.run(["report", str(tmp_path)]) == 2
    assert "is not a run folder" in capsys.readouterr().err
