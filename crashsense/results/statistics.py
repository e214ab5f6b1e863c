"""Statistics over draws: probabilities with intervals, quantiles of fire time, worst draws.

Intervals assume independent draws. With ``sensor_draws = "own"`` events share no noise and counts
over events add up; with ``"shared"`` all events of a draw meet the same sensors, and only what
takes the draw as one trial may be said of all events together. Draw 0 (nominal) enters no
statistic. Whatever the number of draws, only counts stay in memory.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense.draws import generator
from crashsense.scoring import FAILURES

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]

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
    up_to = np.cumsum(counts)
    n = int(up_to[-1])

    def statistic(rank: int) -> float:
        """Value of a rank, counted from 1."""
        return float(ordered[np.searchsorted(up_to, rank)])

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

    Draws are what is drawn again, so that whatever hangs together within a draw stays together.
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
    from scipy.stats import binom

    alpha = 1.0 - level
    low = int(binom.ppf(alpha / 2, n, quantile))
    return low, int(binom.ppf(1.0 - alpha / 2, n, quantile)) + 1


def _check(successes: int, trials: int, level: float) -> None:
    if trials < 1 or not 0 <= successes <= trials or not 0.0 < level < 1.0:
        raise ValueError(
            f"got {successes} of {trials} at level {level}; expected 0 <= successes <= trials, "
            "trials >= 1 and a level between 0 and 1"
        )


#: What one row of the statistics is about.
_GROUP = ("event", "restraint", "sensor_set", "algorithm", "expectation")

#: Verdicts that are counted.
COUNTED = ("on_time", "late", "missed", "early", "held", "inadvertent", "open_fired", "rule_error")

#: Expectation -> verdicts whose probability is given with its intervals.
JUDGED = {"fire": ("on_time", "late", "missed"), "no_fire": ("inadvertent",)}

#: What :class:`DrawTally` reads of a verdict table.
TALLY_COLUMNS = [*_GROUP, "draw", "verdict", "waived", "fire_time_ms", "demand_margin"]


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
        joined = np.concatenate([self.values, *self._new])
        weights = np.concatenate([self.counts, np.ones(self._waiting, dtype=np.int64)])
        self.values, where = np.unique(joined, return_inverse=True)
        self.counts = np.bincount(where, weights, self.values.size).astype(np.int64)
        self._new, self._waiting = [], 0


@dataclass
class _Group:
    """Draws of one event, restraint, sensor set and algorithm, counted."""

    verdicts: Counter[str] = field(default_factory=Counter)
    fire_times_ms: _Values = field(default_factory=_Values)
    #: smallest demand margin and the first draw that has it
    worst: tuple[float, int] = (math.inf, -1)

    def add(self, rows: pd.DataFrame) -> None:
        self.verdicts.update(rows["verdict"].tolist())
        fired = rows["fire_time_ms"].to_numpy(dtype=np.float64)
        self.fire_times_ms.add(fired[~np.isnan(fired)])
        margin = rows["demand_margin"].to_numpy(dtype=np.float64)
        known = ~np.isnan(margin)
        if known.any():
            least = margin[known].min()
            draw = int(rows["draw"].to_numpy()[margin == least].min())
            self.worst = min(self.worst, (float(least), draw))


@dataclass
class DrawTally:
    """Counts over all rows of a run, gathered part by part, in any order and however cut."""

    rows: int = 0
    #: waived failures of the nominal draw, and of all random draws
    waived_failures: int = 0
    waived_failures_drawn: int = 0
    #: (sensor set, algorithm, verdict) -> rows of the nominal draw, and of all random draws
    counts: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    counts_drawn: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    #: (sensor set, algorithm) -> rows of all draws that carry a requirement: judged, and failed
    _standing: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    _groups: dict[tuple[str, ...], _Group] = field(default_factory=dict)
    #: (sensor set, algorithm) -> failed requirements of each draw
    _failed: dict[tuple[str, str], npt.NDArray[np.int64]] = field(default_factory=dict)

    def add(self, part: pd.DataFrame) -> DrawTally:
        """Add a part of the verdict table; it holds :data:`TALLY_COLUMNS`."""
        self.rows += len(part)
        waived = part["waived"] & part["verdict"].isin(FAILURES)
        drawn = part["draw"] > 0
        self.waived_failures += int((waived & ~drawn).sum())
        self.waived_failures_drawn += int((waived & drawn).sum())
        for counter, rows in ((self.counts, part[~drawn]), (self.counts_drawn, part[drawn])):
            counted = rows.groupby(["sensor_set", "algorithm", "verdict"], observed=True).size()
            for key, size in counted.items():
                counter[key] += int(size)
        required = part.loc[part["expectation"].isin(list(JUDGED)), ["sensor_set", "algorithm"]]
        required["judged"] = part["verdict"] != "not_evaluated"
        required["failed"] = part["verdict"].isin(FAILURES)
        for pair, rows in required.groupby(["sensor_set", "algorithm"], observed=True):
            judged, failed = self._standing.get(pair, (0, 0))
            self._standing[pair] = (
                judged + int(rows["judged"].sum()),
                failed + int(rows["failed"].sum()),
            )
        random = part.loc[(part["draw"] > 0) & (part["verdict"] != "not_evaluated")]
        for key, rows in random.groupby(list(_GROUP), observed=True, sort=False):
            self._groups.setdefault(key, _Group()).add(rows)
        asked = random.loc[random["expectation"].isin(list(JUDGED))]
        for pair, rows in asked.groupby(["sensor_set", "algorithm"], observed=True):
            draws = rows["draw"].to_numpy()[rows["verdict"].isin(FAILURES).to_numpy()]
            known = self._failed.get(pair, np.empty(0, dtype=np.int64))
            added = np.bincount(draws, minlength=known.size)
            added[: known.size] += known
            self._failed[pair] = added
        return self

    def requirements_met(self, algorithm: str) -> bool:
        """Say whether all that could be judged is met, with every sensor set, in every draw.

        The nominal draw counts too. Where something is required and nothing could be judged,
        nothing is met.
        """
        own = [standing for (_, name), standing in self._standing.items() if name == algorithm]
        return all(judged > 0 and failed == 0 for judged, failed in own)

    def statistics(self, *, level: float = LEVEL) -> pd.DataFrame:
        """Return one row an event, restraint, sensor set and algorithm, over draws 1 and up.

        Columns: ``draws`` (judged); for each verdict ``n_<verdict>``; for ``failure`` and each of
        ``on_time``, ``late``, ``missed``, ``inadvertent`` that can occur ``p_<it>`` with its exact
        (``p_<it>_low``, ``p_<it>_high``) and its Wilson interval (``p_<it>_wilson_low``,
        ``..._high``); ``failure_bound`` (one-sided upper bound, given where there was no failure);
        quantiles of fire time with intervals [ms], infinite where so many draws missed that must
        fire; where nothing must fire they are over the draws that did; the worst demand margin and
        its draw. An open requirement cannot fail: its probabilities are left out.
        """
        import pandas as pd

        groups = sorted(self._groups.items())
        return pd.DataFrame([_statistics(key, group, level=level) for key, group in groups])

    def over_draws(self, *, draws: int, level: float = LEVEL) -> dict[str, Any]:
        """Say what the random draws show of the requirements, as summary.json holds it.

        ``counts``: rows of each verdict, by sensor set and algorithm; ``without_failure``: for each
        sensor set and algorithm how many requirements were judged, how many never failed, the least
        number of draws in which one of these was judged, and the one-sided upper bound of its
        chance of failure; ``with_failure``: every requirement that
        failed in some draw, worst first, with its exact and its Wilson interval; ``whole_draws``:
        for each sensor set and algorithm in how many draws every judged requirement was met, with
        its exact interval, and the mean number of failures in a draw with a bootstrap interval. A
        draw is one trial here, so these hold whether or not events share their sensors.
        """
        never: dict[tuple[str, str], list[int]] = {}
        judged: Counter[tuple[str, str]] = Counter()
        failed = []
        for key, group in sorted(self._groups.items()):
            event, restraint, sensor_set, algorithm, expectation = key
            if expectation not in JUDGED:
                continue
            n = group.verdicts.total()
            failures = sum(group.verdicts[v] for v in FAILURES)
            judged[sensor_set, algorithm] += 1
            if not failures:
                never.setdefault((sensor_set, algorithm), []).append(n)
                continue
            row: dict[str, Any] = dict(zip(_GROUP, key, strict=True))
            row |= {"draws": n, "failed": failures}
            failed.append(row | dict(_probability("failure", failures, n, level=level)))
        return {
            "draws": draws,
            "level": level,
            "counts": count_entries(self.counts_drawn),
            "waived_failures": self.waived_failures_drawn,
            "without_failure": [
                {
                    "sensor_set": sensor_set,
                    "algorithm": algorithm,
                    "requirements": number,
                    "never_failed": len(never.get((sensor_set, algorithm), ())),
                    "least_draws": (least := min(never.get((sensor_set, algorithm), [0]))),
                    "failure_bound": upper_bound_without_failure(least, level=level)
                    if least
                    else None,
                }
                for (sensor_set, algorithm), number in sorted(judged.items())
            ],
            "with_failure": sorted(failed, key=lambda row: -row["p_failure"]),
            "whole_draws": [
                {"sensor_set": s, "algorithm": a, **self._whole(s, a, draws=draws, level=level)}
                for s, a in sorted(judged)
            ],
        }

    def _whole(self, sensor_set: str, algorithm: str, *, draws: int, level: float) -> Any:
        by_draw = np.zeros(draws, dtype=np.int64)
        found = self._failed.get((sensor_set, algorithm), np.empty(0, dtype=np.int64))[1:]
        by_draw[: found.size] = found
        met = int(np.count_nonzero(by_draw == 0))
        low, high = clopper_pearson(met, draws, level=level)
        mean_low, mean_high = bootstrap_mean(by_draw, level=level)
        return {
            "draws": draws,
            "all_met": met,
            "p_all_met": met / draws,
            "p_all_met_low": low,
            "p_all_met_high": high,
            "mean_failures": float(by_draw.mean()),
            "mean_failures_low": mean_low,
            "mean_failures_high": mean_high,
        }


def count_entries(counts: Mapping[tuple[str, str, str], int]) -> list[dict[str, Any]]:
    """Counts of verdicts as summary.json holds them."""
    return [
        {"sensor_set": s, "algorithm": a, "verdict": v, "rows": n}
        for (s, a, v), n in sorted(counts.items())
    ]


def draw_statistics(parts: Iterable[pd.DataFrame], *, level: float = LEVEL) -> pd.DataFrame:
    """Return :meth:`DrawTally.statistics` of a verdict table that comes in parts."""
    tally = DrawTally()
    for part in parts:
        tally.add(part)
    return tally.statistics(level=level)


def _probability(
    name: str, successes: int | None, trials: int, *, level: float
) -> Iterator[tuple[str, float]]:
    """Yield a probability and its two intervals, as columns; NaN where it has no meaning."""
    yield f"p_{name}", successes / trials if successes is not None else math.nan
    for kind, interval in (("", clopper_pearson), ("_wilson", wilson)):
        ends = (math.nan, math.nan)
        if successes is not None:
            ends = interval(successes, trials, level=level)
        yield f"p_{name}{kind}_low", ends[0]
        yield f"p_{name}{kind}_high", ends[1]


def _statistics(key: tuple[str, ...], group: _Group, *, level: float) -> dict[str, Any]:
    """Return the row of one event, restraint, sensor set, algorithm and expectation."""
    row: dict[str, Any] = dict(zip(_GROUP, key, strict=True))
    count = group.verdicts
    n = row["draws"] = count.total()
    row |= {f"n_{v}": count[v] for v in COUNTED}
    failures = sum(count[v] for v in FAILURES)
    judged = JUDGED.get(row["expectation"], ())
    row |= dict(_probability("failure", failures if judged else None, n, level=level))
    for name in chain.from_iterable(JUDGED.values()):
        size = count[name] if name in judged else None
        row |= dict(_probability(name, size, n, level=level))
    never = judged and failures == 0
    row["failure_bound"] = upper_bound_without_failure(n, level=level) if never else math.nan
    group.fire_times_ms.gather()
    times, often = group.fire_times_ms.values, group.fire_times_ms.counts
    if row["expectation"] == "fire" and count["missed"]:  # fires later than any time
        times, often = np.append(times, np.inf), np.append(often, count["missed"])
    for name, q in (("p50", 0.5), ("p95", 0.95), ("p999", 0.999)):
        value, low, high = quantile_interval(times, q, level=level, counts=often)
        row[f"fire_{name}_ms"], row[f"fire_{name}_low_ms"] = value, low
        row[f"fire_{name}_high_ms"] = high
    margin, draw = group.worst
    row["worst_demand_margin"] = margin if draw >= 0 else math.nan
    row["worst_draw"] = draw
    return row
