"""Which threshold scales work, in words that the summary and the page share."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crashsense.event import RESTRAINTS

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class FailedRows:
    """How many required rows of a restraint have no demand because the rule failed."""

    fire: int = 0
    no_fire: int = 0

    def __bool__(self) -> bool:
        return bool(self.fire or self.no_fire)

    def words(self) -> str:
        """Say where the rule failed.

        >>> FailedRows(2, 1).words(), FailedRows(no_fire=1).words()
        ('the rule failed where it must fire (2 rows) and where it must not (1 row)', \
'the rule failed where it must not fire (1 row)')
        """
        first, second = (f"({n} row{'s' * (n != 1)})" for n in (self.fire, self.no_fire))
        if not self.fire:
            return f"the rule failed where it must not fire {second}"
        more = f" and where it must not {second}" if self.no_fire else ""
        return f"the rule failed where it must fire {first}{more}"


NONE_FAILED = FailedRows()


def failed_rows(verdicts: pd.DataFrame, *, pair: tuple[str, str]) -> dict[str, FailedRows]:
    """Count, by restraint, the required rows in which a rule failed; only those restraints.

    *pair*: sensor set and algorithm.
    """
    sensor_set, algorithm = pair
    own = verdicts[
        (verdicts["verdict"] == "rule_error")
        & (verdicts["sensor_set"] == sensor_set)
        & (verdicts["algorithm"] == algorithm)
    ]
    found: dict[str, FailedRows] = {}
    for name, rows in own.groupby("restraint", sort=False):
        counted = [int((rows["expectation"] == kind).sum()) for kind in ("fire", "no_fire")]
        if any(counted):
            found[str(name)] = FailedRows(*counted)
    return found


def scale_words(
    entry: Mapping[str, Any], *, has_rule: bool = True, failed: FailedRows = NONE_FAILED
) -> str:
    """Say which threshold scales k work for a restraint (m < k <= c), and why none does.

    *entry* as :meth:`crashsense.scoring.Separation.as_dict` gives it.

    >>> entry = {"c": 1.2, "m": 0.9, "c_event": "pole", "m_event": "kerb", "infeasible": []}
    >>> scale_words(entry), scale_words({**entry, "c": 0.8})
    ('all met at k = 1', 'no k (kerb above pole)')
    >>> scale_words({**entry, "c": None}), scale_words({**entry, "m": None})
    ('never required in this run; k above 0.90', 'never forbidden in this run; k up to 1.20')

    Where demand does not scale with the thresholds (a gate, a level that a measure moves) only
    k = 1 was evaluated:

    >>> scale_words({**entry, "c": 0.8, "scales": False})
    'not met at k = 1 (kerb above pole); other k: run again'

    Rows in which the rule failed are outside c and m, so that no k can be promised:

    >>> scale_words({**entry, "c": None}, failed=FailedRows(fire=3))
    'the rule failed where it must fire (3 rows); no k is known to work'
    """
    if not has_rule:
        return "no rule"
    if failed:
        return f"{failed.words()}; no k is known to work"
    c, m = entry["c"], entry["m"]
    outside = entry["infeasible"]
    if entry.get("scales") is False:
        return _at_one(entry)
    if c is None:
        what = "no required time can be met" if outside else "never required in this run"
        return what if m <= 0.0 else f"{what}; k above {m:.2f}"
    others = f"; {len(outside)} infeasible, not counted" if outside else ""
    if c <= 0.0:
        return f"no k ({entry['c_event']} stays at 0 until the required time)"
    if m is None:
        return f"never forbidden in this run; k up to {c:.2f}{others}"
    if m >= c:
        against = "above" if m > c else "as high as"
        return f"no k ({origin_of_m(entry)} {against} {entry['c_event']}){others}"
    works = "all met at k = 1" if m < 1.0 <= c else f"k in {m:.2f} to {c:.2f}"
    if not entry.get("must_not", 1):
        # No event forbids it: m is what a crash reaches before the earliest allowed time.
        return f"never forbidden in this run; m: {origin_of_m(entry)}; {works}{others}"
    return works + others


def _at_one(entry: Mapping[str, Any]) -> str:
    """The same of a rule that does not scale, of which only k = 1 is known."""
    c, m = entry["c"], entry["m"]
    if (c is None or c >= 1.0) and (m is None or m < 1.0):
        words = "all met at k = 1"
    elif c is None or m is None:
        words = f"not met at k = 1 ({entry['c_event'] if c is not None else origin_of_m(entry)})"
    else:
        against = "above" if m > c else "as high as" if m == c else "and"
        words = f"not met at k = 1 ({origin_of_m(entry)} {against} {entry['c_event']})"
    outside = len(entry["infeasible"])
    return words + "; other k: run again" + (f"; {outside} infeasible" if outside else "")


def origin_of_m(entry: Mapping[str, Any]) -> str:
    """Name what sets m: an event that must not fire, or a must-fire event before its time."""
    return entry["m_event"] + (" before it may fire" if entry.get("m_early") else "")


def unasked(
    entries: Iterable[Mapping[str, Any]],
    *,
    known: Collection[str] = RESTRAINTS,
    failed: Collection[str] = (),
) -> str:
    """Name the restraints without an entry: no requirement of them, to fire or not, was judged.

    >>> unasked([{"restraint": name} for name in RESTRAINTS[:-1]])
    'curtain_right'

    *failed*: those of which the rule failed in some required row.

    >>> unasked([{"restraint": name} for name in RESTRAINTS[:-1]], failed=["curtain_right"])
    'curtain_right (the rule failed)'
    """
    there = {entry["restraint"] for entry in entries}
    missing = [name for name in known if name not in there]
    return ", ".join(f"{name} (the rule failed)" if name in failed else name for name in missing)
