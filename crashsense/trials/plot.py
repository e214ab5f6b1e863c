"""The figure of a trial: what was there, what arrived, and what the rules made of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.plotting import (
    BLUE,
    GREEN,
    GREY,
    INK,
    UNIT_NAMES,
    VERMILION,
    new_figure,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from crashsense.trials.trial import Trial

#: Most channels that are drawn: those that use most of their sensor's range.
MOST_CHANNELS = 3

#: Demand above this is not drawn: what matters is how it passes 1.
HIGHEST_DEMAND = 2.0

#: A restraint that need not fire is left out if its demand stays below this.
LEAST_DEMAND = 0.1

_LOOKS = [(c, style) for style in ("-", "--") for c in (BLUE, VERMILION, GREEN, INK)]


def trial_figure(trial: Trial, *, draw: int | None = None) -> Figure:
    """Draw one draw of a trial with one event and algorithm.

    Above, the channels that use most of their range: the true signal, the samples, the range.
    Below, demand of every restraint that has some or must fire, the threshold at 1, required times.
    """
    at = trial.at(draw)
    channels = loudest_channels(trial, at)
    figure = new_figure(8.4, 2.0 + 2.0 * (len(channels) + 1))
    panels = figure.subplots(len(channels) + 1, 1, sharex=True, squeeze=False)[:, 0]
    for axes, channel in zip(panels, channels, strict=False):
        _draw_channel(axes, trial, channel, at)
    _draw_demand(panels[-1], trial, at)
    panels[-1].set_xlabel("time from time zero [ms]; samples: when the control unit had them")
    figure.suptitle(
        f"{trial.event.name}, draw {trial.draws[at]}: {trial.sensor_set.name}, "
        f"{trial.algorithm.name}",
        fontsize=10,
    )
    return figure


def loudest_channels(trial: Trial, at: int) -> list[str]:
    """Return the valid channels that use most of their sensor's range, in the order of the set."""
    samples = trial.samples
    shares = {
        name: float(np.nanmax(np.abs(values[at]))) / trial.sensor_set.sensor(name).range
        for name, values in samples.channels.items()
        if samples.valid[name][at].any() and name in trial.sensor_set.sensors
    }
    kept = sorted(shares, key=lambda name: -shares[name])[:MOST_CHANNELS]
    return [name for name in shares if name in kept]


def _draw_channel(axes: Any, trial: Trial, channel: str, at: int) -> None:
    card = CHANNELS[channel]
    sensor = trial.sensor_set.sensor(channel)
    signal = trial.signals.get(channel)
    if signal is not None:
        true = signal.samples[min(at, signal.samples.shape[0] - 1)]
        axes.plot(1e3 * signal.times_s, true / card.file_scale, color=GREY, lw=0.6, label="true")
    values = trial.samples.channels[channel][at] / card.file_scale
    axes.step(1e3 * trial.times_s[at], values, color=BLUE, lw=1.2, where="post", label="received")
    limit = sensor.range / card.file_scale
    low, high = axes.get_ylim()
    for value in (limit, -limit):
        if low <= value <= high:
            axes.axhline(value, color=INK, ls=":", lw=1.0)
    axes.set_ylabel(f"{channel}\n[{UNIT_NAMES[card.file_unit]}]", fontsize=8)
    axes.legend(loc="best", frameon=False, fontsize=8)
    tidy(axes)


def _draw_demand(axes: Any, trial: Trial, at: int) -> None:
    times = 1e3 * trial.times_s[at]
    looks = iter(_LOOKS)
    for restraint in trial.event.requirements:
        demand = trial.demand(restraint)[at]
        required = 1e3 * float(trial.required_s[trial.event.name][restraint][at])
        wanted = trial.event.requirements[restraint].expectation == "fire"
        if not wanted and demand.max(initial=0.0) < LEAST_DEMAND:
            continue
        colour, style = next(looks)
        label = f"{restraint}: {trial.verdicts(restraint)[at]}"
        shown = np.minimum(demand, HIGHEST_DEMAND)
        axes.plot(times, shown, color=colour, ls=style, lw=1.2, label=label)
        if wanted and np.isfinite(required):
            axes.axvline(required, color=colour, ls=style, lw=0.8)
    axes.axhline(1.0, color=INK, lw=0.8)
    axes.set_ylim(0.0, 1.05 * HIGHEST_DEMAND)
    axes.set_ylabel("demand [-]\n(vertical: required)", fontsize=8)
    tidy(axes)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper right", frameon=False, fontsize=8)
