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

All quantities start from rest on level ground. Semi-implicit Euler of fixed step. Twins give the
same bits, by the same operations in the same order: plain floats for few draws, numpy over the
draws for many and for audits, and for any number the compiled
:func:`crashsense.compiled_synthesis.ride_steps` where engine ``fast`` computes. Parameters of a
small car from memory; see the vehicle file for the basis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
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
    kept = np.empty((len(names), size, steps))
    end = np.empty_like(state)
    body, axles = _tables(car, size)
    v_set = np.array(np.broadcast_to(state[1] if set_speed is None else set_speed, (size,)))
    inputs = (brake, push, roll_moment)
    places = [(road.start_m, 1.0 / road.step_m, road.step_m) for road in roads]
    compiled = engine.kernels()
    if compiled is not None and not audit:
        given = [
            np.empty((size, 0)) if values is None else np.ascontiguousarray(values)
            for values in inputs
        ]
        paths = [np.ascontiguousarray(road.path) for road in roads]
        compiled.ride_steps(
            body, axles, np.ascontiguousarray(state), paths[0], paths[-1], np.array(places),
            *given, v_set, step_s, kept, end,
        )  # fmt: skip
    elif size <= SCALAR_DRAWS and not audit:
        for row in range(size):
            history, last = _march_one(
                body[:, row].tolist(),
                axles[..., row].tolist(),
                state[:, row].tolist(),
                [road.path[row].tolist() for road in roads],
                places,
                [None if values is None else values[row].tolist() for values in inputs],
                float(v_set[row]),
                steps,
                step_s,
            )
            kept[:, row] = np.array(history).T
            end[:, row] = last
    else:
        for first in range(0, size, ROWS):
            rows = slice(first, min(first + ROWS, size))
            _march_many(
                body[:, rows].copy(),
                axles[..., rows].copy(),
                state[:, rows].copy(),
                [np.ascontiguousarray(road.path[rows]) for road in roads],
                places,
                [
                    None if values is None else np.ascontiguousarray(values[rows].T)
                    for values in inputs
                ],
                v_set[rows],
                step_s,
                kept[:, rows],
                end[:, rows],
            )
    return dict(zip(names, kept, strict=True)), end


def _tables(car: RideCar, size: int) -> tuple[FloatArray, FloatArray]:
    """Numbers that a march needs: of the body (numbers, draws), of the axles (2, numbers, draws).

    Body: mass, inertias in pitch and roll, speed hold, height over the wheel centres, half track,
    damper knee and fall, stop stiffness and length, tyre stiffness and damping, sidewall, rim
    stiffness, bush stiffness and damping, wheel radius, friction. Axle: lever, place behind the
    front axle, spring, damper in bump and rebound, travel in bump and rebound, wheel mass, weight
    on the ground, squash at rest, mass that its brake slows.
    """
    gravity = STANDARD_GRAVITY
    body = (
        car.sprung_mass,
        car.pitch_inertia,
        car.roll_inertia,
        car.speed_hold,
        car.height - car.wheel_radius,
        0.5 * car.track,
        car.damper_knee,
        car.damper_fall,
        car.stop_stiffness,
        car.stop_length,
        car.tyre_stiffness,
        car.tyre_damping,
        car.sidewall,
        car.rim_stiffness,
        car.bush_stiffness,
        car.bush_damping,
        car.wheel_radius,
        car.friction,
    )
    loads = car.static_loads()
    lever = (car.front_length, -car.rear_length)
    back = (0.0, car.front_length + car.rear_length)
    split = (car.brake_share, 1.0 - car.brake_share)
    axles = [
        (
            lever[a],
            back[a],
            car.spring[a],
            car.damper_bump[a],
            car.damper_rebound[a],
            car.bump_travel[a],
            car.rebound_travel[a],
            car.wheel_mass[a],
            loads[a] + car.wheel_mass[a] * gravity,
            (loads[a] + car.wheel_mass[a] * gravity) / car.tyre_stiffness,
            0.5 * split[a] * car.total_mass,
        )
        for a in (0, 1)
    ]

    def table(values: Sequence[Any]) -> FloatArray:
        return np.array([np.broadcast_to(np.asarray(v, dtype=np.float64), (size,)) for v in values])

    return table(body), np.array([table(axle) for axle in axles])


