"""The part of the page for one event: signals, demand, and what was clipped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense.plotting import BLUE, GREEN, GREY, INK, VERMILION
from crashsense.reporting import svg
from crashsense.reporting.view import RunView
from crashsense.reporting.what_if import WhatIf
from crashsense.reporting.words import finite, restraint_words
from crashsense.results.nominal import DemandChart, EventView, SensedChannel, time_window
from crashsense.results.tally import NOT_MET, REQUIRED, rows_of

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]


def event_parts(
    view: RunView, nominal: pd.DataFrame, *, what_if: WhatIf
) -> Iterator[dict[str, Any]]:
    """Yield what the page shows of each event, in the order of the run."""
    gated = {name for name, gate in view.gating.items() if gate}
    place = {pair: number for number, pair in enumerate(view.pairs)}
    drawn: dict[tuple[str, ...], str] = {}
    grouped: dict[str, list[Any]] = {}
    for row in rows_of(nominal):
        grouped.setdefault(row.event, []).append(row)
    for event, rows in grouped.items():
        required = sorted(
            (row for row in rows if row.expectation in REQUIRED),
            key=lambda row: place[row.sensor_set, row.algorithm],
        )
        shown = None if view.event_view is None else view.event_view(event)
        page: dict[str, Any] = {
            "name": event,
            "family": rows[0].family,
            "rows": required,
            "failed": sum(r.verdict in NOT_MET and r.algorithm in gated for r in required),
            "view": shown,
            "signals": [],
            "demands": [],
            "same_as": None,
        }
        if shown is not None:
            fire = [row for row in rows if row.expectation == "fire"]
            times = [t for row in fire for t in (row.required_time_ms, row.fire_time_ms)]
            window = time_window(times, shown)
            page["window"] = window
            key = (rows[0].occurrence, *map(str, window))
            page["same_as"] = drawn.setdefault(key, event)
            if page["same_as"] == event:
                page["same_as"] = None
                page["signals"] = [signal_chart(c, x_range=window[:2]) for c in shown.channels]
            page["demands"] = _demand_charts(rows, shown, x_range=window[:2])
            charts = {(d.sensor_set, d.algorithm, d.restraint): d for d in shown.demands}
            for row in required:
                chart = charts.get((row.sensor_set, row.algorithm, row.restraint))
                if chart is not None and row.verdict in (
                    "on_time",
                    "late",
                    "missed",
                    "early",
                    "held",
                    "inadvertent",
                ):
                    early = shown.not_before_ms.get(row.restraint, 0.0)
                    what_if.add(row, chart, not_before_ms=early)
        yield page


def signal_chart(channel: SensedChannel, *, x_range: tuple[float, float]) -> str:
    """Raw against sensed signal, the range of the sensor, and where it was left."""
    levels = []
    bands: list[tuple[float, float]] = []
    y_values = [channel.raw.values, channel.sensed.values]
    inside = [
        v[(t >= x_range[0]) & (t <= x_range[1])]
        for v, t in zip(y_values, (channel.raw.times_ms, channel.sensed.times_ms), strict=True)
    ]
    reach = max((float(np.nanmax(np.abs(v), initial=0.0)) for v in inside), default=0.0)
    limit = channel.range_value
    if limit is not None and np.isfinite(limit) and limit > 0:
        if reach > 0.5 * limit:
            levels = [
                (f"range +{svg.number(limit)} {channel.unit}", limit),
                (f"range −{svg.number(limit)} {channel.unit}", -limit),
            ]
        bands = list(channel.beyond_ms)
    chart = svg.line_chart(
        [
            svg.Line("true, at the sensor", channel.raw.times_ms, channel.raw.values, GREY, 1.0),
            svg.Line(
                "as the control unit gets it",
                channel.sensed.times_ms,
                channel.sensed.values,
                BLUE,
                1.9,
            ),
        ],
        label=f"{channel.channel}: true and sensed signal over time",
        x_label="time from first contact [ms]",
        y_label=f"{channel.channel} [{channel.unit}], sensors {channel.sensor_set}",
        x_range=x_range,
        y_range=None,
        levels=[level for level in levels if abs(level[1]) <= 1.5 * max(reach, 1e-12)],
        bands=bands,
    )
    return f"<figure>{chart}<figcaption>{clipping_words(channel)}</figcaption></figure>"


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


#: Demand below this everywhere gets a sentence, not a chart.
SMALL_DEMAND = 0.05


def _demand_charts(
    rows: Sequence[Any], view: EventView, *, x_range: tuple[float, float]
) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    quiet = []
    for restraint in dict.fromkeys(d.restraint for d in view.demands):
        charts = [d for d in view.demands if d.restraint == restraint]
        # Armed algorithms first: their arming is drawn.
        charts.sort(key=lambda d: all(t.name != "arming" for t in d.traces))
        own = [row for row in rows if row.restraint == restraint]
        largest = max(
            float(np.nanmax(t.values, initial=0.0))
            for d in charts
            for t in d.traces
            if t.name == "total"
        )
        scored = any(row.expectation != "open" for row in own)
        if largest < SMALL_DEMAND or (not scored and largest < 0.5):
            quiet.append(restraint_words(restraint))
            continue
        out.append(
            {
                "restraint": restraint,
                "svg": demand_traces(charts, own, restraint=restraint, x_range=x_range),
            }
        )
    if quiet:
        out.append({"restraint": "", "svg": "", "quiet": quiet})
    return out


def demand_traces(
    charts: Sequence[DemandChart],
    rows: Sequence[Any],
    *,
    restraint: str,
    x_range: tuple[float, float],
) -> str:
    """Demand of one restraint over time: every algorithm, branches of the first."""
    several_sets = len({c.sensor_set for c in charts}) > 1

    def name_of(chart: DemandChart) -> str:
        return chart.algorithm + (f" / {chart.sensor_set}" if several_sets else "")

    lines = []
    looks = [(BLUE, ""), (VERMILION, "7 3"), (GREEN, "2 3"), (INK, "9 3 2 3")]
    for index, chart in enumerate(charts[: len(looks)]):
        colour, dash = looks[index]
        name = name_of(chart)
        for trace in chart.traces:
            if trace.name == "total":
                lines.append(svg.Line(name, trace.times_ms, trace.values, colour, 2.0, dash))
            elif trace.name == "arming" and index == 0:
                lines.append(
                    svg.Line(f"arming of {name}", trace.times_ms, trace.values, GREY, 1.2, "3 2")
                )
    # Demand far above the threshold says nothing more; keep the threshold in the picture.
    seen = [float(np.nanmax(line.y, initial=0.0)) for line in lines]
    top = min(max([1.3, *(1.08 * v for v in seen)]), 3.0)
    marks = []
    required = [
        row.required_time_ms
        for row in rows
        if row.expectation == "fire" and finite(row.required_time_ms) is not None
    ]
    if required:
        marks.append(svg.Mark(f"required {required[0]:.1f} ms", required[0], INK, "5 3"))
    for index, chart in enumerate(charts[:2]):
        for row in rows:
            fired = finite(row.fire_time_ms)
            if fired is not None and (row.algorithm, row.sensor_set) == (
                chart.algorithm,
                chart.sensor_set,
            ):
                words = f"{name_of(chart)} fires {fired:.1f} ms"
                marks.append(svg.Mark(words, fired, looks[index][0]))
    beyond = "; cut at 3" if max(seen, default=0.0) > 3.0 else ""
    words = restraint_words(restraint)
    return svg.line_chart(
        lines,
        label=f"Demand of {words} over time, the threshold at 1",
        x_label="time from first contact, control-unit clock [ms]",
        y_label=f"{words}: demand [-]{beyond}",
        x_range=x_range,
        y_range=(0.0, top),
        levels=[("threshold", 1.0)],
        marks=marks,
        height=216.0,
    )
