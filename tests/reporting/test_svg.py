"""Inline charts: few points, extremes kept, well-formed, words beside shapes."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.reporting import svg
from crashsense.results.views import MOST_POINTS, decimate


@settings(derandomize=True, max_examples=60)
@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=3000),
    st.integers(4, 400),
)
def test_decimation_keeps_ends_and_extremes(values, most):
    y = np.array(values)
    x = np.arange(y.size, dtype=float)
    dx, dy = decimate(x, y, most=most)
    assert dx.size <= max(most, 4)
    assert (dx[0], dx[-1]) == (x[0], x[-1])
    assert (dy.min(), dy.max()) == (y.min(), y.max())
    assert (np.diff(dx) > 0).all()
    assert np.array_equal(dy, y[dx.astype(int)])


def test_not_finite_points_are_left_out():
    x, y = decimate(np.arange(4.0), np.array([0.0, np.nan, np.inf, 3.0]))
    assert x.tolist() == [0.0, 3.0]
    assert y.tolist() == [0.0, 3.0]


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
    assert 300 < trace.get("d").replace("-", " ").count(" ") / 2 <= MOST_POINTS
    assert root.get("aria-label") == 'a "chart" & more'


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
