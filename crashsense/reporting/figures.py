"""Figures for files (PNG, SVG, PDF): functions that take numbers already computed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from crashsense.plotting import BLUE, GREY, INK, VERMILION, new_figure
from crashsense.reporting.svg import DemandRow, TimingRow

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FloatArray = npt.NDArray[np.float64]

#: Marker and colour of a verdict.
_MARKERS = {
    "on_time": ("o", BLUE),
    "late": ("^", VERMILION),
    "early": ("<", VERMILION),
    "missed": ("x", VERMILION),
    "rule_error": ("x", VERMILION),
}


def timing_figure(rows: Sequence[TimingRow], *, title: str = "") -> Figure:
    """Required time (bar) and fire time (marker) of must-fire rows [ms].

    A row that never fired carries a cross at the right border.
    """
    figure = new_figure(8.6, 1.0 + 0.27 * max(len(rows), 1))
    axes = figure.add_subplot()
    places = np.arange(len(rows))
    known = [r.required_ms for r in rows if r.required_ms is not None]
    known += [r.fire_ms for r in rows if r.fire_ms is not None]
    border = 1.08 * max([*known, 10.0])
    for place, row in zip(places, rows, strict=True):
        if row.required_ms is not None:
            axes.barh(place, row.required_ms, height=0.6, color="#dfe7ee", zorder=1)
            axes.plot([row.required_ms] * 2, [place - 0.4, place + 0.4], color=INK, lw=2.2)
        marker, colour = _MARKERS.get(row.verdict, ("o", GREY))
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
    axes.legend(
        handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=5, frameon=False
    )
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def demand_figure(rows: Sequence[DemandRow], *, title: str = "") -> Figure:
    """Largest demand [-] of rows that must not fire, against the threshold at 1."""
    figure = new_figure(8.6, 1.0 + 0.27 * max(len(rows), 1))
    axes = figure.add_subplot()
    for place, row in enumerate(rows):
        fired = row.verdict == "inadvertent"
        axes.plot([0.0, row.max_demand], [place, place], color="#9aa3af", lw=1.2, zorder=1)
        axes.plot(
            row.max_demand,
            place,
            marker="D" if fired else "o",
            color=VERMILION if fired else BLUE,
            mfc=VERMILION if fired else "white",
            ms=7,
            ls="none",
            zorder=3,
        )
    axes.axvline(1.0, color=INK, ls="--", lw=1.3)
    axes.set_yticks(np.arange(len(rows)), [row.name for row in rows])
    axes.invert_yaxis()
    axes.set_xlabel("largest demand [-]; 1 fires (filled diamond: fired although it must not)")
    axes.set_xlim(left=0.0)
    axes.spines[["top", "right", "left"]].set_visible(False)
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure
