"""The nominal draw of a run as a page shows it, made from trials and kept for a page."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from pulses_by_hand import pulse

import crashsense
from crashsense import cli
from crashsense.channels import CHANNELS
from crashsense.reporting import write_report
from crashsense.reporting.what_if import SCALES, fire_curve
from crashsense.results import open_run
from crashsense.results.nominal import (
    MOST_SETS,
    _facts,
    computed_views,
    event_view,
    nominal_table,
)
from crashsense.results.tables import NOMINAL_SCHEMA
from crashsense.results.views import (
    MOST_POINTS,
    Trace,
    steps,
    stored_views,
)
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


def test_an_event_of_which_nothing_is_drawn_has_rows_without_traces():
    event = pulse("kerb", 6.0, fire=False)
    card = CHANNELS["door_left_pressure"]
    alone = replace(
        event.signals["central_x"], unit=card.unit, axis=card.axis, location=card.location
    )
    event = replace(event, signals={"door_left_pressure": alone})
    table = nominal_table((event,), [trial(event, algorithm=ruler("holds", gate=True, level=3.0))])
    assert table.num_rows
    assert table.column("times_ms").null_count == table.num_rows


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


def test_a_nominal_table_holds_the_rows_of_its_views():
    """As pyarrow makes a table of rows: lists, numbers of 32 bits, nothing where there is none."""
    event = pulse("kerb", 6.0, fire=False)
    one = trial(event, algorithm=ruler("fires", gate=True, level=3.0))
    table = nominal_table([event], [one])
    rows = table.to_pylist()
    assert {row["kind"] for row in rows} == {"event", "motion", "channel", "demand", "sweep"}
    assert table.equals(pa.Table.from_pylist(rows, schema=NOMINAL_SCHEMA))
    sensed = next(row for row in rows if row["trace"] == "sensed")
    wanted = one.samples.channels["central_x"][0] / G
    assert len(sensed["values"]) > 20
    places = np.searchsorted(1e3 * one.times_s[0], sensed["times_ms"])
    np.testing.assert_array_equal(sensed["values"], wanted[places].astype(np.float32))
    np.testing.assert_array_equal(sensed["times_ms"], 1e3 * one.times_s[0][places])


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


REPORT = """
import sys
from crashsense.cli import run

code = run(["report", sys.argv[1]])
rooms = [f"crashsense.{name}" for name in ("sensing", "rules", "synthesis", "trials")]
print(code, [name for name in (*rooms, "pydantic") if name in sys.modules])
"""


@pytest.mark.slow
def test_a_page_is_written_again_without_importing_what_senses(finished):
    done = subprocess.run(
        [sys.executable, "-c", REPORT, str(finished.folder)], capture_output=True, text=True
    )
    assert done.stdout.splitlines()[-1] == f"{finished.exit_code} []", done.stderr


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
