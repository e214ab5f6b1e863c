"""The study of ranges in random draws, on filtered records, and where less seems to be more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS, Context, Event, Requirement
from crashsense.rules import Algorithm, rule_from_table
from crashsense.signal import Signal
from crashsense.studies.range_columns import DRAWN
from crashsense.studies.range_filtered import CREST, RINGING, filtered_lines
from crashsense.studies.range_text import event_lines
from crashsense.studies.sensor_range import RangeStudy, study_range
from crashsense.trials import Conditions
from crashsense.units import STANDARD_GRAVITY as G

STAGE_1 = "front_airbag_stage_1"
T = -0.05 + np.arange(2000) / 10_000.0


def event(name: str, samples: np.ndarray, *, required_ms: float | None = None) -> Event:
    signal = Signal(
        samples * G, rate_hz=10_000.0, start_s=-0.05, unit="m/s^2", axis="x", location="central"
    )
    asked = {r: Requirement("open", basis="test") for r in RESTRAINTS}
    asked[STAGE_1] = (
        Requirement("no_fire", basis="test")
        if required_ms is None
        else Requirement("fire", required_s=required_ms / 1e3, basis="test")
    )
    return Event(
        name,
        family="misuse" if required_ms is None else "frontal",
        occurrence=name,
        context=Context(belted=False),
        signals={"central_x": signal},
        requirements=asked,
    )


def level(threshold_g: float) -> Algorithm:
    table = {"family": "level", "channel": "-central_x", "threshold_g": threshold_g}
    return Algorithm("level", rules={STAGE_1: rule_from_table({**table, "window_ms": 20.0})})


def velocity(threshold_m_s: float) -> Algorithm:
    table = {"family": "velocity_change", "channel": "-central_x", "threshold_m_s": threshold_m_s}
    return Algorithm("velocity", rules={STAGE_1: rule_from_table(table)})


def plateau(height_g: float) -> np.ndarray:
    return -height_g * ((T > 0) & (T < 0.08))


@pytest.fixture(scope="module")
def drawn() -> RangeStudy:
    # Clipped at 20 g the threshold is passed within a tick of the required time: the phase of the
    # samples, which every draw has its own of, decides. 30 g pass it a third earlier.
    def study(required_ms: float, *ranges: float, draws: int) -> RangeStudy:
        return study_range(
            [event("wall", plateau(30.0), required_ms=required_ms)],
            algorithm=velocity(6.0),
            ranges=ranges,
            draws=draws,
            conditions=Conditions(seed=3, vary="sensor"),
        )

    nominal = float(study(60.0, 20, draws=0).table["fire_time_ms"].iloc[0])
    return study(nominal - 0.25, 20, 50, draws=48)


def test_draws_are_lost_by_the_range_alone(drawn: RangeStudy) -> None:
    rows = drawn.table.set_index("range_g")
    assert set(DRAWN) <= set(drawn.table.columns)
    narrow, wide = rows.loc[20.0], rows.loc[50.0]
    assert 0 < narrow["draws_lost"] < 48 == narrow["draws_judged"]
    assert narrow["draws_failed"] == narrow["draws_lost"] + narrow["ideal_draws_failed"]
    assert narrow["p_lost_low"] < narrow["draws_lost"] / 48 < narrow["p_lost_high"]
    assert narrow["worst_demand_margin"] < 0.0
    assert wide["draws_lost"] == wide["draws_failed"] == 0
    assert "random draws" in drawn.metadata["draws"]


def test_the_advice_over_draws_names_event_and_draw(drawn: RangeStudy) -> None:
    text = "\n".join(drawn.advice)
    worst = drawn.table.iloc[0]["worst_draw"]
    assert (
        f"+/-20 g: loses 1 requirement: wall in {drawn.table.iloc[0]['draws_lost']} of 48" in text
    )
    assert f"worst draw {worst})" in text
    assert "+/-50 g: loses no requirement; of each the chance may still be up to 6" in text
    answers = {line.split(":")[0].strip(): line.split()[-2] for line in drawn.advice[1:4]}
    assert answers["loses none in any of 48 draws"] == "+/-50"
    assert "Nominal sensors only" not in text


def test_less_than_no_draws_is_refused() -> None:
    with pytest.raises(InputError, match="draws: got -1; expected 0 or more"):
        study_range([event("wall", plateau(30.0))], draws=-1)


# -- one row, one event ----------------------------------------------------------------------------


def test_every_number_of_a_row_belongs_to_the_event_that_it_names() -> None:
    found = study_range(
        [
            event("clipped", plateau(30.0) - 60.0 * ((T > 0.05) & (T < 0.06)), required_ms=60.0),
            event("lost", plateau(60.0), required_ms=40.0),
        ],
        algorithm=level(45.0),
        ranges=(40, 240),
    )
    lines = event_lines(found)
    (narrow,) = [line for line in lines if line.lstrip().startswith("40 ")]
    row = found.table.query("event == 'lost' and range_g == 40").iloc[0]
    assert " lost " in narrow
    assert narrow.split()[-1] == "missed"
    assert f"{row['velocity_error_required_m_s']:+.3f} / {row['velocity_error_60ms_m_s']:+.3f}" in (
        narrow
    )
    assert found.settings["worst_event"].iloc[0] == "lost"


# -- why less seems to be more ---------------------------------------------------------------------


def test_a_blow_that_clipping_holds_is_explained() -> None:
    # 60 g for 6 ms: the ideal sensor sees 3.5 m/s, +/-35 g some 2.1.
    blow = event("blow", -60.0 * ((T > 0) & (T < 0.006)))
    found = study_range(
        [blow, event("wall", plateau(30.0), required_ms=40.0)],
        algorithm=velocity(2.8),
        ranges=(35, 100),
    )
    row = found.table.query("event == 'blow' and range_g == 35").iloc[0]
    assert (row["requirement"], row["cause"]) == ("gained", "clipping")
    assert row["velocity_error_fire_m_s"] < -0.5
    assert row["max_demand"] < 1.0 < row["ideal_max_demand"]
    text = "\n".join(found.advice)
    assert "Where a limited sensor seems to do better than the ideal one" in text
    assert "blow holds (largest demand" in text
    assert f"clipping cuts the blows: {-row['velocity_error_fire_m_s']:.2f} m/s less" in text


def test_an_earlier_fire_by_clipped_swings_back_is_explained() -> None:
    # 10 g and swings of -20 and +60 g whose mean is 0: clipping at 35 g takes of those back only.
    swing = np.where((T * 200.0) % 1.0 < 0.75, -20.0, 60.0) * ((T > 0) & (T < 0.08))
    wall = event("wall", plateau(10.0) + swing, required_ms=60.0)
    found = study_range([wall], algorithm=velocity(3.0), ranges=(35, 200))
    row = found.table.query("range_g == 35").iloc[0]
    assert row["fire_change"] == "earlier"
    assert row["velocity_error_fire_m_s"] > 0.1
    text = "\n".join(found.advice)
    assert "clipping cuts the swings back more than the blows" in text
    assert "no reason to choose it" in text


def test_nothing_is_explained_where_nothing_seems_to_help(drawn: RangeStudy) -> None:
    assert not any("seems to do better" in line for line in drawn.advice)


# -- records that were already filtered ------------------------------------------------------------


@pytest.mark.slow
def test_a_filtered_record_says_so_in_table_sentence_and_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    time = -0.06 + np.arange(2600) / 10_000.0
    pulse = np.where((time > 0) & (time < 0.1), -30.0 * np.sin(np.pi * time / 0.1) ** 2, 0.0)
    rows = "".join(f"{t:.4f},{a:.5f}\n" for t, a in zip(time, pulse, strict=True))
    file = tmp_path / "smooth.csv"
    file.write_text(f"# family: frontal\n# {STAGE_1}: fire by 60 ms\ntime_s,central_x_g\n{rows}")
    out = tmp_path / "out"
    arguments = ["--records", str(file), "--ranges", "20,50", "--algorithm", "plain"]
    assert run(["study", "range", *arguments, "--out", str(out)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "smooth *" in shown
    assert "* already filtered when it was recorded" in shown
    advice = " ".join((out / "advice.txt").read_text().split())
    for text in (shown, advice):
        assert "smooth was already filtered when it was recorded" in text
        assert "a range that follows from it is a lower bound" in text
        assert "Its largest value of 30 g stands for some 44 to 66 g before filtering" in text
        assert "(a lower bound, as records were already filtered)" in text
    assert pd.read_csv(out / "range.csv")["already_filtered"].all()


def test_what_is_lost_by_filtering_follows_the_ringing_of_unfiltered_channels() -> None:
    (line,) = filtered_lines(
        {"x": {"part": 0.002, "peak_g": 10.0, "least_g": 14.5, "most_g": 22.0}}
    )
    assert (1 + CREST * RINGING[0], 1 + CREST * RINGING[1]) == pytest.approx((1.45, 2.2))
    assert "0.2 % of its class 60 peak is left (unfiltered floor channels: 15 to 40 %)" in line


def test_an_unfiltered_event_is_not_called_filtered(drawn: RangeStudy) -> None:
    assert not drawn.table["already_filtered"].any()
    assert drawn.metadata["filtered"] == {}
    marked = replace(drawn, table=drawn.table.assign(already_filtered=True))
    assert any("already filtered" in line for line in event_lines(marked))
