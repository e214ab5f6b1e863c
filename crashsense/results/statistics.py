"""Statistics over draws: probabilities with intervals, quantiles of fire time, worst draws.

Intervals assume independent draws. With ``sensor_draws = "own"`` events share no noise and counts
over events add up; with ``"shared"`` all events of a draw meet the same sensors, and only what
takes the draw as one trial may be said of all events together. Draw 0 (nominal) enters no
statistic. Whatever the number of draws, only counts stay in memory.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import normal
from crashsense.arrays import FloatArray
from crashsense.draws import generator
from crashsense.scoring import FAILURES, ORDER_FAILURES

#: Confidence level of every interval unless stated.
LEVEL = 0.95


def clopper_pearson(successes: int, trials: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Return the exact two-sided interval of a probability (Clopper and Pearson 1934).

    >>> [round(p, 6) for p in clopper_pearson(1, 10)]
    [0.002529, 0.445016]
    """
    return _interval(successes, trials, level, "exact")


def wilson(successes: int, trials: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Return Wilson's score interval of a probability (1927).

    >>> [round(p, 6) for p in wilson(1, 10)]
    [0.017876, 0.40415]
    """
    return _interval(successes, trials, level, "wilson")


@lru_cache(maxsize=8192)
def _interval(successes: int, trials: int, level: float, method: str) -> tuple[float, float]:
    """Every interval of a probability comes from here; most of a run's counts are the same few."""
    _check(successes, trials, level)
    k, n, tail = successes, trials, (1.0 - level) / 2.0
    if method == "exact":
        # scipy.special alone: importing scipy.stats takes a second.
        from scipy.special import betaincinv

        low = float(betaincinv(k, n - k + 1, tail)) if k > 0 else 0.0
        high = float(betaincinv(k + 1, n - k, 1.0 - tail)) if k < n else 1.0
        return low, high
    z, p = float(normal.quantile(1.0 - tail)), k / n
    middle = (2 * n * p + z * z) / (2 * (n + z * z))
    reach = z / (2 * (n + z * z)) * math.sqrt(4 * n * p * (1.0 - p) + z * z)
    return (middle - reach if k > 0 else 0.0), (middle + reach if k < n else 1.0)


def upper_bound_without_failure(trials: int, *, level: float = LEVEL) -> float:
    """Return the exact one-sided upper bound of a probability after no failure in *trials* draws.

    1 - (1 - level)^(1/n); close to the rule of three, 3/n, at 95 %.

    >>> round(upper_bound_without_failure(100), 6)
    0.029513
    """
    _check(0, trials, level)
    return float(1.0 - (1.0 - level) ** (1.0 / trials))


def draws_without_failure(reliability: float, *, confidence: float) -> int:
    """Return how many draws without failure show a reliability: ceil(ln(1-conf)/ln R).

    >>> draws_without_failure(0.95, confidence=0.95)
    59
    """
    if not (0.0 < reliability < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(
            f"reliability {reliability} and confidence {confidence} must lie between 0 and 1"
        )
    return math.ceil(math.log(1.0 - confidence) / math.log(reliability))


def quantile_interval(
    values: Sequence[float] | np.ndarray,
    quantile: float,
    *,
    level: float = LEVEL,
    counts: npt.NDArray[np.int64] | None = None,
) -> tuple[float, float, float]:
    """Return a quantile and its distribution-free interval from order statistics (binomial).

    The interval reaches from the order statistic l to u with l, u from the binomial distribution
    of the number of values below the quantile; where the sample is too small for the level its end
    is infinite. With *counts* the values are distinct and ascending, and each occurs so often.

    >>> quantile_interval(range(1, 101), 0.5)
    (50.5, 40.0, 61.0)
    >>> quantile_interval([3.0, 4.0], 0.5, counts=np.array([40, 60]))
    (4.0, 3.0, 4.0)
    """
    ordered = np.asarray(values, dtype=np.float64)
    if counts is None:
        ordered = np.sort(ordered)
        counts = np.ones(ordered.size, dtype=np.int64)
    if ordered.size == 0:
        return math.nan, math.nan, math.nan
    return _quantile(ordered.tolist(), np.cumsum(counts).tolist(), quantile, level=level)


def _quantile(
    ordered: Sequence[float], up_to: Sequence[int], quantile: float, *, level: float
) -> tuple[float, float, float]:
    """:func:`quantile_interval` of distinct values; *up_to*: how many are not above each.

    Lists of Python: a look into an array of a few numbers takes ten times as long.
    """
    n = up_to[-1]

    def statistic(rank: int) -> float:
        """Value of a rank, counted from 1."""
        return ordered[bisect_left(up_to, rank)]

    low, high = _ranks(n, quantile, level)
    # Between two ranks in proportion, as numpy.quantile does.
    below = math.floor((n - 1) * quantile)
    share = (n - 1) * quantile - below
    left, right = statistic(below + 1), statistic(min(below + 2, n))
    return (
        left + share * (right - left) if right > left else left,
        statistic(low) if low >= 1 else -math.inf,
        statistic(high) if high <= n else math.inf,
    )


def bootstrap_mean(
    counts: npt.NDArray[np.int64], *, level: float = LEVEL, resamples: int = 2000
) -> tuple[float, float]:
    """Return the percentile bootstrap interval of the mean of whole numbers, one a draw.

    Draws are what is drawn again, so that what is correlated within a draw stays correlated.
    The resamples are the same every time. Efron 1979; weak below some 30 draws.

    >>> bootstrap_mean(np.array([3, 3, 3]))
    (3.0, 3.0)
    """
    values, times = np.unique(counts, return_counts=True)
    n = int(times.sum())
    drawn = generator(0, "bootstrap").multinomial(n, times / n, size=resamples)
    means = (drawn * values).sum(axis=-1) / n
    tail = (1.0 - level) / 2.0
    return float(np.quantile(means, tail)), float(np.quantile(means, 1.0 - tail))


@lru_cache(maxsize=1024)
def _ranks(n: int, quantile: float, level: float) -> tuple[int, int]:
    """Ranks, counted from 1, whose values enclose a quantile; 0 and n + 1: there is none."""
    tail = (1.0 - level) / 2.0
    return _binomial_quantile(tail, n, quantile), _binomial_quantile(1.0 - tail, n, quantile) + 1


def _binomial_quantile(level: float, n: int, p: float) -> int:
    """Smallest number of successes whose distribution function reaches *level*."""
    from scipy.special import bdtr, bdtrik

    near = max(math.ceil(float(bdtrik(level, n, p))), 0)
    return near - 1 if near > 0 and float(bdtr(near - 1, n, p)) >= level else near


def _check(successes: int, trials: int, level: float) -> None:
    if trials < 1 or not 0 <= successes <= trials or not 0.0 < level < 1.0:
        raise ValueError(
            f"got {successes} of {trials} at level {level}; expected 0 <= successes <= trials, "
            "trials >= 1 and a level between 0 and 1"
        )


#: What one row of the statistics is about.
GROUP = ("event", "restraint", "sensor_set", "algorithm", "expectation")

#: Verdicts that are counted.
COUNTED = (
    *("on_time", "late", "missed", "early", "held", "inadvertent", "open_fired", "rule_error"),
    *("in_order", "not_challenged", *ORDER_FAILURES),
)

#: Expectation -> verdicts whose probability is given with its intervals, beside that of failure.
JUDGED: dict[str, tuple[str, ...]] = {
    "fire": ("on_time", "late", "missed"),
    "no_fire": ("inadvertent",),
    "order": (),
}


@dataclass
class _Values:
    """Distinct values and how often each occurred.

    Fire times lie on the ticks of the control unit at a few phases: there are few of them.
    """

    values: FloatArray = field(default_factory=lambda: np.empty(0))
    counts: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    _new: list[FloatArray] = field(default_factory=list)
    _waiting: int = 0

    def add(self, values: FloatArray) -> None:
        self._new.append(values)
        self._waiting += values.size
        if self._waiting > max(4096, self.values.size):
            self.gather()

    def gather(self) -> None:
        if not self._waiting:
            self._new = []
            return
        joined = np.concatenate([self.values, *self._new])
        if not self.values.size:  # all at once, as in a small run
            self.values, self.counts = np.unique(joined, return_counts=True)
        else:
            weights = np.concatenate([self.counts, np.ones(self._waiting, dtype=np.int64)])
            self.values, where = np.unique(joined, return_inverse=True)
            self.counts = np.bincount(where, weights, self.values.size).astype(np.int64)
        self._new, self._waiting = [], 0


@dataclass
class Group:
    """Draws of one event, restraint, sensor set and algorithm, counted."""

    verdicts: Counter[str] = field(default_factory=Counter)
    fire_times_ms: _Values = field(default_factory=_Values)
    #: smallest demand margin and the first draw that has it
    worst: tuple[float, int] = (math.inf, -1)

    @property
    def judged(self) -> int:
        """Draws in which a verdict could be reached."""
        return self.verdicts.total() - self.verdicts["not_evaluated"]

    @property
    def failed(self) -> int:
        """Draws in which the requirement was not met."""
        return sum(size for verdict, size in self.verdicts.items() if verdict in FAILURES)

    def add(
        self,
        verdicts: Mapping[str, int],
        *,
        fire_times_ms: FloatArray,
        margins: FloatArray,
        draws: npt.NDArray[np.int64],
    ) -> None:
        """Add rows: how many have which verdict, and columns; NaN where there is no number."""
        self.verdicts.update(verdicts)
        self.fire_times_ms.add(fire_times_ms[~np.isnan(fire_times_ms)])
        known = ~np.isnan(margins)
        if known.any():
            least = margins[known].min()
            self.worst = min(self.worst, (float(least), int(draws[margins == least].min())))


def probability(name: str, successes: int, trials: int, *, level: float) -> dict[str, float]:
    """Return a probability and its two intervals, by column."""
    exact, score = (of(successes, trials, level=level) for of in (clopper_pearson, wilson))
    found = (successes / trials, *exact, *score)
    return dict(zip(_PROBABILITY[name], found, strict=True))


#: Verdict -> the column of its count.
_COUNTS = {verdict: f"n_{verdict}" for verdict in COUNTED}

#: Quantity -> columns of its probability: itself, and two ends of two intervals.
_PROBABILITY = {
    name: tuple(f"p_{name}{end}" for end in ("", "_low", "_high", "_wilson_low", "_wilson_high"))
    for name in ("failure", *chain.from_iterable(JUDGED.values()))
}

#: Quantile -> its columns: the fire time, and the two ends of its interval.
_QUANTILES = {
    q: tuple(f"fire_{name}{end}_ms" for end in ("", "_low", "_high"))
    for name, q in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95), ("p999", 0.999))
}

