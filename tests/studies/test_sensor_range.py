"""The study of what a sensor range changes against the ideal sensor."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from crashsense.cli import run
from crashsense.errors import InputError, RunFolderError
from crashsense.event import RESTRAINTS, Context, Event, Requirement
from crashsense.plotting import save
from crashsense.resources import CAUTION
from crashsense.rules import Algorithm, load_algorithm
from crashsense.rules.algorithm import algorithm_from_toml
from crashsense.sensing import load_sensor_set
from crashsense.signal import Signal
from crashsense.studies.range_advice import advise
from crashsense.studies.range_columns import COLUMNS, columns_of
from crashsense.studies.range_files import FILES, range_figure, write_range_study
from crashsense.studies.sensor_range import RangeStudy, study_range
from crashsense.units import STANDARD_GRAVITY as G


def event(name: str, samples: np.ndarray, *, expectation: str, required_s: float | None) -> Event:
    signal = Signal(
        samples, rate_hz=10_000.0, start_s=-0.05, unit="m/s^2", axis="x", location="central"
    )
    requirements = {r: Requirement("open", basis="test") for r in RESTRAINTS}
    requirements["front_airbag_stage_1"] = Requirement(
        expectation, required_s=required_s, basis="test"
    )
    return Event(
        name,
        family="frontal" if expectation == "fire" else "misuse",
        occurrence=name,
        context=Context(belted=False),
        signals={"central_x": signal, "central_safing_x": signal},
        requirements=requirements,
    )


def ringing_wall() -> Event:
    """A 25 g plateau with one-sided bursts of ringing: what a narrow front end cuts."""
    t = -0.05 + np.arange(2500) / 10_000.0
    on = (t > 0) & (t < 0.08)
    burst = 70.0 * np.maximum(np.sin(2 * np.pi * 1100.0 * t), 0.0) * (t > 0.02)
    return event("wall", -(25.0 + burst) * G * on, expectation="fire", required_s=0.03)


def bump() -> Event:
    t = -0.05 + np.arange(2500) / 10_000.0
    shock = 12.0 * np.sin(np.pi * t / 0.01) * ((t > 0) & (t < 0.01))
    return event("bump", -shock * G, expectation="no_fire", required_s=None)


@pytest.fixture(scope="module")
def found() -> RangeStudy:
    plain = load_algorithm("plain")
    return study_range(
        [ringing_wall(), bump()], algorithm=plain, ranges=(40, 60, 120), bits=(8, 10)
    )


def test_every_event_and_setting_once(found: RangeStudy) -> None:
    keys = ["event", "range_g", "bits", "corner_hz"]
    assert len(found.table) == 2 * 3 * 2
    assert not found.table.duplicated(keys).any()
    assert list(found.table.columns) == list(COLUMNS)
    assert len(found.settings) == 6


def test_clipping_costs_what_the_cut_area_holds(found: RangeStudy) -> None:
    # Independent: integrate what lies beyond the front end, 0 to 60 ms.
    true = ringing_wall().signals["central_x"]
    t = true.times_s
    inside = (t >= 0) & (t <= 0.06)
    for limit in (40.0, 60.0):
        cut = np.clip(true.samples, -limit * G, limit * G) - true.samples
        lost = cut[inside].sum() / 10_000.0
        row = found.table.query("event == 'wall' and range_g == @limit and bits == 10").iloc[0]
        assert lost > 0.3
        assert row["velocity_error_60ms_m_s"] == pytest.approx(lost, abs=0.06)
        share = np.mean(np.abs(true.samples[inside]) > limit * G)
        assert row["clipped_before_filter"] == pytest.approx(share)
    # At +/-60 g a fifth of the raw samples is cut; filtered, the pulse stays below 60 g: hidden.
    assert row["clipped_before_filter"] > 0.15
    assert row["clipped_after_filter"] == 0.0
    wide = found.table.query("event == 'wall' and range_g == 120 and bits == 10").iloc[0]
    assert wide["clipped_before_filter"] == 0.0
    # What is left is the part's cubic read-out, 1 % at full range: more than exact, never less.
    assert -0.1 < wide["velocity_error_60ms_m_s"] < 0.0


def test_separation_is_that_of_the_scores(found: RangeStudy) -> None:
    for _, rows in found.table.groupby(["range_g", "bits", "corner_hz"]):
        c = rows.loc[rows["event"] == "wall", "demand_at_required_time"].iloc[0]
        m = rows.loc[rows["event"] == "bump", "max_demand"].iloc[0]
        np.testing.assert_allclose(rows["separation_ratio"], c / m)
    counted = found.settings[["on_time", "late", "missed", "held", "inadvertent"]].sum(axis=1)
    assert (counted == 2).all()


def test_resolution_and_offset(found: RangeStudy) -> None:
    rows = found.table.query("event == 'wall' and range_g == 120").set_index("bits")
    # 120 g over 480 codes is 0.25 g; one tick is 0.5 ms.
    assert rows.loc[10, "velocity_resolution_m_s"] == pytest.approx(0.25 * G * 0.5e-3)
    assert rows.loc[8, "velocity_resolution_m_s"] == pytest.approx(1.0 * G * 0.5e-3)
    # 3 x 0.15 g over 0.1999 s.
    assert rows.loc[10, "offset_drift_m_s"] == pytest.approx(0.45 * G * 0.1999, rel=1e-6)


def line(advice: tuple[str, ...], start: str) -> str:
    found = [text for text in advice if text.startswith(start)]
    assert len(found) == 1, (start, advice)
    return found[0]


def answer(advice: tuple[str, ...], criterion: str) -> str:
    """What stands behind a criterion of the lead."""
    return line(advice, f"  {criterion}").split(":")[-1].strip()


def test_advice_names_the_range_and_the_reason(found: RangeStudy) -> None:
    assert found.advice[0].startswith("Smallest range tried that, against the ideal (unlimited)")
    wide = [text for text in found.advice if text.startswith("  does all of this")]
    assert [text.split(":")[-1].strip() for text in wide] == ["+/-120 g", "+/-120 g"]
    assert "by 60 ms in wall because the raw signal clips before the filter" in line(
        found.advice, "+/-40 g: "
    )
    assert "Certified practice decides" in found.advice[-1]
    assert not any("Take" in text for text in found.advice)


def test_no_advice_without_a_must_fire_event() -> None:
    only = study_range([bump()], algorithm="plain", ranges=(50, 100))
    assert only.advice[0].startswith("No range can be advised: none of these events must fire")


def test_advice_says_when_no_range_keeps_velocity(found: RangeStudy) -> None:
    table, settings = found.table.copy(), found.settings.copy()
    settings["worst_velocity_error_60ms_m_s"] = 3.0
    settings["worst_velocity_error_60ms_m_s_event"] = "wall"
    table["clipped_before_filter"] = 0.0
    lines = advise(table, settings, {**found.metadata, "bits": 10})
    assert {text.split(":")[-1].strip() for text in lines if text.startswith("  does all")} == {
        "none"
    }
    assert "though nothing clips" in line(lines, "+/-40 g: ")


def level(threshold_g: float, *, window_ms: float = 1.0, channel: str = "-central_x") -> Algorithm:
    text = f"""
