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
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.felt import cosine_and_sine
from crashsense.engine import given
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.draw_blocks import row_groups
from crashsense.synthesis.dynamics.lumped import BODIES, ROWS, Motion, System
from crashsense.synthesis.frontal.vehicle import FrontalVehicle
from crashsense.synthesis.location import absorbed_power, ringing_down, shake, with_folds
from crashsense.synthesis.location.power import FOLDS, ring_down, slow_filter
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


def common_velocity(system: System) -> FloatArray:
    """Velocity that car and obstacle would have together [m/s], shape (draws,); 0 if it is fixed.

    What is left to the car when crushing ends, unless it slides past: never less than its lowest.
    """
    mass, velocity = system.mass, system.velocity
    car = mass["front_left"] + mass["front_right"] + mass["powertrain"] + mass["cabin"]
    other = np.asarray(mass["far"] + mass["face"])
    moves = np.isfinite(other)
    other = np.where(moves, other, 0.0)
    common = (car * velocity["cabin"] + other * velocity["far"]) / (car + other)
    return np.where(moves, common, 0.0)


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
    rows = np.empty((len(places), *motion.obstacle_force.shape))
    draws, samples = motion.obstacle_force.shape
    signals = dict(zip(places, rows, strict=True))
    last = min(samples, first + FOLDING)
    power, near = (np.empty((draws, last - first)) for _ in range(2))
    of_place = [np.array(column) for column in zip(*places.values(), strict=True)]
    across = np.array([name.endswith("_y") for name in places])
    compiled: Any = engine.kernels() or sys.modules[__name__]
    compiled.put_motion(given(motion.rows), *map(given, (*of_place, across)), 1.0 / RATE_HZ, rows)
    if variation.reads("central_z"):
        signals["central_z"] = _pitched(car, system, motion)
    put_power(system, motion, first, power, near)
    located = {name: car.locations[name].place() for name in signals if name in car.locations}
    for nearness, group in (
        (near, {n: p for n, p in located.items() if n not in AT_THE_CRUSH}),
        (1.0, {n: p for n, p in located.items() if n in AT_THE_CRUSH}),
    ):
        shake(
            group,
            power=power,
            nearness=nearness,
            variation=variation,
            rate_hz=RATE_HZ,
            into=signals,
            begin=first,
        )
    # The second element sits beside the first on the same board: it sees the same motion. What
    # makes it independent (its own offset, noise, sensitivity) belongs to the sensor.
    return signals | {other: signals[name] for name in places for other in _SAME[name]}


#: Channel -> others that see the same motion.
_SAME: Mapping[str, tuple[str, ...]] = defaultdict(
    tuple, central_x=("central_safing_x",), central_y=("central_safing_y",)
)


def _places(car: FrontalVehicle) -> dict[str, tuple[int, float, float]]:
    """Channel -> row of the mass that it rides on; ahead, right of the centre of gravity [m].

    The end of a rail has its own motion along x, which holds what yaw adds there.
    """
    geometry = car.geometry
    ahead, aside = geometry.sensor_ahead_m, geometry.side_sensor_ahead_m
    of_mass = {name: ROWS.index(name) for name in BODIES}
    cabin = of_mass["cabin"]
    return {
        "central_x": (cabin, ahead, 0.0),
        "central_y": (cabin, ahead, 0.0),
        "rear_seat_crossmember_x": (cabin, 0.0, 0.0),
        "upfront_left_x": (of_mass["front_left"], 0.0, 0.0),
        "upfront_right_x": (of_mass["front_right"], 0.0, 0.0),
        "powertrain_x": (of_mass["powertrain"], 0.0, 0.0),
        "side_left_y": (cabin, aside, -geometry.half_track_m),
        "side_right_y": (cabin, aside, geometry.half_track_m),
    }


def _pitched(car: FrontalVehicle, system: System, motion: Motion) -> FloatArray:
    """Vertical acceleration of the central unit: the force acts below the centre of gravity."""
    geometry = car.geometry
    lever = geometry.force_below_centre_of_gravity_m / geometry.pitch_inertia_kg_m2
    out = motion.obstacle_force / np.asarray(system.mass["y"])[:, None]
    out *= geometry.sensor_ahead_m * lever * car.masses.total_kg
    return out


def put_motion(
    motion: FloatArray,
    mass: IntArray,
    ahead: FloatArray,
    right: FloatArray,
    across: npt.NDArray[np.bool_],
    step_s: float,
    out: FloatArray,
) -> None:
    """Motion of places as a rigid body, in body axes, shape (places, draws, samples).

    *motion*: as ``Motion.rows``; of each place: row of the *mass* that it rides on, *ahead* and to
    the *right* of the centre of gravity, *across* if its y axis is read. The compiled twin has the
    same bits.
    """
    for rows in row_groups(out.shape[1]):
        y, yaw = motion[4, rows], motion[5, rows]
        rate = np.cumsum(yaw, axis=-1) * step_s
        square = rate * rate
        cosine, sine = cosine_and_sine(np.cumsum(rate, axis=-1) * step_s)
        for place in range(out.shape[0]):
            x, p, q = motion[mass[place], rows], ahead[place], right[place]
            if across[place]:
                out[place, rows] = ((y * cosine - x * sine) + p * yaw) - q * square
            else:
                out[place, rows] = ((x * cosine + y * sine) - q * yaw) - p * square


def put_power(
    system: System, motion: Motion, first: int, power: FloatArray, near: FloatArray
) -> None:
    """Absorbed power [W/kg] and nearness of the crush [-] from first contact on."""
    step = 1.0 / RATE_HZ
    draws, active = power.shape
    last = first + active
    cabin = motion.rows[ROWS.index("cabin")]
    speed, far = (np.asarray(system.velocity[name]) for name in ("cabin", "far"))
    common = common_velocity(system)
    compiled = engine.kernels()
    if compiled is not None:
        section, rest, mirrored = slow_filter(RATE_HZ)
        compiled.put_power(
            given(cabin), given(motion.power), given(np.stack([speed, common, far])),
            given(section), given(rest), given(ring_down(last, rate_hz=RATE_HZ)), given(FOLDS),
            mirrored, step, step / NEAR_M, first, power, near,
        )  # fmt: skip
        return
    for rows in row_groups(draws):
        slowed = -cabin[rows]
        lost = cumulative_trapezoid(slowed, step_s=step)
        velocity = speed[rows, None] - lost
        absorbed = absorbed_power(
            slowed,
            lost=lost,
            speed=speed[rows],
            rest=np.maximum(common[rows], velocity.min(axis=-1)),
            rate_hz=RATE_HZ,
        )
        absorbed = ringing_down(absorbed[:, :last], rate_hz=RATE_HZ)
        folded = with_folds(absorbed, crushing=motion.power[rows], rate_hz=RATE_HZ)
        power[rows] = folded[:, first:]
        closing = np.maximum(velocity[:, first:last] - far[rows, None], 0.0)
        near[rows] = np.minimum(np.cumsum(closing, axis=-1) * (step / NEAR_M), 1.0)


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
