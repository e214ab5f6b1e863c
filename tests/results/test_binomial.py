"""Binomial tails against exact fractions, closed forms and scipy, whose functions they replace."""

from __future__ import annotations

import math
import subprocess
import sys
from fractions import Fraction

import pytest
from scipy.special import bdtr, bdtrik, betaincinv

from crashsense.results.binomial import at_most, lower_bound, quantile

TAILS = (0.005, 0.025, 0.05, 0.49)


@pytest.mark.parametrize("n", [1, 2, 3, 10, 20, 100, 1000, 1_000_000])
@pytest.mark.parametrize("tail", TAILS)
def test_bounds_are_those_of_the_incomplete_beta_function(n, tail):
    found = {k for k in (1, 2, 3, n // 10, n // 3, n // 2, n - 3, n - 1, n) if 1 <= k <= n}
    assert found
    for k in found:
        low, rest = lower_bound(k, n, tail=tail)
        assert low == pytest.approx(float(betaincinv(k, n - k + 1, tail)), rel=2e-12)
        # What scipy is asked here is rounded where the bound is small: 1 - tail.
        assert rest == pytest.approx(float(betaincinv(n - k + 1, k, 1.0 - tail)), rel=5e-11)


@pytest.mark.parametrize("tail", TAILS)
def test_one_success_and_nothing_but_success_have_closed_forms(tail):
    for n in (1, 7, 400, 1_000_000):
        # One or more of n: 1 - (1 - p)^n; all of n: p^n.
        one = -math.expm1(math.log1p(-tail) / n)
        assert lower_bound(1, n, tail=tail) == pytest.approx((one, 1.0 - one), rel=1e-11)
        every = math.log(tail) / n
        assert lower_bound(n, n, tail=tail) == pytest.approx(
            (math.exp(every), -math.expm1(every)), rel=1e-14
        )


def test_a_bound_near_certainty_keeps_its_digits():
    """400,000 draws without failure: the chance of failure is that of the rule -ln(tail) / n."""
    n, tail = 400_000, 0.025
    assert lower_bound(n, n, tail=tail)[1] == pytest.approx(-math.log(tail) / n, rel=1e-5)
    # 2 of a million, 95 %: 0.2422 and 7.2247 in a million, as of a Poisson number (chi-squared
    # quantiles of 4 and 6 degrees of freedom, halved).
    low, high = lower_bound(2, 1_000_000, tail=0.025)[0], lower_bound(999_998, 10**6, tail=0.025)[1]
    assert (1e6 * low, 1e6 * high) == pytest.approx((0.242209, 7.224688), rel=1e-4)


@pytest.mark.parametrize("p", [Fraction(1, 2), Fraction(1, 20), Fraction(999, 1000)])
@pytest.mark.parametrize("n", [1, 2, 15, 16, 40])
def test_the_distribution_function_is_the_sum_of_its_terms(n, p):
    total = Fraction(0)
    for k in range(n + 1):
        total += math.comb(n, k) * p**k * (1 - p) ** (n - k)
        assert at_most(k, n, float(p)) == pytest.approx(float(total), rel=1e-11, abs=1e-15)


@pytest.mark.parametrize("p", [0.05, 0.5, 0.95, 0.999])
@pytest.mark.parametrize("level", [0.025, 0.05, 0.975])
def test_quantiles_are_those_of_scipy(level, p):
    for n in (*range(1, 60), 1000, 12_345, 1_000_000):
        near = max(math.ceil(float(bdtrik(level, n, p))), 0)
        wanted = near - 1 if near > 0 and float(bdtr(near - 1, n, p)) >= level else near
        assert quantile(level, n, p) == wanted


@pytest.mark.slow
def test_intervals_import_no_scipy():
    script = (
        "import sys\n"
        "from crashsense.results.statistics import clopper_pearson, quantile_interval\n"
        "print(clopper_pearson(1, 10), quantile_interval(range(50), 0.5))\n"
        "print('scipy' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.split()[-1] == "False", done.stderr
