"""The figure of a trial shows its numbers, in the units that its axes state."""

from __future__ import annotations

from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pytest

from crashsense.channels import CHANNELS
from crashsense.event import Requirement
from crashsense.trials import trial
from crashsense.trials.plot import (
    HIGHEST_DEMAND,
    MOST_CHANNELS,
    loudest_channels,
    trial_figure,
)

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
            assert np.allclose(lines["received"].get_xdata(), 1e3 * wall.times_s[0])
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
                assert np.allclose(drawn[restraint].get_xdata(), 1e3 * wall.times_s[0])
                shown = drawn[restraint].get_ydata()
                assert np.allclose(shown, np.minimum(demand, HIGHEST_DEMAND))
        assert STAGE_1 in drawn
        required_ms = 1e3 * float(wall.required_s[wall.event.name][STAGE_1][0])
        # Upright: required times of what must fire, where there is one.
        upright = [
            line.get_xdata()[0] for line in axes.get_lines() if np.ptp(line.get_xdata()) == 0
        ]
        timed = [
            1e3 * float(wall.required_s[wall.event.name][restraint][0])
            for restraint, requirement in wall.event.requirements.items()
            if requirement.expectation == "fire"
        ]
        assert np.allclose(sorted(upright), sorted(t for t in timed if np.isfinite(t)))
        assert required_ms in upright
        # The threshold: demand 1.
        levels = [line.get_ydata() for line in axes.get_lines()]
        assert [float(ends[0]) for ends in levels if list(ends) == [ends[0]] * 2] == [1.0]
        low, high = axes.get_ylim()
        assert low == 0.0
        assert high > HIGHEST_DEMAND
    finally:
        plt.close(figure)


def test_what_must_not_fire_and_comes_near_is_drawn_and_what_must_fire_however_far(wall):
    silent = next(name for name in wall.event.requirements if not wall.demand(name).any())
    asked = {
        **wall.event.requirements,
        STAGE_1: Requirement("no_fire", basis="test"),
        silent: Requirement("fire", required_s=0.03, basis="test"),
    }
    event = replace(wall.event, requirements=asked)
    figure = trial_figure(replace(wall, events=(event,)))
    try:
        labels = [str(line.get_label()) for line in figure.axes[-1].get_lines()]
        drawn = {label.partition(":")[0] for label in labels}
        assert {STAGE_1, silent} <= drawn
    finally:
        plt.close(figure)


def test_the_range_is_drawn_on_both_sides_where_the_signal_reaches_it(wall):
    name = loudest_channels(wall, 0)[0]
    limit = wall.sensor_set.sensor(name).range
    signal = wall.signals[name]
    swing = 2.0 * limit * np.cos(signal.times_s)[None, :] * np.sign(signal.times_s)
    beyond = {**wall.signals, name: signal.replaced(swing, note="beyond the range")}
    figure = trial_figure(replace(wall, block=replace(wall.block, signals=beyond)))
    try:
        level = [line.get_ydata()[0] for line in figure.axes[0].get_lines()[2:]]
        edge = limit / CHANNELS[name].file_scale
        assert np.allclose(sorted(level), [-edge, edge])
    finally:
        plt.close(figure)


def test_panels_share_one_axis_of_time(wall):
    figure = trial_figure(wall)
    try:
        assert len(figure.axes) == len(loudest_channels(wall, 0)) + 1
        assert len({axes.get_xlim() for axes in figure.axes}) == 1
        figure.axes[0].set_xlim(3.0, 4.0)
        assert {axes.get_xlim() for axes in figure.axes} == {(3.0, 4.0)}
    finally:
        plt.close(figure)


@pytest.mark.parametrize("draw", [0, 2])
def test_the_draw_asked_for_is_drawn(draw):
    """Its samples beside its true signal, of which all draws share one row or have one each."""
    found = trial("hammer_tunnel", algorithm="plain", draw=[0, 1, 2], vary="sensor", engine="numpy")
    shared = found.block
    own = {
        name: signal.replaced(np.arange(1.0, 4.0)[:, None] * signal.samples, note="a row each")
        for name, signal in shared.signals.items()
    }
    for one, factors in (
        (found, [1, 1, 1]),
        (replace(found, block=replace(shared, signals=own)), [1, 2, 3]),
    ):
        figure = trial_figure(one, draw=draw)
        try:
            for axes, channel in zip(figure.axes, loudest_channels(one, draw), strict=False):
                lines = {line.get_label(): line.get_ydata() for line in axes.get_lines()}
                true, unit = shared.signals[channel].samples[0], CHANNELS[channel].file_scale
                assert np.allclose(lines["true"], factors[draw] * true / unit)
                assert np.allclose(lines["received"], one.samples.channels[channel][draw] / unit)
        finally:
            plt.close(figure)


def test_channels_that_use_most_of_their_range_are_drawn_in_the_order_of_the_set(wall):
    names = list(wall.samples.channels)
    share = {
        name: np.abs(wall.samples.channels[name][0]).max() / wall.sensor_set.sensor(name).range
        for name in names
    }
    found = loudest_channels(wall, 0)
    assert len(found) == min(MOST_CHANNELS, len(names)) < len(names)
    assert found == sorted(found, key=names.index)
    assert min(share[name] for name in found) >= max(share[n] for n in names if n not in found)
    # A channel without a valid sample is not drawn, whatever it holds.
    valid = {**wall.samples.valid, found[0]: np.zeros_like(wall.samples.valid[found[0]])}
    samples = replace(wall.sensed.samples, valid=valid)
    blind = replace(wall, sensed=replace(wall.sensed, samples=samples))
    assert found[0] not in loudest_channels(blind, 0)