def _march_one(
    body: list[float],
    axles: list[list[float]],
    state: list[float],
    paths: list[list[float]],
    places: list[tuple[float, float, float]],
    inputs: Sequence[list[float] | None],
    v_set: float,
    steps: int,
    h: float,
) -> tuple[list[tuple[float, ...]], list[float]]:
    """Twin for few draws, in plain floats: outputs of each step, and the state at the end."""
    mass_s, inertia_p, inertia_r, hold, arm, half_track, knee, fall, stop, length = body[:10]
    kt, ct, sidewall, krim, kx, cx, radius, friction = body[10:]
    brake, push, moment = inputs
    tracks = len(paths)
    share = 2.0 if tracks == 1 else 1.0
    x, v, z, dz, pitch, dpitch, roll, droll = state[:8]
    wheels = [state[8 + 4 * i : 12 + 4 * i] for i in range(2 * tracks)]
    places_of: list[tuple[Any, ...]] = [
        (paths[t], len(paths[t]) - 2, *places[t], half_track if t == 0 else -half_track, *axle)
        for t in range(tracks)
        for axle in axles
    ]
    history: list[tuple[float, ...]] = []
    slow_down = 0.0
    for step in range(steps):
        sum_x = sum_z = sum_pitch = sum_roll = 0.0
        new = []
        level, dlevel = x + arm * pitch, v + arm * dpitch
        if brake is not None:
            slow_down = brake[step]
        for (zw, dzw, u, du), (
            path, last, begin, inverse, grid, side, lever, back, ks, cb, cr, bump, rebound, mass,
            weight, sag, braked,
        ) in zip(wheels, places_of, strict=True):  # fmt: skip
            spot = (level + u - back - begin) * inverse
            k = int(spot)
            k = 0 if k < 0 else (last if k > last else k)
            low = path[k]
            slope = (path[k + 1] - low) * inverse
            squash = sag + (low + (spot - k) * grid * slope) - zw
            normal = 0.0
            if squash > 0.0:
                elastic = kt * squash
                if squash > sidewall:
                    elastic = elastic + krim * (squash - sidewall)
                normal = elastic + ct * ((dlevel + du) * slope - dzw)
                if normal < 0.0:
                    normal = 0.0
            forward = -normal * slope
            corner, dcorner = z + pitch * lever, dz + dpitch * lever
            if tracks == 2:
                corner, dcorner = corner + roll * side, dcorner + droll * side
            d, dd = zw - corner, dzw - dcorner
            # Degressive: past the knee the valves blow off and the slope falls.
            damping = dd
            if dd > knee:
                damping = knee + fall * (dd - knee)
            elif dd < -knee:
                damping = -knee + fall * (dd + knee)
            damping = (cb if dd > 0.0 else cr) * damping
            spring = ks * d + damping
            up, down = d - bump, -d - rebound
            if up > 0.0 or down > 0.0:
                up, down = max(up, 0.0), max(down, 0.0)
                spring = spring + (
                    stop * (up + up * up / length) - stop * (down + down * down / length)
                )
            bush = kx * u + cx * du
            if brake is not None:
                slowing = min(braked * slow_down, friction * normal)
                forward = forward - slowing
                sum_pitch = sum_pitch - slowing * radius
            sum_x = sum_x + bush
            sum_z = sum_z + spring
            sum_pitch = sum_pitch + lever * spring + arm * bush
            if tracks == 2:
                sum_roll = sum_roll + side * spring
            new.append((zw, dzw, u, du, (normal - weight - spring) / mass, (forward - bush) / mass))
        acc_x = (share * sum_x + hold * (v_set - v)) / mass_s
        acc_z = share * sum_z / mass_s
        acc_pitch = share * sum_pitch / inertia_p
        if moment is not None:
            sum_roll = sum_roll + moment[step]
        acc_roll = sum_roll / inertia_r
        history.append((acc_x, acc_z, acc_pitch, dpitch, pitch, acc_roll, droll, roll, v))
        v = v + h * (acc_x if push is None else acc_x + push[step])
        dz = dz + h * acc_z
        dpitch = dpitch + h * acc_pitch
        droll = droll + h * acc_roll
        x = x + h * v
        z = z + h * dz
        pitch = pitch + h * dpitch
        roll = roll + h * droll
        carried = arm * acc_pitch
        wheels = []
        for zw, dzw, u, du, up, ahead in new:
            dzw = dzw + h * up
            du = du + h * (ahead - acc_x - carried)
            wheels.append([zw + h * dzw, dzw, u + h * du, du])
    return history, [
        x,
        v,
        z,
        dz,
        pitch,
        dpitch,
        roll,
        droll,
        *(q for wheel in wheels for q in wheel),
    ]


