"""The part of the page for one event: one figure on one time axis, and the reason in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.plotting import BLUE, GREEN, GREY, INK, VERMILION
from crashsense.reporting import svg
from crashsense.reporting.stacked import Arrow, Panel, Stack, plain, stacked_charts
from crashsense.reporting.timing import outcome_words, row_key
from crashsense.reporting.view import RunView
from crashsense.reporting.what_if import JUDGED_VERDICTS, WhatIf
from crashsense.reporting.words import MARKS, finite, restraint_words
from crashsense.results.tally import BY_WEIGHT, NOT_MET, REQUIRED, WORDS, rows_of
from crashsense.results.views import DemandChart, EventView, SensedChannel, Told, time_window

if TYPE_CHECKING:
    import pandas as pd


#: Most points of a trace in the collapsed sections.
FOLDED_POINTS = 50

#: Most points of a trace in the figure: more would be visible only in print.
FIGURE_POINTS = 200

#: A channel that stays below this part of its range is named, not drawn among the others.
SMALL_PART = 0.05

#: Number of other channels that are drawn, those that use most of their range; the rest are named.
MOST_OTHERS = 3

#: Demand of another restraint below this gets a sentence, not a panel.
FOLDED_DEMAND = 0.3

#: Demand far above the threshold says nothing more: it is cut here.
MOST_DEMAND = 2.5

#: Events whose figures are drawn together: more need more memory, and take hardly less time.
TOGETHER = 16

#: Figures of an event on the page.
FIGURES = ("figure", "others", "other_demands")

X_LABEL = "time from first contact [ms]; demand: control-unit clock"


def event_parts(
    view: RunView,
    nominal: pd.DataFrame,
    *,
    what_if: WhatIf,
    spreads: Mapping[str, tuple[float, float, int, int]] | None = None,
) -> Iterator[dict[str, Any]]:
    """Yield the contents of the page for each event; the figures of a few are drawn together."""
    gated = {name for name, gate in view.gating.items() if gate}
    place = {pair: number for number, pair in enumerate(view.pairs)}
    drawn: dict[tuple[str, ...], str] = {}
    grouped: dict[str, list[Any]] = {}
    spreads = spreads or {}
    for row in rows_of(nominal):
        grouped.setdefault(row.event, []).append(row)
    pages: list[dict[str, Any]] = []
    for event, rows in grouped.items():
        required = sorted(
            (row for row in rows if row.expectation in REQUIRED),
            key=lambda row: place[row.sensor_set, row.algorithm],
        )
        deciding = [r for r in required if r.algorithm in gated] or required
        shown = None if view.event_view is None else view.event_view(event)
        page: dict[str, Any] = {
            "name": event,
            "family": rows[0].family,
            "rows": [row for row in required if not _tells_nothing(row)],
            "idle": _idle([row for row in required if _never_challenged(row)]),
            "failed": sum(r.verdict in NOT_MET for r in deciding),
            "view": shown,
            "same_as": None,
            **_listed(deciding, spreads),
            "failing": {
                key: f"{spreads[key][2]} of {spreads[key][3]}"
                for row in required
                if (key := row_key(row)) in spreads and spreads[key][2]
            },
        }
        if shown is not None:
            page |= _to_draw(rows, deciding, shown, spreads=spreads)
            same = drawn.setdefault((rows[0].occurrence, *map(str, page["window"])), event)
            if same != event:
                page |= {"same_as": same, "others": None}
            charts = {(d.sensor_set, d.algorithm, d.restraint): d for d in shown.demands}
            what_if.add_flight(event, shown.motion)
            for row in required:
                chart = charts.get((row.sensor_set, row.algorithm, row.restraint))
                if chart is not None and row.verdict in JUDGED_VERDICTS:
                    early = shown.not_before_ms.get(row.restraint, 0.0)
                    flies = row.restraint in shown.flying
                    what_if.add(row, chart, not_before_ms=early, flies=flies)
        pages.append(page)
        if len(pages) == TOGETHER:
            yield from _with_figures(pages)
            pages = []
    yield from _with_figures(pages)


def _with_figures(pages: Sequence[dict[str, Any]]) -> Sequence[dict[str, Any]]:
    """Draw the figures of some events, side by side."""
    found = [(page, key) for page in pages for key in FIGURES if page.get(key) is not None]
    charts = stacked_charts([page[key] for page, key in found])
    for (page, key), chart in zip(found, charts, strict=True):
        page[key] = chart
    return pages


def _never_challenged(row: Any) -> bool:
    return bool(row.verdict == "held" and row.max_demand == 0.0)


def _tells_nothing(row: Any) -> bool:
    """True for a row that stayed at demand 0, and for an order that nothing put to the test."""
    return _never_challenged(row) or bool(row.verdict == "not_challenged")


def _idle(rows: Sequence[Any]) -> list[tuple[str, list[str]]]:
    """Algorithms, and the restraints that the event did not challenge; equal entries once."""
    found: dict[str, list[str]] = {}
    several = len({row.sensor_set for row in rows}) > 1
    for row in rows:
        name = f"{row.algorithm} / {row.sensor_set}" if several else row.algorithm
        found.setdefault(name, []).append(restraint_words(row.restraint))
    shared: dict[tuple[str, ...], list[str]] = {}
    for name, own in found.items():
        shared.setdefault(tuple(own), []).append(name)
    return [(", ".join(names), list(own)) for own, names in shared.items()]


def _listed(
    rows: Sequence[Any], spreads: Mapping[str, tuple[float, float, int, int]]
) -> dict[str, Any]:
    """The columns by which the list of events sorts: gravest verdict, smallest margins."""

    def weight(row: Any) -> int:
        return BY_WEIGHT.index(row.verdict) if row.verdict in BY_WEIGHT else len(BY_WEIGHT)

    margins = [m for row in rows if (m := finite(row.demand_margin)) is not None]
    slacks = [
        m
        for row in rows
        if row.expectation == "fire" and (m := finite(row.time_margin_ms)) is not None
    ]
    found = [spreads[key] for row in rows if (key := row_key(row)) in spreads]
    worst = max(found, key=lambda one: one[2] / max(one[3], 1), default=None)
    top = min(rows, key=weight, default=None)
    mark = "" if top is None else f"{MARKS[top.verdict]} {WORDS[top.verdict]}"
    if top is not None and top.verdict == "late":
        late = [r for r in rows if r.verdict == "late"]
        mark = f"{MARKS['late']} {outcome_words(min(late, key=lambda r: r.time_margin_ms))}"
    return {
        "verdict": "" if top is None else top.verdict,
        "verdict_words": mark,
        "verdicts": sorted({row.verdict for row in rows}),
        "restraints": sorted({row.restraint for row in rows}),
        "least_margin": min(margins, default=None),
        "least_slack": min(slacks, default=None),
        "draws_failing": 0 if worst is None else worst[2],
        "draws": 0 if worst is None else worst[3],
    }


def _to_draw(
    rows: Sequence[Any],
    deciding: Sequence[Any],
    shown: EventView,
    *,
    spreads: Mapping[str, tuple[float, float, int, int]],
) -> dict[str, Any]:
    """The figures of an event, to be drawn, its sentence, and the folded parts below."""
    parts = figure_parts(rows, deciding, shown, spreads=spreads)
    figure = None
    if parts.panels:
        figure = Stack(
            parts.panels,
            label=f"{shown.name}: signals, motion and demand over time",
            x_label=X_LABEL,
            x_range=parts.window[:2],
            marks=parts.marks,
            most=FIGURE_POINTS,
        )
    channel = parts.channel
    return {
        "window": parts.window,
        "told": parts.told,
        "told_more": shown.told[1:],
        "figure": figure,
        "clipped": "" if channel is None else clipping_words(channel),
        "channel": channel,
        **_others(rows, shown, channel, parts.subject, x_range=parts.window[:2]),
    }


@dataclass(frozen=True, eq=False)
class FigureParts:
    """The contents of the figure of an event, on the page and in a file.

    ``window``: first and last time [ms], and words where that is not all of the event.
    """

    window: tuple[float, float, str]
    panels: list[Panel]
    marks: list[svg.Mark]
    told: Told | None
    subject: DemandChart | None
    channel: SensedChannel | None


def figure_parts(
    rows: Sequence[Any],
    deciding: Sequence[Any],
    shown: EventView,
    *,
    spreads: Mapping[str, tuple[float, float, int, int]],
) -> FigureParts:
    """Choose channel and demand of an event's figure, and put its panels together.

    *rows*: verdict rows of the event; *deciding*: those of gating algorithms.
    """
    fire = [row for row in rows if row.expectation == "fire"]
    times = [t for row in fire for t in (row.required_time_ms, row.fire_time_ms)]
    window = time_window(times, shown)
    told = shown.told[0] if shown.told else None
    subject = _subject(deciding, shown, told)
    row = next(
        (
            r
            for r in rows
            if subject is not None
            and (r.restraint, r.algorithm, r.sensor_set)
            == (subject.restraint, subject.algorithm, subject.sensor_set)
        ),
        None,
    )
    channel = _channel(shown, told)
    panels = _panels(shown, channel, subject, row, told, spreads=spreads, x_range=window[:2])
    marks = [] if row is None else _marks(row)
    return FigureParts(window, panels, marks, told, subject, channel)


def _subject(deciding: Sequence[Any], shown: EventView, told: Told | None) -> DemandChart | None:
    """The demand that the figure shows: that of the sentence, else the largest required one."""
    if told is not None:
        for chart in shown.demands:
            if (chart.sensor_set, chart.algorithm, chart.restraint) == (
                told.sensor_set,
                told.algorithm,
                told.restraint,
            ):
                return chart
    asked = {(r.sensor_set, r.algorithm, r.restraint) for r in deciding}
    found = [d for d in shown.demands if (d.sensor_set, d.algorithm, d.restraint) in asked]
    return max(found, key=_largest, default=None)


def _largest(chart: DemandChart) -> float:
    return max(
        (_most(trace.values) for trace in chart.traces if trace.name == "total"), default=0.0
    )


def _most(values: FloatArray) -> float:
    """The largest of some values and 0, as ``numpy.nanmax``, which asks about much else first."""
    return float(np.fmax.reduce(values, initial=0.0))


def _channel(shown: EventView, told: Told | None) -> SensedChannel | None:
    """The channel of the figure: read by the deciding criterion, else using most of its range."""
    if told is not None:
        for channel in shown.channels:
            if (channel.channel, channel.sensor_set) == (told.channel, told.sensor_set):
                return channel
    return max(shown.channels, key=_share, default=None)


def _share(channel: SensedChannel) -> float:
    """Largest true value over the range of the sensor [-]."""
    size = _most(np.abs(channel.raw.values))
    return size / channel.range_value if channel.range_value else size


def _marks(row: Any) -> list[svg.Mark]:
    marks = []
    due, fired = finite(row.required_time_ms), finite(row.fire_time_ms)
    if due is not None and row.expectation == "fire":
        marks.append(svg.Mark(f"required {due:.1f} ms", due, INK, "6 3"))
    if fired is not None:
        colour = VERMILION if row.verdict in NOT_MET else BLUE
        marks.append(svg.Mark(f"fired {fired:.1f} ms", fired, colour))
    return marks


def _panels(
    shown: EventView,
    channel: SensedChannel | None,
    subject: DemandChart | None,
    row: Any,
    told: Told | None,
    *,
    spreads: Mapping[str, tuple[float, float, int, int]],
    x_range: tuple[float, float],
) -> list[Panel]:
    out = []
    if channel is not None:
        out.append(channel_panel(channel, x_range=x_range, height=104.0))
    motion = shown.motion
    if motion is not None:
        line = plain("", motion.velocity.times_ms, motion.velocity.values)
        out.append(Panel(f"velocity change [km/h]: {motion.source}", [line], height=66.0))
        if motion.travel is not None:
            out.append(_travel_panel(motion))
    if subject is not None and _largest(subject) > 0.0:
        spread = None if row is None else spreads.get(row_key(row))
        out.append(_demand_panel(subject, told, spread=spread, x_range=x_range))
    return out


def _travel_panel(motion: Any) -> Panel:
    """Travel of a free occupant, the allowed travel, and the arrow back by the inflation time."""
    way = motion.travel
    limit = 127.0 if motion.free_travel_mm is None else motion.free_travel_mm
    arrows = []
    if motion.free_travel_mm is not None and motion.inflation_ms is not None:
        beyond = np.flatnonzero(way.values >= limit)
        if beyond.size and beyond[0] > 0:
            at = beyond[0]
            reached = float(
                np.interp(limit, way.values[at - 1 : at + 1], way.times_ms[at - 1 : at + 1])
            )
            words = f"{motion.inflation_ms:g} ms"
            arrows = [Arrow(reached, reached - motion.inflation_ms, limit, words)]
    # In a car that hardly slows down the occupant hardly moves: the limit sets the scale.
    shown = np.where(way.values <= 1.7 * limit, way.values, np.nan)
    return Panel(
        "free flight of an unbelted occupant [mm]",
        [plain("", way.times_ms, shown)],
        height=74.0,
        y_range=(min(0.0, max(float(way.values.min()), -0.3 * limit)), 1.7 * limit),
        levels=[(f"{limit:g} mm", limit)],
        arrows=arrows,
    )


def channel_panel(channel: SensedChannel, *, x_range: tuple[float, float], height: float) -> Panel:
    """True signal against what the control unit receives, the range, and where it was left."""
    seen = [
        _most(np.abs(t.values[inside]))
        for t in (channel.raw, channel.sensed)
        for inside in [(t.times_ms >= x_range[0]) & (t.times_ms <= x_range[1])]
    ]
    reach, limit = max(seen, default=0.0), channel.range_value
    levels = []
    if limit is not None and np.isfinite(limit) and 0.0 < limit <= 1.5 * reach:
        size = svg.number(limit)
        levels = [(f"range +{size}", limit), (f"range −{size}", -limit)]
    return Panel(
        f"{channel.channel} [{channel.unit}]",
        [
            svg.Line("true", channel.raw.times_ms, channel.raw.values, GREY, 0.9, look="true"),
            svg.Line(
                "received", channel.sensed.times_ms, channel.sensed.values, BLUE, 1.7, look="got"
            ),
        ],
        height=height,
        levels=levels,
        bands=list(channel.beyond_ms),
    )


def _demand_panel(
    chart: DemandChart,
    told: Told | None,
    *,
    spread: tuple[float, float, int, int] | None,
    x_range: tuple[float, float],
    height: float = 104.0,
) -> Panel:
    lines = []
    looks = {"total": ("demand", INK, 2.0, ""), "arming": ("arming", GREEN, 1.2, "3 2")}
    looks["main"] = ("before arming", VERMILION, 1.2, "7 3")
    for trace in sorted(chart.traces, key=lambda t: t.name == "total"):
        look = looks.get(trace.name)
        if look is not None and (trace.name != "main" or len(chart.traces) > 2):
            name = "demand" if trace.name == "total" else trace.name
            lines.append(svg.Line(look[0], trace.times_ms, trace.values, *look[1:], look=name))
    lines = [
        line for line in lines if line.name != "before arming" or _differs(line, chart, x_range)
    ]
    if len(chart.traces) == 2:
        lines = [line for line in lines if line.name == "demand"]
    top = min(max(1.3, 1.08 * _largest(chart)), MOST_DEMAND)
    tail = f", cut at {MOST_DEMAND:g}" if _largest(chart) > MOST_DEMAND else ""
    title = f"demand [-]{tail}: {restraint_words(chart.restraint)}"
    if told is not None and told.branch and told.restraint == chart.restraint:
        title += f"; {told.branch} decides"
    shade = None
    if spread is not None and np.isfinite(spread[0]):
        last = spread[1] if np.isfinite(spread[1]) else x_range[1]
        shade = (spread[0], last, f"{spread[3]} draws fire: 5 to 95 %")
    return Panel(
        title,
        lines,
        height=height,
        y_range=(0.0, top),
        levels=[("threshold 1", 1.0)],
        spread=shade,
    )


def _differs(line: svg.Line, chart: DemandChart, x_range: tuple[float, float]) -> bool:
    """False where arming takes nothing away from the main demand."""
    (total,) = (trace for trace in chart.traces if trace.name == "total")
    inside = (line.x >= x_range[0]) & (line.x <= x_range[1])
    same = np.interp(line.x[inside], total.times_ms, total.values)
    return _most(np.abs(line.y[inside] - same)) > 0.02


def _others(
    rows: Sequence[Any],
    shown: EventView,
    channel: SensedChannel | None,
    subject: DemandChart | None,
    *,
    x_range: tuple[float, float],
) -> dict[str, Any]:
    """The folded parts: channels and demands that are not in the figure, and quiet ones."""
    first = channel.sensor_set if channel is not None else ""
    rest = [c for c in shown.channels if c is not channel and c.sensor_set == first]
    rest.sort(key=_share, reverse=True)
    loud = [other for other in rest if _share(other) >= SMALL_PART][:MOST_OTHERS]
    panels = [channel_panel(other, x_range=x_range, height=52.0) for other in loud]
    demands, quiet = [], []
    for chart in shown.demands:
        own = [r for r in rows if (r.restraint, r.algorithm) == (chart.restraint, chart.algorithm)]
        scored = any(row.expectation != "open" for row in own)
        if chart is subject or subject is None or chart.algorithm != subject.algorithm:
            continue
        if chart.sensor_set != subject.sensor_set:
            continue
        if _largest(chart) < FOLDED_DEMAND or (not scored and _largest(chart) < 0.5):
            quiet.append(restraint_words(chart.restraint))
            continue
        demands.append(_demand_panel(chart, None, spread=None, x_range=x_range, height=52.0))

    def folded(found: Sequence[Panel], what: str) -> Stack | None:
        if not found:
            return None
        label = f"{shown.name}: {what}"
        return Stack(found, label=label, x_label=X_LABEL, x_range=x_range, most=FOLDED_POINTS)

    return {
        "others": folded(panels, "other channels"),
        "other_demands": folded(demands, "demand of other restraints"),
        "quiet_demands": quiet,
        "small": [other.channel for other in rest[len(loud) :]],
    }


def clipping_words(channel: SensedChannel) -> str:
    """Say in words where the signal was cut."""
    parts = [
        f"{count} samples {where}"
        for count, where in (
            (channel.clipped_before_filter, "before the filter (not visible in the codes)"),
            (channel.clipped_after_filter, "after the filter"),
            (channel.clipped_codes, "at the last code"),
        )
        if count
    ]
    if not parts:
        return "No clipping."
    return f"<strong>Clipped</strong> (hatched): {', '.join(parts)}."
