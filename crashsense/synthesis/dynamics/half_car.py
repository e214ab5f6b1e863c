"""Ride model: a car on its wheels over a road, with the horizontal part of the wheel force.

Degrees of freedom: body forward x, up z, pitch (nose up) and, where the two tracks see different
roads, roll (right side down); each wheel up and, on its longitudinal bush, fore and aft.
Symmetric roads run one track only (the half-car); its forces count twice.

Forces [N], lengths [m], heights positive up:

    tyre       N = N0 + k_t (z_e(x) - z_w) + c_t d/dt(z_e - z_w) >= 0, plus k_rim past the sidewall
    road       F_x = -N dz_e/dx                     z_e: path of the rigid wheel over the road
    spring     F_s = k_s d + damper, plus stops K (d^+ + d^+^2 / b)(1 + c d') past the travel
    damper     c_bump or c_rebound d', past a knee a share of it (degressive)
    bush       F_b = k_x u + c_x u'         u: wheel ahead of its place on the pitching body
    body       M x'' = sum F_b;  M z'' = sum F_s;  I pitch'' = sum l F_s + sum arm F_x

The elastic part of the tyre derives from a potential k (z_e - z_w)^2 / 2, so that a wheel over an
obstacle takes its energy from the forward motion and nothing is gained: F_x / N = tan(theta) is
the slope of the path, on a step cos(theta) = 1 - h / R. A brake adds a force at the ground.

All quantities start from rest on level ground. Semi-implicit Euler of fixed step, numpy over the
draws; :func:`crashsense.compiled.ride.ride_march`, compiled (engine ``fast``) or in Python's own
numbers for few draws, gives the same bits by the same operations in the same order. Parameters of
a small car from memory; see the vehicle file for the basis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray, IntArray, by_draw
from crashsense.compiled.ride import ride_draw
from crashsense.synthesis.dynamics.few_draws import FEW, draw_by_draw
from crashsense.synthesis.side_by_side import march_kinds
from crashsense.units import STANDARD_GRAVITY


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
    stop_dissipation: Any  # [s/m]: rubber gives back less than it took
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


#: Quantities that a march returns for each step, in order. ``contact_x`` [N]: sum of the road's
#: forces on the wheels forward, without brakes; ``contact_z``: sum of the wheel loads less the
#: weight, up; ``contact_left``: the same, left less right (0 on one track).
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
    "contact_x",
    "contact_z",
    "contact_left",
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


@dataclass(frozen=True, eq=False)
class Riding:
    """What :func:`march` marches; names as there."""

    car: RideCar
    state: FloatArray
    roads: Sequence[Road]
    steps: int
    step_s: float
    brake: FloatArray | None = None
    push: FloatArray | None = None
    roll_moment: FloatArray | None = None
    set_speed: FloatArray | None = None
    felt: tuple[Any, ...] | None = None
    keeps: bool = True

    @property
    def size(self) -> int:
        """Number of draws."""
        return int(self.state.shape[1])

    @property
    def inputs(self) -> tuple[FloatArray | None, ...]:
        """What acts from outside in time, (draws, steps) each."""
        return (self.brake, self.push, self.roll_moment)

    @property
    def held(self) -> FloatArray:
        """Speed that the driver holds [m/s], (draws,)."""
        speed = self.state[1] if self.set_speed is None else self.set_speed
        return np.array(np.broadcast_to(speed, (self.size,)))

    @property
    def kind(self) -> tuple[Any, ...]:
        """Rides of one kind can be marched side by side."""
        return (len(self.roads), self.step_s, tuple(values is None for values in self.inputs))


#: Outputs (draws, steps) by name, and the state at the end.
Ridden = tuple[dict[str, FloatArray], FloatArray]


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
    felt: tuple[Any, ...] | None = None,
    keeps: bool = True,
) -> Ridden:
    """March *steps* steps from *state*; return outputs (draws, steps) and the state at the end.

    Parameters
    ----------
    car : the car
    state : from :func:`initial_state` or an earlier march, shape (states, draws)
    roads : one road (both tracks alike) or two (left, right)
    brake : requested deceleration [m/s^2], shape (draws, steps), or None
    step_s : time step [s]
    audit : also return energies
    push : further acceleration of the whole car, wheels included [m/s^2], shape (draws, steps):
        an impact that takes place while the car is on the move
    roll_moment : external moment on the body about its centre of gravity, right side down [N m],
        shape (draws, steps); two roads only
    set_speed : speed that the driver holds [m/s], shape (draws,); default: that of *state*
    felt : what the compiled march is given for the locations that it fills as well; engine ``fast``
    keeps : False: outputs are not asked for; engine ``fast`` then returns none

    Output k is taken at the beginning of step k.
    """
    riding = Riding(
        car, state, roads, steps, step_s, brake, push, roll_moment, set_speed, felt, keeps
    )
    return _march_arrays([riding], (*OUTPUTS, *AUDIT))[0] if audit else _march_alone(riding)


def march_beside(rides: Sequence[Riding]) -> list[Ridden]:
    """March several rides, those of one kind side by side where numpy computes."""
    return march_kinds(rides, kind=lambda one: one.kind, march=_march_kind)


def _march_kind(rides: Sequence[Riding]) -> list[Ridden]:
    """March rides of one kind."""
    if len(rides) == 1 or sum(one.size for one in rides) <= FEW:
        return [_march_alone(one) for one in rides]
    return _march_arrays(rides, OUTPUTS)


def _march_alone(riding: Riding) -> Ridden:
    """March one ride: by the compiled kernel, in Python's own numbers, or by numpy."""
    size, steps = riding.size, riding.steps
    compiled = engine.kernels()
    keeps = riding.keeps or compiled is None
    kept = np.empty((len(OUTPUTS) if keeps else 0, size, steps))
    end = np.empty_like(riding.state)
    body, axles = _tables(riding.car, size)
    places = [(road.start_m, 1.0 / road.step_m, road.step_m) for road in riding.roads]
    given = [
        np.empty((size, 0)) if values is None else np.ascontiguousarray(values)
        for values in riding.inputs
    ]
    paths = [np.ascontiguousarray(road.path) for road in riding.roads]
    whole: tuple[Any, ...] = (
        body, axles, np.ascontiguousarray(riding.state), paths[0], paths[-1], np.array(places),
        *given, riding.held, riding.step_s, kept, end,
    )  # fmt: skip
    if compiled is not None:
        compiled.ride_steps(*whole, steps, *(riding.felt or _nothing_felt(size)))
    elif not _march_few(*whole):
        return _march_arrays([riding], OUTPUTS)[0]
    return dict(zip(OUTPUTS, kept, strict=keeps)), end


