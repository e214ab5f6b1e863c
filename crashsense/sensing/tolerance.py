"""Tolerance draws: each draw's own sensor, drawn by name and number.

Every deviation is a standard normal number, cut at 3 sigma, times the part's tolerance; filter
setting and sample phase come from five fixed values each. Draw 0 is the nominal part, with the
nominal filter, at 25 degC, at the worst sample phase. A deviation depends on (seed, occurrence,
channel, role, draw number) only: two sensor sets, ranges or algorithms meet the same draw.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass
from math import cos, sin
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import draws as random_draws
from crashsense import engine
from crashsense.arrays import FloatArray, IntArray
from crashsense.sensing.chain import CORNER_SETTINGS, NOMINAL_SETTING
from crashsense.sensing.element import ElementDraws
from crashsense.sensing.element_limits import DEVIATIONS
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
    read-out) and noise; what they do to gain and offset is in those already. ``largest``: absolute
    values over all draws, of gain, offset, drift and each of cross.
    """

    gain: FloatArray
    cross: Mapping[str, FloatArray]
    offset: FloatArray
    drift: FloatArray
    setting: IntArray
    noisy: npt.NDArray[np.bool_]
    largest: FloatArray
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
        draws, 2, seed=seed, axes=(occurrence, "control_unit", "tolerance")
    )
    low, high = unit.temperature_c
    warmer = np.where(draws == 0, 0.0, low + (high - low) * drawn[:, 1] - 25.0)
    phase = np.where(draws == 0, 0, np.floor(drawn[:, 0] * len(PHASES)))
    return UnitDraws(phase.astype(np.int64), warmer if held is None else held)


#: Other axes that have a role, the last ones.
_POSITIONS = 2


def _others(channel: str, felt: Collection[str] | None) -> tuple[str, ...]:
    """Other axes at the place of a channel, up to the last one where something may happen."""
    names = OTHER_AXES.get(channel, ())
    there = [k for k, name in enumerate(names) if felt is None or name in felt]
    return names[: there[-1] + 1] if there else ()


def _coupled(sensor: Sensor, other: str) -> float:
    """Nominal share of another axis; the mass of an element couples the axes that share it."""
    if sensor.element is not None and sensor.element.shared_mass:
        return sensor.cross_axis if other[-1] in sensor.element.axes else 0.0
    return sensor.cross_axis


def draw_sensor(
    draws: IntArray, *, sensor: Sensor, channel: str, deviates: FloatArray | None = None, **how: Any
) -> SensorDraws:
    """Draw the deviations of the sensor at *channel*; *how* as :func:`draw_sensors`."""
    given = {} if deviates is None else {channel: deviates}
    return draw_sensors(draws, sensors={channel: sensor}, deviates=given, **how)[channel]


def draw_sensors(
    draws: IntArray,
    *,
    sensors: Mapping[str, Sensor],
    shared: UnitDraws,
    seed: int,
    occurrence: str,
    vary: bool,
    deviates: Mapping[str, FloatArray] | None = None,
    felt: Collection[str] | None = None,
) -> dict[str, SensorDraws]:
    """Draw the deviations of the sensors at some channels, all at once.

    *felt*: channels where something may happen (None: all): only these are among the other axes.
    *deviates*: channel -> shape (draws, len(ROLES)), in place of the drawn standard normal numbers:
    for sensitivity studies on designed points (:mod:`crashsense.sensing.sensitivity`).
    """
    if not sensors:
        return {}
    parts = list(sensors.values())
    axes = {channel: (occurrence, channel) for channel in sensors}
    others = [_others(channel, felt) for channel in sensors]
    width = len(ROLES) - _POSITIONS + max(map(len, others))
    z = _deviates(draws, sensors, axes, seed=seed, vary=vary, given=deviates or {}, width=width)
    settings = _settings(draws, sensors, axes, seed=seed, vary=vary)
    warmer = shared.warmer_k
    made: list[ElementDraws | None] = [None] * len(parts)
    if vary or warmer.any():
        for row, (channel, part) in enumerate(sensors.items()):
            made[row] = _element(draws, part, warmer, axes=axes[channel], seed=seed, vary=vary)
    numbers = _numbers(parts, others)
    found = _deviations(z, numbers, warmer, made)
    largest = np.abs(found).max(axis=-1)
    noisy = (draws != 0) & vary
    return {
        channel: SensorDraws(
            gain=own[0],
            cross=dict(zip(names, own[3:], strict=False)),
            offset=own[1],
            drift=own[2],
            setting=setting,
            noisy=noisy,
            largest=most,
            element=element,
        )
        for channel, names, own, most, setting, element in zip(
            sensors, others, found, largest, settings, made, strict=True
        )
    }


def known_by(
    sensors: Mapping[str, Sensor], *, felt: Collection[str] | None
) -> tuple[Hashable, ...]:
    """All that the deviations of some sensors depend on besides the draws, the unit and *felt*.

    Sensors that differ in range, noise or corner alone deviate alike. One with an element is known
    by its identity: it must be kept as long as what is known by it.
    """
    return tuple(
        (channel, id(part))
        if part.element is not None
        else (
            *(channel, *_numbers_of(part, _others(channel, felt))),
            *(part.filter_kind == "none", *sorted(part.build.items())),
        )
        for channel, part in sensors.items()
    )


