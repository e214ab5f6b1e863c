"""Inline SVG charts of the page: functions that take numbers and return text.

A chart uses words, shapes and dash patterns beside colour, states the unit of every axis, and draws
at most :data:`MOST_POINTS` points a trace. Colours are the colour-blind safe set of Okabe and Ito
(Color Universal Design, as remembered).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, isfinite, log10

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.plotting import BLUE, INK, VERMILION
from crashsense.reporting.paths import FINE, Frame, Shape, path_data
from crashsense.results.views import MOST_POINTS


@dataclass(frozen=True)
class Line:
    """A trace with its look.

    ``dash`` is an SVG dash pattern, empty for a solid line; ``look`` names a class of the page's
    style that sets colour, width and dash instead.
    """

    name: str
    x: FloatArray
    y: FloatArray
    colour: str = INK
    width: float = 1.5
    dash: str = ""
    look: str = ""

    def style(self, *, wider: float = 0.0) -> str:
        """Attributes of a path that is drawn in this look."""
        if self.look:
            return f' class="{self.look}"'
        dash = f' stroke-dasharray="{self.dash}"' if self.dash else ""
        return f' stroke="{self.colour}" stroke-width="{self.width + wider:g}"{dash}'


@dataclass(frozen=True)
class Mark:
    """A vertical line at *x* with words: a required time, a fire time."""

    name: str
    x: float
    colour: str = INK
    dash: str = ""


def ticks(low: float, high: float, *, most: int = 7) -> list[float]:
    """Round numbers inside a range, at most *most* of them.

    >>> ticks(0.0, 95.0)
    [0.0, 20.0, 40.0, 60.0, 80.0]
    """
    span = high - low
    if not (isfinite(span) and span > 0.0):
        return [low]
    raw = span / max(most - 1, 1)
    power = 10.0 ** floor(log10(raw))
    step = next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= raw * (1 - 1e-9))
    first = ceil(low / step - 1e-9)
    values = []
    while first * step <= high + 1e-9 * span:
        values.append(round(first * step, 10) + 0.0)
        first += 1
    return values


def padded(values: Sequence[float], *, least: float = 0.0, part: float = 0.06) -> tuple[float, ...]:
    """A range around the values, wider by *part* each side and at least *least* wide."""
    finite = [v for v in values if isfinite(v)] or [0.0]
    low, high = min(finite), max(finite)
    pad = max(part * (high - low), (least - (high - low)) / 2.0, 1e-9)
    return low - pad, high + pad


def number(value: float) -> str:
    """A tick label: no trailing zeros, a true minus sign.

    >>> number(-20.0), number(0.25)
    ('−20', '0.25')
    """
    text = f"{value:.6g}"
    return text.replace("-", "−")


def label_at(x: float, y: float, words: str, *, anchor: str = "start", extra: str = "") -> str:
    """Words at a place of a chart."""
    end = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{x:.0f}" y="{y:.0f}"{end}{extra}>{escape(words)}</text>'


def _decades(low: float, high: float) -> list[float]:
    """Whole powers of ten inside a range of exponents."""
    return [float(k) for k in range(ceil(low - 1e-9), floor(high + 1e-9) + 1)]


def _axes(
    frame: Frame, *, x_label: str, y_label: str, y_ticks: int = 5, decades: bool = False
) -> list[str]:
    bottom = frame.top + frame.height
    right = frame.left + frame.width
    out = []
    values = _decades(*frame.y_range) if decades else ticks(*frame.y_range, most=y_ticks)
    for value in values:
        y = frame.y(value)
        words = number(10.0**value if decades else value)
        out.append(f'<path class="grid" d="M{frame.left:.1f} {y:.1f}H{right:.1f}"/>')
        out.append(label_at(frame.left - 6, y + 4, words, anchor="end"))
    for value in _decades(*frame.x_range) if decades else ticks(*frame.x_range, most=9):
        x = frame.x(value)
        words = number(10.0**value if decades else value)
        out.append(f'<path class="axis" d="M{x:.1f} {bottom:.1f}v4"/>')
        out.append(label_at(x, bottom + 16, words, anchor="middle"))
    out.append(f'<path class="axis" d="M{frame.left:.1f} {bottom:.1f}H{right:.1f}"/>')
    out.append(label_at(right, bottom + 32, x_label, anchor="end"))
    out.append(label_at(6, 13, y_label, extra=' class="unit"'))
    return out


#: Width of a letter and height of a line of text in a chart [px]; the width is an estimate.
_LETTER = 6.4
_LINE = 16.0


def _legend_rows(lines: Sequence[Line], *, width: float) -> list[list[tuple[float, Line]]]:
    """Entries of the legend with their place along a row, in as many rows as the width asks."""
    rows: list[list[tuple[float, Line]]] = [[]]
    x = 0.0
    for line in lines:
        size = 26 + _LETTER * len(line.name)
        if rows[-1] and x + size > width:
            rows.append([])
            x = 0.0
        rows[-1].append((x, line))
        x += size + 18
    return rows


def _legend(rows: Sequence[Sequence[tuple[float, Line]]], *, left: float, y: float) -> list[str]:
    # The sample of the line stands before its words.
    out = []
    placed = [(left + x, k, line) for k, row in enumerate(rows) for x, line in row]
    for x, row_number, line in placed:
        base = y + _LINE * row_number
        dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
        out.append(
            f'<path d="M{x:.1f} {base - 4:.1f}h21" fill="none" stroke="{line.colour}" '
            f'stroke-width="{line.width + 0.5:g}"{dash}/>'
        )
        out.append(label_at(x + 26, base, line.name))
    return out


def trace_path(line: Line, *, frame: Frame, most: int = MOST_POINTS) -> str:
    """A trace inside a frame, thinned out to *most* points; scaled if it has no look."""
    return trace_paths([Stroke(line, frame, most)])[0]


@dataclass(frozen=True, eq=False)
class Stroke:
    """A trace, the frame in which it is drawn, and how many points it keeps at most."""

    line: Line
    frame: Frame
    most: int = MOST_POINTS


def trace_paths(strokes: Sequence[Stroke], *, fine: int = FINE) -> list[str]:
    """Traces, each inside its frame, as :func:`trace_path`: many together take less time."""
    shapes = [Shape(s.line.x, s.line.y, s.frame, s.most) for s in strokes]
    out = []
    for stroke, data in zip(strokes, path_data(shapes, fine=fine), strict=True):
        line = stroke.line
        if not data:
            out.append("")
        elif line.look:
            out.append(f'<path{line.style()} d="{data}"/>')
        else:
            scale = f'transform="scale({1 / fine})"'
            out.append(f'<path class="trace" {scale} d="{data}"{line.style()}/>')
    return out


def _marks(marks: Sequence[Mark], *, frame: Frame) -> list[str]:
    out = []
    shown = [m for m in marks if frame.x_range[0] <= m.x <= frame.x_range[1]]
    for row, mark in enumerate(sorted(shown, key=lambda m: m.x)):
        x = frame.x(mark.x)
        y = frame.top + 12 + 14 * (row % 3)
        dash = f' stroke-dasharray="{mark.dash}"' if mark.dash else ""
        out.append(
            f'<path d="M{x:.1f} {frame.top:.1f}v{frame.height:.1f}" stroke="{mark.colour}" '
            f'stroke-width="1.2"{dash}/>'
        )
        end = frame.left + frame.width
        size = _LETTER * len(mark.name)
        crowded = x > frame.left + 0.72 * frame.width or x + 4 + size > end
        near_end = crowded and x - 4 - size > 0.0
        out.append(
            label_at(
                x - 4 if near_end else x + 4,
                y,
                mark.name,
                anchor="end" if near_end else "start",
                extra=' class="halo"',
            )
        )
    return out


def line_chart(
    lines: Sequence[Line],
    *,
    label: str,
    x_label: str,
    y_label: str,
    x_range: tuple[float, float],
    y_range: tuple[float, float] | None = None,
    levels: Sequence[tuple[str, float]] = (),
    marks: Sequence[Mark] = (),
    bands: Sequence[tuple[float, float]] = (),
    width: float = 560.0,
    height: float = 230.0,
    decades: bool = False,
) -> str:
    """Draw traces over time, or over another quantity.

    Parameters
    ----------
    lines : traces, drawn in order
    label : what the chart shows, in words (for screen readers)
    x_label, y_label : axis titles with their unit
    x_range, y_range : data ranges; without *y_range* the traces inside *x_range* decide
    levels : horizontal lines, name and value
    marks : vertical lines
    bands : hatched time intervals
    decades : both axes are exponents of ten, labelled as the numbers
    """
    if y_range is None:
        seen = [0.0, *(value for _, value in levels)]
        for line in lines:
            inside = (line.x >= x_range[0]) & (line.x <= x_range[1]) & np.isfinite(line.y)
            if inside.any():
                seen += [float(line.y[inside].min()), float(line.y[inside].max())]
        low, high = padded(seen, least=1e-3)
        y_range = (low, high)
    legend = _legend_rows(lines, width=width - 58.0)
    more = _LINE * (len(legend) - 1)
    frame = Frame(x_range, y_range, 48.0, 42.0 + more, width - 58.0, height - 82.0)
    height += more
    out = [
        f'<svg class="chart" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(label, quote=True)}">'
    ]
    for first, last in bands:
        x0, x1 = (frame.x(min(max(v, x_range[0]), x_range[1])) for v in (first, last))
        out.append(
            f'<rect x="{x0:.1f}" y="{frame.top:g}" width="{max(x1 - x0, 3.0):.1f}" '
            f'height="{frame.height:g}" fill="url(#hatch)"/>'
        )
    out += _axes(frame, x_label=x_label, y_label=y_label, decades=decades)
    if y_range[0] < 0.0 < y_range[1]:
        out.append(f'<path class="zero" d="M{frame.left:g} {frame.y(0.0):.1f}h{frame.width:g}"/>')
    out += [trace_path(line, frame=frame) for line in lines]
    for name, value in levels:
        if y_range[0] <= value <= y_range[1]:
            y = frame.y(value)
            out.append(f'<path class="level" d="M{frame.left:g} {y:.1f}h{frame.width:g}"/>')
            out.append(
                label_at(
                    frame.left + frame.width - 4,
                    y + 13 if y - frame.top < 16.0 else y - 4,
                    name,
                    anchor="end",
                    extra=' class="halo"',
                )
            )
    out += _marks(marks, frame=frame)
    out += _legend(legend, left=frame.left, y=31.0)
    out.append("</svg>")
    return "".join(out)


def glyph(shape: str, colour: str) -> str:
    """A mark centred on the origin: ``dot``, ``triangle``, ``cross``, ``ring`` or ``diamond``."""
    if shape == "dot":
        return f'<circle r="4.5" fill="{colour}"/>'
    if shape == "ring":
        return f'<circle r="4.2" fill="#fff" stroke="{colour}" stroke-width="1.8"/>'
    if shape == "triangle":
        return f'<path d="M0 -6l5.6 10h-11.2z" fill="{colour}"/>'
    if shape == "diamond":
        return f'<path d="M0 -6l6 6l-6 6l-6 -6z" fill="{colour}"/>'
    return f'<path d="M-5 -5l10 10m0 -10l-10 10" stroke="{colour}" stroke-width="2.6"/>'


@dataclass(frozen=True)
class DemandRow:
    """One must-not-fire row: largest demand, 1 fires."""

    name: str
    anchor: str
    max_demand: float
    verdict: str
    held_by: str = ""
    key: str = ""


def demand_chart(rows: Sequence[DemandRow], *, label: str, width: float = 900.0) -> str:
    """Largest demand of rows that must not fire, against the threshold at 1."""
    left, right, pitch, top = 250.0, 170.0, 20.0, 24.0
    finite = [r.max_demand for r in rows if isfinite(r.max_demand)]
    high = min(max([1.25, *(1.05 * v for v in finite)]), 3.0)
    frame = Frame((0.0, high), (0.0, 1.0), left, top, width - left - right, pitch * len(rows))
    bottom = top + frame.height
    height = bottom + 44.0
    out = [
        f'<svg class="chart wide" viewBox="0 0 {width:g} {height:g}" role="group" '
        f'aria-label="{escape(label, quote=True)}">'
    ]
    for value in ticks(0.0, high, most=8):
        x = frame.x(value)
        out.append(f'<path class="grid" d="M{x:.1f} {top:g}V{bottom:g}"/>')
        out.append(label_at(x, bottom + 16, number(value), anchor="middle"))
    out.append(
        label_at(left + frame.width, bottom + 34, "largest demand [-], 1 fires", anchor="end")
    )
    one = frame.x(1.0)
    out.append(f'<path class="level" d="M{one:.1f} {top - 6:g}V{bottom:g}"/>')
    out.append(label_at(one, top - 9, "threshold", anchor="middle"))
    for index, row in enumerate(rows):
        y = top + pitch * (index + 0.5)
        beyond = row.max_demand > high
        x = frame.x(min(row.max_demand, high))
        fired = row.verdict == "inadvertent"
        shape, colour = ("diamond", VERMILION) if fired else ("ring", BLUE)
        words = "inadvertent" if fired else f"held by {row.held_by}" if row.held_by else "held"
        tail = f" {row.max_demand:.2f}" + (" (off scale)" if beyond else "")
        out.append(
            f'<a href="#{escape(row.anchor, quote=True)}">'
            + label_at(left - 10, y + 4, row.name, anchor="end")
            + "</a>"
            + f'<path class="stem" d="M{left:g} {y:.1f}H{x:.1f}"/>'
            + f'<g transform="translate({x:.1f} {y:.1f})">{glyph(shape, colour)}</g>'
            + label_at(left + frame.width + 10, y + 4, words + tail, extra=' class="outcome"')
        )
    out.append("</svg>")
    return "".join(out)
