"""Panels above one another on one time axis: the figure of an event, as inline SVG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html import escape

from crashsense.plotting import INK
from crashsense.reporting.svg import (
    Frame,
    Line,
    Mark,
    Stroke,
    label_at,
    number,
    padded,
    ticks,
    trace_paths,
)

#: Width of the figure, its margins, and an estimate of the width of a letter [px].
WIDTH, LEFT, RIGHT = 640.0, 46.0, 16.0
INNER = WIDTH - LEFT - RIGHT
HEAD, GAP, FOOT = 20.0, 8.0, 36.0
LETTER = 7.3

#: Subdivision of a unit in the coordinates of traces.
FINE = 2


@dataclass(frozen=True)
class Arrow:
    """A horizontal arrow at height *y* from one time to an earlier one, with words."""

    start: float
    end: float
    y: float
    words: str


@dataclass(frozen=True)
class Panel:
    """One panel of a figure.

    ``title`` names quantity and unit; ``levels`` are horizontal lines with labels, ``bands``
    hatched stretches of time, ``spread`` a stretch of time in plain tint with a label.
    """

    title: str
    lines: Sequence[Line]
    height: float = 92.0
    y_range: tuple[float, float] | None = None
    levels: Sequence[tuple[str, float]] = ()
    bands: Sequence[tuple[float, float]] = ()
    arrows: Sequence[Arrow] = field(default=())
    spread: tuple[float, float, str] | None = None


@dataclass(frozen=True, eq=False)
class Stack:
    """Panels on one time axis.

    ``label`` says what the chart shows (for screen readers); ``marks`` cross all panels and are
    named in the first; a trace keeps ``most`` points.
    """

    panels: Sequence[Panel]
    label: str
    x_label: str
    x_range: tuple[float, float]
    marks: Sequence[Mark] = ()
    most: int = 400

    @property
    def band(self) -> float:
        """Height of the words of the marks [px]."""
        return 14.0 * min(len(self.marks), 3)

    def frames(self) -> list[Frame]:
        """The frame of each panel."""
        top, found = self.band, []
        for panel in self.panels:
            values = reach(panel, self.x_range)
            found.append(Frame(self.x_range, values, LEFT, top + HEAD, INNER, panel.height))
            top += HEAD + panel.height + GAP
        return found

    def drawn(self, frames: Sequence[Frame], traces: Iterator[str]) -> str:
        """Return the chart; *traces* yields the lines of all panels in turn."""
        x_range = self.x_range
        height = self.band + sum(HEAD + panel.height + GAP for panel in self.panels) + FOOT
        out = [
            f'<svg class="chart" viewBox="0 0 {WIDTH:g} {height:g}" role="img" '
            f'aria-label="{escape(self.label, quote=True)}">'
        ]
        for panel, frame in zip(self.panels, frames, strict=True):
            out += _panel(panel, frame, drawn=[next(traces) for _ in panel.lines])
        last = frames[-1]
        bottom = last.top + last.height
        times = (label_at(last.x(v), bottom + 15, number(v)) for v in ticks(*x_range, most=9))
        out.append(f'<g class="mid">{"".join(times)}</g>')
        out.append(label_at(LEFT + INNER, bottom + 31, self.x_label, anchor="end"))
        out += _marks(self.marks, last, bottom=bottom, first=self.band + HEAD)
        out.append("</svg>")
        return "".join(out)


def stacked_charts(stacks: Sequence[Stack]) -> list[str]:
    """Draw charts of one panel or more each: many together take less time."""
    frames = [stack.frames() for stack in stacks]
    strokes = [
        Stroke(line, frame, stack.most)
        for stack, own in zip(stacks, frames, strict=True)
        for panel, frame in zip(stack.panels, own, strict=True)
        for line in panel.lines
    ]
    traces = iter(trace_paths(strokes, fine=FINE))
    return [stack.drawn(own, traces) for stack, own in zip(stacks, frames, strict=True)]


def reach(panel: Panel, x_range: tuple[float, float]) -> tuple[float, float]:
    """Range of a panel's values: its own, or what its lines reach inside *x_range*."""
    if panel.y_range is not None:
        return panel.y_range
    seen = [0.0]
    for line in panel.lines:
        inside = (line.x >= x_range[0]) & (line.x <= x_range[1])
        values = line.y[inside & (line.y == line.y)]
        if values.size:
            seen += [float(values.min()), float(values.max())]
    low, high = padded(seen, least=1e-3)[:2]
    return low, high


