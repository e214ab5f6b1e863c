"""Calibration: the known optimum of two events, honest failure, left-out classes, resume, files."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from pulses_by_hand import pulse, pulse_in_order

from crashsense.errors import InputError
from crashsense.event import RESTRAINTS, Event
from crashsense.rules.algorithm import algorithm_from_toml
from crashsense.studies import calibration as study
from crashsense.studies.bench import Row, Setup, Shelf, opened_bench, shares_of
from crashsense.studies.calibration_report import (
    calibration_figure,
    calibration_text,
    write_calibration,
)

ALGORITHM = """\
# A threshold on velocity change.
name = "one_threshold"
[calibration.free]
"front.threshold_m_s" = [0.5, 14.0]
[definitions.front]
family = "velocity_change"
threshold_m_s = 1.0   # where the search begins
[rules.front_airbag_stage_1]
family = "any_of"
of = [{ use = "front" }]
"""


def calibrated(algorithm: Path, events: list[Event], **given):
    options = {"draws": 8, "held_out": 8, "folds": 2, "workers": 1, "generations": 12}
    return study.study_calibration(algorithm, events=events, **{**options, **given})


@pytest.mark.slow
def test_two_events_have_their_optimum_where_both_margins_are_equal(algorithm) -> None:
    events = [pulse("must", 8.0, fire=True), pulse("must_not", 2.0, fire=False)]
    found = calibrated(algorithm, events, folds=0)
    (row,) = found.numbers.to_dict("records")
    # Brute force on the same samples, by the definition of the margin.
    shelf = Shelf(events, Setup(tuple(range(9)), 1, "standard", ("central_x",), RESTRAINTS[:1]))
    tried = np.linspace(2.0, 8.0, 61)
    tables = [
        tomllib.loads(ALGORITHM.replace("threshold_m_s = 1.0", f"threshold_m_s = {float(v)!r}"))
        for v in tried
    ]
    margin = study.margins(shelf.judge(tables, draws=slice(0, 9)).headroom)
    best = tried[int(np.argmax(margin.min(axis=1)))]
    assert found.table["seen"].min() >= margin.min(axis=1).max() - 0.5
    assert row["after"] == pytest.approx(best, rel=0.05)
    assert not found.success  # no class was left out
    assert "not a success" in calibration_text(found)


def test_margins_that_bind_meet_at_the_known_threshold(algorithm) -> None:
    # So close that neither margin is large enough: equal scatter of both, so that the optimum is
    # the geometric mean of the two velocity changes.
    events = [pulse("must", 4.6, fire=True), pulse("must_not", 3.6, fire=False)]
    found = calibrated(algorithm, events, folds=0, generations=25)
    assert found.numbers["after"][0] == pytest.approx(np.sqrt(4.6 * 3.6), rel=0.03)
    seen = found.table["seen"].to_numpy()
    assert abs(seen[0] - seen[1]) < 0.5


def test_success_needs_left_out_classes_to_hold(algorithm) -> None:
    events = [
        pulse("must_a_1", 8.0, fire=True, matrix="A1"),
        pulse("must_b_1", 8.5, fire=True, matrix="B1"),
        pulse("not_c_1", 2.0, fire=False, matrix="C1"),
        pulse("not_d_1", 1.9, fire=False, matrix="D1"),
    ]
    found = calibrated(algorithm, events)
    assert found.success
    assert "Success" in calibration_text(found)


def test_what_cannot_hold_out_of_sample_is_no_success(algorithm) -> None:
    # Met while both classes are in the search; without class D1, which asks for a higher threshold,
    # the largest smallest margin lies below it.
    events = [
        pulse("must_a_1", 13.0, fire=True, matrix="A1"),
        pulse("not_c_1", 2.0, fire=False, matrix="C1"),
        pulse("not_d_1", 10.7, fire=False, matrix="D1"),
    ]
    found = calibrated(algorithm, events, folds=3)
    table = found.table.set_index("event")
    assert table.loc["not_d_1", "met_held_out"] == 1.0
    assert table.loc["not_d_1", "met_left_out"] < 1.0
    assert not found.success
    text = calibration_text(found)
    assert "not a success" in text
    assert "Success" not in text


def test_what_nothing_meets_is_told_and_does_not_decide_alone(algorithm) -> None:
    events = [
        pulse("must", 8.0, fire=True),
        pulse("must_not", 2.0, fire=False),
        pulse("hopeless", 1.0, fire=True),
    ]
    found = calibrated(algorithm, events, folds=0)
    table = found.table.set_index("event")
    assert table.loc["hopeless", "met_seen"] == 0.0
    assert table.loc["must", "met_seen"] == table.loc["must_not", "met_seen"] == 1.0
    assert "hopeless" in calibration_text(found)


def test_the_order_of_two_restraints_is_calibrated_too(tmp_path) -> None:
    path = tmp_path / "two_stages.toml"
    path.write_text(
        """name = "two_stages"
