"""Sweep: equal to brute force, counts by hand, the front, what is written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pulses_by_hand import pulse, pulse_in_order

from crashsense.errors import InputError
from crashsense.studies.sweep import parameter_of, study_sweep
from crashsense.studies.sweep_report import sweep_figure, sweep_text, write_sweep

ALGORITHM = """\
name = "two_parts"
[definitions.front]
family = "velocity_change"
threshold_m_s = 3.0
[definitions.push]
family = "window_velocity"
window_ms = 10.0
threshold_m_s = 0.4
[rules.front_airbag_stage_1]
family = "armed"
hold_ms = 30.0
main = { use = "front" }
arming = { use = "push" }
"""


@pytest.fixture(scope="module")
def events():
    return [
        pulse("must", 6.0, fire=True),
        pulse("must_soft", 4.0, fire=True),
        pulse("must_not", 3.0, fire=False),
    ]


def swept(algorithm: Path, number: str, values, events, **given):
    return study_sweep(
        {f"{algorithm}:{number}": values}, events=events, workers=1, draws=12, **given
    )


@pytest.mark.quick(2)
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("number", ["front.threshold_m_s", "push.threshold_m_s"])
def test_one_evaluation_equals_brute_force_at_random_values(algorithm, events, seed, number):
    random = np.random.default_rng(seed)
    values = np.sort(random.uniform(0.3, 7.0, 6)).round(3)
    one = swept(algorithm, number, values, events)
    each = swept(algorithm, number, values, events, by_scale=False)
    assert one.by_scale
    assert not each.by_scale
    pd.testing.assert_frame_equal(one.table, each.table, rtol=1e-9)
    assert one.table[["late", "missed", "inadvertent"]].to_numpy().sum() > 0


def test_what_does_not_scale_is_judged_anew(algorithm, events) -> None:
    found = swept(algorithm, "push.window_ms", [5.0, 20.0], events)
    assert not found.by_scale


def test_counts_by_hand(algorithm, events) -> None:
    # 3 m/s must not, 4 and 6 must: 2.0 fires all, 3.5 parts them, 5.0 misses the soft one, 9 all.
    found = swept(algorithm, "front.threshold_m_s", [2.0, 3.5, 5.0, 9.0], events)
    table = found.table
    assert table["missed"].tolist() == [0, 0, 12, 24]
    assert table["late"].tolist() == [0, 0, 0, 0]
    assert table["inadvertent"].tolist() == [12, 0, 0, 0]
    assert table["on_front"].tolist() == [False, True, False, False]
    assert table["not_fired_share"].tolist() == [0.0, 0.0, 1.0, 1.0]
    assert table["must_fire"].tolist() == [24] * 4
    assert table["fire_event"].iloc[-1] == "must_soft"
    assert table["no_fire_event"].iloc[0] == "must_not"
    assert table["fire_margin"].iloc[1] == pytest.approx(4.0 / 3.5 - 1.0, abs=0.02)
    text = sweep_text(found)
    assert "met in every draw at 1 setting" in text
    assert "At the lowest value, 2," in text
    assert "must_not" in text


@pytest.mark.slow
def test_two_numbers_and_what_is_written(algorithm, events, tmp_path) -> None:
    given = {
        f"{algorithm}:front.threshold_m_s": [2.0, 3.5],
        f"{algorithm}:push.threshold_m_s": [0.2, 0.3, 5.0],
    }
    found = study_sweep(given, events=events, workers=1, draws=2)
    assert len(found.table) == 6
    assert sweep_figure(found).axes
    folder = write_sweep(found, tmp_path / "out")
    assert sorted(path.name for path in folder.iterdir()) == [
        "sweep.csv",
        "sweep.parquet",
        "sweep.png",
        "sweep.svg",
        "sweep.txt",
    ]
    assert pd.read_csv(folder / "sweep.csv").shape == found.table.shape


def test_faults_are_told(algorithm, events) -> None:
    with pytest.raises(InputError, match="did you mean"):
        swept(algorithm, "front.threshold", [1.0], events)
    with pytest.raises(InputError, match="ALGORITHM:NUMBER"):
        parameter_of("front.threshold_m_s")
    with pytest.raises(InputError, match="threshold_m_s"):
        swept(algorithm, "front.threshold_m_s", [-1.0], events)


IN_ORDER = """\
name = "two_stages"
[definitions.second]
family = "velocity_change"
threshold_m_s = 4.0
[rules.front_airbag_stage_1]
family = "velocity_change"
threshold_m_s = 3.0
[rules.front_airbag_stage_2]
use = "second"
"""


def test_the_order_of_two_restraints_is_swept_too(tmp_path: Path) -> None:
    path = tmp_path / "two_stages.toml"
    path.write_text(IN_ORDER, encoding="utf-8")
    # 0.1 m/s a millisecond: 2 and 3.2 come too soon or before, 4 keeps, 5.5 too late, 9 never.
    events = [pulse_in_order("hand", 6.0, least_s=0.005, most_s=0.015)]
    values = [2.0, 3.2, 4.0, 5.5, 9.0]
    one = swept(path, "second.threshold_m_s", values, events)
    each = swept(path, "second.threshold_m_s", values, events, by_scale=False)
    assert one.by_scale
    pd.testing.assert_frame_equal(one.table, each.table, rtol=1e-9)
    assert one.table["ordered"].tolist() == [12, 12, 12, 12, 0]
    assert one.table["not_in_order"].tolist() == [12, 12, 0, 12, 0]
    assert one.table["order_margin_ms"].tolist()[2] == pytest.approx(5.0, abs=1.01)
    assert (one.table["must_fire"] == 0).all()  # the other stage is not what is swept
    text = sweep_text(one)
    assert "in order with margin" in text
    assert len(one.table[one.table["on_front"]]) == 2