name = "own"
title = "level"
gate = false
[rules.front_airbag_stage_1]
family = "level"
channel = "{channel}"
threshold_g = {threshold_g}
window_ms = {window_ms}
"""
    return algorithm_from_toml(text)


def plateau(
    name: str, peak_g: float, *, expectation: str = "fire", required_s: float | None = 0.03
) -> Event:
    """A level from 10 to 60 ms with a rise of 5 ms before."""
    t = -0.05 + np.arange(2500) / 10_000.0
    rise = np.clip((t - 0.005) / 0.005, 0.0, 1.0) * (t < 0.06)
    return event(name, -peak_g * G * rise, expectation=expectation, required_s=required_s)


def test_a_fire_that_the_range_loses_is_named() -> None:
    # A threshold of 45 g: a +/-40 g part never reports it, the ideal sensor does.
    events = [
        plateau("strong", 60.0),
        plateau("grey", 55.0, expectation="open", required_s=None),
        plateau("weak", 10.0, expectation="no_fire", required_s=None),
        plateau("hopeless", 20.0),
    ]
    study = study_range(events, algorithm=level(45.0), ranges=(40, 80))
    rows = study.table.set_index(["event", "range_g"])
    strong = rows.loc[("strong", 40.0)]
    assert (strong["requirement"], strong["fire_change"], strong["cause"]) == (
        "lost",
        "lost",
        "clipping",
    )
    assert (strong["verdict"], strong["ideal_verdict"]) == ("missed", "on_time")
    assert np.isnan(strong["fire_time_shift_ms"])
    assert rows.loc[("strong", 80.0), "requirement"] == "met"
    assert rows.loc[("hopeless", 40.0), "requirement"] == "fails_anyway"
    assert rows.loc[("weak", 40.0), "requirement"] == "met"
    settings = study.settings.set_index("range_g")
    counts = ["requirements_lost", "requirements_gained", "requirements_fails_anyway"]
    assert settings.loc[40.0, [*counts, "fires_lost"]].tolist() == [1, 0, 1, 2]
    assert settings.loc[80.0, [*counts, "fires_lost"]].tolist() == [0, 0, 1, 0]
    assert settings["ideal_failures"].tolist() == [1, 1]
    assert answer(study.advice, "loses no requirement") == "+/-80 g"
    told = line(study.advice, "+/-40 g: ")
    assert "loses 1 requirement: strong no longer fires (ideal " in told
    assert "hopeless" not in told
    anyway = line(study.advice, "1 of 3 requirements fails at every range tried and with the ideal")
    assert "the range is not the cause (hopeless)" in anyway
    at = study.advice.index("Open requirements (not scored), against the ideal sensor:")
    assert study.advice[at + 1].startswith("  +/-40 g: grey no longer fires (ideal ")


def test_a_fire_that_the_range_gains_is_named() -> None:
    # One code of an 8-bit +/-240 g part is 2 g: 9.2 g reads 10 g.
    events = [
        plateau("bump", 9.2, expectation="no_fire", required_s=None),
        plateau("wall", 30.0),
    ]
    study = study_range(events, algorithm=level(9.6), ranges=(60, 240), bits=(8,))
    row = study.table.set_index(["event", "range_g"]).loc[("bump", 240.0)]
    assert (row["requirement"], row["fire_change"], row["cause"]) == (
        "lost",
        "gained",
        "code width",
    )
    assert row["verdict"] == "inadvertent"
    told = line(study.advice, "+/-240 g: ")
    assert "loses 1 requirement: bump fires at " in told
    assert "ideal never, code width" in told
    assert answer(study.advice, "does all of this") == "+/-60 g"


def test_earlier_and_later_have_their_sign() -> None:
    # A slow ramp crosses 20 g at 40 ms; 2 g codes cross it up to 1 g, that is 2 ms, earlier.
    t = -0.05 + np.arange(2500) / 10_000.0
    ramp = event("ramp", -500.0 * G * np.clip(t, 0, 0.1), expectation="fire", required_s=0.06)
    study = study_range([ramp, bump()], algorithm=level(19.6), ranges=(120, 240), bits=(8,))
    row = study.table.set_index(["event", "range_g"]).loc[("ramp", 240.0)]
    assert row["fire_change"] == "earlier"
    assert row["fire_time_shift_ms"] == row["fire_time_ms"] - row["ideal_fire_time_ms"] < -0.6
    worst = study.settings.set_index("range_g").loc[240.0, "worst_fire_time_shift_ms"]
    assert worst == row["fire_time_shift_ms"]
    told = line(study.advice, "+/-240 g: ")
    size = -row["fire_time_shift_ms"]
    assert f"ramp fires {size:.1f} ms earlier (" in told
    assert "still on time" in told


def test_nothing_is_advised_where_the_algorithm_fails_with_the_ideal_sensor_too() -> None:
    kerb = plateau("kerb", 40.0, expectation="no_fire", required_s=None)
    events = [plateau("wall", 30.0), plateau("pole", 20.0), kerb]
    study = study_range(events, algorithm=level(200.0), ranges=(50, 100))
    assert study.advice[0].startswith("No range can be advised: with the ideal sensor too, none")
    assert line(study.advice, "2 of 3 requirements fail at every range")
    assert "fix the algorithm before choosing a sensor" in line(study.advice, "Separation c/m is")


def test_nothing_is_advised_where_the_rule_does_not_read_the_sensor() -> None:
    other = level(5.0, channel="-central_safing_x")
    study = study_range([ringing_wall(), bump()], algorithm=other, ranges=(50,))
    assert study.advice[0] == (
        "No range can be advised: the rule of front_airbag_stage_1 in algorithm own does not read"
        " central_x."
    )


def test_events_that_cannot_be_judged_are_said_to_be_so() -> None:
    both = algorithm_from_toml(
        """
