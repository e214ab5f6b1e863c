"""The self-contained page: ``report.html``, readable without network, script or colour."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense.reporting import svg
from crashsense.reporting.summary import (
    NOT_MET,
    WORDS,
    counts,
    failed_rows,
    held_by_arming_only,
    required_rows,
    requirements_met,
    worst_margins,
)
from crashsense.reporting.view import DemandChart, EventView, RunView, SensedChannel, view_of
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]

#: Threshold scales of the what-if slider.
SCALES = np.round(np.arange(0.5, 2.0001, 0.01), 2)

#: Verdict -> the mark that stands beside its word.
MARKS = {
    "on_time": "●",
    "held": "○",
    "late": "▲",
    "missed": "✕",
    "early": "◀",
    "inadvertent": "◆",
    "rule_error": "!",
    "open_fired": "·",
    "open_held": "·",
    "not_evaluated": "?",
}

RESTRAINT_WORDS = {
    "front_airbag_stage_1": "front bag, stage 1",
    "front_airbag_stage_2": "front bag, stage 2",
    "belt_pretensioner": "belt pretensioner",
    "side_airbag_left": "side bag, left",
    "side_airbag_right": "side bag, right",
    "curtain_left": "curtain, left",
    "curtain_right": "curtain, right",
}


def write_report(run: Any, folder: Path | str) -> Path:
    """Write ``report.html`` of a run into *folder* and return its path.

    The page is written event by event to a temporary name and then renamed, so that a big run needs
    the traces of one event in memory only, and a reader never meets half a page.
    """
    view = view_of(run)
    target = Path(folder) / "report.html"
    temporary = target.with_name(f".report.{os.getpid()}.tmp")
    try:
        with temporary.open("w", encoding="utf-8") as stream:
            for part in page_parts(view):
                stream.write(part)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)
    return target


def page_parts(view: RunView) -> Iterator[str]:
    """Yield the page in parts."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["slug"] = slug
    environment.filters["signed"] = lambda v: f"{v:+.2f}".replace("-", "−")
    environment.filters["ms"] = lambda v: "" if v is None or v != v else f"{v:.1f}"
    environment.filters["words"] = lambda v: v if isinstance(v, str) else ""
    what_if = WhatIf()
    nominal = view.verdicts[view.verdicts["draw"] == 0]
    template = environment.get_template("report.html.j2")
    yield from template.generate(
        caution=CAUTION,
        view=view,
        facts=_facts(view),
        outcome=_outcome(view),
        count_rows=_count_rows(nominal, gating=view.gating),
        combinations=_combinations(view, nominal),
        events=_events(view, nominal, what_if=what_if),
        what_if=what_if,
        words=WORDS,
        marks=MARKS,
        restraint_words=RESTRAINT_WORDS,
        not_met=NOT_MET,
    )


def slug(text: str) -> str:
    """A name as a page anchor.

    >>> slug("Wall 56 (belted)")
    'wall-56-belted'
    """
    return re.sub(r"[^a-z0-9_]+", "-", text.lower()).strip("-")


def anchor(event: str) -> str:
    """Anchor of an event's section."""
    return f"event-{slug(event)}"


# -- overview --------------------------------------------------------------------------------------


def _facts(view: RunView) -> list[tuple[str, str]]:
    frame = view.verdicts
    draws = int(frame.loc[frame["draw"] > 0, "draw"].nunique())
    facts = [
        ("events", str(frame["event"].nunique())),
        ("sensor sets", ", ".join(sorted(frame["sensor_set"].unique()))),
        ("algorithms", ", ".join(sorted(frame["algorithm"].unique()))),
        ("draws", f"nominal and {draws} random (seed {view.seed})" if draws else "nominal only"),
        ("rows", f"{len(frame):,}".replace(",", " ")),
    ]
    return facts + list(view.provenance.items())


