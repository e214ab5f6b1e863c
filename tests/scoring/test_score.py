"""Every documented edge of a score, each with the answer worked out by hand."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from crashsense.scoring import TOLERANCE_S, Reached, Scores, first_crossing, reached, score

RATE_HZ = 1000.0
START_S = -0.002  # sample 2 is finished at time zero


def scored(*demand: float, arming: list[float] | None = None, **changes: Any) -> Scores:
    """Score one draw whose sample i is finished at (i - 2) ms; must fire by 3 ms unless told."""
    main = np.array([demand], dtype=np.float64)
    branches = {"total": main, "main": main}
    if arming is not None:
        armed = np.array([arming], dtype=np.float64)
        branches = {"total": np.minimum(main, armed), "main": main, "arming": armed}
    options: dict[str, Any] = {"expectation": "fire", "required_s": np.array([0.003])}
    return score(branches, start_s=np.array([START_S]), rate_hz=RATE_HZ, **{**options, **changes})


def test_no_fire_where_fire_was_due_is_missed_without_a_time_margin() -> None:
    got = scored(0, 0, 0, 0.2, 0.7, 0.4, 0.9)
    assert got.verdict[0] == "missed"
    assert np.isnan(got.fire_s[0])
    assert np.isnan(got.time_margin_s[0])
    # Up to 3 ms (sample 5) the largest demand is 0.7; 0.9 comes a sample too late to count.
    assert got.demand_at_required[0] == 0.7
    assert got.demand_margin[0] == pytest.approx(-0.3, abs=1e-15)
    assert got.max_demand[0] == 0.9


def test_fire_exactly_at_the_required_time_is_on_time_with_margin_zero() -> None:
    got = scored(0, 0, 0, 0, 0, 1.0, 2.0)
    assert got.verdict[0] == "on_time"
    assert got.time_margin_s[0] == pytest.approx(0.0, abs=1e-15)
    assert got.demand_margin[0] == 0.0


def test_demand_of_exactly_one_fires_and_the_next_smaller_number_does_not() -> None:
    below = float(np.nextafter(1.0, 0.0))
    assert scored(0, 0, 0, 1.0).verdict[0] == "on_time"
    assert scored(0, 0, 0, below).verdict[0] == "missed"


@pytest.mark.parametrize(
    ("required_s", "verdict"),
    [
        (0.003 - 0.9 * TOLERANCE_S, "on_time"),
        (0.003 - 1.1 * TOLERANCE_S, "late"),
        (0.003 + 0.9 * TOLERANCE_S, "on_time"),
    ],
)
def test_one_nanosecond_is_the_same_time(required_s: float, verdict: str) -> None:
    got = scored(0, 0, 0, 0, 0, 1.0, required_s=np.array([required_s]))
    assert got.verdict[0] == verdict
    # The verdict and the demand up to the required time never contradict each other.
    assert (got.demand_margin[0] >= 0.0) == (verdict == "on_time")


def test_one_sample_late() -> None:
    got = scored(0, 0, 0, 0, 0, 0.5, 1.5)
    assert got.verdict[0] == "late"
    assert got.time_margin_s[0] == pytest.approx(-0.001)
    assert got.demand_margin[0] == -0.5


@pytest.mark.parametrize(
    ("demand", "verdict"), [([0, 0, 0, 1], "late"), ([0, 0, 0, 0.9], "missed")]
)
def test_negative_required_time_is_kept_infeasible_and_cannot_be_met(
    demand: list[float], verdict: str
) -> None:
    got = scored(*demand, required_s=np.array([-0.001]))
    assert got.infeasible[0]
    assert got.verdict[0] == verdict
    assert got.demand_at_required[0] == 0.0
    if verdict == "late":
        assert got.time_margin_s[0] == pytest.approx(-0.002)


def test_required_time_before_the_first_sample_has_demand_zero() -> None:
    got = scored(5.0, 5.0, required_s=np.array([-0.01]))
    assert got.demand_at_required[0] == 0.0
    assert got.demand_margin[0] == -1.0


def test_shorter_than_the_delay_of_the_chain_is_infeasible_and_exactly_as_long_is_not() -> None:
    assert scored(0, 0, 0, 1, chain_delay_s=0.0031).infeasible[0]
    assert not scored(0, 0, 0, 1, chain_delay_s=0.003).infeasible[0]
    # A later contact shifts the earliest moment at which anything can be known.
    assert scored(0, 0, 0, 1, chain_delay_s=0.002, origin_s=0.0015).infeasible[0]


def test_infeasible_counts_from_the_first_tick_that_can_hold_the_contact() -> None:
    # Ticks at 0, 1, 2 ms; the contact at 0.2 ms is known 1 ms later, that is at the tick of 2 ms.
    options: dict[str, Any] = {"chain_delay_s": 0.001, "origin_s": 0.0002}
    assert scored(0, 0, 0, 0, 1, required_s=np.array([0.00199]), **options).infeasible[0]
    met = scored(0, 0, 0, 0, 1, required_s=np.array([0.002]), **options)
    assert not met.infeasible[0]
    assert met.verdict[0] == "on_time"


def test_a_restraint_that_has_fired_by_an_infeasible_time_fired_for_something_else() -> None:
    got = scored(0, 0, 1, 0, chain_delay_s=0.01)
    assert got.infeasible[0]
    assert got.verdict[0] == "early"
    assert got.time_margin_s[0] == pytest.approx(0.003)
    assert got.demand_margin[0] == -1.0
    after = scored(0, 0, 0, 0, 0, 0, 1, chain_delay_s=0.01)
    assert after.infeasible[0]
    assert after.verdict[0] == "late"


def test_before_the_earliest_allowed_time_is_early_whatever_follows() -> None:
    got = scored(0, 0, 0, 1.2, 0, 1.5, not_before_s=0.002)
    assert got.verdict[0] == "early"
    assert got.demand_before_allowed[0] == 1.2
    # c counts from the allowed moment on.
    assert got.demand_margin[0] == pytest.approx(0.5)


def test_exactly_at_the_earliest_allowed_time_is_not_early() -> None:
    got = scored(0, 0, 0, 0.3, 1.0, not_before_s=0.002)
    assert got.verdict[0] == "on_time"
    assert got.demand_before_allowed[0] == 0.3


def test_fire_before_time_zero_is_early_by_default() -> None:
    assert scored(0, 1.0, 0, 0).verdict[0] == "early"


def test_required_before_allowed_leaves_nothing_to_count() -> None:
    got = scored(0, 0, 0, 0, 0.8, 3, required_s=np.array([0.001]), not_before_s=0.003)
    assert got.demand_margin[0] == -1.0
    assert got.verdict[0] == "late"


@pytest.mark.parametrize(("peak", "verdict"), [(0.75, "held"), (1.0, "inadvertent")])
def test_must_not_fire(peak: float, verdict: str) -> None:
    got = scored(0, 0, 0, peak, 0, expectation="no_fire", required_s=np.array([np.nan]))
    assert got.verdict[0] == verdict
    assert got.demand_margin[0] == 1.0 - peak
    assert np.isnan(got.time_margin_s[0])
    assert np.isnan(got.demand_at_required[0])


def test_a_misuse_event_counts_firing_at_any_time() -> None:
    got = scored(1.0, 0, 0, 0, expectation="no_fire", required_s=np.array([np.nan]))
    assert got.verdict[0] == "inadvertent"


@pytest.mark.parametrize(("peak", "verdict"), [(0.5, "open_held"), (1.5, "open_fired")])
def test_open_has_no_margins_but_reports_what_happened(peak: float, verdict: str) -> None:
    got = scored(0, 0, 0, peak, expectation="open")
    assert got.verdict[0] == verdict
    assert np.isnan(got.demand_margin[0])
    assert np.isnan(got.time_margin_s[0])
    assert got.demand_at_required[0] == peak


@pytest.mark.parametrize(
    ("main", "arming", "held_by"),
    [
        ([0, 0.5, 0.5, 0], [0, 1.5, 1.5, 0], "main"),
        ([0, 1.5, 1.5, 0], [0, 0.5, 0.5, 0], "arming"),
        ([0, 0.5, 0.5, 0], [0, 0.5, 0.5, 0], "both"),
        ([1.5, 0, 0, 0], [0, 0, 1.5, 0], "arming"),  # both reach 1, never together
        ([0, 1.5, 1.5, 0], [0, 0, 1.5, 0], ""),
    ],
)
def test_which_branch_held(main: list[float], arming: list[float], held_by: str) -> None:
    got = scored(*main, arming=arming, expectation="no_fire", required_s=np.array([np.nan]))
    assert got.held_by[0] == held_by
    assert got.verdict[0] == ("inadvertent" if held_by == "" else "held")


def test_a_rule_without_arming_was_held_by_its_main_branch() -> None:
    assert scored(0, 0.5, expectation="no_fire", required_s=np.array([np.nan])).held_by[0] == "main"


def test_time_of_arming_is_its_own_first_crossing() -> None:
    got = scored(0, 0, 0, 0, 1, 1, arming=[0, 0, 0, 1, 1, 1])
    assert got.arming_s[0] == pytest.approx(0.001)
    assert got.fire_s[0] == pytest.approx(0.002)


def test_must_fire_without_a_required_time_in_a_draw_is_not_judged() -> None:
    got = scored(0, 0, 0, 1, required_s=np.array([np.nan]))
    assert got.verdict[0] == "not_evaluated"
    assert np.isnan(got.demand_margin[0])
    assert not got.infeasible[0]


def test_no_samples_at_all() -> None:
    empty = np.zeros((2, 0))
    got = score(
        {"total": empty, "main": empty},
        start_s=np.zeros(2),
        rate_hz=RATE_HZ,
        expectation="fire",
        required_s=np.array([0.01, 0.02]),
    )
    assert list(got.verdict) == ["missed", "missed"]
    assert list(got.max_demand) == [0.0, 0.0]
    assert list(got.held_by) == ["main", "main"]


def test_no_draws_at_all() -> None:
    empty = np.zeros((0, 5))
    got = score(
        {"total": empty, "main": empty},
        start_s=np.zeros(0),
        rate_hz=RATE_HZ,
        expectation="no_fire",
        required_s=np.zeros(0),
    )
    assert got.verdict.shape == (0,)


def test_first_crossing_counts_from_the_start_of_each_draw() -> None:
    demand = np.array([[0, 1, 0], [0, 0, 0.99], [2, 0, 0]])
    got = first_crossing(demand, start_s=np.array([0.0, 0.0, 0.25]), rate_hz=2.0)
    np.testing.assert_array_equal(got, [0.5, np.nan, 0.25])


def test_no_rule_at_all_reaches_what_demand_zero_reaches() -> None:
    silent = np.zeros((3, 4))
    options: dict[str, Any] = {"start_s": np.full(3, START_S), "rate_hz": RATE_HZ}
    found = reached({"total": silent, "main": silent}, required_s=np.full(3, 0.003), **options)
    for item in fields(Reached):
        none = getattr(Reached.nothing(3), item.name)
        np.testing.assert_array_equal(none, getattr(found, item.name))


def test_scores_and_what_they_rest_on_are_compared_by_identity() -> None:
    """Arrays answer neither yes nor no; two results are told apart without a look at them."""
    for make in (lambda: scored(0, 1.0), lambda: Reached.nothing(2)):
        one, other = make(), make()
        assert one != other
        assert one == one  # noqa: PLR0124
        assert len({one, other}) == 2
