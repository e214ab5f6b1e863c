"""Figures of a capacitive element: its response, and the trade-off around a designed one."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from crashsense.plotting import BLUE, GREEN, GREY, INK, VERMILION, new_figure, tidy
from crashsense.units import STANDARD_GRAVITY as G

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from crashsense.sensing.element_card import ElementCurves
    from crashsense.sensing.element_design import TradePoint

#: What limits the full scale -> colour, line style.
_SCALES = {
    "gap": (INK, "-."),
    "stops": (GREY, "--"),
    "linearity": (VERMILION, "--"),
    "amplifier": (GREEN, ":"),
}


def element_figure(curves: ElementCurves, *, title: str) -> Figure:
    """Draw deflection and capacitance over acceleration, frequency and step response."""
    figure = new_figure(11.0, 3.6)
    load, response, step = figure.subplots(1, 3)
    figure.suptitle(title)
    g = curves.acceleration / G
    load.plot(g, curves.capacitance * 1e15, color=BLUE, label="change of capacitance [fF]")
    slope = (curves.capacitance[201] - curves.capacitance[200]) / (g[201] - g[200])
    load.plot(g, slope * g * 1e15, color=GREY, linestyle=":", label="linear")
    for name, value in curves.scales.items():
        if value / G <= g[-1]:
            colour, style = _SCALES[name]
            load.axvline(value / G, color=colour, linestyle=style, label=f"full scale by {name}")
    load.set(xlabel="acceleration [g]", ylabel="change of capacitance [fF]")
    load.legend(fontsize=7)
    twin = load.secondary_yaxis("right", functions=_nanometres(curves))
    twin.set_ylabel("deflection, small [nm]")
    response.loglog(curves.hz, curves.gain, color=BLUE)
    response.axhline(1.0 / np.sqrt(2.0), color=GREY, linestyle=":", label="-3 dB")
    if curves.package_hz:
        response.axvline(curves.package_hz, color=VERMILION, linestyle="--", label="package mode")
    response.set(xlabel="frequency [Hz]", ylabel="frequency response [-]")
    response.legend(fontsize=7)
    step.plot(curves.times * 1e6, curves.step, color=BLUE)
    step.axhline(1.0, color=GREY, linestyle=":")
    step.set(xlabel="time [us]", ylabel="step response [-]")
    for panel in (load, response, step):
        tidy(panel)
    return figure


def _nanometres(curves: ElementCurves):  # type: ignore[no-untyped-def]  # noqa: ANN202
    middle = slice(200, 202)
    slope = np.diff(curves.deflection[middle])[0] / np.diff(curves.capacitance[middle])[0]
    per = slope * 1e9 / 1e15
    return (lambda ff: ff * per, lambda nm: nm / per)


def trade_figure(points: Sequence[TradePoint], *, chosen: TradePoint) -> Figure:
    """Draw range and bandwidth against noise and sensitivity, the chosen point ringed."""
    figure = new_figure(9.0, 3.8)
    panels = figure.subplots(1, 2)
    shown = [point for point in points if isfinite(point.range)]
    for panel, field, factor, label in (
        (panels[0], "range", 1.0 / G, "range [g]"),
        (panels[1], "bandwidth_hz", 1.0, "bandwidth of the element [Hz]"),
    ):
        across = [getattr(point, field) * factor for point in shown]
        noise = [1e3 * point.noise_density / G for point in shown]
        change = [1e18 * point.capacitance_per_g for point in shown]
        panel.loglog(across, noise, color=BLUE, marker="o", label="noise [mg/sqrt(Hz)]")
        panel.set(xlabel=label, ylabel="noise [mg/sqrt(Hz)]")
        panel.tick_params(which="minor", labelbottom=False)
        twin = panel.twinx()
        twin.loglog(across, change, color=VERMILION, linestyle="--", marker="s")
        twin.set_ylabel("capacitance for each g [aF], dashed")
        panel.plot(
            getattr(chosen, field) * factor,
            1e3 * chosen.noise_density / G,
            marker="o",
            markersize=14,
            markerfacecolor="none",
            color=INK,
            linestyle="none",
            label="chosen",
        )
        panel.legend(fontsize=7, loc="upper center")
        tidy(panel)
    figure.suptitle("Same size, stiffer or softer beams")
    return figure
