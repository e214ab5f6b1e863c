"""Tolerance draws: each draw's own sensor, drawn by name and number.

Every deviation is a standard normal number, cut at 3 sigma, times the part's tolerance; filter
setting and sample phase come from five fixed values each. Draw 0 is the nominal part, with the
nominal filter, at 25 degC, at the worst sample phase. A deviation depends on (seed, occurrence,
channel, role, draw number) only: two sensor sets, ranges or algorithms meet the same draw.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, sin

import numpy as np
import numpy.typing as npt

from crashsense import draws as random_draws
from crashsense.arrays import FloatArray, IntArray
from crashsense.sensing.chain import CORNER_SETTINGS, NOMINAL_SETTING
from crashsense.sensing.element import DEVIATIONS, ElementDraws
from crashsense.sensing.sensor import ControlUnit, Sensor
from crashsense.values import Shown

#: Sample phases of a draw, as a share of the tick. Phase 0, the nominal one, samples exactly at
#: time zero: nothing has happened yet and a whole tick passes before anything is seen. The worst.
PHASES = (0.0, 0.2, 0.4, 0.6, 0.8)

#: Columns of the drawn numbers; new ones go to the end, so that old draws stay.
ROLES = (
    "sensitivity",
    "offset",
    "drift",
    "sensitivity_temperature",
    "offset_temperature",
    "misalignment",
    "cross_axis_first",
    "cross_axis_second",
)

#: The role of the filter, whose five settings are numbered.
FILTER = "filter"

#: Channel -> the other axes at its place, in the order of the cross-axis columns.
OTHER_AXES: Mapping[str, tuple[str, ...]] = {
    "central_x": ("central_y", "central_z"),
    "central_y": ("central_x", "central_z"),
    "central_z": ("central_x", "central_y"),
    "central_safing_x": ("central_safing_y",),
    "central_safing_y": ("central_safing_x",),
}


@dataclass(frozen=True, eq=False)
class UnitDraws(Shown):
    """What the sensors of a draw share: phase (index into PHASES), K above 25 degC."""

    phase: IntArray
    warmer_k: FloatArray


@dataclass(frozen=True, eq=False)
class SensorDraws(Shown):
    """One sensor's deviations, all of shape (draws,).

    reading = gain * a + sum(cross[other] * a_other) + offset + drift * max(t, 0) + noise

    ``element``: the elements as made, where the part has one: they move a (resonance, stop,
    read-out) and noise; what they do to gain and offset is in those already.
    """

    gain: FloatArray
    cross: Mapping[str, FloatArray]
    offset: FloatArray
    drift: FloatArray
    setting: IntArray
    noisy: npt.NDArray[np.bool_]
    element: ElementDraws | None = None


def draw_unit(
    draws: IntArray, *, unit: ControlUnit, seed: int, occurrence: str, vary: bool
) -> UnitDraws:
    """Draw the sample phase and the temperature, unless the unit has a fixed one."""
    held = None if unit.fixed_c is None else np.full(draws.size, unit.fixed_c - 25.0)
    if not vary:
        still = np.zeros(draws.size) if held is None else held
        return UnitDraws(np.zeros(draws.size, dtype=np.int64), still)
    drawn = random_draws.uniforms(
        draws, 4, seed=seed, axes=(occurrence, "control_unit", "tolerance")
    )
    low, high = unit.temperature_c
    warmer = np.where(draws == 0, 0.0, low + (high - low) * drawn[:, 1] - 25.0)
    phase = np.where(draws == 0, 0, np.floor(drawn[:, 0] * len(PHASES)))
    return UnitDraws(phase.astype(np.int64), warmer if held is None else held)


def _coupled(sensor: Sensor, other: str) -> float:
    """Nominal share of another axis; the mass of an element couples the axes that share it."""
    if sensor.element is not None and sensor.element.shared_mass:
        return sensor.cross_axis if other[-1] in sensor.element.axes else 0.0
    return sensor.cross_axis


def draw_sensor(
    draws: IntArray,
    *,
    sensor: Sensor,
    channel: str,
    shared: UnitDraws,
    seed: int,
    occurrence: str,
    vary: bool,
    deviates: FloatArray | None = None,
) -> SensorDraws:
    """Draw the deviations of the sensor at *channel*.

    *deviates*, shape (draws, len(ROLES)), replaces the drawn standard normal numbers: for
    sensitivity studies on designed points (:mod:`crashsense.sensing.sensitivity`).
    """
    n = draws.size
    if deviates is not None:
        z = np.zeros((n, len(ROLES)))
        z[:, : deviates.shape[1]] = deviates
    elif vary:
        z = random_draws.normals(
            draws, len(ROLES), seed=seed, axes=(occurrence, channel, "tolerance")
        )
    else:
        z = np.zeros((n, len(ROLES)))
    z = np.clip(z, -3.0, 3.0)
    for role, value in sensor.build.items():
        if role != FILTER:
            z[:, ROLES.index(role)] = value
    if vary and sensor.filter_kind != "none":
        drawn = random_draws.uniforms(draws, 2, seed=seed, axes=(occurrence, channel, "filter"))
        setting = np.floor(drawn[:, 0] * len(CORNER_SETTINGS)).astype(np.int64)
        setting = np.where(draws == 0, NOMINAL_SETTING, setting)
    else:
        setting = np.full(n, NOMINAL_SETTING, dtype=np.int64)
    if FILTER in sensor.build:
        setting = np.full(n, int(sensor.build[FILTER]), dtype=np.int64)

    warmer = shared.warmer_k
    sensitivity = (
        1.0
        + sensor.sensitivity_tolerance * z[:, 0]
        + sensor.sensitivity_temperature * z[:, 3] * warmer
    )
    offset = sensor.offset_tolerance * z[:, 1] + sensor.offset_temperature * z[:, 4] * warmer
    made = None
    if sensor.element is not None and (vary or warmer.any()):
        axes = (occurrence, channel, "element")
        geometry = random_draws.normals(draws, len(DEVIATIONS), seed=seed, axes=axes)
        still = (draws == 0)[:, None] | (not vary)
        geometry = np.where(still, 0.0, np.clip(geometry, -3.0, 3.0))
        made = sensor.element.drawn(geometry, warmer)
        sensitivity = sensitivity * made.sensitivity
        offset = offset + made.offset
    # Sine and cosine of nominal angle plus a small one, by series: exact to 1e-6 up to 0.1 rad, and
    # the same for a draw in any block.
    small = sensor.misalignment_tolerance * z[:, 5]
    small_cos = 1.0 - small * small / 2.0
    small_sin = small - small * small * small / 6.0
    c0, s0 = cos(sensor.mounting_angle), sin(sensor.mounting_angle)
    along = c0 * small_cos - s0 * small_sin
    across = s0 * small_cos + c0 * small_sin
    others = OTHER_AXES.get(channel, ())
    cross: dict[str, FloatArray] = {}
    for position, other in enumerate(others):
        share = _coupled(sensor, other) + sensor.cross_axis_tolerance * z[:, 6 + position]
        cross[other] = sensitivity * (across + share if position == 0 else share)
    return SensorDraws(
        gain=sensitivity * along,
        cross=cross,
        offset=offset,
        drift=sensor.drift_tolerance * z[:, 2],
        setting=setting,
        noisy=(draws != 0) & vary,
        element=made,
    )
