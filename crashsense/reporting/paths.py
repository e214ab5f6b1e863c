"""Path data of traces: from values over time to the text of an SVG path, many traces side by side.

A trace is cut to its frame, thinned out, rounded to fine whole numbers and drawn with as few points
as no eye misses. All traces lie one behind another in flat arrays, whose *sizes* say how many
points each has: a page has thousands of short traces, and a step on all of them costs little more
than on one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray

IntArray = npt.NDArray[np.int_]
BoolArray = npt.NDArray[np.bool_]

#: Subdivision of a chart unit in path coordinates, which are whole numbers to stay short.
FINE = 4

#: Units of a path by which a line may miss a point that is left out.
MISSED = 0.75


@dataclass(frozen=True)
class Frame:
    """Place of data in a chart: data ranges and the box on the page [px]."""

    x_range: tuple[float, float]
    y_range: tuple[float, float]
    left: float
    top: float
    width: float
    height: float

    def x(self, value: float) -> float:
        """Page coordinate of *value* on the horizontal axis."""
        low, high = self.x_range
        return self.left + (value - low) / (high - low) * self.width

    def y(self, value: float) -> float:
        """Page coordinate of *value* on the vertical axis (up is more)."""
        low, high = self.y_range
        return self.top + (high - value) / (high - low) * self.height


@dataclass(frozen=True, eq=False)
class Shape:
    """A trace, values (samples,) over their places, its frame, and how many points it keeps."""

    x: FloatArray
    y: FloatArray
    frame: Frame
    most: int


def path(x: FloatArray, y: FloatArray, *, frame: Frame, fine: int = FINE) -> str:
    """Path data of one trace as it is: neither cut to its frame nor thinned out first."""
    sizes = np.array([len(x)], dtype=int)
    return _written(*_whole(np.asarray(x), np.asarray(y), sizes, frames=[frame], fine=fine))[0]


def path_data(shapes: Sequence[Shape], *, fine: int = FINE) -> list[str]:
    """Path data of traces, each inside its frame; empty for a trace without a point there."""
    if not shapes:
        return []
    frames = [shape.frame for shape in shapes]
    x, y = (np.concatenate([getattr(shape, name) for shape in shapes]) for name in "xy")
    sizes = np.array([shape.x.size for shape in shapes])
    low, high = _by_point([frame.x_range for frame in frames], sizes)
    # Cut first, then thin out: a window into a long event keeps all its points.
    inside = (x >= low) & (x <= high) & np.isfinite(y)
    x, y, sizes = x[inside], y[inside], _left(sizes, inside)
    keep = _thin(y, sizes, most=np.array([shape.most for shape in shapes]))
    x, y, sizes = x[keep], y[keep], _left(sizes, keep)
    y = np.clip(y, *_by_point([frame.y_range for frame in frames], sizes))
    return _written(*_whole(x, y, sizes, frames=frames, fine=fine))


def _by_point(rows: Sequence[tuple[float, ...]], sizes: IntArray) -> FloatArray:
    """Numbers of traces, one row each, for every point: (numbers, points)."""
    return np.repeat(np.array(rows, dtype=float), sizes, axis=0).T


def _left(sizes: IntArray, keep: BoolArray) -> IntArray:
    """Points that each trace has left."""
    counted = np.concatenate([[0], np.cumsum(keep)])
    ends = np.cumsum(sizes)
    return np.asarray(counted[ends] - counted[ends - sizes])


def _ends(sizes: IntArray, size: int) -> tuple[BoolArray, BoolArray]:
    """Mark the first and the last point of every trace, of *size* points in all."""
    first, last = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    ends, some = np.cumsum(sizes), sizes > 0
    first[(ends - sizes)[some]] = last[ends[some] - 1] = True
    return first, last


def _thin(y: FloatArray, sizes: IntArray, *, most: IntArray) -> BoolArray:
    """Mark points that stay, as :func:`crashsense.results.views.decimate` does for one trace."""
    keep, last = _ends(sizes, y.size)
    if not y.size:
        return keep
    keep |= last
    bins = np.maximum(1, (most - 2) // 2)
    bin_size = np.where(sizes > most, -(-sizes // bins), 1)
    place = np.arange(y.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    begins = place % np.repeat(bin_size, sizes) == 0
    starts, own = np.flatnonzero(begins), np.cumsum(begins) - 1
    for extreme in (np.minimum, np.maximum):
        hits = np.flatnonzero(y == extreme.reduceat(y, starts)[own])
        keep[hits[np.searchsorted(hits, starts)]] = True  # the first of equal ones
    return keep


def _whole(
    x: FloatArray, y: FloatArray, sizes: IntArray, *, frames: Sequence[Frame], fine: int
) -> tuple[IntArray, IntArray, IntArray]:
    """Fine whole-number coordinates of traces, and sizes, less points on a straight run."""
    rows = [
        (*f.x_range, *f.y_range, f.left * fine, f.top * fine, f.width, f.height) for f in frames
    ]
    low_x, high_x, low_y, high_y, left, top, width, height = _by_point(rows, sizes)
    at_x = np.rint(left + (x - low_x) / (high_x - low_x) * width * fine).astype(int)
    at_y = np.rint(top + (high_y - y) / (high_y - low_y) * height * fine).astype(int)
    first, _ = _ends(sizes, at_x.size)
    moved = first | _steps(at_x).astype(bool) | _steps(at_y).astype(bool)
    at_x, at_y, sizes = at_x[moved], at_y[moved], _left(sizes, moved)
    keep, last = _ends(sizes, at_x.size)
    keep |= last
    step_x, step_y = _steps(at_x), _steps(at_y)
    before, after = (step_x[:-1], step_y[:-1]), (step_x[1:], step_y[1:])
    # A point is omitted only on a straight run; a reversal on the same line is an extreme.
    along = before[0] * after[0] + before[1] * after[1]
    keep[:-1] |= (before[0] * after[1] != before[1] * after[0]) | (along < 0)
    return at_x[keep], at_y[keep], _left(sizes, keep)


def _steps(values: IntArray) -> IntArray:
    """Difference of each value from the one before; the first is 0."""
    return np.diff(values, prepend=values[:1])


def _written(x: IntArray, y: IntArray, sizes: IntArray) -> list[str]:
    """Path data, without the points that no line needs (:func:`needed`)."""
    keep = _needed(x.astype(float), y.astype(float), sizes, missed=MISSED)
    x, y, sizes = x[keep], y[keep], _left(sizes, keep)
    words = list(map(str, np.stack([_steps(x), _steps(y)], axis=-1).ravel().tolist()))
    out = []
    ends = np.cumsum(sizes)
    for first, last in zip((ends - sizes).tolist(), ends.tolist(), strict=True):
        if first == last:
            out.append("")
            continue
        # A minus sign separates numbers as a space does.
        text = " ".join(words[2 * first + 2 : 2 * last]).replace(" -", "-")
        out.append(f"M{x[first]} {y[first]}l{text}")
    return out


def needed(lines: Sequence[IntArray], *, missed: float = MISSED) -> list[BoolArray]:
    """Mark the points of lines (points, 2) without which one would miss some by more than *missed*.

    Ramer 1972, Douglas and Peucker 1973 (from memory), with the vertical distance: times stay in
    order, so that an extreme value is never moved by more than that. Repeated places in time are
    all kept. All stretches of all lines are divided side by side.

    >>> needed([np.array([[0, 0], [1, 10], [2, 20], [3, 0]])])[0].tolist()
    [True, False, True, True]
    """
    sizes = np.array([len(points) for points in lines], dtype=int)
    x, y = np.concatenate([np.reshape(points, (-1, 2)) for points in lines]).T.astype(float)
    return np.split(_needed(x, y, sizes, missed=missed), np.cumsum(sizes)[:-1])


def _needed(x: FloatArray, y: FloatArray, sizes: IntArray, *, missed: float) -> BoolArray:
    """As :func:`needed`, of lines one behind another."""
    ends = np.cumsum(sizes)
    first, last = (ends - sizes)[sizes > 0], ends[sizes > 0] - 1
    keep = np.zeros(len(x), dtype=bool)
    keep[first] = keep[last] = True
    while (long := last - first > 1).any():
        first, last = first[long], last[long]
        inner = last - first - 1
        at = np.cumsum(inner) - inner
        place = np.arange(inner.sum()) + np.repeat(first + 1 - at, inner)
        span = x[last] - x[first]
        slope = (y[last] - y[first]) / np.where(span == 0.0, np.inf, span)
        line = np.repeat(y[first], inner)
        line = line + (x[place] - np.repeat(x[first], inner)) * np.repeat(slope, inner)
        away = np.abs(y[place] - line)
        most = np.maximum.reduceat(away, at)
        # The first of the farthest points divides its stretch.
        hits = np.flatnonzero(away == np.repeat(most, inner))
        farthest = place[hits[np.searchsorted(hits, at)]]
        far = most > missed
        first, last, farthest = first[far], last[far], farthest[far]
        keep[farthest] = True
        first, last = np.concatenate([first, farthest]), np.concatenate([farthest, last])
    return keep
