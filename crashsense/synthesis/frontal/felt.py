"""Motion at the sensors of the frontal model: rigid motion in body axes, and random shaking.

*Motion*: a place ahead by p and to the right by q of the centre of gravity moves with
``(x'' - q w' - p w^2, y'' + p w' - q w^2)`` (w: yaw rate), turned into body axes. Front sensors
ride on the ends of the rails, and turn with the car.

*Shaking* follows the absorbed power per mass of the car
(:mod:`crashsense.synthesis.location.power`).
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.draw_blocks import row_groups
from crashsense.synthesis.dynamics.lumped import Motion, System
from crashsense.synthesis.dynamics.lumped_system import FloatArray
from crashsense.synthesis.frontal.vehicle import FrontalVehicle
from crashsense.synthesis.location import absorbed_power, ringing_down, shake, with_folds
from crashsense.synthesis.model import Variation

RATE_HZ = 10000.0
START_S = -0.05
#: Samples from -50 ms to 250 ms.
SAMPLES = 3000
ZERO = 500
#: Samples after contact in which folding shakes the car.
FOLDING = 1800

#: Crush at which the front structure has come near to the cabin [m].
NEAR_M = 0.45
#: Free travel of the required time's rule of thumb (memory) [m].
FREE_TRAVEL_M = 0.127

#: Places at which the crush happens: near from the first contact on.
AT_THE_CRUSH = ("upfront_left_x", "upfront_right_x", "powertrain_x")


def resting_speed(system: System, rows: slice, least: FloatArray) -> FloatArray:
    """Velocity left to the car when crushing ends [m/s].

    That of the common mass; more where the car slides past (*least*: its lowest x velocity).
    """
    mass, velocity = (
        {name: np.asarray(values)[rows] for name, values in table.items()}
        for table in (system.mass, system.velocity)
    )
    car = mass["front_left"] + mass["front_right"] + mass["powertrain"] + mass["cabin"]
    other = mass["far"] + mass["face"]
    moves = np.isfinite(other)
    other = np.where(moves, other, 0.0)
    common = (car * velocity["cabin"] + other * velocity["far"]) / (car + other)
    return np.maximum(np.where(moves, common, 0.0), least)


def felt(
    car: FrontalVehicle,
    system: System,
    motion: Motion,
    *,
    variation: Variation,
    first: int,
) -> dict[str, FloatArray]:
    """Signals at the sensing locations that are read [m/s^2], by channel, shape (draws, samples).

    *first*: sample of first contact. Rows depend on nothing but themselves.
    """
    # One signal is always made: those that are silent have its length.
    places = {
        name: place
        for name, place in _places(car).items()
        if name == "central_x" or variation.reads(name, *_SAME[name])
    }
    shape = motion.obstacle_force.shape
    signals = {name: np.empty(shape) for name in places}
    if variation.reads("central_z"):
        signals["central_z"] = np.empty(shape)
    last = min(shape[1], first + FOLDING)
    power, near = (np.empty((shape[0], last - first)) for _ in range(2))
    for rows in row_groups(variation.size):
        _put_motion(car, system, motion, rows, places, signals)
        _put_power(system, motion, rows, first, power, near)
    located = {name: car.locations[name].place() for name in signals if name in car.locations}
    for nearness, group in (
        (near, {n: p for n, p in located.items() if n not in AT_THE_CRUSH}),
        (1.0, {n: p for n, p in located.items() if n in AT_THE_CRUSH}),
    ):
        shaken = shake(group, power=power, nearness=nearness, variation=variation, rate_hz=RATE_HZ)
        for name, values in shaken.items():
            signals[name][:, first:last] += values
    # The second element sits beside the first on the same board: it sees the same motion. What
    # makes it independent (its own offset, noise, sensitivity) belongs to the sensor.
    return signals | {other: signals[name] for name in places for other in _SAME[name]}


#: Channel -> others that see the same motion.
_SAME: Mapping[str, tuple[str, ...]] = defaultdict(
    tuple, central_x=("central_safing_x",), central_y=("central_safing_y",)
)


def _places(car: FrontalVehicle) -> dict[str, tuple[str, float, float]]:
    """Channel -> the mass that the place rides on; ahead, right of the centre of gravity [m].

    The end of a rail has its own motion along x, which holds what yaw adds there.
    """
    geometry = car.geometry
    ahead, aside = geometry.sensor_ahead_m, geometry.side_sensor_ahead_m
    return {
        "central_x": ("cabin", ahead, 0.0),
        "central_y": ("cabin", ahead, 0.0),
        "rear_seat_crossmember_x": ("cabin", 0.0, 0.0),
        "upfront_left_x": ("front_left", 0.0, 0.0),
        "upfront_right_x": ("front_right", 0.0, 0.0),
        "powertrain_x": ("powertrain", 0.0, 0.0),
        "side_left_y": ("cabin", aside, -geometry.half_track_m),
        "side_right_y": ("cabin", aside, geometry.half_track_m),
    }


def _put_motion(
    car: FrontalVehicle,
    system: System,
    motion: Motion,
    rows: slice,
    places: Mapping[str, tuple[str, float, float]],
    signals: Mapping[str, FloatArray],
) -> None:
    """Motion of the places as a rigid body, in body axes."""
    step = 1.0 / RATE_HZ
    y, yaw = motion.acceleration["y"][rows], motion.acceleration["yaw"][rows]
    square, turned = np.empty(yaw.shape), np.empty(yaw.shape)
    compiled: Any = engine.kernels() or sys.modules[__name__]
    compiled.yaw_of(yaw, step, square, turned)
    cosine, sine = np.cos(turned), np.sin(turned)
    for name, (mass, ahead, right) in places.items():
        along = motion.acceleration[mass][rows]
        into = signals[name][rows]
        compiled.body_axes(
            along, y, yaw, square, cosine, sine, ahead, right, name.endswith("_y"), into
        )
    if "central_z" in signals:
        geometry = car.geometry
        lever = geometry.force_below_centre_of_gravity_m / geometry.pitch_inertia_kg_m2
        total = np.asarray(system.mass["y"])[rows, None]
        per_mass = motion.obstacle_force[rows] / total
        per_mass *= geometry.sensor_ahead_m * lever * car.masses.total_kg
        signals["central_z"][rows] = per_mass


def yaw_of(yaw: FloatArray, step: float, square: FloatArray, turned: FloatArray) -> None:
    """Square of the yaw rate, and yaw angle, a row a draw; the compiled twin has the same bits."""
    rate = np.cumsum(yaw, axis=-1) * step
    np.cumsum(rate, axis=-1, out=turned)
    turned *= step
    np.square(rate, out=square)


def body_axes(
    along: FloatArray,
    y: FloatArray,
    yaw: FloatArray,
    square: FloatArray,
    cosine: FloatArray,
    sine: FloatArray,
    ahead: float,
    right: float,
    across: bool,
    out: FloatArray,
) -> None:
    """Acceleration of a place along x or, *across*, along y; the compiled twin: same bits."""
    if across:
        out[...] = ((y * cosine - along * sine) + ahead * yaw) - right * square
    else:
        out[...] = ((along * cosine + y * sine) - right * yaw) - ahead * square


def _put_power(
    system: System,
    motion: Motion,
    rows: slice,
    first: int,
    power: FloatArray,
    near: FloatArray,
) -> None:
    """Absorbed power [W/kg] and nearness of the crush [-] from first contact on."""
    step = 1.0 / RATE_HZ
    slowed = -motion.acceleration["cabin"][rows]
    speed = np.asarray(system.velocity["cabin"])[rows]
    lost = cumulative_trapezoid(slowed, step_s=step)
    velocity = speed[:, None] - lost
    rest = resting_speed(system, rows, velocity.min(axis=-1))
    absorbed = absorbed_power(slowed, lost=lost, speed=speed, rest=rest, rate_hz=RATE_HZ)
    last = first + power.shape[1]
    absorbed = ringing_down(absorbed[:, :last], rate_hz=RATE_HZ)
    power[rows] = with_folds(absorbed, crushing=motion.power[rows], rate_hz=RATE_HZ)[:, first:]
    closing = velocity[:, first:last] - np.asarray(system.velocity["far"])[rows, None]
    crush = np.maximum.accumulate(np.cumsum(np.maximum(closing, 0.0), axis=-1), axis=-1)
    near[rows] = np.minimum(crush * (step / NEAR_M), 1.0)


def _largest(values: FloatArray) -> FloatArray:
    """The value of largest size in each row, with its sign."""
    return values[np.arange(values.shape[0]), np.abs(values).argmax(axis=1)]


def facts_of(
    system: System, motion: Motion, *, variation: Variation, first: int
) -> dict[str, FloatArray]:
    """Figures of each draw for the event's card, of which some are left out if none is read."""
    step = 1.0 / RATE_HZ
    speed = np.asarray(system.velocity["cabin"])
    names = (
        "velocity_change_m_s", "stopping_distance_m", "stopping_time_s", "free_flight_127mm_s",
        "lateral_velocity_m_s", "largest_yaw_rate_rad_s",
    )  # fmt: skip
    contact = {"contact_s": np.full(speed.size, START_S + first * step)}
    if not variation.reads(*names):
        return {"speed_m_s": speed, **contact}
    change, distance, time, free, aside, turn = (np.empty(speed.size) for _ in names)
    for rows in row_groups(speed.size):
        x, y, yaw = (motion.acceleration[n][rows, first:] for n in ("cabin", "y", "yaw"))
        velocity = speed[rows, None] + cumulative_trapezoid(x, step_s=step)
        change[rows] = speed[rows] - velocity.min(axis=1)
        travel = cumulative_trapezoid(velocity, step_s=step)
        flight = cumulative_trapezoid(speed[rows, None] - velocity, step_s=step)
        reached = flight >= FREE_TRAVEL_M
        free[rows] = np.where(
            reached.any(axis=1), (first - ZERO + reached.argmax(axis=1)) * step, np.nan
        )
        distance[rows] = travel.max(axis=1)
        time[rows] = travel.argmax(axis=1) * step
        aside[rows] = _largest(cumulative_trapezoid(y, step_s=step))
        turn[rows] = _largest(cumulative_trapezoid(yaw, step_s=step))
    found = zip(names, (change, distance, time, free, aside, turn), strict=True)
    return {"speed_m_s": speed, **dict(found), **contact}
