"""Motion at the sensors of the frontal model: rigid motion in body axes, and random shaking.

*Motion*: a place ahead by p and to the right by q of the centre of gravity moves with
``(x'' - q w' - p w^2, y'' + p w' - q w^2)`` (w: yaw rate), turned into body axes. Front sensors
ride on the ends of the rails, and turn with the car.

*Shaking* follows the absorbed power per mass of the car
(:mod:`crashsense.synthesis.location.power`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crashsense.draws import PAGE
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.draw_blocks import draw_groups, rows_of
from crashsense.synthesis.dynamics.lumped import Motion, System
from crashsense.synthesis.dynamics.lumped_system import FloatArray
from crashsense.synthesis.frontal.vehicle import FrontalVehicle
from crashsense.synthesis.location import absorbed_power, ringing_down, shake, with_folds
from crashsense.synthesis.model import Variation

Rows = npt.NDArray[np.int64]

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


def resting_speed(system: System, rows: Rows, least: FloatArray) -> FloatArray:
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
    """Signals at the sensing locations [m/s^2], by channel, shape (draws, samples).

    *first*: sample of first contact. Rows depend on nothing but themselves.
    """
    draws = variation.size
    names = [
        "central_x", "central_y", "central_z", "rear_seat_crossmember_x", "upfront_left_x",
        "upfront_right_x", "powertrain_x", "side_left_y", "side_right_y",
    ]  # fmt: skip
    signals = {name: np.empty((draws, motion.obstacle_force.shape[1])) for name in names}
    for rows in draw_groups(variation):
        _felt_rows(car, system, motion, rows_of(variation, rows), rows, first, signals)
    # The second element sits beside the first on the same board: it sees the same motion. What
    # makes it independent (its own offset, noise, sensitivity) belongs to the sensor.
    signals["central_safing_x"] = signals["central_x"]
    signals["central_safing_y"] = signals["central_y"]
    return signals


def _felt_rows(
    car: FrontalVehicle,
    system: System,
    motion: Motion,
    variation: Variation,
    rows: Rows,
    first: int,
    signals: dict[str, FloatArray],
) -> None:
    step = 1.0 / RATE_HZ
    geometry = car.geometry
    x, y, yaw = (motion.acceleration[name][rows] for name in ("cabin", "y", "yaw"))
    rate = np.cumsum(yaw, axis=-1) * step
    turned = np.cumsum(rate, axis=-1) * step
    cosine, sine = np.cos(turned), np.sin(turned)
    square = np.square(rate)

    def at(along: FloatArray, ahead: float, right: float) -> tuple[FloatArray, FloatArray]:
        own_x = along * cosine + y * sine
        own_y = y * cosine - along * sine
        return own_x - right * yaw - ahead * square, own_y + ahead * yaw - right * square

    central = at(x, geometry.sensor_ahead_m, 0.0)
    aside = geometry.side_sensor_ahead_m
    # The end of a rail has its own motion along x, which holds what yaw adds there.
    front_left, front_right = (
        motion.acceleration[f"front_{side}"][rows] * cosine + y * sine for side in ("left", "right")
    )
    lever = geometry.force_below_centre_of_gravity_m / geometry.pitch_inertia_kg_m2
    total = np.asarray(system.mass["y"])[rows, None]
    per_mass = motion.obstacle_force[rows] / total
    rigid = {
        "central_x": central[0],
        "central_y": central[1],
        "central_z": per_mass * (geometry.sensor_ahead_m * lever * car.masses.total_kg),
        "rear_seat_crossmember_x": at(x, 0.0, 0.0)[0],
        "upfront_left_x": front_left,
        "upfront_right_x": front_right,
        "powertrain_x": at(motion.acceleration["powertrain"][rows], 0.0, 0.0)[0],
        "side_left_y": at(x, aside, -geometry.half_track_m)[1],
        "side_right_y": at(x, aside, geometry.half_track_m)[1],
    }
    speed = np.asarray(system.velocity["cabin"])[rows]
    velocity = speed[:, None] + cumulative_trapezoid(x, step_s=step)
    rest = resting_speed(system, rows, velocity.min(axis=-1))
    power = absorbed_power(-x, speed=speed, rest=rest, rate_hz=RATE_HZ)
    power = ringing_down(power, rate_hz=RATE_HZ)
    power = with_folds(power, crushing=motion.power[rows], rate_hz=RATE_HZ)
    closing = velocity - np.asarray(system.velocity["far"])[rows, None]
    crush = np.maximum.accumulate(np.cumsum(np.maximum(closing, 0.0)[:, first:], axis=-1), axis=-1)
    last = min(signals["central_x"].shape[1], first + FOLDING)
    near = np.minimum(crush * (step / NEAR_M), 1.0)[:, : last - first]
    places = {name: car.locations[name].place() for name in rigid if name in car.locations}
    shaken: dict[str, FloatArray] = {}
    for nearness, group in (
        (near, {n: p for n, p in places.items() if n not in AT_THE_CRUSH}),
        (1.0, {n: p for n, p in places.items() if n in AT_THE_CRUSH}),
    ):
        shaken |= shake(
            group, power=power[:, first:last], nearness=nearness, variation=variation,
            rate_hz=RATE_HZ,
        )  # fmt: skip
    for name, values in rigid.items():
        signals[name][rows] = values
        if name in shaken:
            signals[name][rows, first:last] += shaken[name]


def _largest(values: FloatArray) -> FloatArray:
    """The value of largest size in each row, with its sign."""
    return values[np.arange(values.shape[0]), np.abs(values).argmax(axis=1)]


def facts_of(system: System, motion: Motion, *, first: int) -> dict[str, FloatArray]:
    """Figures of each draw for the event's card."""
    step = 1.0 / RATE_HZ
    speed = np.asarray(system.velocity["cabin"])
    change, distance, time, aside, turn, free = (np.empty(speed.size) for _ in range(6))
    for start in range(0, speed.size, PAGE):
        rows = slice(start, start + PAGE)
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
    return {
        "speed_m_s": speed,
        "velocity_change_m_s": change,
        "stopping_distance_m": distance,
        "stopping_time_s": time,
        "free_flight_127mm_s": free,
        "lateral_velocity_m_s": aside,
        "largest_yaw_rate_rad_s": turn,
        "contact_s": np.full(speed.size, START_S + first * step),
    }
