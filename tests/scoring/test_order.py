"""Restraints in order: hand-made demand curves, edges, and what must hold for any two."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.errors import InputError
from crashsense.event import Order, order_name, stated_delay, stated_order, usual_order
from crashsense.scoring import TOLERANCE_S, first_crossing, judge_order

RATE_HZ = 2000.0
NEVER = math.nan


def fires_at(*ticks: int | None) -> np.ndarray:
    """Fire times of demand that reaches 1 at the given ticks of 0.5 ms, one draw each."""
    demand = np.zeros((len(ticks), 400))
    for row, tick in enumerate(ticks):
        if tick is not None:
            demand[row, tick:] = 1.0
            demand[row, tick + 3 :] = 0.2  # once is enough: nothing latches, the crossing counts
    return first_crossing(demand, start_s=np.full(len(ticks), -0.05), rate_hz=RATE_HZ)


def verdicts(second: np.ndarray, first: np.ndarray, **delay) -> list[str]:
    return judge_order(second, first, **delay).verdict.tolist()


def test_hand_made_demand_curves() -> None:
    #               together, 10 ms, 10.5 ms, 0.5 ms before, alone, first only, neither
    first = fires_at(140, 140, 140, 140, None, 140, None)
    second = fires_at(140, 160, 161, 139, 150, None, None)
    found = judge_order(second, first, most_s=0.010)
    assert found.verdict.tolist() == [
        *("in_order", "in_order", "too_late", "out_of_order", "alone"),
        *("not_challenged", "not_challenged"),
    ]
    np.testing.assert_allclose(
        1e3 * found.delay_s, [0.0, 10.0, 10.5, -0.5, NEVER, NEVER, NEVER], atol=1e-9
    )
    np.testing.assert_allclose(
        1e3 * found.margin_s, [0.0, 0.0, -0.5, -0.5, NEVER, NEVER, NEVER], atol=1e-9
    )


def test_the_shortest_delay_depends_on_what_is_asked() -> None:
    first, second = fires_at(140, 140, 140), fires_at(150, 160, 400 - 1)
    assert verdicts(second, first) == ["in_order"] * 3
    assert verdicts(second, first, least_s=0.010) == ["too_soon", "in_order", "in_order"]
    assert verdicts(second, first, least_s=0.100) == ["too_soon", "too_soon", "in_order"]
    assert verdicts(second, first, least_s=0.006, most_s=0.015) == [
        *("too_soon", "in_order", "too_late")
    ]


TIMES = st.one_of(st.just(NEVER), st.integers(-20, 400).map(lambda tick: tick / RATE_HZ))
DELAYS = st.tuples(st.integers(0, 60), st.one_of(st.none(), st.integers(0, 60))).map(
    lambda pair: (pair[0] / 1e3, None if pair[1] is None else (pair[0] + pair[1]) / 1e3)
)


def slow(second: float, first: float, least: float, most: float | None) -> str:
    """The order as one would say it, in hundredths of a millisecond."""
    if math.isnan(second):
        return "not_challenged"
    if math.isnan(first):
        return "alone"
    delay = round(1e5 * (second - first))
    if delay < 0:
        return "out_of_order"
    if delay < round(1e5 * least):
        return "too_soon"
    return "in_order" if most is None or delay <= round(1e5 * most) else "too_late"


@settings(max_examples=200)
@given(st.lists(st.tuples(TIMES, TIMES), min_size=1, max_size=8), DELAYS)
def test_a_block_equals_the_sentence_said_one_by_one(pairs, delay) -> None:
    second, first = (np.array(side) for side in zip(*pairs, strict=True))
    least, most = delay
    found = judge_order(second, first, least_s=least, most_s=most)
    assert found.verdict.tolist() == [slow(*pair, least, most) for pair in pairs]
    judged = np.isfinite(found.margin_s)
    met = found.verdict == "in_order"
    np.testing.assert_array_equal(met[judged], found.margin_s[judged] >= -TOLERANCE_S)
    np.testing.assert_array_equal(judged, np.isfinite(second) & np.isfinite(first))


@settings(max_examples=100)
@given(st.lists(st.tuples(TIMES, TIMES), min_size=1, max_size=8), DELAYS, st.integers(-50, 50))
def test_only_the_time_between_both_counts(pairs, delay, shift) -> None:
    second, first = (np.array(side) for side in zip(*pairs, strict=True))
    asked = {"least_s": delay[0], "most_s": delay[1]}
    moved = shift / RATE_HZ
    assert verdicts(second + moved, first + moved, **asked) == verdicts(second, first, **asked)


@settings(max_examples=100)
@given(st.lists(st.tuples(TIMES, TIMES), min_size=1, max_size=8), DELAYS)
def test_a_wider_span_breaks_nothing_that_was_kept(pairs, delay) -> None:
    second, first = (np.array(side) for side in zip(*pairs, strict=True))
    least, most = delay
    narrow = np.array(verdicts(second, first, least_s=least, most_s=most)) == "in_order"
    wide = np.array(verdicts(second, first, least_s=least / 2.0)) == "in_order"
    assert wide[narrow].all()


# -- what files state ------------------------------------------------------------------------------


def test_a_delay_in_all_its_ways() -> None:
    assert stated_delay([0, 10]) == stated_delay("0 to 10") == (0.0, 0.010)
    assert stated_delay(5) == stated_delay([5]) == stated_delay("5 ms") == (0.005, None)
    assert stated_delay([10, math.inf]) == (0.010, None)
    for wrong in ([], [1, 2, 3], [-1], [5, 4], "soon", True, None, [math.nan], {"a": 1}):
        assert stated_delay(wrong) is None


@pytest.mark.parametrize(
    ("table", "match"),
    [
        ({"after": "front_airbag_stage_3"}, "did you mean 'front_airbag_stage_1'"),
        ({"after": "front_airbag_stage_2"}, "front_airbag_stage_1"),
        ({"after": "front_airbag_stage_1", "delay_ms": [10, 5]}, "shortest delay"),
        ({"delay_ms": [0, 5]}, "a restraint in 'after'"),
    ],
)
def test_what_is_no_order_is_refused(table, match) -> None:
    order, faults = stated_order("front_airbag_stage_2", table, file="a.toml", where="here")
    assert order is None
    assert len(faults) == 1
    with pytest.raises(InputError, match=match):
        raise InputError(faults)


def test_what_is_usual() -> None:
    second = "front_airbag_stage_2"
    hard, grey = (usual_order(second, what, family="frontal") for what in ("fire", "open"))
    assert hard is not None
    assert (hard.least_s, hard.most_s) == (0.0, 0.010)
    assert grey is not None
    assert (grey.least_s, grey.most_s) == (0.0, None)
    assert "from memory" in hard.basis
    assert usual_order(second, "no_fire", family="frontal") is None
    assert usual_order(second, "open", family="side") is None
    assert usual_order("front_airbag_stage_1", "fire", family="frontal") is None
    assert order_name("curtain_left", "curtain_right") == "curtain_left_after_curtain_right"
    with pytest.raises(InputError, match="shortest first"):
        Order("curtain_left", least_s=-0.001, basis="test")