def _nothing_felt(size: int) -> tuple[Any, ...]:
    """What :func:`march` is given as *felt* where nothing is."""
    numbers, paths = np.zeros(size), np.zeros((0, 2), dtype=np.int64)
    which = np.zeros(size, dtype=np.int64)
    sections = np.zeros((1, 0, 6))
    given = tuple(map(engine.given, (numbers, numbers, sections, paths, which)))
    return *given, np.empty((0, size, 0))


def _march_few(
    body: FloatArray,
    axles: FloatArray,
    state: FloatArray,
    left: FloatArray,
    right: FloatArray,
    places: FloatArray,
    brake: FloatArray,
    push: FloatArray,
    moment: FloatArray,
    v_set: FloatArray,
    step_s: float,
    kept: FloatArray,
    end: FloatArray,
) -> bool:
    """All steps of few draws in Python's own numbers; False where arrays have to do it."""
    paths = (left, right)[: len(places)]

    def march_one(draw: int) -> None:
        out = kept[:, draw].tolist()
        end[:, draw] = ride_draw(
            body[:, draw].tolist(), axles[:, :, draw].tolist(), state[:, draw].tolist(),
            [path[draw].tolist() for path in paths], places.tolist(),
            [values[draw].tolist() for values in (brake, push, moment)], float(v_set[draw]),
            step_s, out,
        )  # fmt: skip
        kept[:, draw] = out

    return draw_by_draw(v_set.size, march_one)


