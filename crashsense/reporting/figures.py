"""Figures for files (PNG, SVG, PDF): functions that take numbers already computed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from crashsense.plotting import BLUE, INK, VERMILION, new_figure
from crashsense.reporting.svg import DemandRow
from crashsense.results.plot import TimingRow, timing_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure


__all__ = ["TimingRow", "demand_figure", "timing_figure"]


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