def _panel(panel: Panel, frame: Frame, *, drawn: Sequence[str]) -> list[str]:
    """A panel in its frame, under its head; *drawn*: its lines."""
    top = frame.top - HEAD
    low, high = frame.y_range
    first, last = frame.x_range
    right, bottom = frame.left + frame.width, frame.top + frame.height
    out = []

    def stretch(ends: tuple[float, float]) -> tuple[float, float]:
        return frame.x(min(max(ends[0], first), last)), frame.x(min(max(ends[1], first), last))

    if panel.spread is not None:
        x0, x1 = stretch(panel.spread[:2])
        out.append(
            f'<rect class="spread" x="{x0:.1f}" y="{frame.top:g}" '
            f'width="{max(x1 - x0, 2.0):.1f}" height="{frame.height:g}"/>'
        )
    for ends in panel.bands:
        x0, x1 = stretch((ends[0], ends[1]))
        out.append(
            f'<rect x="{x0:.1f}" y="{frame.top:g}" width="{max(x1 - x0, 3.0):.1f}" '
            f'height="{frame.height:g}" fill="url(#hatch)"/>'
        )
    heights = [(value, frame.y(value)) for value in ticks(low, high, most=4)]
    labels = (label_at(frame.left - 5, round(y + 4), number(v)) for v, y in heights)
    out.append(f'<g class="end">{"".join(labels)}</g>')
    grid = "".join(f"M{frame.left:g} {y:.0f}H{right:g}" for _, y in heights)
    grid += "".join(
        f"M{frame.x(v):.0f} {frame.top:g}V{bottom:g}" for v in ticks(first, last, most=9)
    )
    out.append(f'<path class="grid" d="{grid}"/>')
    if low < 0.0 < high:
        out.append(f'<path class="zero" d="M{frame.left:g} {frame.y(0.0):.1f}H{right:g}"/>')
    # A line that a later one covers completely is not written.
    data = [text.partition(' d="')[2] for text in drawn]
    traces = "".join(text for k, text in enumerate(drawn) if data[k] not in data[k + 1 :])
    out.append(f'<g class="traces" transform="scale({1 / FINE:g})">{traces}</g>')
    for words, value in panel.levels:
        if low <= value <= high:
            y = frame.y(value)
            out.append(f'<path class="level" d="M{frame.left:g} {y:.1f}H{right:g}"/>')
            base = y + 12 if y - frame.top < 14.0 else y - 3
            out.append(label_at(right - 3, base, words, anchor="end", extra=' class="halo"'))
    for arrow in panel.arrows:
        x0, x1, y = frame.x(arrow.start), frame.x(arrow.end), frame.y(arrow.y)
        out.append(
            f'<path class="arrow" d="M{x0:.1f} {y:.1f}H{x1:.1f}m6 -4l-6 4l6 4"/>'
            + label_at((x0 + x1) / 2, y - 5, arrow.words, anchor="middle", extra=' class="halo"')
        )
    if panel.spread is not None and panel.spread[2]:
        x = frame.x(min(max(panel.spread[0], first), last))
        near = x + LETTER * len(panel.spread[2]) > right
        out.append(
            label_at(
                right - 3 if near else x + 3,
                bottom - 5,
                panel.spread[2],
                anchor="end" if near else "start",
                extra=' class="halo"',
            )
        )
    out.append(label_at(2, top + 14, panel.title, extra=' class="unit"'))
    x = right
    for line in reversed([line for line in panel.lines if line.name]):
        size = LETTER * len(line.name)
        if x - size - 30 < 10 + LETTER * 1.06 * len(panel.title):
            break
        out.append(label_at(x, top + 14, line.name, anchor="end"))
        out.append(f'<path d="M{x - size - 28:.0f} {top + 10:g}h18"{line.style(wider=0.4)}/>')
        x -= size + 40
    return out


def _marks(marks: Sequence[Mark], frame: Frame, *, bottom: float, first: float) -> list[str]:
    """Vertical lines through all panels, their words above the first."""
    out = []
    low, high = frame.x_range
    shown = sorted((m for m in marks if low <= m.x <= high), key=lambda m: m.x)
    for row, mark in enumerate(shown):
        x = frame.x(mark.x)
        base = 11.0 + 14.0 * (row % 3)
        dash = f' stroke-dasharray="{mark.dash}"' if mark.dash else ""
        out.append(
            f'<path d="M{x:.1f} {base + 3:g}V{bottom:g}" fill="none" stroke="{mark.colour}" '
            f'stroke-width="1.3"{dash}/>'
        )
        near = x + LETTER * len(mark.name) > WIDTH
        out.append(
            label_at(
                x - 3 if near else x + 3,
                base,
                mark.name,
                anchor="end" if near else "start",
                extra=' class="halo"',
            )
        )
    return out


def plain(name: str, x: object, y: object) -> Line:
    """A line in the ink of the page."""
    return Line(name, x, y, INK, 1.6, look="ink")  # type: ignore[arg-type]
