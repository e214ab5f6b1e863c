"""The first screen: the outcome of a run, its failures, and the smallest margins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.reporting.paths import FINE, Frame, path
from crashsense.reporting.summary import worst_margins
from crashsense.reporting.timing import outcome_words, row_key
from crashsense.reporting.words import MARKS, anchor, finite, restraint_words, signed
from crashsense.results.outcome import (
    FIRE_PARTS,
    NO_FIRE_PARTS,
    ORDER_PARTS,
    PART_WORDS,
    Outcome,
    outcome_of,
)
from crashsense.results.provenance import PROVENANCE
from crashsense.results.sealed import read_sealed
from crashsense.results.tally import BY_WEIGHT, MET, NOT_MET, WORDS, Pair, required_rows, rows_of
from crashsense.results.views import EventView, decimate

if TYPE_CHECKING:
    from crashsense.reporting.view import RunView

#: Most cards of failing events, and rows of margins.
MOST_CARDS = 10
MOST_MARGINS = 5

#: Points of a small trace.
CARD_POINTS = 60

#: Part of a bar -> the mark beside its word.
PART_MARKS = {**MARKS, "challenged": MARKS["held"], "never_challenged": "–"}


@dataclass(frozen=True)
class Bar:
    """One of the bars: ``parts`` are (name, mark, word, number, share in per cent)."""

    title: str
    total: int
    parts: list[tuple[str, str, str, int, float]]

    @property
    def words(self) -> str:
        """The bar in words, for a reader who does not see it."""
        told = ", ".join(f"{size} {word}" for _, _, word, size, _ in self.parts)
        return f"{self.title}, {self.total} requirements: {told or 'none'}"


@dataclass(frozen=True)
class Card:
    """A failing event: its gravest failure, and its demand as a small picture."""

    event: str
    anchor: str
    verdict: str
    mark: str
    restraint: str
    outcome: str
    more: int
    picture: str


@dataclass(frozen=True)
class Answer:
    """The first screen for one deciding sensor set and algorithm."""

    label: str
    sentence: str
    bars: list[Bar]
    cards: list[Card]
    failing: int
    margins: list[dict[str, Any]]


def date_of(view: RunView) -> str:
    """Time at which the run was finished, if its folder states it."""
    if view.folder is None or not (view.folder / PROVENANCE).is_file():
        return ""
    told = read_sealed(view.folder / PROVENANCE)
    return str(told.get("finished", ""))[:16].replace("T", " ") + " UTC"


def answers_of(
    view: RunView, *, spreads: Mapping[str, tuple[float, float, int, int]]
) -> list[Answer]:
    """One answer for each deciding sensor set and algorithm; if none decides, for each."""
    return [_answer(view, pair, spreads=spreads) for pair in view.shown]


def _answer(
    view: RunView, pair: Pair, *, spreads: Mapping[str, tuple[float, float, int, int]]
) -> Answer:
    outcome = outcome_of(view.nominal, pair, tally=view.tally)
    own = view.nominal[
        (view.nominal["sensor_set"] == pair[0]) & (view.nominal["algorithm"] == pair[1])
    ]
    rows = required_rows(own)
    failed: dict[str, list[Any]] = {}
    for row in rows_of(rows):
        if row.verdict in NOT_MET:
            failed.setdefault(row.event, []).append(row)
    order = sorted(failed, key=lambda event: min(map(_weight, failed[event])))
    return Answer(
        view.labels[pair],
        outcome.sentence[:1].upper() + outcome.sentence[1:],
        bars_of(outcome),
        [_card(view, failed[event]) for event in order[:MOST_CARDS]],
        len(failed),
        [
            {
                "event": row.event,
                "anchor": anchor(row.event),
                "restraint": restraint_words(row.restraint),
                "verdict": row.verdict,
                "mark": MARKS[row.verdict],
                "word": WORDS[row.verdict],
                "margin": signed(row.demand_margin),
                "time": finite(row.time_margin_ms),
                "failing": _failing(spreads.get(row_key(row))),
            }
            for row in rows_of(
                worst_margins(rows[rows["verdict"].isin(MET)], most=MOST_MARGINS, rules=view.rules)
            )
        ],
    )


def _failing(spread: tuple[float, float, int, int] | None) -> str:
    return "" if spread is None or not spread[2] else f"{spread[2]} of {spread[3]} draws"


def _weight(row: Any) -> tuple[int, float]:
    margin = finite(row.demand_margin)
    return BY_WEIGHT.index(row.verdict), 0.0 if margin is None else margin


def bars_of(outcome: Outcome) -> list[Bar]:
    """The bars of an outcome: must fire, must not and, where it is required, the order."""
    out = []
    for title, parts, names in (
        ("Must fire", outcome.fire, FIRE_PARTS),
        ("Must not fire", outcome.no_fire, NO_FIRE_PARTS),
        ("Stages in order", outcome.order, ORDER_PARTS),
    ):
        total = sum(parts.values())
        if title == "Stages in order" and not total:
            continue
        out.append(
            Bar(
                title,
                total,
                [
                    (name, PART_MARKS[name], PART_WORDS[name], size, round(100.0 * size / total, 2))
                    for name in names
                    if (size := parts.get(name, 0))
                ],
            )
        )
    return out


def _card(view: RunView, rows: list[Any]) -> Card:
    row = min(rows, key=_weight)
    shown = None if view.event_view is None else view.event_view(row.event)
    words = outcome_words(row)
    if row.verdict == "inadvertent" and finite(row.fire_time_ms) is not None:
        words = f"inadvertent, {row.fire_time_ms:.1f} ms"
    if row.expectation == "order" and isinstance(row.reason, str):
        words = f"{WORDS[row.verdict]}: {row.reason}"
    return Card(
        row.event,
        anchor(row.event),
        row.verdict,
        MARKS[row.verdict],
        restraint_words(row.restraint),
        words,
        len(rows) - 1,
        "" if shown is None else small_trace(shown, row),
    )


def small_trace(shown: EventView, row: Any) -> str:
    """Demand over time as a small picture: the threshold, the required time as a dashed line."""
    key = (row.sensor_set, row.algorithm, row.restraint)
    trace = next(
        (
            trace
            for chart in shown.demands
            if (chart.sensor_set, chart.algorithm, chart.restraint) == key
            for trace in chart.traces
            if trace.name == "total"
        ),
        None,
    )
    if trace is None:
        return ""
    known = [finite(row.required_time_ms), finite(row.fire_time_ms)]
    last = max([20.0, *(1.25 * t for t in known if t is not None)])
    inside = (trace.times_ms >= 0.0) & (trace.times_ms <= last) & np.isfinite(trace.values)
    if not inside.any():
        return ""
    frame = Frame((0.0, last), (0.0, 1.35), 1.0, 1.0, 118.0, 34.0)
    x, y = decimate(trace.times_ms[inside], trace.values[inside], most=CARD_POINTS)
    out = [
        '<svg class="small" viewBox="0 0 120 36" aria-hidden="true" preserveAspectRatio="none">',
        f'<path class="level" d="M1 {frame.y(1.0):.1f}H119"/>',
    ]
    if known[0] is not None:
        out.append(f'<path class="due" d="M{frame.x(max(known[0], 0.0)):.1f} 1V35"/>')
    data = path(x, np.clip(y, 0.0, 1.35), frame=frame)
    out.append(f'<path class="trace" transform="scale({1 / FINE:g})" d="{data}"/></svg>')
    return "".join(out)
