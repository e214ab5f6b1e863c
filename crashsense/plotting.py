"""The look of figures in files: one palette, one set of line styles, and shared panels.

Colours come from a colour-blind safe set and never carry meaning alone: line style, marker or label
repeats it, so that a figure can be read in grey. Figures use the Agg canvas: they need no display
and change no global state.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from crashsense.signal import Signal

BLUE = "#0072b2"
VERMILION = "#b84a00"
GREEN = "#00795a"
GREY = "#6b7280"
INK = "#1c2430"

#: Colour and line style of the first, second, ... line of a panel.
LINES: tuple[tuple[str, str], ...] = (
    (BLUE, "-"),
    (VERMILION, "--"),
    (GREEN, ":"),
    (INK, "-."),
    (GREY, "--"),
)

#: Size of the caution [points], and characters of its lines that are not cut at a figure's edges.
CAUTION_SIZE, CHARACTERS_PER_INCH = 6.5, 16

#: What a file's unit is called on an axis.
UNIT_NAMES: Mapping[str, str] = {"g": "g", "deg_s": "deg/s", "kpa": "kPa"}


def import_without_help() -> None:
    """Import matplotlib as a program needs it: a sixth of the import is help that nobody reads.

    Matplotlib writes the help text of ``set`` of each of its hundred artists when it is imported.
    """
    from matplotlib import artist

    module: Any = artist
    written = module.kwdoc
    module.kwdoc = lambda of: ""
    try:
        _shown_figure()
    finally:
        module.kwdoc = written


def new_figure(width: float, height: float, *, laid_out: bool = True) -> Figure:
    """Return an empty figure [inch].

    *laid_out*: so that labels are not cut, for which it is drawn twice; else the caller places
    its panels.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = _shown_figure()(figsize=(width, height), layout="constrained" if laid_out else None)
    FigureCanvasAgg(figure)
    return figure


@lru_cache(maxsize=1)
def _shown_figure() -> type[Figure]:
    """A figure that notebooks display even if pyplot has not been imported."""
    from matplotlib.figure import Figure

    class ShownFigure(Figure):
        def _repr_png_(self) -> bytes:
            drawn = BytesIO()
            self.savefig(drawn, format="png", dpi=100)
            return drawn.getvalue()

    return ShownFigure


def save(figure: Figure, path: Path | str) -> Path:
    """Write a figure with the caution; the suffix of *path* decides the format.

    A caution that the figure shows already is not repeated. The file carries no date.
    """
    _with_caution(figure)
    target = Path(path)
    metadata = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(target.suffix)
    figure.savefig(target, dpi=130, metadata=metadata)
    return target


def _with_caution(figure: Figure) -> None:
    texts = [*figure.texts, *(legend.get_title() for legend in figure.legends)]
    if any(CAUTION in " ".join(text.get_text().split()) for text in texts):
        return
    words = fill(f"CAUTION: {CAUTION}", int(CHARACTERS_PER_INCH * figure.get_figwidth()))
    if figure.legends:  # below the panels, where the label would lie upon it
        figure.legends[-1].set_title(words)
        figure.legends[-1].get_title().set_fontsize(CAUTION_SIZE)
    else:
        figure.supxlabel(words, fontsize=CAUTION_SIZE)


def tidy(axes: Axes) -> None:
    """Give a panel the common look: light grid behind the lines, no frame."""
    axes.grid(color="#e3e7ec", lw=0.7)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)


def signal_panels(signals: Mapping[str, Signal], *, title: str = "", width: float = 8.0) -> Figure:
    """Draw channels in stacked panels on one time axis, in the units of files (g, deg/s, kPa).

    Parameters
    ----------
    signals : channel -> signal; of a block (draws, samples) the first row, the nominal draw, is
        drawn as a line and the range of the others as a band behind it
    title : above the panels
    width : of the figure [inch]
    """
    names: Sequence[str] = list(signals)
    figure = new_figure(width, 0.7 + 1.35 * max(len(names), 1))
    panels = figure.subplots(max(len(names), 1), 1, sharex=True, squeeze=False)[:, 0]
    for axes, name in zip(panels, names, strict=False):
        signal = signals[name]
        channel = CHANNELS.get(name)
        scale = channel.file_scale if channel else 1.0
        unit = UNIT_NAMES[channel.file_unit] if channel else signal.unit
        rows = np.atleast_2d(signal.samples) / scale
        times = 1e3 * signal.times_s
        if rows.shape[0] > 1:
            low, high = rows[1:].min(axis=0), rows[1:].max(axis=0)
            words = f"range of {rows.shape[0] - 1} random draws"
            axes.fill_between(times, low, high, color=BLUE, alpha=0.25, lw=0.0, label=words)
        axes.plot(times, rows[0], color=BLUE, lw=0.9, label="nominal draw")
        if rows.shape[0] > 1:
            axes.legend(loc="best", fontsize=8)
        axes.axvline(0.0, color=GREY, ls=":", lw=1.0)
        axes.set_ylabel(f"{name}\n[{unit}]", fontsize=8)
        tidy(axes)
    panels[-1].set_xlabel("time from time zero [ms]")
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure
