"""What the random draws show, as the page says it: shares with intervals, and zero as a bound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crashsense.campaign.statistics import JUDGED, upper_bound_without_failure

if TYPE_CHECKING:
    import pandas as pd

#: Verdicts with a share of their own, in the order of the columns.
VERDICTS = (*JUDGED["fire"], *JUDGED["no_fire"])


@dataclass(frozen=True)
class Chances:
    """Requirements over the random draws, for one sensor set and algorithm.

    ``never``: a sentence on those that failed in no draw; ``rows``: those that failed in some draw,
    worst first.
    """

    never: str
    rows: list[dict[str, Any]]
    verdicts: tuple[str, ...] = VERDICTS


def chances_of(
    statistics: pd.DataFrame | None, *, sensor_set: str, algorithm: str
) -> Chances | None:
    """Return what the page says; None where no draw was judged."""
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
    return Chances(
        never=never_words(len(never), len(own), draws=least),
        rows=[
            {
                "event": row["event"],
                "restraint": row["restraint"],
                "draws": int(row["draws"]),
                "failure": _share(row, "failure"),
                "wilson": percent(row["p_failure_wilson_low"], row["p_failure_wilson_high"]),
                "shares": {name: _share(row, name) for name in VERDICTS},
            }
            for row in failed.to_dict("records")
        ],
    )


def never_words(never: int, judged: int, *, draws: int) -> str:
    """Say that no failure in so many draws is a bound and not zero.

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