def _march_many(
    body: FloatArray,
    axles: FloatArray,
    state: FloatArray,
    paths: list[FloatArray],
    places: list[tuple[float, float, float]],
    inputs: Sequence[FloatArray | None],
    v_set: FloatArray,
    h: float,
    kept: FloatArray,
    end: FloatArray,
) -> None:
    """Twin for many draws and for audits, numpy over the draws; fills *kept* and *end*."""
    mass_s, inertia_p, inertia_r, hold, arm, half_track, knee, fall, stop, length = body[:10]
    kt, ct, sidewall, krim, kx, cx, radius, friction = body[10:]
    audit = kept.shape[0] > len(OUTPUTS)
    brake, push, moment = inputs
    tracks = len(paths)
    share = 2.0 if tracks == 1 else 1.0
    x, v, z, dz, pitch, dpitch, roll, droll = state[:8]
    wheels = [tuple(state[8 + 4 * i : 12 + 4 * i]) for i in range(2 * tracks)]
    rows = np.arange(paths[0].shape[0])
    lost: Any = 0.0
    work: Any = 0.0
    for step in range(kept.shape[2]):
        sum_x = sum_z = sum_pitch = sum_roll = np.zeros(rows.size)
        new = []
        kinetic = stored = power = wheel_power = 0.0
        for number in range(2 * tracks):
            track, axle = number // 2, number % 2
            lever, back, ks, cb, cr, bump, rebound, mass, weight, sag, braked = axles[axle]
            zw, dzw, u, du = wheels[number]
            begin, inverse, grid = places[track]
            path = paths[track]
            spot = (x + arm * pitch + u - back - begin) * inverse
            k = np.minimum(np.maximum(spot.astype(np.int64), 0), path.shape[1] - 2)
            low = path[rows, k]
            slope = (path[rows, k + 1] - low) * inverse
            ground = low + (spot - k) * grid * slope
            squash = sag + ground - zw
            over = np.maximum(squash - sidewall, 0.0)
            elastic = kt * np.maximum(squash, 0.0) + krim * over
            along = v + arm * dpitch + du
            rate = along * slope - dzw
            normal = np.maximum(np.where(squash > 0.0, elastic + ct * rate, 0.0), 0.0)
            forward = -normal * slope
            corner, dcorner = z + pitch * lever, dz + dpitch * lever
            side = half_track if track == 0 else -half_track
            if tracks == 2:
                corner, dcorner = corner + roll * side, dcorner + droll * side
            d, dd = zw - corner, dzw - dcorner
            up = np.maximum(d - bump, 0.0)
            down = np.maximum(-d - rebound, 0.0)
            # Degressive: past the knee the valves blow off and the slope falls.
            slow = np.maximum(np.minimum(dd, knee), -knee)
            damping = np.where(dd > 0.0, cb, cr) * (slow + fall * (dd - slow))
            stops = stop * (up + up * up / length) - stop * (down + down * down / length)
            spring = ks * d + damping + stops
            bush = kx * u + cx * du
            if brake is not None:
                slowing = np.minimum(braked * brake[step], friction * normal)
                forward = forward - slowing
                sum_pitch = sum_pitch - slowing * radius
            sum_x = sum_x + bush
            sum_z = sum_z + spring
            sum_pitch = sum_pitch + lever * spring + arm * bush
            if tracks == 2:
                sum_roll = sum_roll + side * spring
            new.append((zw, dzw, u, du, (normal - weight - spring) / mass, (forward - bush) / mass))
            if audit:
                kinetic = kinetic + 0.5 * share * mass * (dzw * dzw + along * along)
                stored = stored + share * (
                    0.5 * ks * d * d
                    + 0.5 * kx * u * u
                    + stop * (0.5 * (up * up + down * down))
                    + stop * (up * up * up + down * down * down) / (3.0 * length)
                    + weight * zw
                )
                power = power + share * (damping * dd + cx * du * du)
                wheel_power = wheel_power + share * (normal * dzw + forward * along)
        acc_x = (share * sum_x + hold * (v_set - v)) / mass_s
        acc_z = share * sum_z / mass_s
        acc_pitch = share * sum_pitch / inertia_p
        if moment is not None:
            sum_roll = sum_roll + moment[step]
        acc_roll = sum_roll / inertia_r
        record: tuple[Any, ...] = (
            acc_x, acc_z, acc_pitch, dpitch, pitch, acc_roll, droll, roll, v,
        )  # fmt: skip
        if audit:
            kinetic = kinetic + 0.5 * (
                mass_s * (v * v + dz * dz) + inertia_p * dpitch * dpitch + inertia_r * droll * droll
            )
            record = (*record, kinetic, stored, lost, work)
            lost = lost + h * power
            work = work + h * wheel_power
        for whole, values in zip(kept, record, strict=True):
            whole[:, step] = values
        v = v + h * (acc_x if push is None else acc_x + push[step])
        dz = dz + h * acc_z
        dpitch = dpitch + h * acc_pitch
        droll = droll + h * acc_roll
        x = x + h * v
        z = z + h * dz
        pitch = pitch + h * dpitch
        roll = roll + h * droll
        wheels = []
        for zw, dzw, u, du, acc_up, ahead in new:
            dzw = dzw + h * acc_up
            du = du + h * (ahead - acc_x - arm * acc_pitch)
            wheels.append((zw + h * dzw, dzw, u + h * du, du))
    end[:8] = x, v, z, dz, pitch, dpitch, roll, droll
    end[8:] = [q for wheel in wheels for q in wheel]