name = "own"
title = "two sensors"
gate = false
[rules.front_airbag_stage_1]
family = "all_of"
[[rules.front_airbag_stage_1.of]]
family = "level"
channel = "-central_x"
threshold_g = 5.0
window_ms = 1.0
[[rules.front_airbag_stage_1.of]]
family = "level"
channel = "-upfront_left_x"
threshold_g = 5.0
window_ms = 1.0
"""
    )
    study = study_range([ringing_wall(), bump()], algorithm=both, ranges=(50,))
    assert set(study.table["requirement"]) == {"not_evaluated"}
    assert study.advice[0].startswith("No range can be advised: none of the events that must fire")


def test_velocity_after_a_side_airbag_is_due_decides_no_range() -> None:
    # 200 g from 20 to 30 ms after contact, the bag due at 10 ms.
    t = -0.05 + np.arange(2500) / 10_000.0
    pulse = 20.0 * (t > 0) * (t < 0.03) + 180.0 * ((t > 0.02) & (t < 0.03))
    signal = Signal(
        pulse * G, rate_hz=10_000.0, start_s=-0.05, unit="m/s^2", axis="y", location="side_left"
    )
    needs = {r: Requirement("open", basis="test") for r in RESTRAINTS}
    needs["side_airbag_left"] = Requirement("fire", required_s=0.01, basis="test")
    hit = Event(
        "hit",
        family="side",
        occurrence="hit",
        context=Context(belted=True),
        signals={"side_left_y": signal},
        requirements=needs,
    )
    rule = algorithm_from_toml(
        """
