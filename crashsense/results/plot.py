"""The timing figure of a run, with matplotlib, for files and notebooks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crashsense.plotting import BLUE, GREY, INK, VERMILION, new_figure

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class TimingRow:
    """One must-fire row of the timing figure; times [ms], None where there is none.

    ``spread_ms``: times by which 5 % and 95 % of the random draws had fired, if there are any.
    """

    name: str
    required_ms: float | None
    fire_ms: float | None
    arming_ms: float | None
    verdict: str
    spread_ms: tuple[float, float] | None = None


#: Marker and colour of a verdict.
_MARKERS = {
    "on_time": ("o", BLUE),
    "late": ("^", VERMILION),
    "early": ("<", VERMILION),
    "missed": ("x", VERMILION),
    "rule_error": ("x", VERMILION),
}


def timing_rows(
    nominal: pd.DataFrame, restraint: str | None = None, *, statistics: pd.DataFrame | None = None
) -> list[TimingRow]:
    """Must-fire rows of a nominal table of one sensor set and algorithm, by required time.

    *restraint*: that one alone; *statistics*: of the random draws, as :meth:`Run.statistics`.
    """
    rows = nominal[(nominal["expectation"] == "fire") & (nominal["verdict"] != "not_evaluated")]
    if restraint is not None:
        rows = rows[rows["restraint"] == restraint]
    spreads: dict[tuple[str, str], tuple[float, float]] = {}
    if statistics is not None and len(statistics):
        for one in statistics.itertuples():
            spreads[one.event, one.restraint] = (one.fire_p05_ms, one.fire_p95_ms)

    def time(value: float) -> float | None:
        return None if value != value else float(value)

    return [
        TimingRow(
            row.event if restraint is not None else f"{row.event}: {row.restraint}",
            time(row.required_time_ms),
            time(row.fire_time_ms),
            time(row.arming_time_ms),
            str(row.verdict),
            spreads.get((row.event, row.restraint)),
        )
        for row in rows.sort_values("required_time_ms").itertuples()
    ]


def timing_figure(rows: Sequence[TimingRow], *, title: str = "") -> Figure:
    """Required time (bar) and fire time (marker) of must-fire rows [ms].

    A row that never fired carries a cross at the right border. Where there are draws a line reaches
    from the time by which 5 % had fired to that of 95 %.
    """
    figure = new_figure(8.6, 1.0 + 0.27 * max(len(rows), 1))
    axes = figure.add_subplot()
    places = np.arange(len(rows))
    known = [r.required_ms for r in rows if r.required_ms is not None]
    known += [r.fire_ms for r in rows if r.fire_ms is not None]
    known += [t for r in rows if r.spread_ms for t in r.spread_ms if np.isfinite(t)]
    border = 1.08 * max([*known, 10.0])
    for place, row in zip(places, rows, strict=True):
        if row.required_ms is not None:
            axes.barh(place, row.required_ms, height=0.6, color="#dfe7ee", zorder=1)
            axes.plot([row.required_ms] * 2, [place - 0.4, place + 0.4], color=INK, lw=2.2)
        marker, colour = _MARKERS.get(row.verdict, ("o", GREY))
        if row.spread_ms is not None and not np.isnan(row.spread_ms[0]):
            ends = [min(t, border) for t in row.spread_ms]
            axes.plot(ends, [place, place], color=colour, lw=1.6, marker="|", ms=7, zorder=2)
        fire = border if row.fire_ms is None else row.fire_ms
        axes.plot(fire, place, marker=marker, color=colour, ms=7, mew=2, ls="none", zorder=3)
        if row.arming_ms is not None:
            axes.plot(row.arming_ms, place - 0.3, marker="v", mfc="white", mec=INK, ms=6, ls="none")
    axes.set_yticks(places, [row.name for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.8)
    axes.set_xlabel("time from first contact [ms]")
    axes.set_xlim(right=1.03 * border)
    axes.grid(axis="x", color="#e3e7ec")
    axes.set_axisbelow(True)
    axes.spines[["top", "right", "left"]].set_visible(False)
    handles = [
        axes.plot([], [], color=INK, lw=2.2, label="required time")[0],
        axes.plot([], [], marker="v", mfc="white", mec=INK, ms=6, ls="none", label="armed")[0],
        axes.plot([], [], marker="o", color=BLUE, ls="none", label="fired on time")[0],
        axes.plot([], [], marker="^", color=VERMILION, ls="none", label="fired late")[0],
        axes.plot([], [], marker="x", mew=2, color=VERMILION, ls="none", label="never fired")[0],
    ]
    if any(row.spread_ms for row in rows):
        handles += axes.plot([], [], color=GREY, lw=1.6, marker="|", label="draws, 5 to 95 %")
    axes.legend(
        handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False
    )
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure
