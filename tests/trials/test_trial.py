"""A trial: what a campaign has for the same draws, and what a user does with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import crashsense
from crashsense.campaign import evaluate
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.plan import resolve_plan
from crashsense.resources import CAUTION
from crashsense.rules import Algorithm, load_algorithm
from crashsense.sensing import load_sensor_set
from crashsense.synthesis import load_events
from crashsense.trials import Conditions, Trial, joined, run_trials, trial
from crashsense.trials.block import BLOCK

POLE, HAMMER = "side_pole_90_29", "hammer_tunnel"
SIDE = "side_airbag_left"


@pytest.fixture(scope="module")
def pole() -> Trial:
    return trial(POLE, draw=[0, 1, 2])


def same(found: pd.DataFrame, wanted: pd.DataFrame) -> None:
    columns = ["event", "draw", "sensor_set", "algorithm", "restraint"]
    assert len(found) > 0
    pd.testing.assert_frame_equal(
        found.sort_values(columns, ignore_index=True),
        wanted.sort_values(columns, ignore_index=True),
        check_exact=True,
    )


@pytest.mark.parametrize("sensor_draws", ["own", "shared"])
def test_rows_are_those_of_a_run(sensor_draws: str) -> None:
    run = evaluate(events=[POLE, HAMMER], draws=3, seed=4, sensor_draws=sensor_draws)
    for event in (POLE, HAMMER):
        found = trial(
            event,
            algorithm=["plain", "guarded"],
            draw=[0, 2, 3],
            seed=4,
            sensor_draws=sensor_draws,
        )
        wanted = run.verdicts[(run.verdicts["event"] == event) & (run.verdicts["draw"] != 1)]
        same(found.rows, wanted)


def test_a_draw_does_not_depend_on_its_neighbours() -> None:
    many = trial(POLE, draw=range(BLOCK + 3), engine="numpy")
    alone = trial(POLE, draw=BLOCK + 1, engine="numpy")
    at = many.at(BLOCK + 1)
    np.testing.assert_array_equal(many.demand(SIDE)[at], alone.demand(SIDE)[0])
    for name, values in alone.samples.channels.items():
        np.testing.assert_array_equal(many.samples.channels[name][at], values[0])
    own = many.signals["door_left_pressure"].samples
    assert own.shape[0] == BLOCK + 3  # the draws of several blocks, one after the other
    np.testing.assert_array_equal(own[at], alone.signals["door_left_pressure"].samples[0])
    same(many.rows[many.rows["draw"] == BLOCK + 1], alone.rows)


def test_draws_that_lie_far_apart_keep_their_own_signals() -> None:
    """Each is a block of one draw, with one row, which is not that of the others."""
    apart = [1, 1 + BLOCK, 2 + BLOCK]
    found = trial(HAMMER, draw=apart, algorithm="plain", engine="numpy")
    narrow = load_sensor_set("standard").changed("central_x", name="narrow", range=100.0, bits=8)
    anew = found.with_sensor("central_x", narrow)
    for at, draw in enumerate(apart):
        alone = trial(HAMMER, draw=draw, algorithm="plain", engine="numpy")
        for name, signal in alone.signals.items():
            row = np.broadcast_to(found.signals[name].samples, (3, signal.size))[at]
            np.testing.assert_array_equal(row, signal.samples[0], err_msg=name)
        wanted = alone.with_sensor("central_x", narrow).samples.channels["central_x"]
        np.testing.assert_array_equal(anew.samples.channels["central_x"][at], wanted[0])
    assert np.ptp(found.signals["central_x"].samples, axis=0).max() > 0.0


def test_draws_that_share_a_signal_keep_one_row_of_it() -> None:
    found = trial(HAMMER, draw=[0, 1, 2], algorithm="plain", vary="sensor", engine="numpy")
    (event,) = load_events([HAMMER])
    assert found.signals.keys() == event.signals.keys()
    for name, signal in event.signals.items():
        np.testing.assert_array_equal(found.signals[name].samples, signal.samples[None, :])


def test_belted_and_unbelted_share_samples_and_not_context() -> None:
    (events,) = resolve_plan(events=["wall_full_20_*"]).occurrences()
    assert [event.context.belted for event in events] == [True, False]
    (both,) = run_trials(
        events,
        [0],
        sensor_sets=[load_sensor_set("standard")],
        algorithms=[load_algorithm("guarded"), load_algorithm("plain")],
        conditions=Conditions(),
    )
    assert len(both.rows) == 2 * 2 * 7
    for event in events:
        one = both.of(event=event.name, algorithm="guarded")
        assert one.samples.context == event.context
        same(one.rows, trial(event, engine="numpy").rows)
    with pytest.raises(InputError, match="a name, as the trial has 2: guarded, plain"):
        both.of(event=events[0].name)
    with pytest.raises(InputError, match="did you mean 'guarded'"):
        both.of(event=events[0].name, algorithm="gaurded")


def test_judged_by_another_algorithm_is_the_trial_of_that_algorithm() -> None:
    sensed = trial(POLE, algorithm=(), draw=[0, 5])
    assert sensed.answers == {}
    assert set(sensed.samples.channels) == set(load_sensor_set("standard").sensors)
    for name in ("plain", "guarded"):
        judged = sensed.judged_by([load_algorithm(name)])
        same(judged.rows, trial(POLE, algorithm=name, draw=[0, 5]).rows)
    same(judged.taken([1]).rows, trial(POLE, draw=5).rows)


def test_one_sensor_changed_is_the_trial_with_the_changed_set() -> None:
    base = load_sensor_set("standard")
    changed = base.changed("central_x", name="narrow", range=100.0, bits=8)
    event = "wall_full_64"
    found = trial(event, draw=[0, 3]).with_sensor("central_x", changed)
    wanted = trial(event, sensor_set=changed, draw=[0, 3])
    same(found.rows, wanted.rows)
    assert not found.rows.equals(trial(event, draw=[0, 3]).rows)
    assert found.reports["central_x"].clipped_after_filter.min() > 0


def test_scores_only_keeps_the_rows_and_nothing_heavy(pole: Trial) -> None:
    light = pole.scores_only()
    same(light.rows, pole.rows)
    assert light.sensed is None
    assert light.signals == {}
    assert not any(answer.branches for answer in light.answers.values())
    with pytest.raises(InputError, match="a trial that keeps its samples"):
        light.demand("curtain_left")
    parts = [trial(POLE, draw=k).scores_only() for k in range(3)]
    same(joined(parts).rows, pole.rows)


def test_demand_scores_and_verdicts_agree(pole: Trial) -> None:
    demand, scores = pole.demand(SIDE), pole.scores(SIDE)
    over = demand >= 1.0
    assert over.any(axis=-1).all()
    fire_s = pole.times_s[np.arange(3), np.argmax(over, axis=-1)]
    np.testing.assert_allclose(scores.fire_s, fire_s, atol=1e-12)
    np.testing.assert_array_equal(scores.max_demand, demand.max(axis=-1))
    row = pole.row(SIDE, draw=2)
    assert row["fire_time_ms"] == pytest.approx(1e3 * fire_s[2])
    assert row["verdict"] == pole.verdicts(SIDE)[2]
    # A required time 1 ms earlier sees less demand, never more.
    assert (pole.reached(SIDE, ahead_s=1e-3).at_required <= pole.reached(SIDE).at_required).all()


def test_a_rule_that_fails_fails_alone() -> None:
    class Broken(type(load_algorithm("plain").rules[SIDE])):  # type: ignore[misc]
        def demand(self, samples):
            raise ZeroDivisionError("on purpose")

        branch_demands = demand

    rule = Broken()
    algorithm = Algorithm("mine", rules={SIDE: rule, "curtain_left": rule})
    found = trial(POLE, algorithm=[algorithm, "guarded"], draw=[0, 1])
    mine = found.of(algorithm="mine")
    assert mine.verdicts(SIDE).tolist() == ["rule_error", "rule_error"]
    assert "on purpose" in mine.row(SIDE)["reason"]
    assert "the rule itself failed" in str(mine.explain(SIDE))
    same(found.of(algorithm="guarded").rows, trial(POLE, draw=[0, 1]).rows)


def test_traces_hold_samples_and_demand(pole: Trial) -> None:
    traces = pole.traces(draw=1)
    assert len(traces) == pole.samples.size
    assert {"time_ms", "central_x_g", f"{SIDE}_total", f"{SIDE}_arming"} <= set(traces.columns)
    np.testing.assert_array_equal(traces[f"{SIDE}_total"], pole.demand(SIDE)[1])
    # Times to the microsecond: whole ones, the nearest.
    moved = replace(pole.sensed.samples, start_s=pole.start_s + 1.0 / 3.0e6)
    times = replace(pole, sensed=replace(pole.sensed, samples=moved)).traces()["time_ms"]
    whole = np.round(1e3 * times)
    np.testing.assert_allclose(1e3 * times, whole, rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(whole, 1e6 * moved.times_s[0], rtol=0.0, atol=0.5)


def test_short_words_and_a_table(pole: Trial) -> None:
    text = repr(pole)
    assert len(text.splitlines()) <= 3
    assert POLE in text
    assert "3 draws" in text
    assert "on_time" in text
    page = pole._repr_html_()
    assert CAUTION in page
    assert page.count("<tr") == 1 + len(RESTRAINTS)
    assert "draw 0" in page
    both = trial(POLE, algorithm=["plain", "guarded"])
    assert both._repr_html_().count("<tr") == 1 + 2 * len(RESTRAINTS)


def test_the_figure_shows_signals_range_and_required_time(pole: Trial) -> None:
    figure = pole.plot(draw=1)
    figure.draw_without_rendering()
    *channels, demand = figure.get_axes()
    assert 1 <= len(channels) <= 3
    assert any("door_left_pressure" in axes.get_ylabel() for axes in channels)
    labels = [text.get_text() for text in demand.get_legend().get_texts()]
    assert f"{SIDE}: {pole.verdicts(SIDE)[1]}" in labels
    upright = [line.get_xdata()[0] for line in demand.get_lines() if len(line.get_xdata()) == 2]
    assert pytest.approx(6.0) in upright  # [ms], required of the near-side bag


def test_bad_input_is_named() -> None:
    for values, text in (
        ({"event": "side_pole_90_2"}, "did you mean"),
        ({"event": "side"}, "the name of one event; this names"),
        ({"draw": -1}, "numbers of draws, 0 or more"),
        ({"draw": []}, "numbers of draws, 0 or more"),
        ({"vary": "all"}, "one of both, none, pulse, sensor"),
        ({"path": "fast"}, "one of auto, full"),
        ({"seed": -1}, "seed: got -1"),
        ({"algorithm": "gaurded"}, "did you mean 'guarded'"),
        ({"channels": ["central"]}, "channels: got 'central'"),
    ):
        with pytest.raises(InputError) as caught:
            trial(**{"event": POLE, **values})
        assert text in str(caught.value), values
    with pytest.raises(InputError, match="one of the draws of the trial: 0"):
        trial(POLE).at(7)
    with pytest.raises(InputError, match="did you mean 'side_airbag_left'"):
        trial(POLE).demand("side_airbag_lef")


def test_public_names() -> None:
    event = load_events([HAMMER])[0]
    found = crashsense.trial(event)
    assert isinstance(found, crashsense.Trial)
    assert str(crashsense.explain(found, SIDE)).startswith(f"{SIDE}: held")


def stage_1(event: str) -> str:
    """Verdict of the shipped algorithm on the front airbag, nominal draw."""
    rows = trial(event, sensor_set="standard", algorithm="guarded", draw=0).rows
    (verdict,) = rows[rows["restraint"] == "front_airbag_stage_1"]["verdict"]
    return str(verdict)


@pytest.mark.parametrize("event", ["pole_centre_40", "underride_40", "car_head_on_25_25"])
def test_guarded_fires_late_where_its_ramps_never_would(event: str) -> None:
    """By its slow branch: late is no success, but better than never."""
    assert stage_1(event) in ("late", "on_time")


@pytest.mark.parametrize("event", ["wall_full_16_belted", "odb_40_20_belted"])
def test_the_slow_branch_leaves_weak_crashes_alone(event: str) -> None:
    assert stage_1(event) == "held"
