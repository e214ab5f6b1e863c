"""The timing picture: required time, fire time, spread of draws and slack, one line a requirement.

Every line is a row of text with a strip drawn in per cent of its width, so that letters keep their
size on any screen, a row can be hidden or sorted, and a marker can be moved.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

from crashsense.reporting import svg
from crashsense.reporting.words import MARKS, anchor, finite, restraint_words
from crashsense.results.tally import NOT_MET, WORDS, rows_of

if TYPE_CHECKING:
    import pandas as pd

#: Families whose decisions take seconds; they have a separate scale.
SLOW = ("rollover",)


@dataclass(frozen=True)
class Strip:
    """One requirement to fire: its words, and places along the strip in per cent of its width."""

    key: str
    event: str
    anchor: str
    restraint: str
    family: str
    verdict: str
    mark: str
    outcome: str
    zero: float
    due: float | None
    fired: float | None
    spread: tuple[float, float] | None
    failing: str
    armed: float | None


@dataclass(frozen=True)
class Panel:
    """Strips on one time scale: classes (heading, strips), tick labels with their places."""

    title: str
    unit: str
    low: float
    high: float
    ticks: list[tuple[float, str]]
    classes: list[tuple[str, list[Strip]]]


def kind_of_event(name: str) -> str:
    """Kind of an event: its name up to the first number.

    >>> kind_of_event("odb_40_56_right"), kind_of_event("small_overlap_64")
    ('odb', 'small overlap')
    """
    return re.sub(r"_\d.*$", "", name).replace("_", " ")


def classes_of(strips: Sequence[Strip]) -> list[tuple[str, list[Strip]]]:
    """Strips by family and kind of event, in the order in which they come; heading -> strips.

    Kinds of which a family has a single event are put together.
    """
    families: dict[str, dict[str, list[Strip]]] = {}
    for strip in strips:
        kinds = families.setdefault(strip.family, {})
        kinds.setdefault(kind_of_event(strip.event), []).append(strip)
    found = []
    for family, kinds in families.items():
        several = {k: own for k, own in kinds.items() if len({one.event for one in own}) > 1}
        rest = [one for kind, own in kinds.items() if kind not in several for one in own]
        head = family.replace("_", " ")
        found += [(f"{head}: {kind}", own) for kind, own in several.items()]
        if rest:
            found.append((f"{head}: others" if several else head, rest))
    return found


def row_key(row: Any) -> str:
    """What names a requirement on the page: event, restraint, algorithm and sensor set."""
    return "|".join((row.event, row.restraint, row.algorithm, row.sensor_set))


def outcome_words(row: Any) -> str:
    """Verdict and slack of a must-fire row in words.

    >>> from types import SimpleNamespace as Row
    >>> outcome_words(Row(verdict="late", required_time_ms=30.0, fire_time_ms=37.4))
    'late by 7.4 ms'
    >>> outcome_words(Row(verdict="on_time", required_time_ms=30.0, fire_time_ms=22.0))
    'on time, 8.0 ms slack'
    """
    fired, due = finite(row.fire_time_ms), finite(row.required_time_ms)
    word = WORDS.get(row.verdict, row.verdict)
    if fired is None or due is None:
        return word
    if row.verdict == "late":
        return f"late by {fired - due:.1f} ms"
    return f"{word}, {due - fired:.1f} ms slack" if row.verdict == "on_time" else word


def spreads_of(statistics: pd.DataFrame | None) -> dict[str, tuple[float, float, int, int]]:
    """Row key -> times by which 5 % and 95 % of the draws had fired [ms], draws failed, draws."""
    if statistics is None or statistics.empty:
        return {}
    failed = [name for name in (f"n_{word}" for word in NOT_MET) if name in statistics]
    return {
        row_key(row): (
            float(row.fire_p05_ms),
            float(row.fire_p95_ms),
            sum(int(getattr(row, name)) for name in failed),
            int(row.draws),
        )
        for row in rows_of(statistics)
    }


def panels_of(
    rows: pd.DataFrame, *, spreads: Mapping[str, tuple[float, float, int, int]]
) -> list[Panel]:
    """The timing picture of one sensor set and algorithm; what takes seconds stands apart."""
    fire = rows[(rows["expectation"] == "fire") & (rows["verdict"] != "not_evaluated")]
    slow = fire["family"].isin(SLOW)
    out = []
    for part, title, unit in ((fire[~slow], "Impacts", "ms"), (fire[slow], "Rollover", "s")):
        if len(part):
            out.append(_panel(part, spreads, title=title, unit=unit))
    return out


def _panel(
    rows: pd.DataFrame,
    spreads: Mapping[str, tuple[float, float, int, int]],
    *,
    title: str,
    unit: str,
) -> Panel:
    found = rows_of(rows.sort_values(["required_time_ms", "event", "restraint"]))
    seen = [0.0, 10.0]
    for row in found:
        known = (row.required_time_ms, row.fire_time_ms, *spreads.get(row_key(row), ())[:2])
        seen += [float(t) for t in known if t is not None and t == t and isfinite(t)]
    # A time that is far too late is given in words, so that it does not compress the scale.
    dues = [float(r.required_time_ms) for r in found if r.required_time_ms == r.required_time_ms]
    seen = [min(t, 1.5 * max([*dues, 10.0])) for t in seen]
    low, high = svg.padded(seen, part=0.03)[:2]
    scale = 1e3 if unit == "s" else 1.0

    def place(time_ms: float) -> float:
        return round(min(max(100.0 * (time_ms - low) / (high - low), 0.0), 99.0), 2)

    strips: list[Strip] = []
    for row in found:
        key = row_key(row)
        first, last, failed, draws = spreads.get(key, (float("nan"), float("nan"), 0, 0))
        spread = None
        if first == first:
            spread = (place(first) if isfinite(first) else 100.0, 100.0)
            if isfinite(last):
                spread = (spread[0], place(last))
        due, fired, armed = (
            finite(v) for v in (row.required_time_ms, row.fire_time_ms, row.arming_time_ms)
        )
        strips.append(
            Strip(
                key,
                row.event,
                anchor(row.event),
                restraint_words(row.restraint),
                str(row.family),
                row.verdict,
                MARKS.get(row.verdict, ""),
                outcome_words(row),
                place(0.0),
                None if due is None else place(due),
                None if fired is None else place(fired),
                spread,
                f"{failed} of {draws} draws fail" if failed else "",
                None if armed is None or not isfinite(armed) else place(armed),
            )
        )
    ticks = [(place(t), svg.number(t / scale)) for t in svg.ticks(low, high, most=9)]
    return Panel(title, unit, low, high, ticks, classes_of(strips))
