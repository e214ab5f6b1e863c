"""Tables of one's own, CSV and Parquet: what is exported comes back, and is judged alike."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from exchange_writer import STANDARD_GRAVITY, pulse_g, wall
from hypothesis import given, settings
from hypothesis import strategies as st
from table_writer import TIMES, columns, impact_g, write

import crashsense
from crashsense.cli import run
from crashsense.event import RESTRAINTS
from crashsense.occupant import required_time_to_fire
from crashsense.records import check_record, read_record
from crashsense.records.writing import write_signals
from crashsense.results import open_run, replay
from crashsense.synthesis import load_events

STAGE_1 = "front_airbag_stage_1"
#: One event of every family, rates of 10 and 2 kHz, a waiver, an origin, an absent channel.
EXPORTED = (
    "wall_full_56",
    "kerb_then_wall_40_100",
    "pole_centre_40_upfront_absent",
    "side_pole_90_29",
    "rear_barrier_24",
    "rollover_kerb_25",
    "cobbles_50",
    "kerb_climb_40",
)


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    """Folder of exports, CSV and Parquet, and the events that were written."""
    folder = tmp_path_factory.mktemp("exported")
    events = load_events(list(EXPORTED))
    for event in events:
        write_signals(event, folder / f"{event.name}.csv")
        write_signals(event, folder / f"{event.name}.parquet")
    return folder, {event.name: event for event in events}


def one(path, **wishes):
    (event,) = read_record(path, **wishes)
    return event


@pytest.mark.parametrize("ending", ["csv", "parquet"])
@pytest.mark.parametrize("name", EXPORTED)
def test_what_is_exported_comes_back(exported, name, ending):
    folder, events = exported
    wanted = events[name]
    found = one(folder / f"{name}.{ending}")
    assert (found.name, found.family, found.context) == (name, wanted.family, wanted.context)
    assert found.title == wanted.title
    assert found.quiet == wanted.quiet
    assert set(found.signals) == set(wanted.signals)
    for channel, signal in wanted.signals.items():
        again = found.signals[channel]
        assert (again.rate_hz, again.size, again.unit) == (signal.rate_hz, signal.size, signal.unit)
        assert (again.axis, again.location) == (signal.axis, signal.location)
        assert again.start_s == pytest.approx(signal.start_s, abs=1e-12)
        # Nine digits are printed.
        assert np.allclose(again.samples, signal.samples, rtol=6e-9, atol=1e-12)
    assert [f for f in found.metadata["findings"] if f.severity != "info"] == []
    for restraint in RESTRAINTS:
        mine, theirs = found.requirements[restraint], wanted.requirements[restraint]
        for field in ("expectation", "basis", "waiver", "origin_s", "not_before_s"):
            assert getattr(mine, field) == getattr(theirs, field)
        assert (mine.required_s is None) == (theirs.required_s is None)
        assert mine.required_s == pytest.approx(theirs.required_s, abs=1e-12)


@pytest.mark.slow
def test_an_export_is_judged_as_its_event(exported):
    folder, _ = exported
    names = ["wall_full_56", "side_pole_90_29", "kerb_climb_40"]
    options = {"draws": 6, "seed": 2, "vary": "sensor"}
    first = crashsense.evaluate(events=names, **options).verdicts
    paths = [folder / f"{name}.csv" for name in names]
    second = crashsense.evaluate(records=paths, **options).verdicts
    key = ["event", "draw", "algorithm", "restraint"]
    told = ["expectation", "required_time_ms", "fire_time_ms", "verdict"]
    one, two = (t.set_index(key).sort_index()[told] for t in (first, second))
    assert len(one) == 7 * 2 * (3 * len(RESTRAINTS) + 1)  # and the stages of the wall in order
    pd.testing.assert_frame_equal(one, two, rtol=0, atol=1e-9)


def test_a_waiver_in_the_metadata_comes_back(tmp_path):
    entry = {"expectation": "no_fire", "waiver": {"why": "agreed", "until": "2031-05-01"}}
    text = json.dumps({"schema": 1, "family": "frontal", "requirements": {STAGE_1: entry}})
    waiver = one(write(tmp_path / "a.csv", stated=[text])).requirements[STAGE_1].waiver
    assert (waiver.why, waiver.until.isoformat()) == ("agreed", "2031-05-01")


def test_what_a_table_does_not_state_is_assumed_and_said(tmp_path):
    event = one(write(tmp_path / "Run 7.csv"))
    assert event.name == "run_7"
    stage_1 = event.requirements[STAGE_1]
    signal = event.signals["central_x"]
    wanted = required_time_to_fire(-signal.samples, rate_hz=1e4, start_s=signal.start_s)
    assert (stage_1.expectation, stage_1.required_s) == ("fire", float(wanted))
    assert stage_1.basis.startswith("assumed: velocity change 50.0 km/h")
    told = "\n".join(event.metadata["assumptions"])
    assert "family: frontal, assumed: the file names no family" in told
    assert f"{STAGE_1}: fire, assumed (velocity change 50.0 km/h" in told
    assert "all other restraints: open, assumed" in told
    assert "belts: belted, assumed (the file does not say; the harder state)" in told
    assert "no column, so a sensor there counts as failed: central_y, central_z" in told
    assert not one(write(tmp_path / "low.csv", columns(-7.0))).context.belted


def test_what_a_table_states_goes_before_what_is_assumed(tmp_path):
    stated = [
        "title: Fictional impact",
        "A line of prose: family: side",
        "belts: unbelted",
        "passenger_seat_occupied: no",
        "front_airbag_stage_1: fire by 31.5 ms (agreed with the maker)",
        "side_airbag_left: no_fire",
        "quiet: central_roll_rate, door_left_pressure",
    ]
    event = one(write(tmp_path / "a.csv", stated=stated))
    assert event.title == "Fictional impact"
    assert not event.context.belted
    assert event.context.driver_seat_occupied
    assert not event.context.passenger_seat_occupied
    assert event.quiet == {"central_roll_rate", "door_left_pressure"}
    stage_1 = event.requirements[STAGE_1]
    assert (stage_1.required_s, stage_1.basis) == (0.0315, "agreed with the maker")
    assert event.requirements["side_airbag_left"].expectation == "no_fire"
    told = "\n".join(event.metadata["assumptions"])
    assert f"requirements of {STAGE_1}, side_airbag_left: stated by the file" in told


def test_the_user_goes_before_the_file(tmp_path):
    stated = ["belts: unbelted", f"{STAGE_1}: fire by 31.5 ms", "belt_pretensioner: open"]
    path = write(tmp_path / "a.csv", stated=stated)
    event = one(path, belts="belted", expect="no_fire")
    assert event.context.belted
    assert event.requirements[STAGE_1].expectation == "no_fire"
    event = one(path, expect="front_airbag_stage_1=fire, belt_pretensioner=fire")
    # The file's own time where it has one, free flight where it has none.
    assert event.requirements[STAGE_1].required_s == 0.0315
    assert event.requirements["belt_pretensioner"].basis.startswith("stated by the user; time from")
    assert "stated by the user" in "\n".join(event.metadata["assumptions"])


@pytest.mark.parametrize("family", ["misuse", "rough_road"])
def test_misuse_and_rough_roads_fire_nothing(tmp_path, family):
    path = write(tmp_path / "a.csv", columns(-2.0), stated=[f"family: {family}"])
    event = one(path)
    assert event.family == family
    assert {r.expectation for r in event.requirements.values()} == {"no_fire"}


@pytest.mark.parametrize(
    "form",
    [
        {"separator": ";"},
        {"separator": "\t"},
        {"before": "\ufeff"},
        {"before": "\ufeff", "stated": ["family: frontal"]},
        {"newline": "\r\n"},
        {"newline": "\r"},
        {"before": "\n\n# a note\n"},
        {"stated": ["note: the maker's wörds", "Ünits as in the héader"]},
    ],
)
def test_forms_that_mean_the_same(tmp_path, form):
    plain = one(write(tmp_path / "a.csv"))
    other = one(write(tmp_path / "b.csv", **form))
    assert np.array_equal(other.signals["central_x"].samples, plain.signals["central_x"].samples)
    assert {f.severity for f in other.metadata["findings"]} == {"info"}


def test_the_content_decides_and_not_the_name(tmp_path, exported):
    folder, _ = exported
    path = tmp_path / "v00042.EV5"
    path.write_bytes((folder / "wall_full_56.parquet").read_bytes())
    assert one(path).name == "v00042"
    assert one(write(tmp_path / "letter.txt")).name == "letter"


def test_a_folder_of_tables_and_a_table_beside_a_header(tmp_path):
    write(tmp_path / "b.csv")
    write(tmp_path / "a.csv")
    (tmp_path / "notes.txt").write_text("nothing to read")
    assert [e.name for e in read_record(tmp_path)] == ["a", "b"]
    folder = wall(50.0).write(tmp_path / "record")
    write(folder / "plot.csv")
    assert [e.name for e in read_record(folder)] == ["v00042_left"]


def test_history_hash_and_files(tmp_path):
    table = {**columns(), "door_left_pressure_kpa": 100.0 + 0 * TIMES}
    path = write(tmp_path / "a.csv", table)
    event = one(path)
    first = event.signals["central_x"].history
    assert first == (
        "read from a.csv, column central_x_g",
        "offset before contact taken off (+0.0000 g)",
    )
    pressure = event.signals["door_left_pressure"]
    assert pressure.history[1] == "offset before contact taken off (+100.0000 kpa)"
    assert not pressure.samples.any()
    warned = [str(f) for f in event.metadata["findings"] if f.severity == "warning"]
    assert len(warned) == 1
    assert "looks like absolute pressure" in warned[0]
    assert event.metadata["files"] == [str(path)]
    assert event.metadata["sha256"] == {"a.csv": hashlib.sha256(path.read_bytes()).hexdigest()}


def test_offset_before_contact_goes_unless_the_file_says_it_went(tmp_path):
    table = {"time_s": TIMES, "central_x_g": impact_g() + 0.25}
    event = one(write(tmp_path / "a.csv", table))
    assert event.metadata["offset_g"] == pytest.approx(0.25, abs=1e-9)
    assert abs(event.signals["central_x"].samples[:400]).max() < 1e-9
    kept = one(write(tmp_path / "b.csv", table, stated=["rest_value_removed: yes"]))
    assert kept.signals["central_x"].samples[0] == pytest.approx(0.25 * STANDARD_GRAVITY)


def smooth_g():
    """Without ringing: linear interpolation onto another grid would cut it."""
    return pulse_g(-50.0, offset_g=0.0, ringing_g=0.0)


@pytest.mark.parametrize(
    ("rate_hz", "kept_hz"),
    [(10000, 10000), (5000, 5000), (20000, 1e4), (12000, 1e4), (16384, 1e4), (8192, 1e4)],
)
def test_other_rates_come_to_the_grid_of_events(tmp_path, rate_hz, kept_hz):
    times = np.arange(round(-0.06 * rate_hz), round(0.25 * rate_hz)) / rate_hz
    values = np.interp(times, TIMES, smooth_g())
    event = one(write(tmp_path / "a.csv", {"time_s": times, "central_x_g": values}))
    signal = event.signals["central_x"]
    assert signal.rate_hz == kept_hz
    assert any("resampled" in h for h in signal.history) == (rate_hz not in (10000, 5000))
    wanted = np.interp(signal.times_s, TIMES, smooth_g() * STANDARD_GRAVITY)
    assert np.abs(signal.samples - wanted).max() < 0.02
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-50.0, abs=0.02)


def test_another_column_stands_in_for_the_central_sensor(tmp_path):
    table = {"rear_seat_crossmember_x_g": impact_g(), "time_s": TIMES}
    event = one(write(tmp_path / "a.csv", table))
    assert set(event.signals) == {"central_x", "rear_seat_crossmember_x"}
    assert (
        "rear_seat_crossmember_x_g is used as the central sensor: stiff"
        in (event.metadata["assumptions"][1])
    )
    table = {**columns(), "central_safing_x_g": 0.9 * impact_g()}
    path = write(tmp_path / "b.csv", table)
    event = one(path, channel="central_safing_x_g")
    change = event.signals["central_x"].velocity(from_s=0.0).samples[-1]
    assert 3.6 * change == pytest.approx(-45.0, abs=0.01)
    with pytest.raises(crashsense.errors.InputError, match="channel: got '93'; expected a column"):
        read_record(path, channel="93")


def test_parquet_made_by_hand(tmp_path):
    path = tmp_path / "mine.parquet"
    frame = pd.DataFrame(columns()).astype({"central_x_g": "float32"}).set_index("time_s")
    frame.to_parquet(path)
    assert one(path).metadata["velocity_change_kmh"] == pytest.approx(-50.0, abs=0.01)
    table = pa.table({"time_s": TIMES, "central_y_g": impact_g(30.0)})
    text = json.dumps({"family": "side", "side_airbag_left": "fire by 8 ms"})
    pq.write_table(table.replace_schema_metadata({"crashsense": text}), path)
    event = one(path)
    assert event.family == "side"
    assert event.requirements["side_airbag_left"].required_s == 0.008


@pytest.mark.slow
def test_a_run_of_a_table_replays_and_explains(tmp_path, capsys):
    path = write(tmp_path / "mine.csv", stated=["belts: unbelted"])
    folder = tmp_path / "run"
    arguments = ["evaluate", "--records", str(path), "--expect", "fire", "--out", str(folder)]
    assert run([*arguments, "--draws", "3"]) in (0, 1)
    capsys.readouterr()
    again = open_run(folder)
    assert [event.name for event in again.plan.events] == ["mine"]
    assert not again.plan.events[0].context.belted
    for draw in (0, 3):
        assert replay(again, "mine", draw=draw).differences == ()
    assert run(["explain", str(folder), "mine", "--restraint", STAGE_1]) == 0
    assert "required by" in capsys.readouterr().out
    hashes = json.loads((folder / "provenance.json").read_text())["inputs_sha256"]
    assert hashes["event mine: mine.csv"] == hashlib.sha256(path.read_bytes()).hexdigest()
    second = crashsense.evaluate(folder / "plan.toml", out=tmp_path / "two").verdicts
    assert second.equals(crashsense.evaluate(folder / "plan.toml").verdicts)
    assert "stated by the user" in (folder / "report.html").read_text(encoding="utf-8")


def test_a_changed_table_is_refused_by_its_run(tmp_path):
    path = write(tmp_path / "mine.csv")
    crashsense.evaluate(records=[path], out=tmp_path / "run")
    write(path, columns(-51.0))
    with pytest.raises(crashsense.errors.CrashsenseError, match=r"mine\.csv"):
        crashsense.evaluate(records=[path], out=tmp_path / "run")


def test_check_record_on_a_table(tmp_path, capsys):
    path = write(tmp_path / "a.csv", stated=["closing_speed_kmh: 45", "obstacle: fixed"])
    assert run(["check-record", str(path)]) == 0
    out = capsys.readouterr().out
    assert "a.csv: 0 errors, 0 warnings" in out
    assert (
        "column central_x_g: velocity change: -50.0 km/h; checked against: 45.0 to 63.0"
        in " ".join(out.split())
    )
    assert "CAUTION" in out
    flipped = write(tmp_path / "b.csv", columns(+50.0))
    assert run(["check-record", str(flipped)]) == 2
    assert "sign looks flipped" in capsys.readouterr().err


def test_comments_that_are_no_statements_are_noted(tmp_path):
    path = write(tmp_path / "a.csv", stated=["odd: 3", "note: mine", "Long words: here"])
    noted = [f for f in check_record(path) if f.check == "metadata"]
    assert [(f.field, f.value) for f in noted] == [("line 1", "odd")]


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    scale=st.floats(0.2, 1.4),
    digits=st.integers(6, 9),
    separator=st.sampled_from([",", ";", "\t"]),
)
def test_values_come_back_to_the_printed_digits(tmp_path_factory, scale, digits, separator):
    path = tmp_path_factory.mktemp("t") / "a.csv"
    values = impact_g(-50.0) * scale
    write(path, {"time_s": TIMES, "central_x_g": values}, digits=digits, separator=separator)
    found = one(path).signals["central_x"].samples / STANDARD_GRAVITY
    assert np.abs(found - values).max() <= 0.51 * 10.0**-digits
