"""What must hold for any demand: the properties that make one evaluation serve every threshold."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from crashsense import engine
from crashsense.scoring import (
    FAILURES,
    Reached,
    Scores,
    fire_times_at_scales,
    first_crossing,
    reached,
    score,
)

RATE_HZ = 2000.0
DEMANDS = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=20),
    elements=st.floats(0.0, 4.0, allow_subnormal=False),
)
SCALES = st.lists(st.floats(0.05, 4.0), min_size=1, max_size=8)


def starts(demand: np.ndarray) -> np.ndarray:
    return -0.001 + 1e-4 * np.arange(demand.shape[0])


def scored(demand: np.ndarray, **options: Any) -> Scores:
    return score(
        {"total": demand, "main": demand},
        start_s=starts(demand),
        rate_hz=RATE_HZ,
        **{"expectation": "fire", "required_s": np.full(demand.shape[0], 0.004), **options},
    )


@settings(max_examples=100)
@given(DEMANDS, SCALES)
def test_fire_time_never_rises_as_the_threshold_falls(
    demand: np.ndarray, scales: list[float]
) -> None:
    falling = np.sort(scales)[::-1]
    times = fire_times_at_scales(demand, scales=falling, start_s=starts(demand), rate_hz=RATE_HZ)
    never_later = np.where(np.isnan(times), np.inf, times)
    assert (never_later[:, 1:] <= never_later[:, :-1]).all()


@settings(max_examples=100)
@given(DEMANDS, st.lists(st.sampled_from([0.25, 0.5, 1.0, 2.0]), min_size=1, max_size=4))
def test_every_scale_at_once_equals_scoring_again(demand: np.ndarray, scales: list[float]) -> None:
    # Powers of two divide without rounding: the comparison is exact.
    at_once = fire_times_at_scales(
        demand, scales=np.array(scales), start_s=starts(demand), rate_hz=RATE_HZ
    )
    again = [first_crossing(demand / k, start_s=starts(demand), rate_hz=RATE_HZ) for k in scales]
    np.testing.assert_array_equal(at_once, np.stack(again, axis=1))


@settings(max_examples=60, deadline=None)
@given(DEMANDS, SCALES, st.floats(-0.002, 0.009), st.floats(-0.002, 0.004))
def test_compiled_scores_equal_their_definition(
    demand: np.ndarray, scales: list[float], required: float, not_before: float
) -> None:
    """Scales in any order: the search over sorted ones is not the only way."""
    pytest.importorskip("numba")
    options: dict[str, Any] = {"start_s": starts(demand), "rate_hz": RATE_HZ}
    required_s = np.full(demand.shape[0], required)

    def found() -> list[np.ndarray]:
        whole = reached(
            {"total": demand, "main": demand[:, ::-1], "arming": demand / 2.0},
            required_s=required_s, not_before_s=not_before, **options,
        )  # fmt: skip
        times = fire_times_at_scales(demand, scales=np.array(scales), **options)
        return [getattr(whole, item.name) for item in fields(whole)] + [times]

    with engine.using("fast"):
        compiled = found()
    for plain, fast in zip(found(), compiled, strict=True):
        np.testing.assert_array_equal(fast, plain)
    for k, times in zip(scales, compiled[-1].T, strict=True):
        for start, row, time in zip(starts(demand), demand, times, strict=True):
            fires = [start + i / RATE_HZ for i, value in enumerate(row) if value >= k]
            np.testing.assert_array_equal(time, fires[0] if fires else np.nan)


@settings(max_examples=100)
@given(DEMANDS)
def test_must_fire_in_time_exactly_where_the_margin_is_not_negative(demand: np.ndarray) -> None:
    got = scored(demand)
    assert (got.verdict != "not_evaluated").all()
    early = got.verdict == "early"
    np.testing.assert_array_equal(
        (got.verdict == "on_time")[~early], (got.demand_margin >= 0)[~early]
    )
    np.testing.assert_array_equal(early, got.demand_before_allowed >= 1.0)


@settings(max_examples=200)
@given(
    DEMANDS,
    st.floats(-0.002, 0.009),
    st.floats(0.0, 0.004),
    st.floats(-0.001, 0.004),
    st.floats(-0.001, 0.003),
)
def test_nothing_is_late_that_fires_by_the_required_time(
    demand: np.ndarray, required: float, delay: float, origin: float, not_before: float
) -> None:
    required_s = np.full(demand.shape[0], required)
    got = scored(
        demand,
        required_s=required_s,
        chain_delay_s=delay,
        origin_s=origin,
        not_before_s=not_before,
    )
    late = got.verdict == "late"
    assert (got.fire_s[late] > required).all()
    assert (got.time_margin_s[late] < 0.0).all()
    # What cannot be met is not met, and its margin says so too.
    assert not (got.infeasible & (got.verdict == "on_time")).any()
    assert (got.demand_margin[got.infeasible] < 0.0).all()
    # A required time is infeasible exactly where no tick lies between knowledge and it.
    ticks = starts(demand)[:, None] + np.arange(40) / RATE_HZ
    between = (ticks >= origin + delay - 1e-9) & (ticks <= required + 1e-9)
    np.testing.assert_array_equal(got.infeasible, ~between.any(axis=-1))


@settings(max_examples=100)
@given(DEMANDS)
def test_must_not_fire_is_met_exactly_where_the_margin_is_positive(demand: np.ndarray) -> None:
    got = scored(demand, expectation="no_fire")
    np.testing.assert_array_equal(got.verdict == "held", got.demand_margin > 0.0)
    np.testing.assert_array_equal(np.isfinite(got.fire_s), got.max_demand >= 1.0)


@settings(max_examples=100)
@given(DEMANDS, st.sampled_from(["fire", "no_fire", "open"]))
def test_a_draw_scores_the_same_alone_and_in_a_block(demand: np.ndarray, expectation: str) -> None:
    required = 0.001 * np.arange(demand.shape[0])
    whole = scored(demand, expectation=expectation, required_s=required)
    for i in range(demand.shape[0]):
        row = demand[i : i + 1]
        alone = score(
            {"total": row, "main": row},
            start_s=starts(demand)[i : i + 1],
            rate_hz=RATE_HZ,
            expectation=expectation,
            required_s=required[i : i + 1],
        )
        for name in ("fire_s", "time_margin_s", "demand_margin", "demand_at_required"):
            np.testing.assert_array_equal(getattr(alone, name), getattr(whole, name)[i : i + 1])
        assert alone.verdict[0] == whole.verdict[i]


@settings(max_examples=50)
@given(DEMANDS, st.integers(0, 19))
def test_demand_up_to_the_required_time_ignores_what_follows(demand: np.ndarray, tick: int) -> None:
    required = starts(demand) + tick / RATE_HZ
    changed = demand.copy()
    changed[:, tick + 1 :] = 9.0
    a = scored(demand, required_s=required)
    b = scored(changed, required_s=required)
    np.testing.assert_array_equal(a.demand_at_required, b.demand_at_required)
    np.testing.assert_array_equal(a.verdict == "on_time", b.verdict == "on_time")


def test_the_failures_are_the_verdicts_that_leave_a_requirement_unmet() -> None:
    assert set(FAILURES) == {
        *("late", "missed", "early", "inadvertent", "rule_error"),
        *("alone", "out_of_order", "too_soon", "too_late"),
    }


@given(st.lists(st.integers(1, 4), min_size=1, max_size=3))
def test_draws_that_are_joined_and_taken_apart_are_what_they_were(sizes: list[int]) -> None:
    source = np.random.default_rng(sum(sizes))
    parts = [
        Reached(**{item.name: source.integers(-2, 9, size) for item in fields(Reached)})
        for size in sizes
    ]
    whole, first = Reached.joined(parts), 0
    for part in parts:
        size = part.fire.size
        again = whole.taken(range(first, first + size))
        for item in fields(Reached):
            np.testing.assert_array_equal(getattr(again, item.name), getattr(part, item.name))
        first += size
    assert whole.fire.size == first
