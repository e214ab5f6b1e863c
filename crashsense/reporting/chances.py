"""Results of the random draws for the page: shares with intervals, and zero as a bound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crashsense.results.statistics import JUDGED, upper_bound_without_failure

if TYPE_CHECKING:
    import pandas as pd

#: Verdicts that have a column for their share, in order.
VERDICTS = (*JUDGED["fire"], *JUDGED["no_fire"])


@dataclass(frozen=True)
class Chances:
    """Requirements over the random draws, for one sensor set and algorithm.

    ``whole``: a sentence on whole draws, over all events; ``never``: one on requirements that
    failed in no draw; ``rows``: those that failed in some draw, worst first.
    """

    whole: str
    never: str
    rows: list[dict[str, Any]]
    verdicts: tuple[str, ...] = VERDICTS


def chances_of(
    statistics: pd.DataFrame | None,
    *,
    sensor_set: str,
    algorithm: str,
    whole_draws: Sequence[Mapping[str, Any]] = (),
) -> Chances | None:
    """Return the results for the page; None if no draw was judged."""
    if statistics is None or statistics.empty:
        return None
    own = statistics[
        (statistics["sensor_set"] == sensor_set)
        & (statistics["algorithm"] == algorithm)
        & statistics["expectation"].isin(list(JUDGED))
    ]
    if own.empty:
        return None
    failed = own[own["p_failure"] > 0.0].sort_values("p_failure", ascending=False, kind="stable")
    never = own[own["p_failure"] == 0.0]
    least = int(never["draws"].min()) if len(never) else 0
    mine = [
        entry
        for entry in whole_draws
        if (entry["sensor_set"], entry["algorithm"]) == (sensor_set, algorithm)
    ]
    return Chances(
        whole="".join(whole_words(entry) for entry in mine),
        never=never_words(len(never), len(own), draws=least),
        rows=[
            {
                "event": row["event"],
                "restraint": row["restraint"],
                "draws": int(row["draws"]),
                "failure": _share(row, "failure"),
                "wilson": percent(row["p_failure_wilson_low"], row["p_failure_wilson_high"]),
                "shares": {name: _share(row, name) for name in VERDICTS},
                "errors": int(row["n_rule_error"]),
            }
            for row in failed.to_dict("records")
        ],
    )


def whole_words(entry: Mapping[str, Any]) -> str:
    """State in how many draws every requirement was met; a draw counts once, over all its events.

    >>> print(whole_words({"all_met": 3, "draws": 12, "p_all_met_low": 0.055,
    ...     "p_all_met_high": 0.572, "mean_failures": 2.25, "mean_failures_low": 1.5,
    ...     "mean_failures_high": 3.0}))
    Every judged requirement was met in 3 of 12 draws (exact 95 % interval 5.50–57.20 %). A draw
    fails 2.25 requirements on average (bootstrap over draws: 1.50 to 3.00).
    """
    met = percent(entry["p_all_met_low"], entry["p_all_met_high"])
    return (
        f"Every judged requirement was met in {entry['all_met']} of {entry['draws']} draws "
        f"(exact 95 % interval {met} %). A draw fails {entry['mean_failures']:.2f} requirements on "
        f"average (bootstrap over draws: {entry['mean_failures_low']:.2f} to "
        f"{entry['mean_failures_high']:.2f})."
    )


def never_words(never: int, judged: int, *, draws: int) -> str:
    """Say that no failure in a number of draws is a bound and not zero.

    >>> print(never_words(3, 5, draws=60))
    3 of 5 requirements failed in none of at least 60 draws. For each of these the chance of failure
    may still be up to 4.9 % (one-sided 95 % bound, within the model).
    >>> never_words(0, 5, draws=0)
    'Each of the 5 requirements failed in some draw.'
    """
    if not never:
        return f"Each of the {judged} requirements failed in some draw."
    bound = 100.0 * upper_bound_without_failure(draws)
    return (
        f"{never} of {judged} requirements failed in none of at least {draws} draws. For each of "
        f"these the chance of failure may still be up to {bound:.2g} % (one-sided 95 % bound, "
        "within the model)."
    )


def percent(low: float, high: float) -> str:
    """Write an interval of a probability in percent.

    >>> percent(0.0005, 0.0123), percent(0.25, 1.0)
    ('0.05–1.23', '25.00–100.00')
    """
    return f"{100.0 * low:.2f}–{100.0 * high:.2f}"


def _share(row: dict[str, Any], name: str) -> str:
    """A share in percent and its exact interval; empty where the verdict cannot occur."""
    share = row[f"p_{name}"]
    if share != share:
        return ""
    return f"{100.0 * share:.2f} ({percent(row[f'p_{name}_low'], row[f'p_{name}_high'])})"
