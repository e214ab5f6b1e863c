"""Tails of the binomial distribution and what follows from them, in arithmetic alone.

``scipy.special`` has all of it (``betaincinv``, ``bdtr``, ``bdtrik``; the tests compare), but
importing that package takes a fifth of the time in which a page is written.
"""

from __future__ import annotations

import math

from crashsense import normal

#: Term of a sum, as a share of the sum, from which the rest no longer counts.
_NEGLIGIBLE = 1e-18

#: Distance of a logarithm from its goal after which one more step of Newton is exact.
_NEAR = 1e-9

#: Steps of Newton, of which hardly ever ten are taken.
_MOST_STEPS = 60


def lower_bound(successes: int, trials: int, *, tail: float) -> tuple[float, float]:
    """Return the chance p at which that many successes or more have probability *tail*; and 1 - p.

    p is the lower end of the interval of Clopper and Pearson (1934). Its upper end is the second
    number for the failures: both are computed, so that neither loses digits where it is small.

    The logarithm of the tail is concave in log p: from any start all steps of Newton but the first
    come from below, so that no bracket is needed.

    Parameters
    ----------
    successes : 1 to *trials*
    tail : above 0, at most 1/2

    >>> round(lower_bound(1, 10, tail=0.025)[0], 6)
    0.002529
    """
    k, n = successes, trials
    if k == n:
        return tail ** (1.0 / n), -math.expm1(math.log(tail) / n)
    p, q = k / n, (n - k) / n
    for _ in range(_MOST_STEPS):
        log_probability, ratio = _log_probability(k, n, p, q), _tail_ratio(k, n, p, q)
        away = log_probability + math.log(ratio / tail)
        step = -away * ratio / k  # the tail's derivative is k / p times the probability of k
        grown = math.exp(step)
        p, q = p * grown, q * grown - math.expm1(step)
        if abs(away) < _NEAR:
            break
    return p, q


def at_most(successes: int, trials: int, p: float) -> float:
    """Return the probability of so many successes or fewer [-].

    >>> round(at_most(2, 4, 0.5), 6)
    0.6875
    """
    k, n, q = successes, trials, 1.0 - p
    if k >= n:
        return 1.0
    if k + 1 >= n * p:
        return 1.0 - _at_least(k + 1, n, p, q)
    return _at_least(n - k, n, q, p)


def quantile(level: float, trials: int, p: float) -> int:
    """Return the smallest number of successes whose distribution function reaches *level*.

    >>> quantile(0.5, 10, 0.5), quantile(0.999, 3, 0.5)
    (5, 3)
    """
    wide = math.sqrt(trials * p * (1.0 - p))
    guess = trials * p + wide * float(normal.quantile(level))
    k = min(max(math.floor(guess), 0), trials)
    while at_most(k, trials, p) < level:
        k += 1
    while k > 0 and at_most(k - 1, trials, p) >= level:
        k -= 1
    return k


def _at_least(k: int, n: int, p: float, q: float) -> float:
    """Probability of *k* or more of *n*, not below the mean; *q* = 1 - *p*."""
    return math.exp(_log_probability(k, n, p, q)) * _tail_ratio(k, n, p, q)


def _tail_ratio(k: int, n: int, p: float, q: float) -> float:
    """Probability of *k* or more of *n*, not below the mean, over that of *k* itself: a sum."""
    total = term = 1.0
    odds = p / q if q > 0.0 else 0.0  # where there is no failure, k is n and nothing follows
    while k < n and term > _NEGLIGIBLE * total:
        term *= odds * (n - k) / (k + 1)
        total += term
        k += 1
    return total


def _log_probability(k: int, n: int, p: float, q: float) -> float:
    """Logarithm of the probability of *k* successes of *n*, 1 <= *k* <= *n*.

    By deviances, which lose no digits for many trials. Source: C. Loader, "Fast and accurate
    computation of binomial probabilities" (2000), equations 4 to 6 (from memory).
    """
    if k == n:
        return n * math.log1p(-q)
    scale = 0.5 * math.log(n / (2.0 * math.pi * k * (n - k)))
    error = _stirling_error(n) - _stirling_error(k) - _stirling_error(n - k)
    return scale + error - _deviance(k, n * p) - _deviance(n - k, n * q)


def _stirling_error(n: int) -> float:
    """Logarithm of n! less Stirling's formula for it, sqrt(2 pi n) (n / e)^n; *n* from 1."""
    if n < 16:
        stirling = (n + 0.5) * math.log(n) - n + 0.5 * math.log(2.0 * math.pi)
        return math.log(math.factorial(n)) - stirling
    s = 1.0 / (n * n)
    return (1 / 12 - s * (1 / 360 - s * (1 / 1260 - s * (1 / 1680 - s / 1188)))) / n


def _deviance(x: float, mean: float) -> float:
    """Value of x ln(x / mean) + mean - x: a series where these nearly cancel."""
    share = (x - mean) / (x + mean)
    if abs(share) >= 0.1:
        return x * math.log(x / mean) + mean - x
    total = (x - mean) * share
    term, order = 2.0 * x * share, 1
    while abs(term) > _NEGLIGIBLE * total:
        term *= share * share
        order += 2
        total += term / order
    return total