def _outcome(view: RunView) -> dict[str, Any]:
    gated = [name for name, gate in view.gating.items() if gate]
    own = view.verdicts[view.verdicts["algorithm"].isin(gated)]
    required = required_rows(own)
    failed = failed_rows(own)
    return {
        "gated": gated,
        "met": requirements_met(view.verdicts, gating=view.gating),
        "required": len(required),
        "failed": len(failed),
        "unjudged": int((required["verdict"] == "not_evaluated").sum()),
    }


def _count_rows(nominal: pd.DataFrame, *, gating: Mapping[str, bool]) -> list[dict[str, Any]]:
    return [
        {
            "sensor_set": key[0],
            "algorithm": key[1],
            "gate": gating.get(key[1], True),
            **{name: int(row[name]) for name in row.index},
        }
        for key, row in counts(nominal).iterrows()
    ]


@dataclass
class Combination:
    """What the page shows of one sensor set and algorithm."""

    sensor_set: str
    algorithm: str
    gate: bool
    timing: list[tuple[str, str]]
    demand: list[tuple[str, str]]
    matrix: list[dict[str, Any]]
    restraints: list[str]
    failed: list[dict[str, Any]]
    margins: list[Any]
    arming_only: list[Any]
    separation: list[dict[str, Any]]


def _combinations(view: RunView, nominal: pd.DataFrame) -> list[Combination]:
    out = []
    keys = nominal[["sensor_set", "algorithm"]].drop_duplicates().itertuples(index=False)
    for sensor_set, algorithm in keys:
        rows = nominal[(nominal["sensor_set"] == sensor_set) & (nominal["algorithm"] == algorithm)]
        drawn = view.verdicts[
            (view.verdicts["sensor_set"] == sensor_set)
            & (view.verdicts["algorithm"] == algorithm)
            & (view.verdicts["draw"] > 0)
        ]
        failures = failed_rows(drawn).groupby(["event", "restraint"]).size().to_dict()
        draws = int(drawn["draw"].nunique())
        out.append(
            Combination(
                sensor_set,
                algorithm,
                view.gating.get(algorithm, True),
                timing=_timing(rows),
                demand=_demand(rows),
                matrix=_matrix(rows, failures=failures),
                restraints=list(dict.fromkeys(rows["restraint"])),
                failed=_failed(rows, failures=failures, draws=draws),
                margins=list(worst_margins(rows, most=8).itertuples()),
                arming_only=list(held_by_arming_only(rows).itertuples()),
                separation=_separation(view, sensor_set=sensor_set, algorithm=algorithm),
            )
        )
    return sorted(out, key=lambda c: (not c.gate, c.algorithm, c.sensor_set))


def _separation(view: RunView, *, sensor_set: str, algorithm: str) -> list[dict[str, Any]]:
    out = []
    for entry in view.separation:
        if entry["algorithm"] != algorithm or entry.get("sensor_set", sensor_set) != sensor_set:
            continue
        c, m = float(entry["c"]), float(entry["m"])
        out.append(
            {
                "restraint": entry["restraint"],
                "c": f"{c:.2f}" if np.isfinite(c) else "none",
                "m": f"{m:.2f}" if np.isfinite(m) else "none",
                "ratio": f"{c / m:.2f}" if np.isfinite(c) and np.isfinite(m) and m > 0 else "",
                "works": ""
                if not (np.isfinite(c) and np.isfinite(m))
                else f"{m:.2f} < k ≤ {c:.2f}"
                if m < c
                else "no scale works",
            }
        )
    return out


def _finite(value: Any) -> float | None:
    return None if value is None or value != value else float(value)