def _numbers_of(part: Sensor, others: Sequence[str]) -> tuple[float, ...]:
    """Tolerances of a sensor: nine numbers, and the nominal share of each other axis."""
    return (
        *(part.sensitivity_tolerance, part.sensitivity_temperature),
        *(part.offset_tolerance, part.offset_temperature, part.misalignment_tolerance),
        *(cos(part.mounting_angle), sin(part.mounting_angle)),
        *(part.drift_tolerance, part.cross_axis_tolerance),
        *(_coupled(part, name) for name in others),
    )


def _numbers(parts: Sequence[Sensor], others: Sequence[tuple[str, ...]]) -> FloatArray:
    """Tolerances of every sensor, as ``compiled.readings.deviations_of`` takes them."""
    out = np.zeros((len(parts), 9 + max(map(len, others))))
    for row, part, names in zip(out, parts, others, strict=True):
        row[: 9 + len(names)] = _numbers_of(part, names)
    return out


def _deviations(
    z: FloatArray, numbers: FloatArray, warmer: FloatArray, made: Sequence[ElementDraws | None]
) -> FloatArray:
    """Gain, offset, drift and shares of other axes, (sensors, 3 or more, draws).

    *z* (sensors, draws, roles), *numbers* of :func:`_numbers`, *warmer* (draws,), *made*: elements
    of the sensors that have one. Twin: ``compiled.readings.deviations_of``, the same bits.
    """
    positions = numbers.shape[1] - 9
    out = np.empty((len(numbers), 3 + positions, warmer.size))
    kernels = engine.kernels()
    if kernels is not None and all(element is None for element in made):
        kernels.deviations_of(*map(engine.given, (z, numbers, warmer)), out)
        return out
    z, own = z.transpose(2, 0, 1), numbers.T[:, :, None]
    sensitivity = 1.0 + own[0] * z[0] + own[1] * z[3] * warmer
    offset = own[2] * z[1] + own[3] * z[4] * warmer
    for row, element in enumerate(made):
        if element is not None:
            sensitivity[row] *= element.sensitivity
            offset[row] += element.offset
    # Sine and cosine of nominal angle plus a small one, by series: exact to 1e-6 up to 0.1 rad, and
    # the same for a draw in any block.
    small = own[4] * z[5]
    small_cos = 1.0 - small * small / 2.0
    small_sin = small - small * small * small / 6.0
    out[:, 0] = sensitivity * (own[5] * small_cos - own[6] * small_sin)
    out[:, 1], out[:, 2] = offset, own[7] * z[2]
    for position in range(positions):
        share = own[9 + position] + own[8] * z[6 + position]
        if position == 0:
            share = own[6] * small_cos + own[5] * small_sin + share
        out[:, 3 + position] = share * sensitivity
    return out


#: Channel -> occurrence and channel, with which the axes of its numbers begin.
_Axes = Mapping[str, tuple[str, str]]


def _deviates(
    draws: IntArray,
    sensors: Mapping[str, Sensor],
    axes: _Axes,
    *,
    seed: int,
    vary: bool,
    given: Mapping[str, FloatArray],
    width: int,
) -> FloatArray:
    """Standard normal numbers cut at 3, or those that a build fixes, shape (sensors, draws, width).

    *given*: channel -> numbers in place of drawn ones; *width*: of that many roles.
    """
    drawn = [row for row, channel in enumerate(sensors) if vary and channel not in given]
    names = [(*list(axes.values())[row], "tolerance") for row in drawn]
    z = random_draws.normals_of(names, draws, width=width, seed=seed)
    if len(drawn) < len(sensors):
        whole = np.zeros((len(sensors), draws.size, width))
        whole[drawn] = z
        z = whole
    for row, channel in enumerate(sensors):
        if channel in given:
            own = given[channel][:, :width]
            z[row, :, : own.shape[1]] = own
    np.clip(z, -3.0, 3.0, out=z)
    for row, sensor in enumerate(sensors.values()):
        for role, value in sensor.build.items():
            if role in ROLES[:width]:
                z[row, :, ROLES.index(role)] = value
    return z


def _settings(
    draws: IntArray, sensors: Mapping[str, Sensor], axes: _Axes, *, seed: int, vary: bool
) -> npt.NDArray[np.int64]:
    """Filter setting of every draw, shape (sensors, draws)."""
    out = np.full((len(sensors), draws.size), NOMINAL_SETTING, dtype=np.int64)
    rows = [row for row, s in enumerate(sensors.values()) if vary and s.filter_kind != "none"]
    if rows:
        places = list(axes.values())
        names = [(*places[row], "filter") for row in rows]
        numbers = random_draws.uniforms_of(names, draws, width=1, seed=seed)[:, :, 0]
        numbers *= len(CORNER_SETTINGS)
        out[rows] = numbers  # whole numbers: the fraction is cut
        out[:, draws == 0] = NOMINAL_SETTING
    for row, sensor in enumerate(sensors.values()):
        if FILTER in sensor.build:
            out[row] = int(sensor.build[FILTER])
    return out


def _element(
    draws: IntArray,
    sensor: Sensor,
    warmer_k: FloatArray,
    *,
    axes: tuple[str, str],
    seed: int,
    vary: bool,
) -> ElementDraws | None:
    """The elements of a sensor as made; None for a part without one."""
    if sensor.element is None:
        return None
    geometry = random_draws.normals(draws, len(DEVIATIONS), seed=seed, axes=(*axes, "element"))
    still = (draws == 0)[:, None] | (not vary)
    geometry = np.where(still, 0.0, np.clip(geometry, -3.0, 3.0))
    return sensor.element.drawn(geometry, warmer_k)