name = "side"
title = "level"
gate = false
[rules.side_airbag_left]
family = "level"
channel = "+side_left_y"
threshold_g = 10.0
window_ms = 1.0
"""
    )
    study = study_range(
        [hit],
        algorithm=rule,
        sensor="side_left_y",
        restraint="side_airbag_left",
        ranges=(35, 100, 240),
    )
    narrow = study.table.set_index("range_g").loc[35.0]
    assert narrow["velocity_error_60ms_m_s"] < -10.0
    assert answer(study.advice, "does all of this") == "+/-35 g"
    assert line(study.advice, "No verdict differs from that with the ideal sensor")
    # The catalogue's side parts have offset and noise in proportion to the range.
    drift = study.table.set_index("range_g")["offset_drift_m_s"]
    assert drift[240.0] == pytest.approx(drift[35.0] * 240 / 35)
    assert study.metadata["held_constant"] == {"offset drift": "0.001 g/s"}


def test_what_is_held_constant_is_said(found: RangeStudy) -> None:
    told = line(found.advice, "With the range scale: code width")
    assert "Held constant: offset (0.15 g), " in told
    assert found.table["offset_drift_m_s"].nunique() == 1  # events of one length
    own = load_sensor_set("standard").changed("side_left_y", offset_tolerance=1.0)
    assert "offset" not in study_of_side(own)["scales_with_the_range"]


def study_of_side(sensor_set: Any) -> dict[str, Any]:
    wall = ringing_wall()
    shown = wall.signals["central_x"]
    turned = Signal(
        shown.samples,
        rate_hz=shown.rate_hz,
        start_s=shown.start_s,
        unit="m/s^2",
        axis="y",
        location="side_left",
    )
    both = Event(
        "turned",
        family="side",
        occurrence="turned",
        context=wall.context,
        signals={**wall.signals, "side_left_y": turned},
        requirements=wall.requirements,
    )
    study = study_range(
        [both], algorithm="plain", sensor_set=sensor_set, sensor="side_left_y", ranges=(50,)
    )
    return study.metadata


def test_a_pressure_sensor_in_kpa(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "pressure"
    command = ["study", "range", "--sensor", "door_left_pressure", "--restraint"]
    command += ["side_airbag_left", "--events", "side_pole_90_29", "--events", "side_barrier_90_50"]
    assert run([*command, "--events", "door_slam", "--out", str(out)]) == 0
    table = pd.read_csv(out / "range.csv")
    assert list(table.columns) == list(columns_of("pressure"))
    assert sorted(table["range_kpa"].unique()) == [5.0, 10.0, 20.0, 40.0, 80.0]
    assert (table["corner_hz"] == 370.0).all()  # the part's own
    shown = capsys.readouterr().out
    assert "range kPa" in shown
    assert "velocity" not in shown.split("Held constant")[0]
    # The ideal sensor's longer words do not come later: with the widest range nothing moves.
    widest = table[table["range_kpa"] == 80.0]
    assert widest["fire_change"].isin(["same", "never"]).all()
    assert (widest["fire_change"] == "same").any()
    # 5 kPa are cut off: the event is met or lost by what is left, and the table says how much is.
    narrow = table[table["range_kpa"] == 5.0].set_index("event")
    assert narrow.loc["side_barrier_90_50", "clipped_after_filter"] > 0.0


def test_the_study_says_that_shipped_events_are_no_evidence(tmp_path: Path) -> None:
    out = tmp_path / "shipped"
    assert run(["study", "range", "--events", "wall_full_40", "--out", str(out)]) == 0
    text = (out / "advice.txt").read_text()
    assert text.startswith(f"CAUTION: {CAUTION}")
    assert "fitted to one public crash record" in text
    assert "not independent evidence" in text


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("sensor", "restraint", "event", "fitted"),
    [
        ("central_x", "front_airbag_stage_1", "wall_full_40", True),
        ("side_left_y", "side_airbag_left", "side_pole_90_29", False),
    ],
)
def test_what_is_said_of_frontal_events_only(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    sensor: str,
    restraint: str,
    event: str,
    fitted: bool,
) -> None:
    out = tmp_path / "out"
    command = ["study", "range", "--sensor", sensor, "--restraint", restraint, "--ranges", "100"]
    assert run([*command, "--events", event, "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert " 1 event, nominal sensors" in shown
    assert "1 event synthesised from recipes: " in shown
    assert ("fitted to one public crash record" in shown) == fitted
    assert "not independent evidence" in shown


def test_a_side_sensor_has_no_velocity_at_60_ms(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    command = ["study", "range", "--sensor", "side_left_y", "--restraint", "side_airbag_left"]
    command += ["--events", "side_pole_90_29", "--events", "wall_full_40", "--ranges", "100"]
    assert run([*command, "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "60 ms: frontal and rear events only" in " ".join(shown.split())
    rows = [text for text in shown.splitlines() if text.split()[:1] == ["100"]]
    assert any(" / -" in row for row in rows)
    assert " m/s at 60 ms" not in shown
    settings = pd.read_csv(out / "range_settings.csv")
    assert settings["worst_velocity_error_60ms_m_s"].isna().all()
    assert settings["worst_velocity_error_required_m_s"].notna().all()


def test_a_folder_below_a_file_is_refused_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("x")

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("computed before the folder was looked at")

    monkeypatch.setattr("crashsense.studies.sensor_range.study_range", never)
    out = tmp_path / "file" / "below"
    assert run(["study", "range", "--events", "wall_full_40", "--out", str(out)]) == 2
    assert "expected a folder to write in" in capsys.readouterr().err


@pytest.mark.slow
def test_both_engines_say_the_same(tmp_path: Path) -> None:
    texts = []
    for name in ("numpy", "fast"):
        if name == "fast":
            pytest.importorskip("numba")
        out = tmp_path / name
        command = ["study", "range", "--events", "wall_full_40", "--events", "bumper_barrier_4"]
        assert run([*command, "--engine", name, "--out", str(out)]) == 0
        texts.append((out / "advice.txt").read_text())
    assert texts[0] == texts[1]


def test_a_folder_with_other_things_is_refused(
    found: RangeStudy, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    runs = tmp_path / "run"
    runs.mkdir()
    (runs / "manifest.json").write_text("{}")
    other = tmp_path / "other"
    other.mkdir()
    (other / "range.csv").write_text("mine")  # a name of ours, but not of our making
    file = tmp_path / "file"
    file.write_text("x")
    for place, told in ((runs, "a run folder"), (other, "'range.csv'"), (file, "is a file")):
        before = sorted(place.rglob("*"))
        assert run(["study", "range", "--events", "wall_full_40", "--out", str(place)]) == 2
        lines = capsys.readouterr().err.strip().splitlines()
        assert len(lines) == 1
        assert told in lines[0]
        assert sorted(place.rglob("*")) == before
        with pytest.raises(RunFolderError, match="expected a new"):
            write_range_study(found, place)
    assert (other / "range.csv").read_text() == "mine"


@pytest.mark.slow
def test_its_own_former_output_may_be_overwritten(found: RangeStudy, tmp_path: Path) -> None:
    out = write_range_study(found, tmp_path / "own")
    (out / "range.csv").write_text("old")
    write_range_study(found, out)
    assert (out / "range.csv").read_text() != "old"
    assert sorted(p.name for p in out.iterdir()) == sorted(FILES)
    (out / "note.txt").write_text("mine")
    with pytest.raises(RunFolderError, match=r"it holds 'note\.txt'"):
        write_range_study(found, out)


def test_the_figure(found: RangeStudy, tmp_path: Path) -> None:
    figure = range_figure(found.settings, found.metadata)
    save(figure, tmp_path / "range.png")
    figure.draw_without_rendering()
    panels = figure.get_axes()
    assert len(panels) == 3  # one below the other: no second axis on the right
    assert len({axes.get_position().x0 for axes in panels}) == 1
    for axes in panels:
        legend = axes.get_legend()
        assert legend is not None
        assert legend.get_window_extent().x0 >= axes.get_window_extent().x1 - 1.0
        assert axes.get_ylim()[0] == 0.0
    caution = " ".join(figure.get_supxlabel().split())
    assert caution == f"CAUTION: {CAUTION}"


@pytest.mark.slow
def test_record_10146(record_folder: Path, tmp_path: Path) -> None:
    # NHTSA vehicle crash test 10146, derived: +/-50 g loses 1.40 and 1.35 m/s by 60 ms, +/-100 g
    # about 0.1; nothing by 17 ms; 14.5 and 17.3 % of samples clipped before the filter, 0.2 and
    # 0.5 % seen after it.
    out = tmp_path / "range"
    code = run(["study", "range", "--records", str(record_folder), "--out", str(out)])
    assert code == 0
    table = pd.read_csv(out / "range.csv")
    narrow = table[table["range_g"] == 50].set_index("event")
    for name, lost, before, after in (
        ("v10146_left", 1.40, 0.145, 0.002),
        ("v10146_right", 1.35, 0.173, 0.005),
    ):
        row = narrow.loc[name]
        assert row["velocity_error_60ms_m_s"] == pytest.approx(lost, abs=0.06)
        assert abs(row["velocity_error_required_m_s"]) < 0.03
        assert row["clipped_before_filter"] == pytest.approx(before, abs=0.003)
        assert row["clipped_after_filter"] == pytest.approx(after, abs=0.002)
    wide = table[table["range_g"] == 100]
    assert wide["velocity_error_60ms_m_s"].abs().max() < 0.16
    advice = (out / "advice.txt").read_text()
    assert "loses 1.4 m/s by 60 ms in v10146_left" in advice
    assert "lower bound" in advice
    assert (out / "range.svg").stat().st_size > 1000
    stored = pq.read_table(out / "range.parquet")
    assert set(COLUMNS) <= set(stored.column_names)
    assert b"crashsense" in stored.schema.metadata
    pd.testing.assert_frame_equal(stored.to_pandas(), table, check_dtype=False, rtol=1e-12)


def test_bad_input(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        study_range(
            [bump()],
            algorithm=Algorithm("none", rules={}),
            sensor="central_xx",
            restraint="front_airbag",
            ranges=(-5.0,),
            bits=(),
        )
    assert [f.field for f in caught.value.faults] == ["sensor", "restraint", "ranges", "bits"]
    with pytest.raises(InputError, match="4 to 24 bits"):
        study_range([bump()], bits=(2,))
    with pytest.raises(InputError, match="alias"):
        study_range([bump()], corners_hz=(1500.0,))
    with pytest.raises(InputError, match="an event with central_roll_rate"):
        study_range([bump()], sensor="central_roll_rate")
    arguments: list[list[Any]] = [
        ["--ranges", "50,x"],
        ["--algorithm", "gaurded"],
        ["--evnts", "x"],
    ]
    for extra in arguments:
        out = tmp_path / "nothing"
        assert run(["study", "range", *extra, "--out", str(out)]) == 2
        assert not out.exists()
    assert "numbers with commas" in capsys.readouterr().err
