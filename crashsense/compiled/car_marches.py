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
    kept_in,
    on_lanes,
)
from crashsense.compiled.vectors import WIDTH, address, lines

_jit: Any = kernel()

#: Instants in a tile.
TILE = 96
#: Inputs of a ride (brake, push, moment) and rows that it gives; rows of a roll.
RIDE_GIVEN, RIDE_ROWS, ROLL_KEPT = 3, 12, 8
#: Numbers of a draw of a ride: body, axles, speed that is held; then its state.
_OWN = ride.BODY + 2 * ride.AXLE + 1
#: Numbers that its draws share: places of two tracks, their last cells, step.
_SHARED = 2 * ride.PLACE + 2 + 1
#: Contact points of a rolling car.
_POINTS = 6

_ride, _path = on_lanes(ride.ride_march), on_lanes(ride.path_march)
_roll = on_lanes(rollover.roll_march)


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
) -> None:
    """All steps of a car on its wheels; twin: ``synthesis.dynamics.half_car``, same bits.

    *body* (19, draws) and *axles* (2, 11, draws): ``half_car._tables``; *state*, *end* (8 + 4
    wheels, draws); *left*, *right* (draws, points): paths of the two tracks, *places* (tracks, 3):
    start, 1 / step, step; *brake*, *push*, *moment* (draws, steps or 0); *out* (12, draws, steps).
    """
    rows, draws, steps = out.shape
    tracks, numbers = places.shape[0], state.shape[0]
    deck, shared = lines(_OWN + numbers), np.zeros(_SHARED)
    for track in range(tracks):
        shared[3 * track : 3 * track + 3] = places[track]
    shared[6], shared[7], shared[8] = left.shape[1] - 2, right.shape[1] - 2, step_s
    begins = np.zeros((2, WIDTH), dtype=np.int64)
    # Where there is no brake, push or moment they are 0, which changes nothing.
    given, tile = lines(RIDE_GIVEN * TILE), lines(rows * TILE)
    told = address(deck), address(shared), address(begins), address(given), address(tile)
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            deck[:19, j] = body[:, draw]
            deck[19:30, j], deck[30:41, j] = axles[0, :, draw], axles[1, :, draw]
            deck[41, j] = set_speed[draw]
            deck[_OWN:, j] = state[:, draw]
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
        for j in range(width):
            end[:, first + j] = deck[_OWN:, j]
    # Kept until here: the march knows their addresses only.
    deck[0, 0], shared[0], begins[0, 0], given[0, 0], tile[0, 0] = 0.0, 0.0, 0, 0.0, 0.0


@intrinsic  # type: ignore[untyped-decorator]
def _run_path(
    typing: Any,
    tyre: Any,
    body: Any,
    road: Any,
    suspension: Any,
    tile: Any,
    tyres: Any,
    modes: Any,
    samples: Any,
) -> Any:
    """Some samples of a path from the road; addresses, then counts."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        tyre, body, road, suspension, tile = (Lanes(b, one, 0) for one in given[:5])
        tyres, modes, samples = (Count(b, one) for one in given[5:])
        tyre, tyre_state = tyre.tables(tyres * 5, tyres * 2)
        body, body_state = body.tables(modes * 5, modes * 2)
        _path(tyre, tyre_state, body, body_state, road, suspension, tyres, modes, samples, tile)
        return context.get_dummy_value()

    return types.void(*[types.int64] * 8), generate


@_jit
def _put_sections(
    sections: FloatArray, which: IntArray, first: int, width: int, deck: FloatArray
) -> None:
    """Coefficients of each lane's setting in *deck*, its state at rest behind them."""
    count = sections.shape[1]
    deck[5 * count :] = 0.0
    for j in range(WIDTH):
        own = sections[which[first + min(j, width - 1)]]
        for n in range(count):
            deck[5 * n, j], deck[5 * n + 1, j], deck[5 * n + 2, j] = own[n, 0], own[n, 1], own[n, 2]
            deck[5 * n + 3, j], deck[5 * n + 4, j] = own[n, 4], own[n, 5]


@_jit
def path_steps(
    tyre: FloatArray,
    body: FloatArray,
    which: IntArray,
    road: FloatArray,
    suspension: FloatArray,
    out: FloatArray,
) -> None:
    """Road through sections in a row, and with the suspension through modes side by side.

    *tyre*, *body* (settings, sections, 6); *which* (draws,): setting of each draw; *road*,
    *suspension* (draws, samples); *out* (1, draws, samples). Twin:
    ``synthesis.road.structure.RoadPath``, same bits.
    """
    draws, samples = road.shape
    tyres, modes = tyre.shape[1], body.shape[1]
    of_tyre, of_body = lines(7 * tyres), lines(7 * modes)
    down, held, tile = lines(TILE), lines(TILE), lines(TILE)
    told = address(of_tyre), address(of_body), address(down), address(held), address(tile)
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        _put_sections(tyre, which, first, width, of_tyre)
        _put_sections(body, which, first, width, of_body)
        for at in range(0, samples, TILE):
            ticks = min(TILE, samples - at)
            take_rows(road, first, width, at, ticks, down)
            take_rows(suspension, first, width, at, ticks, held)
            _run_path(*told, tyres, modes, ticks)
            put_rows(tile, TILE, ticks, first, width, at, out)
    of_tyre[:], of_body[:] = 0.0, 0.0  # kept until here, as above
    down[0, 0], held[0, 0], tile[0, 0] = 0.0, 0.0, 0.0


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

    ride_steps(
        ones(19, 1), ones(2, 11, 1), ones(16, 1), ones(1, 2), ones(1, 2), ones(1, 3), ones(1, 0),
        ones(1, 0), ones(1, 0), ones(1), 1.0, ones(12, 1, 1), ones(16, 1),
    )  # fmt: skip
    roll_steps(
        0, 1e-3, ones(5, 6, 1), ones(6, 1), ones(19), ones(2, 1), ones(2, 1), ones(2),
        ones(8, 1, 2),
    )  # fmt: skip
    which = np.zeros(1, dtype=np.int64)
    which.setflags(write=False)
    path_steps(told(1, 1, 6), told(1, 1, 6), which, told(1, 1), told(1, 1), ones(1, 1, 1))
