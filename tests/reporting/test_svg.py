"""Inline charts: few points, extremes kept, well-formed, words beside shapes."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.reporting import svg
from crashsense.results.nominal import MOST_POINTS


@settings(derandomize=True, max_examples=60)
@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=3000),
    st.integers(4, 400),
)
def test_decimation_keeps_ends_and_extremes(values, most):
    y = np.array(values)
    x = np.arange(y.size, dtype=float)
    dx, dy = svg.decimate(x, y, most=most)
    assert dx.size <= max(most, 4)
    assert (dx[0], dx[-1]) == (x[0], x[-1])
    assert (dy.min(), dy.max()) == (y.min(), y.max())
    assert (np.diff(dx) > 0).all()
    assert np.array_equal(dy, y[dx.astype(int)])


def test_not_finite_points_are_left_out():
    x, y = svg.decimate(np.arange(4.0), np.array([0.0, np.nan, np.inf, 3.0]))
    assert x.tolist() == [0.0, 3.0]
    assert y.tolist() == [0.0, 3.0]


def points_of(data: str) -> list[tuple[int, int]]:
    """Read path data back, as a browser does."""
    numbers = [int(n) for n in re.findall(r"-?\d+", data)]
    pairs = np.array(numbers).reshape(-1, 2)
    return [tuple(p) for p in np.cumsum(pairs, axis=0).tolist()]


@settings(derandomize=True, max_examples=60)
@given(st.lists(st.floats(-5.0, 5.0), min_size=2, max_size=60))
def test_path_goes_through_the_points(values):
    frame = svg.Frame((0.0, 60.0), (-5.0, 5.0), 48.0, 42.0, 502.0, 148.0)
    x, y = np.arange(len(values), dtype=float), np.array(values)
    drawn = points_of(svg.path(x, y, frame=frame))
    px = np.rint([4 * frame.x(v) for v in x])
    py = np.rint([4 * frame.y(v) for v in y])
    back = np.interp(px, [p[0] for p in drawn], [p[1] for p in drawn])
    assert np.abs(back - py).max() <= 1.0
    assert len(drawn) <= len(values)


def test_a_spike_inside_one_column_stays():
    frame = svg.Frame((0.0, 1e6), (0.0, 1.0), 0.0, 0.0, 100.0, 100.0)
    drawn = points_of(svg.path(np.arange(4.0), np.array([0.0, 1.0, 0.0, 0.0]), frame=frame))
    assert {p[1] for p in drawn} == {0, 400}


def test_a_flat_trace_is_two_points():
    frame = svg.Frame((0.0, 100.0), (-1.0, 1.0), 0.0, 0.0, 100.0, 100.0)
    assert len(points_of(svg.path(np.arange(101.0), np.zeros(101), frame=frame))) == 2


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.0, 1.0, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (-55.0, 55.0, [-40.0, -20.0, 0.0, 20.0, 40.0]),
        (3.0, 3.0, [3.0]),
    ],
)
def test_ticks_are_round(low, high, expected):
    assert svg.ticks(low, high) == expected


def test_line_chart_is_well_formed_short_and_labelled():
    t = np.arange(-10.0, 150.0, 0.02)
    chart = svg.line_chart(
        [svg.Line("true <raw>", t, np.random.default_rng(1).normal(size=t.size))],
        label='a "chart" & more',
        x_label="time [ms]",
        y_label="central_x [g]",
        x_range=(-10.0, 60.0),
        levels=[("threshold", 1.0)],
        marks=[svg.Mark("required 18.0 ms", 18.0)],
        bands=[(3.0, 4.0)],
    )
    root = ElementTree.fromstring(chart)
    words = [e.text for e in root.iter("text")]
    for expected in ("true <raw>", "time [ms]", "central_x [g]", "threshold", "required 18.0 ms"):
        assert expected in words
    trace = next(e for e in root.iter("path") if e.get("class") == "trace")
    assert 300 < len(points_of(trace.get("d"))) <= MOST_POINTS
    assert root.get("aria-label") == 'a "chart" & more'


@pytest.mark.parametrize("seed", range(5))
def test_a_simpler_line_misses_no_point_by_more_than_a_unit_and_keeps_extremes(seed):
    source = np.random.default_rng([3, seed])
    x = np.cumsum(source.integers(0, 4, 300))
    smooth = 200.0 * np.sin(x / 60.0) + source.normal(scale=[0.5, 30.0][seed % 2], size=x.size)
    points = np.stack([x, np.rint(smooth).astype(int)], axis=-1)
    kept = points[svg.needed([points])[0]]
    assert len(kept) < len(points) + seed % 2
    # Between two kept points every one left out lies beside the straight line.
    at = np.flatnonzero(svg.needed([points])[0])
    for first, last in zip(at[:-1], at[1:], strict=True):
        span = points[last, 0] - points[first, 0]
        share = (points[first : last + 1, 0] - points[first, 0]) / (span or 1)
        line = points[first, 1] + share * (points[last, 1] - points[first, 1])
        inner = points[first + 1 : last, 1] - line[1:-1]
        assert np.abs(inner).max(initial=0.0) <= svg.MISSED
    assert abs(int(kept[:, 1].max()) - int(points[:, 1].max())) <= svg.MISSED
    assert abs(int(kept[:, 1].min()) - int(points[:, 1].min())) <= svg.MISSED


def test_demand_chart_marks_what_fired():
    chart = svg.demand_chart(
        [
            svg.DemandRow("hammer", "event-hammer", 5.0, "inadvertent"),
            svg.DemandRow("kerb", "event-kerb", 0.7, "held", "main"),
        ],
        label="demand",
    )
    words = [e.text for e in ElementTree.fromstring(chart).iter("text")]
    assert "inadvertent 5.00 (off scale)" in words
    assert "held by main 0.70" in words
    assert "threshold" in words


def texts_of(chart: str) -> list[tuple[str, float, float, str]]:
    """Words, place and anchor of every text of a chart."""
    found = ElementTree.fromstring(chart).iter("text")
    return [
        (t.text or "", float(t.get("x")), float(t.get("y")), t.get("text-anchor", "start"))
        for t in found
    ]


def test_a_long_legend_takes_more_lines_and_leaves_the_plot_its_height():
    x = np.linspace(0.0, 100.0, 20)
    names = [f"algorithm number {k} / sensor set {k}" for k in range(4)]

    def chart(chosen):
        return svg.line_chart(
            [svg.Line(name, x, x) for name in chosen],
            label="l",
            x_label="x [ms]",
            y_label="y [-]",
            x_range=(0.0, 100.0),
        )

    texts = {words: (x, y) for words, x, y, _ in texts_of(chart(names))}
    assert all(texts[name][0] + 6.4 * len(name) <= 560.0 for name in names)
    assert len({texts[name] for name in names}) == 4
    assert len({texts[name][1] for name in names}) == 2
    height = {
        n: float(chart(names[:n]).split('viewBox="0 0 560 ')[1].split('"')[0]) for n in (1, 4)
    }
    assert height[4] - height[1] == 16.0


def test_a_long_mark_stays_in_the_chart():
    x = np.linspace(0.0, 100.0, 20)
    name = "guarded / central_35g fires 60.0 ms"
    chart = svg.line_chart(
        [svg.Line("a", x, x)],
        label="l",
        x_label="x [ms]",
        y_label="y [-]",
        x_range=(0.0, 100.0),
        marks=[svg.Mark(name, 65.0)],
    )
    ((_, at, _, anchor),) = [entry for entry in texts_of(chart) if entry[0] == name]
    assert anchor == "end"
    assert at - 6.4 * len(name) > 0.0
