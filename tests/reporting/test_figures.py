"""Figures for files: they take numbers, need no display, and write what they were given."""

from __future__ import annotations

import pytest

from crashsense.plotting import save
from crashsense.reporting import figures
from crashsense.reporting.svg import DemandRow
from crashsense.results.plot import TimingRow

ROWS = [
    TimingRow("wall", 18.0, 15.0, 9.0, "on_time"),
    TimingRow("pole", 54.0, 61.0, None, "late"),
    TimingRow("other", 40.0, None, None, "missed"),
]


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_timing_figure_is_written(ending, tmp_path):
    path = save(figures.timing_figure(ROWS, title="t"), tmp_path / f"x.{ending}")
    assert path.stat().st_size > 3000


def test_timing_figure_shows_the_numbers():
    axes = figures.timing_figure(ROWS).axes[0]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["wall", "pole", "other"]
    assert [p.get_width() for p in axes.patches] == [18.0, 54.0, 40.0]
    assert axes.get_xlabel().endswith("[ms]")


def test_demand_figure_has_the_threshold_at_1():
    rows = [DemandRow("hammer", "a", 1.4, "inadvertent"), DemandRow("kerb", "b", 0.5, "held")]
    axes = figures.demand_figure(rows).axes[0]
    assert [1.0, 1.0] in [list(line.get_xdata()) for line in axes.lines]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["hammer", "kerb"]


def test_no_global_figure_is_left_open():
    import matplotlib.pyplot as plt

    figures.timing_figure(ROWS)
    assert plt.get_fignums() == []
