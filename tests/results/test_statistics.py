"""Intervals and sample sizes against published tables; statistics of a table made by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense.results.statistics import (
    bootstrap_mean,
    clopper_pearson,
    draws_without_failure,
    quantile_interval,
    upper_bound_without_failure,
    wilson,
)
from crashsense.results.tally import Tally


def draw_statistics(parts: list[pd.DataFrame]) -> pd.DataFrame:
    tally = Tally()
    for part in parts:
        tally.add(part)
    return tally.statistics()


# Newcombe, R. G., "Two-sided confidence intervals for the single proportion", Statistics in
# Medicine 17 (1998), table I (from memory, agreed with a computation of our own).
NEWCOMBE = [
    (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
    (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
    (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
    (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
]

# Computed from the defining formulas with an independent program.
COMPUTED = [
    (1, 10, (0.002529, 0.445016), (0.017876, 0.404150)),
    (5, 10, (0.187086, 0.812914), (0.236593, 0.763407)),
    (19, 20, (0.751267, 0.998735), (0.763869, 0.991119)),
    (26, 200, (0.086708, 0.184652), (0.090282, 0.183664)),
    (10, 10, (0.691503, 1.0), (0.722467, 1.0)),
]


@pytest.mark.parametrize(("x", "n", "exact", "score"), NEWCOMBE)
def test_intervals_of_newcombe(
    x: int, n: int, exact: tuple[float, float], score: tuple[float, float]
) -> None:
    assert clopper_pearson(x, n) == pytest.approx(exact, abs=5.1e-5)
    assert wilson(x, n) == pytest.approx(score, abs=5.1e-5)


@pytest.mark.parametrize(("x", "n", "exact", "score"), COMPUTED)
def test_intervals_computed(
    x: int, n: int, exact: tuple[float, float], score: tuple[float, float]
) -> None:
    assert clopper_pearson(x, n) == pytest.approx(exact, abs=5.1e-7)
    assert wilson(x, n) == pytest.approx(score, abs=5.1e-7)


def test_the_worked_example_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1: 4 of 20, 90 %: 0.071 to 0.401 (from
    # memory; further digits computed). Wilson computed.
    assert clopper_pearson(4, 20, level=0.90) == pytest.approx((0.071354, 0.401028), abs=5.1e-7)
    assert wilson(4, 20, level=0.90) == pytest.approx((0.093118, 0.378377), abs=5.1e-7)


@pytest.mark.parametrize(
    ("n", "bound"),
    # 1 - 0.05^(1/n), computed.
    [(10, 0.258866), (20, 0.139108), (30, 0.095034), (100, 0.029513), (300, 0.009936)],
)
def test_bound_after_no_failure(n: int, bound: float) -> None:
    assert upper_bound_without_failure(n) == pytest.approx(bound, abs=5.1e-7)
    # The rule of three, 3/n, lies a little above it.
    assert 1.0 < 3.0 / n / bound < 1.16


@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    # ceil(ln(1 - confidence) / ln R), computed; 22, 59 and 299 are also well-known numbers.
    [
        (0.90, 0.90, 22),
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.95, 0.95, 59),
        (0.99, 0.90, 230),
        (0.99, 0.95, 299),
        (0.999, 0.95, 2995),
    ],
)
def test_draws_that_show_a_reliability(reliability: float, confidence: float, n: int) -> None:
    assert draws_without_failure(reliability, confidence=confidence) == n
    # It is the least such number.
    assert upper_bound_without_failure(n, level=confidence) <= 1 - reliability
    assert upper_bound_without_failure(n - 1, level=confidence) > 1 - reliability


def test_one_sided_and_two_sided_bounds_after_no_failure_agree() -> None:
    # Two-sided upper limit at x = 0: 1 - (a/2)^(1/n).
    assert clopper_pearson(0, 50)[1] == pytest.approx(1 - 0.025 ** (1 / 50), rel=1e-12)
    assert clopper_pearson(0, 50, level=0.90)[1] == pytest.approx(
        upper_bound_without_failure(50), rel=1e-12
    )


@given(st.integers(1, 400), st.data())
def test_intervals_hold_the_share_and_mirror(n: int, data: st.DataObject) -> None:
    x = data.draw(st.integers(0, n))
    for interval in (clopper_pearson, wilson):
        low, high = interval(x, n)
        assert 0.0 <= low <= x / n <= high <= 1.0
        mirrored = interval(n - x, n)
        assert (1 - mirrored[1], 1 - mirrored[0]) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize("n", [1, 2, 7, 59, 1000, 123_457])
def test_none_and_all_reach_the_ends_exactly(n: int) -> None:
    for interval in (clopper_pearson, wilson):
        assert interval(0, n)[0] == 0.0
        assert interval(n, n)[1] == 1.0


def test_exact_intervals_cover_at_least_their_level() -> None:
    from scipy.stats import binom

    n = 17
    intervals = np.array([clopper_pearson(x, n) for x in range(n + 1)])
    for p in np.linspace(0.01, 0.99, 37):
        inside = (intervals[:, 0] <= p) & (p <= intervals[:, 1])
        assert binom.pmf(np.arange(n + 1), n, p)[inside].sum() >= 0.95


@pytest.mark.parametrize(
    ("x", "n", "level"),
    [(1, 0, 0.95), (0, 0, 0.95), (-1, 5, 0.95), (6, 5, 0.95), (1, 5, 1), (1, 5, 0.0)],
)
def test_nonsense_is_refused(x: int, n: int, level: float) -> None:
    with pytest.raises(ValueError, match="expected 0 <= successes <= trials"):
        clopper_pearson(x, n, level=level)
    with pytest.raises(ValueError, match="expected 0 <= successes <= trials"):
        wilson(x, n, level=level)


def test_one_trial_alone_has_an_interval() -> None:
    # Two-sided, x = 0 of n = 1: 0 to 1 - a/2; x = n: the mirror image.
    for level in (1e-6, 0.5, 0.95, 1.0 - 1e-6):
        tail = 0.5 * (1.0 - level)
        assert clopper_pearson(0, 1, level=level) == pytest.approx((0.0, 1.0 - tail))
        assert clopper_pearson(1, 1, level=level) == pytest.approx((tail, 1.0))


def test_interval_of_a_median_from_order_statistics() -> None:
    # n = 10, 95 %: order statistics 2 and 9, coverage 0.9785 (David and Nagaraja, Order
    # Statistics, from memory; binomial sum computed: P(2 <= B <= 8) = 1002/1024).
    assert quantile_interval(range(1, 11), 0.5) == (5.5, 2.0, 9.0)
    # Too few values for the level: the end is open, not invented.
    assert quantile_interval([3.0, 4.0], 0.5)[1:] == (-math.inf, math.inf)
    assert math.isnan(quantile_interval([], 0.5)[0])


def test_ranks_of_a_median_are_the_nearest_that_hold_the_level() -> None:
    """Six values are the fewest whose ends hold 95 %: 1 - 2 / 2^6 = 0.969, of five 0.938."""
    assert quantile_interval(range(1, 7), 0.5)[1:] == (1.0, 6.0)
    assert quantile_interval(range(1, 6), 0.5)[1:] == (-math.inf, math.inf)
    # 100 values: B(39) = 0.0176, B(40) = 0.0284, B(59) = 0.9716, B(60) = 0.9824 (computed).
    assert quantile_interval(range(1, 101), 0.5)[1:] == (40.0, 61.0)


def test_interval_of_a_quantile_covers() -> None:
    from scipy.stats import binom

    for n, q in ((30, 0.5), (200, 0.95), (5000, 0.999)):
        _, low, high = quantile_interval(range(1, n + 1), q)
        first = 0 if math.isinf(low) else int(low)
        last = n if math.isinf(high) else int(high) - 1
        assert binom.cdf(last, n, q) - (binom.cdf(first - 1, n, q) if first else 0) >= 0.95


@pytest.mark.parametrize("value", [-0.5, 0.0, 1.0, 1.2])
def test_a_reliability_or_confidence_that_is_no_share_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="must lie between 0 and 1"):
        draws_without_failure(value, confidence=0.95)
    with pytest.raises(ValueError, match="must lie between 0 and 1"):
        draws_without_failure(0.95, confidence=value)


def frame(
    event: str, verdicts: list[str], *, fire: list[float], margin: list[float]
) -> pd.DataFrame:
    n = len(verdicts)
    return pd.DataFrame(
        {
            "event": event,
            "restraint": "front_airbag_stage_1",
            "sensor_set": "s",
            "algorithm": "a",
            "expectation": "fire",
            "draw": np.arange(n),
            "verdict": verdicts,
            "fire_time_ms": fire,
            "time_margin_ms": [20.0 - f for f in fire],
            "demand_margin": margin,
            "waived": False,
            "reason": None,
        }
    )


def test_statistics_of_a_table_made_by_hand() -> None:
    nan = math.nan
    whole = frame(
        "wall",
        # Draw 0 is late: it is nominal and enters no statistic.
        ["late", "on_time", "missed", "on_time", "late", "on_time"],
        fire=[30.0, 10.0, nan, 12.0, 25.0, 14.0],
        margin=[-0.1, 0.5, -0.6, 0.4, -0.2, 0.3],
    )
    quiet = frame("kerb", ["held"] * 5, fire=[nan] * 5, margin=[0.9, 0.5, 0.7, 0.4, 0.6])
    for cut in (1, 3, 6):
        parts = [whole.iloc[:cut], quiet, whole.iloc[cut:]]
        table = draw_statistics(parts).set_index("event")
        wall = table.loc["wall"]
        assert wall["draws"] == 5
        assert (wall["n_on_time"], wall["n_late"], wall["n_missed"]) == (3, 1, 1)
        assert wall["p_failure"] == 0.4
        assert (wall["p_failure_low"], wall["p_failure_high"]) == clopper_pearson(2, 5)
        assert (wall["p_failure_wilson_low"], wall["p_failure_wilson_high"]) == wilson(2, 5)
        assert math.isnan(wall["failure_bound"])
        # 10, 12, 14, 25 and the miss, which fires later than any time.
        assert wall["fire_p50_ms"] == 14.0
        assert wall["fire_p95_ms"] == math.inf
        assert (wall["worst_draw"], wall["worst_demand_margin"]) == (2, -0.6)
        kerb = table.loc["kerb"]
        assert kerb["p_failure"] == 0.0
        assert kerb["failure_bound"] == upper_bound_without_failure(4)
        assert kerb["worst_draw"] == 3
        assert math.isnan(kerb["fire_p50_ms"])


def test_quantiles_of_fire_times_are_those_of_their_names() -> None:
    """Of 0, 1, ... 1000 ms: q thousandths lie below q (numpy.quantile, linear)."""
    times = [float(k) for k in range(1001)]
    n = len(times) + 1  # draw 0 is nominal
    whole = frame("wall", ["on_time"] * n, fire=[0.0, *times], margin=[0.1] * n)
    row = draw_statistics([whole]).iloc[0]
    for name, q in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95), ("p999", 0.999)):
        assert row[f"fire_{name}_ms"] == pytest.approx(1000.0 * q)
        assert row[f"fire_{name}_low_ms"] < 1000.0 * q < row[f"fire_{name}_high_ms"]


def test_rows_not_judged_are_no_trials() -> None:
    part = frame("wall", ["on_time"] * 3 + ["not_evaluated"], fire=[1.0] * 4, margin=[0.1] * 4)
    table = draw_statistics([part])
    assert list(table["draws"]) == [2]


def test_no_random_draws_give_an_empty_table() -> None:
    part = frame("wall", ["on_time"], fire=[1.0], margin=[0.1])
    assert draw_statistics([part]).empty


def test_each_verdict_has_its_intervals() -> None:
    verdicts = ["on_time"] * 7 + ["late"] * 2 + ["missed"]
    part = frame("wall", ["on_time", *verdicts], fire=[5.0] * 11, margin=[0.1] * 11)
    row = draw_statistics([part]).iloc[0]
    for name, x in (("on_time", 7), ("late", 2), ("missed", 1), ("failure", 3)):
        assert row[f"p_{name}"] == x / 10
        assert (row[f"p_{name}_low"], row[f"p_{name}_high"]) == clopper_pearson(x, 10)
        assert (row[f"p_{name}_wilson_low"], row[f"p_{name}_wilson_high"]) == wilson(x, 10)
    assert math.isnan(row["p_inadvertent"])  # a restraint that must fire cannot fire inadvertently


def test_an_open_requirement_cannot_fail() -> None:
    part = frame("wall", ["open_held"] * 4, fire=[math.nan] * 4, margin=[math.nan] * 4)
    row = draw_statistics([part.assign(expectation="open")]).iloc[0]
    assert row["draws"] == 3
    assert math.isnan(row["p_failure"])
    assert math.isnan(row["failure_bound"])


def test_zero_failures_in_the_summary_are_a_bound() -> None:
    tally = Tally()
    tally.add(frame("wall", ["on_time"] * 61, fire=[5.0] * 61, margin=[0.1] * 61))
    tally.add(frame("pole", ["on_time"] * 60 + ["late"], fire=[5.0] * 61, margin=[0.1] * 61))
    tally.add(
        frame("kerb", ["open_held"] * 9, fire=[5.0] * 9, margin=[0.1] * 9).assign(
            expectation="open"
        )
    )
    found = tally.over_draws(draws=60)
    # 1 - 0.05 ** (1 / 60) = 0.0487 (computed).
    (none,) = found["without_failure"]
    assert (none["requirements"], none["never_failed"], none["least_draws"]) == (2, 1, 60)
    assert none["failure_bound"] == pytest.approx(0.0487, abs=5e-5)
    (some,) = found["with_failure"]
    assert (some["event"], some["draws"], some["failed"]) == ("pole", 60, 1)
    assert (some["p_failure_low"], some["p_failure_high"]) == clopper_pearson(1, 60)


def test_draws_taken_whole_hold_whatever_the_events_share() -> None:
    tally = Tally()
    for name, late in (("wall", {3, 4}), ("pole", {4, 9})):
        verdicts = ["late" if k in late else "on_time" for k in range(11)]
        whole = frame(name, verdicts, fire=[5.0] * 11, margin=[0.1] * 11)
        for part in (whole.iloc[:5], whole.iloc[5:]):
            tally.add(part)
    broken = frame("kerb", ["rule_error"] * 11, fire=[5.0] * 11, margin=[0.1] * 11)
    tally.add(broken.assign(expectation="open"))
    (found,) = tally.over_draws(draws=10)["whole_draws"]
    # Draws 3, 4 and 9 of 10 fail, draw 4 twice; what is open asks for nothing.
    assert (found["all_met"], found["draws"], found["mean_failures"]) == (7, 10, 0.4)
    assert (found["p_all_met_low"], found["p_all_met_high"]) == clopper_pearson(7, 10)
    assert found["mean_failures_low"] < 0.4 < found["mean_failures_high"]


def test_the_nominal_draw_is_counted_apart() -> None:
    tally = Tally()
    part = frame("wall", ["late"] * 4 + ["on_time"] * 3, fire=[5.0] * 7, margin=[0.1] * 7)
    tally.add(part.assign(waived=True))
    (pair,) = {key[:2] for key in tally.counts}
    assert tally.counts == {(*pair, "late"): 1}
    assert [totals.waived for totals in tally.nominal.values()] == [1]
    found = tally.over_draws(draws=6)
    counted = {entry["verdict"]: entry["rows"] for entry in found["counts"]}
    assert counted == {"late": 3, "on_time": 3}
    assert found["waived_failures"] == 3


@pytest.mark.parametrize(
    ("verdicts", "expectation", "met"),
    [
        (["on_time", "on_time"], "fire", True),
        (["on_time", "late"], "fire", False),
        (["on_time", "not_evaluated"], "fire", True),
        (["not_evaluated", "not_evaluated"], "fire", False),
        (["rule_error", "rule_error"], "fire", False),
        (["rule_error", "rule_error"], "open", True),
    ],
)
def test_requirements_are_met_where_all_that_was_judged_is_met(verdicts, expectation, met) -> None:
    part = frame("wall", verdicts, fire=[5.0] * 2, margin=[0.1] * 2)
    part = part.assign(expectation=expectation)
    tally = Tally().add(part)
    (name,) = part["algorithm"].unique()
    assert tally.met_by(name) is met


def test_bootstrap_interval_against_scipy() -> None:
    """scipy.stats.bootstrap, percentile method, other random numbers."""
    from scipy.stats import bootstrap

    counts = np.random.default_rng(3).poisson(2.0, 150)
    theirs = bootstrap((counts,), np.mean, method="percentile", rng=np.random.default_rng(1))
    ours = bootstrap_mean(counts)
    assert ours == pytest.approx(tuple(theirs.confidence_interval), abs=0.03)


def test_values_counted_are_values_listed() -> None:
    source = np.random.default_rng(8)
    values = np.round(source.normal(20.0, 3.0, 5000), 1)
    distinct, counts = np.unique(values, return_counts=True)
    for q in (0.5, 0.95, 0.999):
        listed = quantile_interval(values, q)
        assert quantile_interval(distinct, q, counts=counts) == listed
        assert listed[0] == pytest.approx(np.quantile(values, q), abs=1e-12)


@pytest.mark.slow
def test_many_values_in_many_parts_are_counted_whole() -> None:
    source = np.random.default_rng(9)
    fire = source.normal(20.0, 3.0, 9001)
    whole = frame("wall", ["on_time"] * 9001, fire=list(fire), margin=list(source.random(9001)))
    cut = [whole.iloc[k : k + 700] for k in range(0, 9001, 700)]
    pd.testing.assert_frame_equal(draw_statistics(cut), draw_statistics([whole]), check_exact=True)
    assert draw_statistics(cut)["fire_p95_ms"][0] == pytest.approx(np.quantile(fire[1:], 0.95))
