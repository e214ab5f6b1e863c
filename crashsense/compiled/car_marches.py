"""Marches of cars on their wheels, of rolling cars and of what they feel, a draw in each lane.

As :mod:`.marches` (extra ``fast``); what a step does is written in :mod:`.ride` and
:mod:`.rollover`. Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

import numpy as np
from numba.core import types
from numba.extending import intrinsic

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled import ride, rollover
from crashsense.compiled.caching import kernel
from crashsense.compiled.marches import put_rows, take_rows
from crashsense.compiled.on_lanes import (
    Apart,
    Common,
    Count,
    Kept,
    Lanes,
    instruction,
    kept_in,
    on_lanes,
)
from crashsense.compiled.vectors import WIDTH, address, lines

_jit: Any = kernel()

_LINE = 8 * WIDTH

#: Instants in a tile.
TILE = 96
#: Inputs of a ride (brake, push, moment) and rows that it gives; rows of a roll.
RIDE_GIVEN, RIDE_ROWS, ROLL_KEPT = 3, 12, 8
#: Rows of what is felt of a ride, 6 of them to be kept.
FELT_ROOM = 13
#: Numbers of a draw of a ride: body, axles, speed that is held; then its state.
_OWN = ride.BODY + 2 * ride.AXLE + 1
#: Numbers that its draws share: places of two tracks, their last cells, step.
_SHARED = 2 * ride.PLACE + 2 + 1
#: Contact points of a rolling car.
_POINTS = 6

_ride, _roll = on_lanes(ride.ride_march), on_lanes(rollover.roll_march)


def _ride_on(tracks: int) -> Any:
    """Return an instruction that marches some steps of a ride on one track or two."""
    wheels = 2 * tracks

    @intrinsic  # type: ignore[untyped-decorator]
    def run(
        typing: Any, deck: Any, shared: Any, begins: Any, given: Any, tile: Any, steps: Any
    ) -> Any:
        def generate(context: Any, b: Any, signature: Any, arguments: Any) -> Any:
            deck, shared, begins, given, tile, steps = arguments
            state = (ride.MOTION, *[ride.WHEEL] * wheels)
            body, front, rear, held, *state_rows = Lanes(b, deck, 0).rows(
                ride.BODY, ride.AXLE, ride.AXLE, 1, *state
            )
            *places, last, step_s = Common(b, shared, 0).rows(ride.PLACE, ride.PLACE, 2, 1)
            first, second = Common(b, begins, 0).rows(WIDTH, WIDTH)
            paths = [Apart(b, one.address) for one in (first, second)[:tracks]]
            inputs = Lanes(b, given, 0).rows(*[TILE] * RIDE_GIVEN)
            out = Lanes(b, tile, 0).rows(*[TILE] * RIDE_ROWS)
            with ExitStack() as stack:
                motion, *kept = (stack.enter_context(kept_in(one)) for one in state_rows)
                _ride(
                    body, [front, rear], paths, places, last, tracks, *inputs, True, True, True,
                    held[0], step_s[0], motion, kept, [Kept(b, 2) for _ in kept], Count(b, steps),
                    out,
                )  # fmt: skip
            return context.get_dummy_value()

        return types.void(*[types.int64] * 6), generate

    return run


_ride_on_one, _ride_on_two = _ride_on(1), _ride_on(2)


_section, _one_mode, _three_modes = (
    instruction(march, "lanes", "lanes", "lanes", "count", "lanes", room)
    for march, room in ((ride.section_march, 2), (ride.beside_march, 2), (ride.beside_march, 6))
)
_begin = instruction(ride.begin_march, "lanes", "lanes", "count", "lanes", "lanes")
_drive = instruction(ride.drive_march, *["lanes"] * 3, "count", *["lanes"] * 4)
_halves = instruction(ride.halves_march, *["lanes"] * 3, "count", *["lanes"] * 4)
_felt = instruction(ride.pitched_march, *["lanes"] * 5, "count", "common", *["lanes"] * 3)
_aside = instruction(ride.aside_march, *["lanes"] * 2, "count", "common", *["lanes"] * 3)


@_jit
def _through(
    tyres: int,
    modes: int,
    sections: int,
    state: int,
    road: int,
    held: int,
    ticks: int,
    work: int,
    out: int,
) -> None:
    """Road through sections in a row and, with the suspension, through modes side by side.

    Addresses, but for the numbers of sections, modes and ticks; *work*: room for a row.
    """
    for _ in range(tyres):
        _section(sections, state, road, ticks, work)
        sections, state, road = sections + 5 * _LINE, state + 2 * _LINE, work
    _begin(road, held, ticks, work, out)
    while modes >= 3:
        _three_modes(sections, state, work, ticks, out)
        sections, state, modes = sections + 15 * _LINE, state + 6 * _LINE, modes - 3
    while modes > 0:
        _one_mode(sections, state, work, ticks, out)
        sections, state, modes = sections + 5 * _LINE, state + 2 * _LINE, modes - 1


@_jit
def _feel(
    motion: int,
    mass: int,
    located: int,
    sections: int,
    counts: IntArray,
    tracks: int,
    ticks: int,
    room: int,
) -> None:
    """What locations feel of some instants of the motion: addresses, but for three of them.

    *sections*: coefficients of all, then their states; *room*: rows of what is felt, in the order
    of :func:`ride_steps`, and behind them rows to work in.
    """
    row = _LINE * TILE
    x_acc, z_acc, pitch_acc, pitch_rate, pitch = (
        motion, motion + row, motion + 2 * row, motion + 3 * row, motion + 4 * row,
    )  # fmt: skip
    contact, surplus, uneven = motion + 9 * row, motion + 10 * row, motion + 11 * row
    central, floor, upfront = room, room + row, room + 2 * row
    across, left, right = room + 3 * row, room + 4 * row, room + 5 * row
    along, down, held = room + 6 * row, room + 7 * row, room + 8 * row
    work, half, other_half, of_body = (
        room + 9 * row, room + 10 * row, room + 11 * row, room + 12 * row,
    )  # fmt: skip
    _drive(contact, surplus, z_acc, ticks, mass, along, down, held)
    if tracks == 2:
        _halves(uneven, down, held, ticks, mass, half, other_half, of_body)
    at, state = sections, sections + 5 * _LINE * counts.sum()
    for path in range(counts.shape[0]):
        if path == 0:
            road, suspension, out = down, held, floor
        elif path == 1:
            road, suspension, out = along, x_acc, central
        elif path == 2:
            road, suspension, out = along, x_acc, upfront
        elif path == 3:
            road, suspension, out = half, of_body, left
        else:
            road, suspension, out = other_half, of_body, right
        tyres, modes = counts[path]
        _through(tyres, modes, at, state, road, suspension, ticks, work, out)
        at, state = at + 5 * _LINE * (tyres + modes), state + 2 * _LINE * (tyres + modes)
    _felt(
        x_acc, z_acc, pitch_acc, pitch_rate, pitch, ticks, located, central, floor, upfront,
    )  # fmt: skip
    if tracks == 2:
        _aside(motion + 5 * row, motion + 7 * row, ticks, located, across, left, right)


@_jit
def _put_draws(
    body: FloatArray,
    axles: FloatArray,
    state: FloatArray,
    set_speed: FloatArray,
    mass: FloatArray,
    sections: FloatArray,
    which: IntArray,
    first: int,
    width: int,
    deck: FloatArray,
    local: FloatArray,
) -> None:
    """Numbers of the draws of some lanes: of the ride, and of what is felt of it."""
    count = sections.shape[1]
    local[5 * count :] = 0.0
    for j in range(WIDTH):
        draw = first + min(j, width - 1)
        deck[:19, j] = body[:, draw]
        deck[19:30, j], deck[30:41, j] = axles[0, :, draw], axles[1, :, draw]
        deck[41, j] = set_speed[draw]
        deck[_OWN:, j] = state[:, draw]
        for n in range(count):
            own = sections[which[draw], n]
            local[5 * n, j], local[5 * n + 1, j], local[5 * n + 2, j] = own[0], own[1], own[2]
            local[5 * n + 3, j], local[5 * n + 4, j] = own[4], own[5]
        local[7 * count, j] = mass[draw]


@_jit
def ride_steps(
    body: FloatArray,
    axles: FloatArray,
    state: FloatArray,
    left: FloatArray,
    right: FloatArray,
    places: FloatArray,
    brake: FloatArray,
    push: FloatArray,
    moment: FloatArray,
    set_speed: FloatArray,
    step_s: float,
    out: FloatArray,
    end: FloatArray,
    steps: int,
    mass: FloatArray,
    located: FloatArray,
    sections: FloatArray,
    counts: IntArray,
    which: IntArray,
    felt: FloatArray,
) -> None:
    """All steps of a car on its wheels; twin: ``synthesis.dynamics.half_car``, same bits.

    *body* (19, draws) and *axles* (2, 11, draws): ``half_car._tables``; *state*, *end* (8 + 4
    wheels, draws); *left*, *right* (draws, points): paths of the two tracks, *places* (tracks, 3):
    start, 1 / step, step; *brake*, *push*, *moment* (draws, steps or 0); *out* (12 or 0, draws,
    steps).

    Of what its locations feel (twin: ``synthesis.road.locations``): *mass* (draws,) of the car;
    *located*: ``ride.pitched_march`` and ``ride.aside_march``; *sections* (settings, sections, 6),
    path after path, *counts* (paths, 2): how many are in a row, and side by side; *which* (draws,):
    setting of each draw; *felt* (4, 8 or 0, draws, rest + steps), 0 before the march: along and
    down at the central unit, along up front; on two tracks across at the central unit, at the left
    and at the right; then along of the whole car, and on two tracks the roll rate.
    """
    draws, tracks, count = body.shape[1], places.shape[0], sections.shape[1]
    deck, shared = lines(_OWN + state.shape[0]), np.zeros(_SHARED)
    for track in range(tracks):
        shared[3 * track : 3 * track + 3] = places[track]
    shared[6], shared[7], shared[8] = left.shape[1] - 2, right.shape[1] - 2, step_s
    begins = np.zeros((2, WIDTH), dtype=np.int64)
    # Where there is no brake, push or moment they are 0, which changes nothing.
    given, tile, room = lines(RIDE_GIVEN * TILE), lines(RIDE_ROWS * TILE), lines(FELT_ROOM * TILE)
    local = lines(7 * count + 1)
    told = address(deck), address(shared), address(begins), address(given), address(tile)
    rest, located_rows = max(felt.shape[2] - steps, 0), 3 * tracks
    felt[:, :, :rest] = 0.0
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        _put_draws(body, axles, state, set_speed, mass, sections, which, first, width, deck, local)
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            begins[0, j] = address(left) + 8 * left.shape[1] * draw
            begins[1, j] = address(right) + 8 * right.shape[1] * draw
        for at in range(0, steps, TILE):
            ticks = min(TILE, steps - at)
            take_rows(brake, first, width, at, ticks, given[:TILE])
            take_rows(push, first, width, at, ticks, given[TILE : 2 * TILE])
            take_rows(moment, first, width, at, ticks, given[2 * TILE :])
            if tracks == 1:
                _ride_on_one(*told, ticks)
            else:
                _ride_on_two(*told, ticks)
            put_rows(tile, TILE, ticks, first, width, at, out)
            if felt.shape[0] > 0:
                _feel(
                    address(tile), address(local[7 * count :]), address(located), address(local),
                    counts, tracks, ticks, address(room),
                )  # fmt: skip
                to = first, width, rest + at
                put_rows(room, TILE, ticks, *to, felt[:located_rows])
                put_rows(tile, TILE, ticks, *to, felt[located_rows : located_rows + 1])
                put_rows(tile[6 * TILE :], TILE, ticks, *to, felt[located_rows + 1 :])
        for j in range(width):
            end[:, first + j] = deck[_OWN:, j]
    # Kept until here: the march knows their addresses only.
    deck[0, 0], shared[0], begins[0, 0], given[0, 0], tile[0, 0] = 0.0, 0.0, 0, 0.0, 0.0
    local[0, 0], room[0, 0] = 0.0, 0.0


def _roll_by(manoeuvre: int) -> Any:
    """Return an instruction that marches some steps of a manoeuvre."""

    @intrinsic  # type: ignore[untyped-decorator]
    def run(
        typing: Any, deck: Any, numbers: Any, angle: Any, given: Any, tile: Any, steps: Any
    ) -> Any:
        def generate(context: Any, b: Any, signature: Any, arguments: Any) -> Any:
            deck, numbers, angle, given, tile, steps = arguments
            *points, bodies, motion = Lanes(b, deck, 0).rows(
                *[_POINTS] * rollover.POINT, rollover.BODIES, rollover.MOTION
            )
            numbers, step = Common(b, numbers, 0).rows(rollover.NUMBERS, 1)
            lift, fall = Lanes(b, given, 0).rows(TILE, TILE)
            work = [Kept(b, _POINTS) for _ in range(rollover.ROLL_ROWS)]
            with kept_in(motion) as kept:
                _roll(
                    manoeuvre, step[0], points, bodies, numbers, lift, fall, Common(b, angle, 0),
                    kept, work, Count(b, steps), Lanes(b, tile, 0).rows(*[TILE] * ROLL_KEPT),
                )  # fmt: skip
            return context.get_dummy_value()

        return types.void(*[types.int64] * 6), generate

    return run


_ramp, _kerb, _soil, _steer = (_roll_by(number) for number in range(4))
_start_of: Any = _jit(rollover.start_of)


@_jit
def roll_steps(
    manoeuvre: int,
    step: float,
    points: FloatArray,
    bodies: FloatArray,
    numbers: FloatArray,
    lift: FloatArray,
    fall: FloatArray,
    angle: FloatArray,
    out: FloatArray,
) -> None:
    """All steps of a body in the lateral plane; twin: ``synthesis.rollover.march``, same bits.

    Arguments as in ``compiled.rollover.roll_march``, with draws as a last axis; *angle* (steps,);
    *out* (8, draws, steps).
    """
    rows, draws, steps = out.shape
    deck = lines(5 * _POINTS + 6 + 9)
    common = np.append(numbers, step)
    given, tile = lines(2 * TILE), lines(rows * TILE)
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            for row in range(5):
                deck[_POINTS * row : _POINTS * (row + 1), j] = points[row, :, draw]
            deck[30:36, j] = bodies[:, draw]
            begin = _start_of(manoeuvre, bodies[2, draw], bodies[3, draw])
            for n in range(9):
                deck[36 + n, j] = begin[n]
        for at in range(0, steps, TILE):
            ticks = min(TILE, steps - at)
            for t in range(ticks):
                for j in range(width):
                    given[t, j], given[TILE + t, j] = (
                        lift[at + t, first + j],
                        fall[at + t, first + j],
                    )
            turning = address(angle) + 8 * at
            told = address(deck), address(common), turning, address(given), address(tile), ticks
            if manoeuvre == rollover.KERB:
                _kerb(*told)
            elif manoeuvre == rollover.SOIL:
                _soil(*told)
            elif manoeuvre == rollover.STEER:
                _steer(*told)
            else:
                _ramp(*told)
            put_rows(tile, TILE, ticks, first, width, at, out)
    deck[0, 0], common[0], given[0, 0], tile[0, 0] = 0.0, 0.0, 0.0, 0.0  # kept, as above


def check_car_marches() -> None:
    """Compile and run every kernel of this module on next to nothing."""

    def ones(*shape: int) -> FloatArray:
        return np.ones(shape)

    def told(*shape: int) -> FloatArray:
        made = np.ones(shape)
        made.setflags(write=False)
        return made

    which, counts = np.zeros(1, dtype=np.int64), np.ones((3, 2), dtype=np.int64)
    for one in (which, counts):
        one.setflags(write=False)
    ride_steps(
        ones(19, 1), ones(2, 11, 1), ones(16, 1), ones(1, 2), ones(1, 2), ones(1, 3), ones(1, 0),
        ones(1, 0), ones(1, 0), ones(1), 1.0, ones(12, 1, 1), ones(16, 1), 1, told(1), told(8),
        told(1, 6, 6), counts, which, ones(4, 1, 2),
    )  # fmt: skip
    roll_steps(
        0, 1e-3, ones(5, 6, 1), ones(6, 1), ones(19), ones(2, 1), ones(2, 1), ones(2),
        ones(8, 1, 2),
    )  # fmt: skip
