"""The study that says which sensor range to buy."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS, Context, Event, Requirement
from crashsense.rules import Algorithm, load_algorithm
from crashsense.signal import Signal
from crashsense.studies.sensor_range import COLUMNS, RangeStudy, advise, study_range
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
        [ringing_wall(), bump()], algorithm=plain, ranges_g=(40, 60, 120), bits=(8, 10)
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


def test_advice_names_the_range_and_the_reason(found: RangeStudy) -> None:
    assert found.advice[0].startswith("Take +/-120 g")
    reasons = [line for line in found.advice if line.startswith("+/-40 g")]
    assert len(reasons) == 1
    assert "by 60 ms in wall because the raw signal clips before the filter" in reasons[0]
    assert "certified practice decides" in found.advice[-1]


def test_no_advice_without_a_must_fire_event() -> None:
    only = study_range([bump()], algorithm="plain", ranges_g=(50, 100))
    assert only.advice[0].startswith("No range can be advised")


def test_advice_says_when_no_range_will_do(found: RangeStudy) -> None:
    table, settings = found.table.copy(), found.settings.copy()
    settings["worst_velocity_error_60ms_m_s"] = 3.0
    settings["worst_velocity_error_60ms_m_s_event"] = "wall"
    table["clipped_before_filter"] = 0.0
    lines = advise(table, settings)
    assert lines[0].startswith("None of the ranges tried will do")
    assert "though nothing clips" in lines[1]


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
            ranges_g=(-5.0,),
            bits=(),
        )
    assert [f.field for f in caught.value.faults] == ["sensor", "restraint", "ranges_g", "bits"]
    with pytest.raises(InputError, match="4 to 24 bits"):
        study_range([bump()], bits=(2,))
    with pytest.raises(InputError, match="alias"):
        study_range([bump()], corners_hz=(1500.0,))
    with pytest.raises(InputError, match="an accelerometer"):
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