def _timing(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """One chart a restraint with must-fire rows, sorted by required time."""
    out = []
    for restraint, group in rows[rows["expectation"] == "fire"].groupby("restraint", sort=False):
        judged = group[group["verdict"] != "not_evaluated"].sort_values("required_time_ms")
        if judged.empty:
            continue
        chart = svg.timing_chart(
            [
                svg.TimingRow(
                    row.event,
                    anchor(row.event),
                    _finite(row.required_time_ms),
                    _finite(row.fire_time_ms),
                    _finite(getattr(row, "arming_time_ms", None)),
                    row.verdict,
                )
                for row in judged.itertuples()
            ],
            label=f"Required and fire time of {RESTRAINT_WORDS.get(restraint, restraint)}",
        )
        out.append((str(restraint), chart))
    return out


#: Rows that must not fire and stay below this are counted, not drawn.
FAR_DEMAND = 0.2


def _demand(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """One chart a restraint with must-not-fire rows, the largest demand first."""
    out = []
    chosen = rows[(rows["expectation"] == "no_fire") & (rows["verdict"] != "not_evaluated")]
    for restraint, group in chosen.groupby("restraint", sort=False):
        ordered = group.sort_values("max_demand", ascending=False)
        # Rows far from the threshold are counted, not drawn.
        top = ordered[ordered["max_demand"] >= FAR_DEMAND].head(25)
        chart = svg.demand_chart(
            [
                svg.DemandRow(
                    row.event,
                    anchor(row.event),
                    float(row.max_demand),
                    row.verdict,
                    row.held_by if isinstance(row.held_by, str) else "",
                )
                for row in top.itertuples()
            ],
            label=f"Largest demand of {RESTRAINT_WORDS.get(restraint, restraint)} "
            "in events that must not fire it",
        )
        chart = chart if len(top) else ""
        rest = len(ordered) - len(top)
        below = FAR_DEMAND if len(top) < 25 else float(top["max_demand"].min())
        note = f": {rest} of {len(ordered)} events stay below {below:.2f}" if rest else ""
        out.append((f"{restraint}|{note}", chart))
    return out


def _matrix(rows: pd.DataFrame, *, failures: Mapping[Any, int]) -> list[dict[str, Any]]:
    out = []
    for event, group in rows.groupby("event", sort=False):
        cells = {}
        for row in group.itertuples():
            cells[row.restraint] = {
                "verdict": row.verdict,
                "expectation": row.expectation,
                "margin": _finite(row.demand_margin),
                "time_margin": _finite(row.time_margin_ms),
                "failures": failures.get((event, row.restraint), 0),
            }
        out.append({"event": event, "family": group["family"].iloc[0], "cells": cells})
    return out


def _failed(rows: pd.DataFrame, *, failures: Mapping[Any, int], draws: int) -> list[dict[str, Any]]:
    """Rows not met in the nominal draw or in some random draw."""
    out = []
    for row in required_rows(rows).itertuples():
        number = failures.get((row.event, row.restraint), 0)
        if row.verdict in NOT_MET or number:
            out.append({"row": row, "failures": number, "draws": draws})
    return sorted(out, key=lambda f: (f["row"].verdict not in NOT_MET, -f["failures"]))


# -- what if ---------------------------------------------------------------------------------------


@dataclass
class WhatIf:
    """Fire time of every required row at every threshold scale of the slider (nominal draw)."""

    rows: list[dict[str, Any]] = field(default_factory=list)

    def add(self, row: Any, chart: DemandChart) -> None:
        """Add one verdict row with its demand traces."""
        times, demand = effective_demand(chart)
        self.rows.append(
            {
                "e": row.event,
                "r": RESTRAINT_WORDS.get(row.restraint, row.restraint),
                "a": row.algorithm,
                "s": row.sensor_set,
                "x": row.expectation,
                "q": _finite(row.required_time_ms),
                "b": _finite(getattr(row, "not_before_ms", None)) or 0.0,
                "f": fire_curve(times, demand),
            }
        )

    def json(self) -> str:
        """The rows as JSON that is safe inside a script element."""
        text = json.dumps(self.rows, separators=(",", ":"), allow_nan=False)
        return text.replace("<", "\\u003c")


def effective_demand(chart: DemandChart) -> tuple[FloatArray, FloatArray]:
    """Demand whose threshold is scaled: the main branch where the rule is armed, else 0.

    Scaling leaves arming alone. Without arming the total is scaled.
    """
    traces = {trace.name: trace for trace in chart.traces}
    main = traces.get("main", traces["total"])
    if "arming" not in traces:
        return main.times_ms, main.values
    return main.times_ms, np.where(traces["arming"].values >= 1.0, main.values, 0.0)


def fire_curve(times_ms: FloatArray, demand: FloatArray) -> list[list[float]]:
    """Fire time at every scale of :data:`SCALES`, as steps ``[last scale, time]``.

    Scales above the last step never fire. Exact at the scales of the slider.

    >>> fire_curve(np.array([1.0, 2.0]), np.array([0.6, 1.2]))
    [[0.6, 1.0], [1.2, 2.0]]
    """
    running = np.maximum.accumulate(np.nan_to_num(demand, nan=0.0, posinf=1e9))
    index = np.searchsorted(running, SCALES - 1e-12, side="left")
    steps: list[list[float]] = []
    for scale, first in zip(SCALES.tolist(), index.tolist(), strict=True):
        if first >= running.size:
            break
        time = round(float(times_ms[first]), 2)
        if steps and steps[-1][1] == time:
            steps[-1][0] = scale
        else:
            steps.append([scale, time])
    return steps


# -- one event -------------------------------------------------------------------------------------


def _events(view: RunView, nominal: pd.DataFrame, *, what_if: WhatIf) -> Iterator[dict[str, Any]]:
    gated = {name for name, gate in view.gating.items() if gate}
    drawn: dict[tuple[str, ...], str] = {}
    for event, rows in nominal.groupby("event", sort=False):
        failed = failed_rows(rows[rows["algorithm"].isin(gated)])
        shown = None if view.event_view is None else view.event_view(str(event))
        page: dict[str, Any] = {
            "name": event,
            "family": rows["family"].iloc[0],
            "rows": list(required_rows(rows).itertuples()),
            "open_rows": list(rows[rows["expectation"] == "open"].itertuples()),
            "failed": len(failed),
            "view": shown,
            "signals": [],
            "demands": [],
            "same_as": None,
        }
        if shown is not None:
            window = time_window(rows, shown)
            page["window"] = window
            key = (str(rows["occurrence"].iloc[0]), *window[2:], *(map(str, window[:2])))
            page["same_as"] = drawn.setdefault(key, str(event))
            if page["same_as"] == event:
                page["same_as"] = None
                page["signals"] = [signal_chart(c, x_range=window[:2]) for c in shown.channels]
            page["demands"] = _demand_charts(rows, shown, x_range=window[:2])
            charts = {(d.sensor_set, d.algorithm, d.restraint): d for d in shown.demands}
            for row in required_rows(rows).itertuples():
                chart = charts.get((row.sensor_set, row.algorithm, row.restraint))
                if chart is not None and row.verdict in (
                    "on_time",
                    "late",
                    "missed",
                    "early",
                    "held",
                    "inadvertent",
                ):
                    what_if.add(row, chart)
        yield page


def time_window(rows: pd.DataFrame, view: EventView) -> tuple[Any, ...]:
    """First and last time [ms] to draw of an event, and words where that is not all of it."""
    first = min((c.raw.times_ms[0] for c in view.channels), default=0.0)
    last = max((c.raw.times_ms[-1] for c in view.channels), default=100.0)
    fire = rows[rows["expectation"] == "fire"]
    if fire.empty:
        return float(max(first, -20.0)), float(last), ""
    latest = np.nanmax([*fire["required_time_ms"], *fire["fire_time_ms"].astype(float), 0.0])
    end = float(min(last, max(60.0, 10.0 * np.ceil((1.6 * latest + 15.0) / 10.0))))
    words = f"shown to {end:.0f} ms of {last:.0f} ms" if end < last else ""
    return float(max(first, -10.0)), end, words


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
        bands = intervals(channel.raw.times_ms, np.abs(channel.raw.values) > limit)
    chart = svg.line_chart(
        [
            svg.Line(
                "true, at the sensor", channel.raw.times_ms, channel.raw.values, svg.GREY, 1.0
            ),
            svg.Line(
                "as the control unit gets it",
                channel.sensed.times_ms,
                channel.sensed.values,
                svg.BLUE,
                1.9,
            ),
        ],
        label=f"{channel.channel}: true and sensed signal over time",
        x_label="time from first contact [ms]",
        y_label=f"{channel.channel} [{channel.unit}]",
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


def intervals(times: FloatArray, flags: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """First and last time of each run of flagged samples, near ones joined.

    >>> intervals(np.arange(6.0), np.array([0, 1, 1, 0, 0, 1], dtype=bool))
    [(1.0, 2.0), (5.0, 5.0)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(int), [0]))))
    out: list[tuple[float, float]] = []
    near = 0.004 * float(times[-1] - times[0]) if times.size else 0.0
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        start, end = float(times[first]), float(times[last])
        if out and start - out[-1][1] < near:
            out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return out


#: Demand below this everywhere gets a sentence, not a chart.
SMALL_DEMAND = 0.05


def _demand_charts(
    rows: pd.DataFrame, view: EventView, *, x_range: tuple[float, float]
) -> list[dict[str, Any]]:
    out = []
    quiet = []
    for restraint in dict.fromkeys(d.restraint for d in view.demands):
        charts = [d for d in view.demands if d.restraint == restraint]
        own = rows[rows["restraint"] == restraint]
        largest = max(
            float(np.nanmax(t.values, initial=0.0))
            for d in charts
            for t in d.traces
            if t.name == "total"
        )
        scored = (own["expectation"] != "open").any()
        if largest < SMALL_DEMAND or (not scored and largest < 0.5):
            quiet.append(RESTRAINT_WORDS.get(restraint, restraint))
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
    rows: pd.DataFrame,
    *,
    restraint: str,
    x_range: tuple[float, float],
) -> str:
    """Demand of one restraint over time: every algorithm, branches of the first."""
    several_sets = len({c.sensor_set for c in charts}) > 1
    lines = []
    looks = [(svg.BLUE, ""), (svg.VERMILION, "7 3"), (svg.GREEN, "2 3"), (svg.INK, "9 3 2 3")]
    for index, chart in enumerate(charts[: len(looks)]):
        colour, dash = looks[index]
        name = chart.algorithm + (f" / {chart.sensor_set}" if several_sets else "")
        for trace in chart.traces:
            if trace.name == "total":
                lines.append(svg.Line(name, trace.times_ms, trace.values, colour, 2.0, dash))
            elif trace.name == "arming" and index == 0:
                lines.append(
                    svg.Line(
                        f"arming of {name}", trace.times_ms, trace.values, svg.GREY, 1.2, "3 2"
                    )
                )
    # Demand far above the threshold says nothing more; keep the threshold in the picture.
    seen = [float(np.nanmax(line.y, initial=0.0)) for line in lines]
    top = min(max([1.3, *(1.08 * v for v in seen)]), 3.0)
    marks = []
    required = rows["required_time_ms"].astype(float).dropna()
    if len(required) and (rows["expectation"] == "fire").any():
        value = float(required.iloc[0])
        marks.append(svg.Mark(f"required {value:.1f} ms", value, svg.INK, "5 3"))
    for index, chart in enumerate(charts[:2]):
        hit = (
            rows[(rows["algorithm"] == chart.algorithm) & (rows["sensor_set"] == chart.sensor_set)][
                "fire_time_ms"
            ]
            .astype(float)
            .dropna()
        )
        if len(hit):
            value = float(hit.iloc[0])
            marks.append(
                svg.Mark(f"{chart.algorithm} fires {value:.1f} ms", value, looks[index][0])
            )
    beyond = "; cut at 3" if max(seen, default=0.0) > 3.0 else ""
    words = RESTRAINT_WORDS.get(restraint, restraint)
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
