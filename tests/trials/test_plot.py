"""The figure of a trial shows its numbers, in the units that its axes state."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest

from crashsense.trials import trial
from crashsense.trials.plot import HIGHEST_DEMAND, loudest_channels, trial_figure

STAGE_1 = "front_airbag_stage_1"
G = 9.80665


@pytest.fixture(scope="module")
def wall():
    return trial("wall_full_40", algorithm="guarded")


def test_signal_samples_and_range_are_in_g(wall):
    figure = trial_figure(wall)
    try:
        channels = loudest_channels(wall, 0)
        for axes, channel in zip(figure.axes, channels, strict=False):
            lines = {line.get_label(): line for line in axes.get_lines()}
            received = wall.samples.channels[channel][0] / G
            assert np.allclose(lines["received"].get_ydata(), received, rtol=1e-12, atol=0.0)
            signal = wall.signals[channel]
            assert np.allclose(lines["true"].get_ydata(), signal.samples[0] / G, rtol=1e-12)
            assert np.allclose(lines["true"].get_xdata(), 1e3 * signal.times_s)
            limit = wall.sensor_set.sensor(channel).range / G
            low, high = axes.get_ylim()
            drawn = {round(float(line.get_ydata()[0]), 6) for line in axes.get_lines()[2:]}
            assert drawn == {round(v, 6) for v in (limit, -limit) if low <= v <= high}
    finally:
        plt.close(figure)


def test_demand_of_what_must_fire_and_of_what_comes_near_is_drawn(wall):
    figure = trial_figure(wall)
    try:
        axes = figure.axes[-1]
        drawn = {
            line.get_label().partition(":")[0]: line
            for line in axes.get_lines()
            if ":" in str(line.get_label())
        }
        for restraint, requirement in wall.event.requirements.items():
            demand = wall.demand(restraint)[0]
            wanted = requirement.expectation == "fire"
            # A tenth of the threshold: below it a line could not be told from the axis.
            assert (restraint in drawn) == (wanted or demand.max() >= 0.1), restraint
            if restraint in drawn:
                shown = drawn[restraint].get_ydata()
                assert np.allclose(shown, np.minimum(demand, HIGHEST_DEMAND))
        assert STAGE_1 in drawn
        required_ms = 1e3 * float(wall.required_s[wall.event.name][STAGE_1][0])
        assert any(np.allclose(line.get_xdata(), required_ms) for line in axes.get_lines())
    finally:
        plt.close(figure)