[calibration.free]
"second.threshold_m_s" = [2.0, 5.5]
[definitions.second]
family = "velocity_change"
threshold_m_s = 3.1
[rules.front_airbag_stage_1]
family = "velocity_change"
threshold_m_s = 3.0
[rules.front_airbag_stage_2]
use = "second"
"""
    )
    # 0.1 m/s a millisecond: the middle of 5 to 15 ms after stage 1 is a second threshold of 4 m/s.
    events = [pulse_in_order("hand", 6.0, least_s=0.005, most_s=0.015)]
    found = calibrated(path, events, folds=0, generations=6)
    (row,) = found.table[found.table["expectation"] == "order"].to_dict("records")
    assert row["met_before"] == 0.0
    assert row["met_seen"] == row["met_held_out"] == 1.0
    assert found.numbers["after"][0] == pytest.approx(4.0, abs=0.35)
    assert "stages out of order, hand" in calibration_text(found)
    assert calibration_figure(found).axes


@pytest.mark.slow
def test_the_same_seed_gives_the_same_numbers_on_any_number_of_workers(algorithm) -> None:
    events = [pulse("must", 8.0, fire=True), pulse("must_not", 2.0, fire=False)]
    one = calibrated(algorithm, events, folds=0, generations=3)
    two = calibrated(algorithm, events, folds=0, generations=3, workers=2)
    assert one.text == two.text
    assert one.table.equals(two.table)


def test_a_stopped_calibration_goes_on(algorithm, tmp_path) -> None:
    events = [pulse("must", 8.0, fire=True), pulse("must_not", 2.0, fire=False)]
    state, said = tmp_path / "calibration_state.json", []
    calibrated(algorithm, events, folds=0, generations=2, state=state)
    before = json.loads(state.read_text())["trials"]
    again = calibrated(
        algorithm, events, folds=0, generations=4, state=state, on_progress=said.append
    )
    assert any("going on after" in line for line in said)
    assert again.trials > before
    # Another question does not go on with it.
    said.clear()
    calibrated(
        algorithm, events, folds=0, generations=1, seed=2, state=state, on_progress=said.append
    )
    assert not any("going on after" in line for line in said)


def test_what_is_written(algorithm, tmp_path) -> None:
    events = [pulse("must", 8.0, fire=True), pulse("must_not", 2.0, fire=False)]
    found = calibrated(algorithm, events, generations=2)
    folder = write_calibration(found, tmp_path / "out")
    written = sorted(path.name for path in folder.iterdir())
    assert written == [
        "calibration.csv",
        "calibration.parquet",
        "calibration.png",
        "calibration.svg",
        "calibration.txt",
        "calibration_numbers.csv",
        "calibration_numbers.parquet",
        "calibration_one_threshold_calibrated.toml",
    ]
    new = algorithm_from_toml(found.text)
    assert new.name == "one_threshold_calibrated"
    assert "draws 0-8" in new.fitted_to
    assert "# where the search begins" in found.text  # comments stay
    assert calibration_figure(found).axes


def test_margins_are_mean_over_scatter_and_unmet_rows_come_first() -> None:
    values = np.array([[0.2, 0.4, 0.6], [-0.3, -0.1, np.nan]])
    assert study.margins(values).tolist() == pytest.approx([2.0, -0.2 / np.sqrt(0.02)])
    weight = np.ones(2)
    good, better, bad = np.array([[3.0, 3.0]]), np.array([[4.0, 4.0]]), np.array([[9.0, 1.9]])
    losses = [float(study.loss(m, weight=weight)[0]) for m in (better, good, bad)]
    assert losses == sorted(losses)
    assert losses[2] > 0.0 > losses[1]


def test_a_faster_crash_that_fires_later_counts() -> None:
    rows = [
        Row(f"w_{v}", "front_airbag_stage_1", "fire", "frontal", "w", "w belted", float(v))
        for v in (30, 20, 40)
    ]
    pairs = study.ladders(rows)
    assert pairs == [(1, 0), (0, 2)]
    fire = np.array([[0.02, 0.03, 0.01], [0.03, 0.02, 0.01], [0.02, 0.03, np.nan]])
    assert study.out_of_order(fire, pairs).tolist() == [0.0, 1.0, 1.0]


@pytest.mark.slow
def test_a_bench_gives_the_same_rows_in_any_number_of_processes() -> None:
    events = [pulse(f"e{k}", 2.0 + k, fire=bool(k % 2)) for k in range(4)]
    setup = Setup((0, 1), 1, "standard", ("central_x",), RESTRAINTS[:1])
    with opened_bench(events, setup, workers=2) as bench:
        got = bench.judge([tomllib.loads(ALGORITHM)], draws=slice(0, 2))
        names = [row.event for row in bench.rows]
    alone = Shelf(events, setup).judge([tomllib.loads(ALGORITHM)], draws=slice(0, 2))
    order = [names.index(event.name) for event in events]
    assert np.array_equal(got.headroom[:, order], alone.headroom)


def test_faults_are_told(algorithm) -> None:
    algorithm.write_text(ALGORITHM.replace("front.threshold_m_s", "front.threshold"))
    with pytest.raises(InputError, match="did you mean"):
        calibrated(algorithm, [pulse("must", 8.0, fire=True)])
    with pytest.raises(InputError, match="calibration.free"):
        study.study_calibration("plain", events=[pulse("must", 8.0, fire=True)], workers=1)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_every_event_has_one_worker_and_families_are_spread(count) -> None:
    events = [pulse(f"event_{number}", 5.0, fire=True) for number in range(11)]
    shares = shares_of(events, count)
    names = sorted(event.name for share in shares for event in share)
    assert names == sorted(event.name for event in events)
    sizes = [len(share) for share in shares]
    assert max(sizes) - min(sizes) <= 1


def test_judging_for_scores_alone_gives_the_same(algorithm, monkeypatch) -> None:
    pytest.importorskip("numba")
    from crashsense.trials.trial import Trial

    judged_by = Trial.judged_by
    events = [pulse("must", 5.0, fire=True), pulse("must_not", 3.0, fire=False)]
    shelf = Shelf(events, Setup(tuple(range(6)), 1, "standard", ("central_x",), RESTRAINTS[:1]))
    tables = [
        tomllib.loads(ALGORITHM.replace("threshold_m_s = 1.0", f"threshold_m_s = {value}"))
        for value in (1.0, 3.5, 8.0)
    ]
    one = shelf.judge(tables, draws=slice(0, 6), reached=True)
    monkeypatch.setattr(Trial, "judged_by", lambda trial, by, **_: judged_by(trial, by))
    two = shelf.judge(tables, draws=slice(0, 6), reached=True)
    for name in ("headroom", "fire_s", "reached"):
        assert np.array_equal(getattr(one, name), getattr(two, name), equal_nan=True)
    assert np.isfinite(one.headroom).all()
