"""Statistics over draws: probabilities with intervals, quantiles of fire time, worst draws.

Intervals assume independent draws. Draws of different events share no noise by default, so counts
over events add up; draw 0 (nominal) enters no statistic.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from crashsense.scoring import FAILURES, VERDICTS

#: Confidence level of every interval unless stated.
LEVEL = 0.95


def clopper_pearson(successes: int, trials: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Return the exact two-sided interval of a probability (Clopper and Pearson 1934).

    p_L = Beta^-1(a/2; x, n-x+1), p_U = Beta^-1(1-a/2; x+1, n-x), a = 1 - level.

    >>> [round(p, 6) for p in clopper_pearson(1, 10)]
    [0.002529, 0.445016]
    """
    from scipy.special import betaincinv

    _check(successes, trials, level)
    alpha = 1.0 - level
    low, high = 0.0, 1.0
    if successes > 0:
        low = float(betaincinv(successes, trials - successes + 1, alpha / 2))
    if successes < trials:
        high = float(betaincinv(successes + 1, trials - successes, 1.0 - alpha / 2))
    return low, high


def wilson(successes: int, trials: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Return Wilson's score interval of a probability (1927), clipped to 0..1.

    >>> [round(p, 6) for p in wilson(1, 10)]
    [0.017876, 0.40415]
    """
    from scipy.special import ndtri

    _check(successes, trials, level)
    z = float(ndtri(0.5 + level / 2))
    p = successes / trials
    scale = 1.0 + z * z / trials
    centre = (p + z * z / (2 * trials)) / scale
    half = z * math.sqrt(p * (1 - p) / trials + z * z / (4 * trials * trials)) / scale
    low = 0.0 if successes == 0 else max(0.0, centre - half)
    high = 1.0 if successes == trials else min(1.0, centre + half)
    return low, high


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
    values: Sequence[float] | np.ndarray, quantile: float, *, level: float = LEVEL
) -> tuple[float, float, float]:
    """Return a quantile and its distribution-free interval from order statistics (binomial).

    The interval reaches from the order statistic l to u with l, u from the binomial distribution
    of the number of values below the quantile; where the sample is too small for the level its end
    is infinite.

    >>> quantile_interval(range(1, 101), 0.5)
    (50.5, 40.0, 61.0)
    """
    from scipy.stats import binom

    ordered = np.sort(np.asarray(values, dtype=np.float64))
    n = ordered.size
    if n == 0:
        return math.nan, math.nan, math.nan
    alpha = 1.0 - level
    low = int(binom.ppf(alpha / 2, n, quantile))
    high = int(binom.ppf(1.0 - alpha / 2, n, quantile)) + 1
    return (
        float(np.quantile(ordered, quantile)),
        float(ordered[low - 1]) if low >= 1 else -math.inf,
        float(ordered[high - 1]) if high <= n else math.inf,
    )


def _check(successes: int, trials: int, level: float) -> None:
    if trials < 1 or not 0 <= successes <= trials or not 0.0 < level < 1.0:
        raise ValueError(
            f"got {successes} of {trials} at level {level}; expected 0 <= successes <= trials, "
            "trials >= 1 and a level between 0 and 1"
        )


_GROUP = ["event", "restraint", "sensor_set", "algorithm", "expectation"]

#: Verdicts whose probability is reported.
COUNTED = ("on_time", "late", "missed", "early", "held", "inadvertent", "open_fired", "rule_error")


def draw_statistics(parts: Iterable[pd.DataFrame], *, level: float = LEVEL) -> pd.DataFrame:
    """Return one row an event, restraint, sensor set and algorithm, over draws 1 and up.

    Columns: ``draws`` (judged), for each verdict ``n_<verdict>``, ``p_failure`` with its exact
    (``p_failure_low``, ``p_failure_high``) and Wilson interval, ``failure_bound`` (one-sided upper
    bound, given where there was no failure), quantiles of fire time with intervals [ms], the worst
    demand margin and its draw. Parts are read one by one; 25 bytes a row stay in memory.
    """
    groups: dict[Any, list[pd.DataFrame]] = {}
    kept = ["draw", "verdict", "fire_time_ms", "demand_margin"]
    for part in parts:
        random = part.loc[(part["draw"] > 0) & (part["verdict"] != "not_evaluated")]
        for key, rows in random.groupby(_GROUP, sort=False):
            small = rows[kept].astype({"verdict": _VERDICT_CATEGORY})
            groups.setdefault(key, []).append(small)
    return pd.DataFrame(
        [_group_statistics(key, groups.pop(key), level=level) for key in sorted(groups)]
    )


#: A verdict as one byte a row.
_VERDICT_CATEGORY = pd.CategoricalDtype(list(VERDICTS))


def _group_statistics(key: Any, parts: list[pd.DataFrame], *, level: float) -> dict[str, Any]:
    """Return the row of one event, restraint, sensor set, algorithm and expectation."""
    rows = pd.concat(parts, ignore_index=True).sort_values("draw", ignore_index=True)
    n = len(rows)
    count = rows["verdict"].value_counts()
    failures = int(sum(count.get(v, 0) for v in FAILURES))
    row: dict[str, Any] = dict(zip(_GROUP, key, strict=True))
    row["draws"] = n
    row.update({f"n_{v}": int(count.get(v, 0)) for v in COUNTED})
    row["p_failure"] = failures / n
    row["p_failure_low"], row["p_failure_high"] = clopper_pearson(failures, n, level=level)
    row["wilson_low"], row["wilson_high"] = wilson(failures, n, level=level)
    bound = upper_bound_without_failure(n, level=level) if failures == 0 else math.nan
    row["failure_bound"] = bound
    fired = rows["fire_time_ms"].dropna()
    for name, q in (("p50", 0.5), ("p95", 0.95), ("p999", 0.999)):
        value, low, high = quantile_interval(fired.to_numpy(), q, level=level)
        row[f"fire_{name}_ms"], row[f"fire_{name}_low_ms"] = value, low
        row[f"fire_{name}_high_ms"] = high
    margins = rows["demand_margin"].dropna()
    row["worst_demand_margin"] = float(margins.min()) if len(margins) else math.nan
    worst = int(np.argmin(margins.to_numpy())) if len(margins) else -1
    row["worst_draw"] = int(rows["draw"].to_numpy()[margins.index[worst]]) if len(margins) else -1
    return row
