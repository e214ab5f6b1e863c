"""Path data: traces drawn side by side are those drawn one by one; few points, extremes kept."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.reporting import paths
from crashsense.reporting.paths import Frame, Shape, path_data
from crashsense.results.views import decimate


def points_of(data: str) -> list[tuple[int, int]]:
    """Read path data back, as a browser does."""
    numbers = [int(n) for n in re.findall(r"-?\d+", data)]
    pairs = np.array(numbers).reshape(-1, 2)
    return [tuple(p) for p in np.cumsum(pairs, axis=0).tolist()]


@settings(derandomize=True, max_examples=60)
@given(st.lists(st.floats(-5.0, 5.0), min_size=2, max_size=60))
def test_path_goes_through_the_points(values):
    frame = Frame((0.0, 60.0), (-5.0, 5.0), 48.0, 42.0, 502.0, 148.0)
    x, y = np.arange(len(values), dtype=float), np.array(values)
    drawn = points_of(paths.path(x, y, frame=frame))
    px = np.rint([4 * frame.x(v) for v in x])
    py = np.rint([4 * frame.y(v) for v in y])
    back = np.interp(px, [p[0] for p in drawn], [p[1] for p in drawn])
    assert np.abs(back - py).max() <= 1.0
    assert len(drawn) <= len(values)


def test_a_spike_inside_one_column_stays():
    frame = Frame((0.0, 1e6), (0.0, 1.0), 0.0, 0.0, 100.0, 100.0)
    drawn = points_of(paths.path(np.arange(4.0), np.array([0.0, 1.0, 0.0, 0.0]), frame=frame))
    assert {p[1] for p in drawn} == {0, 400}


def test_a_flat_trace_is_two_points():
    frame = Frame((0.0, 100.0), (-1.0, 1.0), 0.0, 0.0, 100.0, 100.0)
    assert len(points_of(paths.path(np.arange(101.0), np.zeros(101), frame=frame))) == 2


@st.composite
def shapes(draw):
    """A trace of any length, smooth, flat, full of equal extremes or with gaps, and a frame."""
    size = draw(st.integers(0, 300))
    source = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    x = np.cumsum(source.integers(0, 3, size) * 0.5) - 20.0
    kind = draw(st.sampled_from([np.round, np.sin, np.zeros_like]))
    y = kind(source.normal(scale=3.0, size=size))
    y[source.random(size) < draw(st.sampled_from([0.0, 0.2, 1.0]))] = np.nan
    high = draw(st.floats(1.0, 400.0))
    frame = Frame((-10.0, high), (-2.0, draw(st.floats(0.5, 5.0))), 46.0, 14.0, 578.0, 104.0)
    return Shape(x, y, frame, draw(st.integers(4, 60)))


@settings(derandomize=True, max_examples=80, deadline=None)
@given(st.lists(shapes(), max_size=6), st.integers(1, 4))
def test_many_traces_are_drawn_as_each_alone(found, fine):
    alone = []
    for shape in found:
        low, high = shape.frame.x_range
        inside = (shape.x >= low) & (shape.x <= high) & np.isfinite(shape.y)
        x, y = decimate(shape.x[inside], shape.y[inside], most=shape.most)
        y = np.clip(y, *shape.frame.y_range)
        alone.append(paths.path(x, y, frame=shape.frame, fine=fine) if x.size else "")
    assert path_data(found, fine=fine) == alone


def test_a_trace_outside_its_frame_has_no_path():
    frame = Frame((0.0, 1.0), (0.0, 1.0), 0.0, 0.0, 10.0, 10.0)
    outside = Shape(np.array([2.0, 3.0]), np.zeros(2), frame, 9)
    point = Shape(np.array([0.5, 3.0]), np.zeros(2), frame, 9)
    assert path_data([outside, point, outside]) == ["", "M20 40l", ""]
    assert path_data([]) == []


@pytest.mark.parametrize("seed", range(5))
def test_a_simpler_line_misses_no_point_by_more_than_a_unit_and_keeps_extremes(seed):
    source = np.random.default_rng([3, seed])
    x = np.cumsum(source.integers(0, 4, 300))
    smooth = 200.0 * np.sin(x / 60.0) + source.normal(scale=[0.5, 30.0][seed % 2], size=x.size)
    points = np.stack([x, np.rint(smooth).astype(int)], axis=-1)
    kept = points[paths.needed([points])[0]]
    assert len(kept) < len(points) + seed % 2
    # Between two kept points every one left out lies beside the straight line.
    at = np.flatnonzero(paths.needed([points])[0])
    for first, last in zip(at[:-1], at[1:], strict=True):
        span = points[last, 0] - points[first, 0]
        share = (points[first : last + 1, 0] - points[first, 0]) / (span or 1)
        line = points[first, 1] + share * (points[last, 1] - points[first, 1])
        inner = points[first + 1 : last, 1] - line[1:-1]
        assert np.abs(inner).max(initial=0.0) <= paths.MISSED
    assert abs(int(kept[:, 1].max()) - int(points[:, 1].max())) <= paths.MISSED
    assert abs(int(kept[:, 1].min()) - int(points[:, 1].min())) <= paths.MISSED
