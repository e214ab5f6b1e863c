"""Ride model: a car on its wheels over a road, with the horizontal part of the wheel force.

Degrees of freedom: body forward x, up z, pitch (nose up) and, where the two tracks see different
roads, roll (right side down); each wheel up and, on its longitudinal bush, fore and aft.
Symmetric roads run one track only (the half-car); its forces count twice.

Forces [N], lengths [m], heights positive up:

    tyre       N = N0 + k_t (z_e(x) - z_w) + c_t d/dt(z_e - z_w) >= 0, plus k_rim past the sidewall
    road       F_x = -N dz_e/dx                     z_e: path of the rigid wheel over the road
    spring     F_s = k_s d + damper, plus stops K (d^+ + d^+^2 / b) past the travel
    damper     c_bump or c_rebound d', past a knee a share of it (degressive)
    bush       F_b = k_x u + c_x u'         u: wheel ahead of its place on the pitching body
    body       M x'' = sum F_b;  M z'' = sum F_s;  I pitch'' = sum l F_s + sum arm F_x

The elastic part of the tyre derives from a potential k (z_e - z_w)^2 / 2, so that a wheel over an
obstacle takes its energy from the forward motion and nothing is gained: F_x / N = tan(theta) is
the slope of the path, on a step cos(theta) = 1 - h / R. A brake adds a force at the ground.

All quantities start from rest on level ground. Semi-implicit Euler of fixed step; one code runs on
floats (few draws, fast) and on arrays (many draws): the same operations in the same order, hence
the same bits. Parameters of a small car from memory; see the vehicle file for the basis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.units import STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]

#: Up to this many draws are marched one by one on plain floats, more of them as arrays.
SCALAR_DRAWS = 10
#: Draws marched together as arrays.
ROWS = 512


@dataclass(frozen=True, eq=False)
class RideCar:
    """A car in SI units; scalars or arrays of shape (draws,). ``front, rear`` pairs are tuples."""

    sprung_mass: Any
    pitch_inertia: Any
    roll_inertia: Any
    front_length: Any  # centre of gravity to front axle
    rear_length: Any
    track: Any
    height: Any  # of the centre of gravity over the ground
    wheel_radius: Any
    wheel_mass: tuple[Any, Any]
    spring: tuple[Any, Any]
    damper_bump: tuple[Any, Any]
    damper_rebound: tuple[Any, Any]
    damper_knee: Any  # speed [m/s] past which the slope of the damper falls
    damper_fall: Any  # to this share [-]
    bump_travel: tuple[Any, Any]
    rebound_travel: tuple[Any, Any]
    stop_stiffness: Any
    stop_length: Any
    tyre_stiffness: Any
    tyre_damping: Any
    sidewall: Any
    rim_stiffness: Any
    bush_stiffness: Any
    bush_damping: Any
    brake_share: Any
    friction: Any
    speed_hold: Any

    @property
    def total_mass(self) -> Any:
        """Mass of body and four wheels [kg]."""
        return self.sprung_mass + 2.0 * self.wheel_mass[0] + 2.0 * self.wheel_mass[1]

    def static_loads(self) -> tuple[Any, Any]:
        """Load of the body on one front and one rear wheel [N]."""
        base = self.front_length + self.rear_length
        weight = self.sprung_mass * STANDARD_GRAVITY
        return 0.5 * weight * self.rear_length / base, 0.5 * weight * self.front_length / base


#: Quantities that a march returns for each step, in order.
OUTPUTS = (
    "x_acc",
    "z_acc",
    "pitch_acc",
    "pitch_rate",
    "pitch",
    "roll_acc",
    "roll_rate",
    "roll",
    "speed",
)
#: Further ones with ``audit``: energies [J] of the whole car, and work of the wheel forces [J].
AUDIT = ("kinetic", "stored", "lost", "wheel_work")


@dataclass(frozen=True, eq=False)
class Road:
    """Path of a rigid wheel (or a point follower) along one track, and where it begins.

    ``path`` has shape (draws, points) [m up]; the first point lies at ``start_m``.
    """

    path: FloatArray
    start_m: float
    step_m: float


def initial_state(size: int, *, position: FloatArray, speed: FloatArray, tracks: int) -> FloatArray:
    """State at rest on level ground, shape (states, draws).

    Order: position of the front wheels, speed, z, z', pitch, pitch', roll, roll', then for each
    track and axle: wheel z, z', bush deflection (wheel ahead of body), its rate.
    """
    state = np.zeros((8 + 8 * tracks, size))
    state[0] = position
    state[1] = speed
    return state


def march(
    car: RideCar,
    state: FloatArray,
    *,
    roads: Sequence[Road],
    brake: FloatArray | None = None,
    steps: int,
    step_s: float,
    audit: bool = False,
    set_speed: FloatArray | None = None,
    push: FloatArray | None = None,
    roll_moment: FloatArray | None = None,
) -> tuple[dict[str, FloatArray], FloatArray]:
    """March *steps* steps from *state*; return outputs (draws, steps) and the state at the end.

    Parameters
    ----------
    car : the car
    state : from :func:`initial_state` or an earlier march, shape (states, draws)
    roads : one road (both tracks alike) or two (left, right)
    brake : wanted deceleration [m/s^2], shape (draws, steps), or None
    step_s : time step [s]
    audit : also return energies
    push : further acceleration of the whole car, wheels included [m/s^2], shape (draws, steps):
        an impact that takes place while the car is on the move
    roll_moment : outer moment on the body about its centre of gravity, right side down [N m],
        shape (draws, steps); two roads only
    set_speed : speed that the driver holds [m/s], shape (draws,); that of the state without it

    Output k is taken at the beginning of step k.
    """
    size = state.shape[1]
    names = (*OUTPUTS, *AUDIT) if audit else OUTPUTS
    outputs = {name: np.empty((size, steps)) for name in names}
    end = np.empty_like(state)

    def part(rows: Any) -> None:
        pick = _Pick(rows, size)
        paths: list[Any]
        one = isinstance(rows, int)
        if one:
            paths = [road.path[rows].tolist() for road in roads]
            start: Any = state[:, rows].tolist()
            wanted: Any = None if brake is None else brake[rows].tolist()
            pushed: Any = None if push is None else push[rows].tolist()
            turned: Any = None if roll_moment is None else roll_moment[rows].tolist()
        else:
            paths = [np.ascontiguousarray(road.path[rows]) for road in roads]
            start = [np.array(row) for row in state[:, rows]]
            wanted = None if brake is None else np.ascontiguousarray(brake[rows].T)
            pushed = None if push is None else np.ascontiguousarray(push[rows].T)
            turned = None if roll_moment is None else np.ascontiguousarray(roll_moment[rows].T)
        places = [(road.start_m, 1.0 / road.step_m, road.step_m) for road in roads]
        history, last = _march(
            _picked(car, pick),
            start,
            paths,
            places,
            wanted,
            pushed,
            turned,
            pick(state[1] if set_speed is None else set_speed),
            steps,
            step_s,
            audit,
            one,
        )
        for number, name in enumerate(names):
            column = np.array([row[number] for row in history])
            outputs[name][rows] = column.T
        end[:, rows] = last

    if size <= SCALAR_DRAWS:
        for row in range(size):
            part(row)
    else:
        for first in range(0, size, ROWS):
            part(slice(first, min(first + ROWS, size)))
    return outputs, end


class _Pick:
    def __init__(self, rows: Any, size: int) -> None:
        self.rows, self.size = rows, size

    def __call__(self, value: Any) -> Any:
        if isinstance(value, tuple):
            return tuple(self(item) for item in value)
        array = np.asarray(value, dtype=np.float64)
        if array.ndim == 0:
            return float(array)
        taken = np.broadcast_to(array, (self.size,))[self.rows]
        return float(taken) if isinstance(self.rows, int) else taken


def _picked(car: RideCar, pick: _Pick) -> RideCar:
    return RideCar(**{name: pick(getattr(car, name)) for name in car.__dataclass_fields__})


def _march(
    car: RideCar,
    state: list[Any],
    paths: list[Any],
    places: list[tuple[float, float, float]],
    brake: Any,
    push: Any,
    moment: Any,
    v_set: Any,
    steps: int,
    h: float,
    audit: bool,
    one: bool,
) -> tuple[list[tuple[Any, ...]], list[Any]]:
    most: Any = max if one else np.maximum
    least: Any = min if one else np.minimum
    where: Any = (lambda c, a, b: a if c else b) if one else np.where
    tracks = len(paths)
    share = 2.0 if tracks == 1 else 1.0
    base = car.front_length + car.rear_length
    x, v, z, dz, pitch, dpitch, roll, droll = state[:8]
    wheels = [state[8 + 4 * i : 12 + 4 * i] for i in range(2 * tracks)]
    loads = car.static_loads()
    ks, cb, cr = car.spring, car.damper_bump, car.damper_rebound
    kt, ct, krim, kx, cx = (
        car.tyre_stiffness,
        car.tyre_damping,
        car.rim_stiffness,
        car.bush_stiffness,
        car.bush_damping,
    )
    stop, length = car.stop_stiffness, car.stop_length
    knee, fall = car.damper_knee, car.damper_fall
    gravity = STANDARD_GRAVITY
    arm = car.height - car.wheel_radius
    lever = (car.front_length, -car.rear_length)
    half_track = 0.5 * car.track
    total = car.total_mass
    sag = [(loads[a] + car.wheel_mass[a] * gravity) / kt for a in (0, 1)]
    rows = None if one else np.arange(paths[0].shape[0])
    last = [(len(p) if one else p.shape[1]) - 2 for p in paths]
    history: list[tuple[Any, ...]] = []
    hold = car.speed_hold
    lost: Any = 0.0
    work: Any = 0.0
    for step in range(steps):
        sum_x = sum_z = sum_pitch = sum_roll = x * 0.0
        new = []
        kinetic = stored = power = wheel_power = 0.0
        for number in range(2 * tracks):
            track, axle = number // 2, number % 2
            zw, dzw, u, du = wheels[number]
            at = x + arm * pitch + u - (0.0 if axle == 0 else base)
            begin, inverse, grid = places[track]
            spot = (at - begin) * inverse
            path = paths[track]
            if one:
                k = int(spot)
                k = 0 if k < 0 else (last[track] if k > last[track] else k)
                low = path[k]
                slope = (path[k + 1] - low) * inverse
            else:
                k = np.minimum(np.maximum(spot.astype(np.int64), 0), last[track])
                low = path[rows, k]
                slope = (path[rows, k + 1] - low) * inverse
            ground = low + (spot - k) * grid * slope
            squash = sag[axle] + ground - zw
            over = most(squash - car.sidewall, 0.0)
            elastic = kt * most(squash, 0.0) + krim * over
            along = v + arm * dpitch + du
            rate = along * slope - dzw
            normal = most(where(squash > 0.0, elastic + ct * rate, 0.0), 0.0)
            forward = -normal * slope
            side = half_track if track == 0 else -half_track
            if tracks == 1:
                corner, dcorner = z + pitch * lever[axle], dz + dpitch * lever[axle]
            else:
                corner = z + pitch * lever[axle] + roll * side
                dcorner = dz + dpitch * lever[axle] + droll * side
            d, dd = zw - corner, dzw - dcorner
            up = most(d - car.bump_travel[axle], 0.0)
            down = most(-d - car.rebound_travel[axle], 0.0)
            # Degressive: past the knee the valves blow off and the slope falls.
            slow = most(least(dd, knee), -knee)
            damping = where(dd > 0.0, cb[axle], cr[axle]) * (slow + fall * (dd - slow))
            stops = stop * (up + up * up / length) - stop * (down + down * down / length)
            spring = ks[axle] * d + damping + stops
            bush = kx * u + cx * du
            mass = car.wheel_mass[axle]
            if brake is not None:
                split = car.brake_share if axle == 0 else 1.0 - car.brake_share
                slowing = least(0.5 * split * total * brake[step], car.friction * normal)
                forward = forward - slowing
                sum_pitch = sum_pitch - slowing * car.wheel_radius
            sum_x = sum_x + bush
            sum_z = sum_z + spring
            sum_pitch = sum_pitch + lever[axle] * spring + arm * bush
            if tracks == 2:
                sum_roll = sum_roll + side * spring
            weight = loads[axle] + mass * gravity
            acc_z = (normal - weight - spring) / mass
            new.append((zw, dzw, u, du, acc_z, (forward - bush) / mass))
            if audit:
                kinetic = kinetic + 0.5 * share * mass * (dzw * dzw + along * along)
                stored = stored + share * (
                    0.5 * ks[axle] * d * d
                    + 0.5 * kx * u * u
                    + stop * (0.5 * (up * up + down * down))
                    + stop * (up * up * up + down * down * down) / (3.0 * length)
                    + weight * zw
                )
                power = power + share * (damping * dd + cx * du * du)
                wheel_power = wheel_power + share * (normal * dzw + forward * along)
        drive = hold * (v_set - v)
        acc_x = (share * sum_x + drive) / car.sprung_mass
        acc_z_body = share * sum_z / car.sprung_mass
        acc_pitch = share * sum_pitch / car.pitch_inertia
        if moment is not None:
            sum_roll = sum_roll + moment[step]
        acc_roll = sum_roll / car.roll_inertia
        record: tuple[Any, ...] = (
            acc_x,
            acc_z_body,
            acc_pitch,
            dpitch,
            pitch,
            acc_roll,
            droll,
            roll,
            v,
        )
        if audit:
            kinetic = kinetic + 0.5 * (
                car.sprung_mass * (v * v + dz * dz)
                + car.pitch_inertia * dpitch * dpitch
                + car.roll_inertia * droll * droll
            )
            record = (*record, kinetic, stored, lost, work)
            lost = lost + h * power
            work = work + h * wheel_power
        history.append(record)
        v = v + h * (acc_x if push is None else acc_x + push[step])
        dz = dz + h * acc_z_body
        dpitch = dpitch + h * acc_pitch
        droll = droll + h * acc_roll
        x = x + h * v
        z = z + h * dz
        pitch = pitch + h * dpitch
        roll = roll + h * droll
        wheels = []
        for zw, dzw, u, du, acc_z, acc_wheel in new:
            dzw = dzw + h * acc_z
            du = du + h * (acc_wheel - acc_x - arm * acc_pitch)
            wheels.append([zw + h * dzw, dzw, u + h * du, du])
    out = [x, v, z, dz, pitch, dpitch, roll, droll]
    for wheel in wheels:
        out.extend(wheel)
    return history, out
