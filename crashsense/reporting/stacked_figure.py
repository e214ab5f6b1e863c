"""The figure of an event for files: the panels of the page, drawn with matplotlib."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from textwrap import fill
from typing import TYPE_CHECKING, Any

from crashsense.plotting import GREY, INK, VERMILION, new_figure, tidy
from crashsense.reporting.event_charts import X_LABEL, FigureParts, figure_parts
from crashsense.reporting.stacked import Panel, reach
from crashsense.resources import CAUTION
from crashsense.results.event_motion import told_about
from crashsense.results.nominal import event_view
from crashsense.results.tally import REQUIRED, rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from crashsense.reporting.svg import Line
    from crashsense.trials import Trial

#: Height of a panel [inch] for each unit of its height on the page, and width of the figure.
INCH, WIDTH = 0.0165, 8.4

Spreads = Mapping[str, tuple[float, float, int, int]]


def trial_event_figure(
    trial: Trial, *, restraint: str | None = None, spreads: Spreads | None = None
) -> Figure:
    """Draw acceleration, velocity, free flight and demand of a trial on one time axis.

    Parameters
    ----------
    trial : one draw of one event, one sensor set and one algorithm
    restraint : whose demand is shown; None: the one that matters most
    spreads : times by which 5 and 95 % of a run's draws had fired
        (:func:`crashsense.reporting.timing.spreads_of`)
    """
    shown = event_view(trial.event, [trial])
    if restraint is not None:
        shown = replace(shown, told=told_about(trial, restraint))
    rows = rows_of(trial.rows)
    required = [row for row in rows if row.expectation in REQUIRED]
    parts = figure_parts(rows, required, shown, spreads=spreads or {})
    title = f"{trial.event.name}, draw {trial.draws[0]}: {trial.sensor_set.name}, "
    return stacked_figure(parts, title=title + trial.algorithm.name)


def stacked_figure(parts: FigureParts, *, title: str) -> Figure:
    """Draw panels above one another on one time axis."""
    panels: Sequence[Panel] = parts.panels or [Panel("nothing is sensed in this event", [])]
    heights = [panel.height for panel in panels]
    figure = new_figure(WIDTH, 1.4 + INCH * sum(heights) + 0.25 * len(panels))
    drawn = figure.subplots(
        len(panels), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )[:, 0]
    for axes, panel in zip(drawn, panels, strict=True):
        _draw(axes, panel, window=parts.window[:2])
        for mark in parts.marks:
            style: Any = (0, tuple(map(float, mark.dash.split()))) if mark.dash else "-"
            axes.axvline(mark.x, color=mark.colour, ls=style, lw=1.2)
    for mark in parts.marks:
        drawn[0].annotate(
            mark.name,
            (mark.x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -9),
            textcoords="offset points",
            fontsize=8,
            color=INK,
        )
    drawn[-1].set_xlim(*parts.window[:2])
    drawn[-1].set_xlabel(X_LABEL)
    figure.supxlabel(fill(f"CAUTION: {CAUTION}", 125), fontsize=7, ha="center")
    told = "" if parts.told is None else f"\n{fill(parts.told.sentence, 100)}"
    figure.suptitle(f"{title}{told}", x=0.01, ha="left", fontsize=10)
    return figure


def _draw(axes: Axes, panel: Panel, *, window: tuple[float, float]) -> None:
    for line in panel.lines:
        axes.plot(
            line.x, line.y, color=line.colour, lw=line.width, ls=_style(line), label=line.name
        )
    low, high = reach(panel, window)
    axes.set_ylim(low, high)
    for words, value in panel.levels:
        if low <= value <= high:
            axes.axhline(value, color=INK, ls=(0, (8, 3)), lw=1.0)
            axes.annotate(
                words, (1.0, value), xycoords=("axes fraction", "data"), xytext=(-3, 2),
                textcoords="offset points", ha="right", fontsize=8,
            )  # fmt: skip
    for first, last in panel.bands:
        axes.axvspan(first, last, fc="none", ec=VERMILION, hatch="////", lw=0.0, alpha=0.7)
    for arrow in panel.arrows:
        style = {"arrowstyle": "->", "color": VERMILION, "lw": 1.6}
        axes.annotate("", (arrow.end, arrow.y), xytext=(arrow.start, arrow.y), arrowprops=style)
        middle = 0.5 * (arrow.start + arrow.end)
        axes.annotate(
            arrow.words, (middle, arrow.y), xytext=(0, 3), textcoords="offset points",
            ha="center", fontsize=8,
        )  # fmt: skip
    if panel.spread is not None:
        first, last, words = panel.spread
        axes.axvspan(max(first, window[0]), min(last, window[1]), color=GREY, alpha=0.25, lw=0.0)
        axes.annotate(
            words, (max(first, window[0]), 0.0), xycoords=("data", "axes fraction"),
            xytext=(3, 4), textcoords="offset points", fontsize=8,
        )  # fmt: skip
    axes.set_title(panel.title, loc="left", fontsize=9, fontweight="bold")
    tidy(axes)
    if len([line for line in panel.lines if line.name]) > 1:
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False, fontsize=8,
            borderaxespad=0.1,
        )  # fmt: skip


def _style(line: Line) -> Any:
    return (0, tuple(map(float, line.dash.split()))) if line.dash else "-"