def _tables(car: RideCar, size: int) -> tuple[FloatArray, FloatArray]:
    """Numbers for a march: of the body (numbers, draws), of the axles (2, numbers, draws).

    Body: mass, inertias in pitch and roll, speed hold, height over the wheel centres, half track,
    damper knee and fall, stop stiffness, length and dissipation, tyre stiffness and damping,
    sidewall, rim stiffness, bush stiffness and damping, wheel radius, friction. Axle:
    lever, place behind the front axle, spring, damper in bump and rebound, travel in bump and
    rebound, wheel mass, weight on the ground, squash at rest, mass that its brake slows.
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
        car.stop_dissipation,
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

    return by_draw(body, size), np.array([by_draw(axle, size) for axle in axles])


def _march_arrays(rides: Sequence[Riding], names: Sequence[str]) -> list[Ridden]:
    """March rides of one kind by numpy, draws side by side, to the end of the longest."""
    tables = [_tables(one.car, one.size) for one in rides]
    ends = np.cumsum([0, *(one.size for one in rides)]).tolist()
    rows = [slice(first, last) for first, last in pairwise(ends)]
    steps = max(one.steps for one in rides)
    kept = np.empty((len(names), ends[-1], steps))
    inputs: list[FloatArray | None] = []
    for given in zip(*(one.inputs for one in rides), strict=True):
        values = None if given[0] is None else np.zeros((steps, ends[-1]))
        if values is not None:
            for part, own in zip(rows, given, strict=True):
                values[: own.shape[1], part] = own.T
        inputs.append(values)
    states = _march_many(
        np.concatenate([body for body, _ in tables], axis=-1),
        np.concatenate([axles for _, axles in tables], axis=-1),
        np.concatenate([one.state for one in rides], axis=-1),
        rides,
        inputs,
        np.concatenate([one.held for one in rides]),
        rides[0].step_s,
        kept,
    )
    return [
        (
            {name: kept[n, part, : one.steps] for n, name in enumerate(names)},
            states[one.steps][:, part],
        )
        for one, part in zip(rides, rows, strict=True)
    ]


def _end_to_end(rides: Sequence[Riding]) -> tuple[FloatArray, FloatArray, IntArray]:
    """All paths in one array, and of every wheel and draw what leads there.

    Where its path begins [m], points a metre, distance of points [m]; number of its first point in
    the array, and number in its path of the last but one.
    """
    paths: list[FloatArray] = []
    grids: list[list[FloatArray]] = []
    places: list[list[IntArray]] = []
    at = 0
    for track in range(len(rides[0].roads)):
        grids.append([])
        places.append([])
        for ride in rides:
            road, size = ride.roads[track], ride.size
            points = road.path.shape[1]
            grid = (road.start_m, 1.0 / road.step_m, road.step_m)
            grids[-1].append(np.repeat(np.array(grid)[:, None], size, axis=1))
            places[-1].append(np.array([at + points * np.arange(size), np.full(size, points - 2)]))
            paths.append(road.path.ravel())
            at += road.path.size

    def of_wheels(rows: Sequence[Sequence[Any]]) -> Any:
        """(tracks, numbers, draws) as (numbers, wheels, draws), a row for each of two axles."""
        tracks = np.array([np.concatenate(row, axis=-1) for row in rows])
        return np.repeat(tracks.transpose(1, 0, 2), 2, axis=1)

    return np.concatenate(paths), of_wheels(grids), of_wheels(places)


def _march_many(
    body: FloatArray,
    axles: FloatArray,
    state: FloatArray,
    rides: Sequence[Riding],
    inputs: Sequence[FloatArray | None],
    v_set: FloatArray,
    h: float,
    kept: FloatArray,
) -> dict[int, FloatArray]:
    """All steps by numpy over wheels and draws; fills *kept*, returns states where a ride ends.

    A step takes as long as its calls of numpy, and arrays of different shapes take several times as
    long to combine: what a draw has once is repeated for each of its wheels. A ride that has ended
    goes on with the others: nobody reads what it does then.
    """
    tracks, size = len(rides[0].roads), state.shape[1]
    wheels = 2 * tracks

    def of_wheels(values: FloatArray) -> FloatArray:
        return np.repeat(values[None, :], wheels, axis=0)

    mass_s, inertia_p, inertia_r, hold, _, half_track = body[:6]
    arm, knee, fall, stop, length, rub = map(of_wheels, (body[4], *body[6:11]))
    kt, ct, sidewall, krim, kx, cx, radius, friction = map(of_wheels, body[11:])
    least_knee, nothing = -knee, np.zeros((wheels, size))
    audit = kept.shape[0] > len(OUTPUTS)
    brake, push, moment = inputs
    share = 2.0 if tracks == 1 else 1.0
    # Travel and rate, of the body and of its wheels.
    moved = state[:8].reshape(4, 2, size).transpose(1, 0, 2).copy()
    (_, _, pitch, roll), (v, dz, dpitch, droll) = travel, rate = moved
    # Wheels (2 tracks, draws): front left, rear left, front right, rear right.
    rolled = state[8:].reshape(wheels, 2, 2, size).transpose(2, 1, 0, 3).copy()
    (zw, u), (dzw, du) = wheel_travel, wheel_rate = rolled
    # Those of the body, and two of its accelerations, at each wheel.
    at_wheels = np.empty((2, 4, wheels, size))
    (x_at, z_at, pitch_at, roll_at), (v_at, dz_at, dpitch_at, droll_at) = at_wheels
    acc_x_at, acc_pitch_at = np.empty((2, wheels, size))
    lever, back, ks, cb, cr, bump, rebound, mass, weight, sag, braked = np.ascontiguousarray(
        np.concatenate([axles] * tracks).transpose(1, 0, 2)
    )
    side = np.repeat([half_track, -half_track][:tracks], 2, axis=0)
    flat, (begin, inverse, grid), (first, last) = _end_to_end(rides)
    at_first = np.zeros_like(last)
    # What is summed over the wheels, and the sums.
    summed, sums = np.empty((6, wheels, size)), np.zeros((6, size))
    forward, surplus, bush, spring, turn, rolling = summed
    road_x, road_z, all_bush, all_spring, all_turn, sum_roll = sums
    count = 6 if tracks == 2 else 5
    road_left = np.zeros(size)
    acc, wheel_acc = np.zeros((4, size)), np.empty((2, wheels, size))
    record = np.empty((len(kept), size))
    lost: Any = 0.0
    work: Any = 0.0
    states = {0: state}
    ends = {ride.steps for ride in rides}
    for step in range(kept.shape[2]):
        at_wheels[...] = moved[:, :, None, :]
        spot = (x_at + arm * pitch_at + u - back - begin) * inverse
        k = np.minimum(np.maximum(spot.astype(np.int64), at_first), last)
        at = first + k
        low = flat[at]
        slope = (flat[at + 1] - low) * inverse
        squash = sag + (low + (spot - k) * grid * slope) - zw
        elastic = kt * squash + krim * np.maximum(squash - sidewall, nothing)
        along = v_at + arm * dpitch_at + du
        normal = np.maximum(elastic + ct * (along * slope - dzw), nothing)
        np.putmask(normal, squash <= nothing, 0.0)
        np.multiply(-normal, slope, out=forward)
        np.subtract(normal, weight, out=surplus)
        corner, dcorner = z_at + pitch_at * lever, dz_at + dpitch_at * lever
        if tracks == 2:
            road_left = surplus[0] + surplus[1] - surplus[2] - surplus[3]
            corner, dcorner = corner + roll_at * side, dcorner + droll_at * side
        d, dd = zw - corner, dzw - dcorner
        up = np.maximum(d - bump, nothing)
        down = np.maximum(-d - rebound, nothing)
        # Degressive: past the knee the valves blow off and the slope falls.
        slow = np.maximum(np.minimum(dd, knee), least_knee)
        damping = np.where(dd > nothing, cb, cr) * (slow + fall * (dd - slow))
        pressed = stop * (up + up * up / length)
        pulled = stop * (down + down * down / length)
        rubbing = rub * dd
        stops = pressed * np.maximum(1.0 + rubbing, nothing)
        stops -= pulled * np.maximum(1.0 - rubbing, nothing)
        np.add(ks * d + damping, stops, out=spring)
        np.add(kx * u, cx * du, out=bush)
        np.add(lever * spring, arm * bush, out=turn)
        pushed = forward
        if brake is not None:
            slowing = np.minimum(braked * brake[step], friction * normal)
            pushed = forward - slowing
            turn -= slowing * radius
        if tracks == 2:
            np.multiply(side, spring, out=rolling)
        np.add.reduce(summed[:count], axis=1, out=sums[:count])
        acc[0] = (share * all_bush + hold * (v_set - v)) / mass_s
        acc[1] = share * all_spring / mass_s
        acc[2] = share * all_turn / inertia_p
        acc[3] = (sum_roll if moment is None else sum_roll + moment[step]) / inertia_r
        acc_x_at[:], acc_pitch_at[:] = acc[0], acc[2]
        record[:3], record[3], record[4] = acc[:3], dpitch, pitch
        record[5], record[6], record[7], record[8] = acc[3], droll, roll, v
        record[9], record[10], record[11] = share * road_x, share * road_z, road_left
        if audit:
            kinetic = (
                (0.5 * share * mass * (dzw * dzw + along * along)).sum(axis=0)
                + 0.5 * mass_s * (v * v + dz * dz)
                + 0.5 * (inertia_p * dpitch * dpitch + inertia_r * droll * droll)
            )
            stored = share * (
                0.5 * ks * d * d
                + 0.5 * kx * u * u
                + stop * (0.5 * (up * up + down * down))
                + stop * (up * up * up + down * down * down) / (3.0 * length)
                + weight * zw
            ).sum(axis=0)
            record[12:] = [kinetic, stored, *np.broadcast_arrays(lost, work, kinetic)[:2]]
            rubbed = damping + stops - pressed + pulled
            lost = lost + h * share * (rubbed * dd + cx * du * du).sum(axis=0)
            work = work + h * share * (normal * dzw + pushed * along).sum(axis=0)
        kept[:, :, step] = record
        np.divide(surplus - spring, mass, out=wheel_acc[0])
        np.subtract((pushed - bush) / mass - acc_x_at, arm * acc_pitch_at, out=wheel_acc[1])
        if push is not None:
            acc[0] += push[step]
        rate += h * acc
        travel += h * rate
        wheel_rate += h * wheel_acc
        wheel_travel += h * wheel_rate
        if step + 1 in ends:
            states[step + 1] = np.concatenate(
                [
                    moved.transpose(1, 0, 2).reshape(8, size),
                    rolled.transpose(2, 1, 0, 3).reshape(8 * tracks, size),
                ]
            )
    return states