#: Columns of a row in which neither means anything; what does replaces them.
_MEANINGLESS = dict.fromkeys(
    (*chain.from_iterable(_PROBABILITY.values()), "failure_bound"), math.nan
)
_NEVER_FIRED = dict.fromkeys(chain.from_iterable(_QUANTILES.values()), math.nan)


def statistics_row(key: tuple[str, ...], group: Group, *, level: float = LEVEL) -> dict[str, Any]:
    """Return the row of one event, restraint, sensor set, algorithm and expectation."""
    row: dict[str, Any] = dict(zip(GROUP, key, strict=True))
    count = group.verdicts
    n = row["draws"] = group.judged
    row |= {name: count.get(verdict, 0) for verdict, name in _COUNTS.items()}
    row |= _MEANINGLESS
    judged = JUDGED.get(row["expectation"])
    if judged is not None:
        failures = group.failed
        row |= probability("failure", failures, n, level=level)
        for name in judged:
            row |= probability(name, count[name], n, level=level)
        if not failures:
            row["failure_bound"] = upper_bound_without_failure(n, level=level)
    group.fire_times_ms.gather()
    times = group.fire_times_ms.values.tolist()
    up_to = np.cumsum(group.fire_times_ms.counts).tolist()
    if row["expectation"] == "fire" and count["missed"]:  # fires later than any time
        times, up_to = [*times, math.inf], [*up_to, (up_to[-1] if up_to else 0) + count["missed"]]
    row |= _NEVER_FIRED
    if times:
        for q, names in _QUANTILES.items():
            row |= zip(names, _quantile(times, up_to, q, level=level), strict=True)
    margin, draw = group.worst
    row["worst_demand_margin"] = margin if draw >= 0 else math.nan
    row["worst_draw"] = draw
    return row
