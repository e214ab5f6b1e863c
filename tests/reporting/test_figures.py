"""Figures for files: they take numbers, need no display, and write what they were given."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

import crashsense
from crashsense.plotting import save
from crashsense.reporting.event_charts import _most
from crashsense.reporting.stacked_figure import trial_event_figure
from crashsense.results.plot import TimingRow, timing_figure

ROWS = [
    TimingRow("wall", 18.0, 15.0, 9.0, "on_time"),
    TimingRow("pole", 54.0, 61.0, None, "late"),
    TimingRow("other", 40.0, None, None, "missed"),
]


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_timing_figure_is_written(ending, tmp_path):
    path = save(timing_figure(ROWS, title="t"), tmp_path / f"x.{ending}")
    assert path.stat().st_size > 3000


def test_timing_figure_shows_the_numbers():
    axes = timing_figure(ROWS).axes[0]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["wall", "pole", "other"]
    assert [p.get_width() for p in axes.patches] == [18.0, 54.0, 40.0]
    assert axes.get_xlabel().endswith("[ms]")


def test_no_global_figure_is_left_open():
    import matplotlib.pyplot as plt

    timing_figure(ROWS)
    assert plt.get_fignums() == []


@pytest.fixture(scope="module")
def judged():
    return crashsense.trial("wall_full_40", algorithm="guarded", draw=2)


def test_the_event_figure_has_the_panels_of_the_page(judged):
    spreads = {"wall_full_40|front_airbag_stage_1|guarded|standard": (15.0, 18.0, 0, 10)}
    figure = trial_event_figure(judged, restraint="front_airbag_stage_1", spreads=spreads)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles[:3] == [
        "central_x [g]",
        "velocity change [km/h]: rigid-body motion of the cabin, x",
        "free flight of an unbelted occupant [mm]",
    ]
    assert titles[3].startswith("demand [-]")
    assert "front bag, stage 1; " in titles[3]
    words = [text.get_text() for axes in figure.axes for text in axes.texts]
    for expected in ("127 mm", "30 ms", "threshold 1", "10 draws fire: 5 to 95 %"):
        assert expected in words
    assert any(word.startswith("required ") for word in words)
    assert "wall_full_40, draw 2: standard, guarded" in figure.get_suptitle()
    assert "CAUTION" in figure.get_supxlabel()


def test_the_event_figure_follows_the_restraint_asked_for(judged):
    figure = trial_event_figure(judged, restraint="front_airbag_stage_2")
    assert "front bag, stage 2" in figure.axes[-1].get_title(loc="left")


@pytest.mark.parametrize("values", [[], [-1.0, -2.0], [0.5, math.nan, 1.5, -3.0], [math.nan]])
def test_the_largest_value_is_that_of_numpy(values):
    with warnings.catch_warnings(action="ignore"):  # numpy warns where there is no number
        expected = np.nanmax(np.asarray(values, dtype=float), initial=0.0)
    assert _most(np.asarray(values, dtype=float)) == expected
