"""Marches in time of several draws side by side, one in each lane (extra ``fast``).

What a step does is written in plain numbers in :mod:`.crush` and :mod:`.chain`, and put on lanes by
:mod:`.on_lanes`. A kernel marches some instants into a *tile*, rows of lanes that stay in the
nearest cache, and turns it into a row for each draw. Each kernel has a twin in numpy, named beside
it, and gives the same bits. Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba.core import types
from numba.extending import intrinsic

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.cavity import leak_march
from crashsense.compiled.chain import (
    blow_march,
    chain_march,
    lasting_march,
    modal_march,
    spring_power_march,
)
from crashsense.compiled.crush import CRUSHED, FREEDOMS, MORE, SPRINGS, WORK, crush_march
from crashsense.compiled.on_lanes import (
    Common,
    Count,
    Kept,
    Lanes,
    Met,
    Table,
    Words,
    instruction,
    kept_in,
    lanes_to_rows,
    on_lanes,
    rows_to_lanes,
)
from crashsense.compiled.vectors import WIDTH, address, everywhere, lines

_jit: Any = kernel()
_WORD = ir.IntType(64)
_LINE = 8 * WIDTH

#: Instants in a tile: the longer, the less often a march of many numbers loads its state; and where
#: it fills many rows, the more of a row is written at once (a chain: 16 to 128, a third faster).
CRUSH_TILE, CHAIN_TILE, MODAL_TILE = 40, 128, 96

#: Rows of a draw of the frontal model: inverse mass, share, ripple, phase, damper, own; then its
#: state: travel, velocity, compression, set, more.
CRUSH_GIVEN = (FREEDOMS, SPRINGS, SPRINGS, SPRINGS, CRUSHED, 8)
CRUSH_STATE = (FREEDOMS, FREEDOMS, SPRINGS, SPRINGS, MORE)
#: Numbers of all its draws: stiffness, 1 / length, pull, least force, ties, met, numbers, step,
#: cells of a table.
CRUSH_COMMON = (SPRINGS, SPRINGS, SPRINGS, SPRINGS, 2 * 3, 3 * SPRINGS, 15, 1, 1)
CRUSH_ROWS = 8
_SHARE, _VELOCITY = FREEDOMS, FREEDOMS
_GIVEN = sum(CRUSH_GIVEN)

_crush, _chain = on_lanes(crush_march), on_lanes(chain_march)
_run_power = instruction(spring_power_march, *["lanes"] * 3, "count", "lanes")
_run_lasting = instruction(lasting_march, *["lanes"] * 2, "common", "count", 1)
_run_leak = instruction(leak_march, "lanes", "count", "lanes", "number", 1, "lanes")


@intrinsic  # type: ignore[untyped-decorator]
def _run_crush(
    typing: Any, deck: Any, common: Any, offset: Any, slope: Any, met: Any, tile: Any, steps: Any
) -> Any:
    """March some steps of a frontal crash; all addresses but the number of steps."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        deck, common, offset, slope, met, tile, steps = given
        rows = Lanes(b, deck, 0).rows(*CRUSH_GIVEN, *CRUSH_STATE)
        own, state = rows[: len(CRUSH_GIVEN)], rows[len(CRUSH_GIVEN) :]
        *laws, tie, met_by, numbers, step_s, cells = Common(b, common, 0).rows(*CRUSH_COMMON)
        out = Lanes(b, tile, 0).rows(*[CRUSH_TILE] * CRUSH_ROWS)
        with ExitStack() as stack:
            kept = [stack.enter_context(kept_in(one)) for one in state]
            _crush(
                *own, *laws, tie.table(3), met_by.table(3), numbers,
                Table(b, offset, cells[0]).rows(SPRINGS), Table(b, slope, cells[0]).rows(SPRINGS),
                step_s[0], Met(b, met, SPRINGS), *kept, [Kept(b, count) for count in WORK],
                Count(b, steps), 0, out, Lanes(b, tile, 0),
            )  # fmt: skip
        return context.get_dummy_value()

    return types.void(*[types.int64] * 7), generate


@_jit
def crush_steps(
    by_draw: FloatArray,
    start: FloatArray,
    gap: FloatArray,
    common: FloatArray,
    offset: FloatArray,
    slope: FloatArray,
    rest: int,
    out: FloatArray,
) -> None:
    """All steps of a planar system of lumped masses; twin: ``synthesis.dynamics.lumped``.

    *by_draw* (rows of CRUSH_GIVEN, draws); *start* (10, draws): velocities; *gap* (9, draws);
    *common*: CRUSH_COMMON; *offset*, *slope* (springs, cells); *out* (8, draws, rest + steps):
    ``lumped.ROWS``, zero before first contact.
    """
    rows, draws, samples = out.shape
    state = _GIVEN + FREEDOMS
    deck, tile = lines(_GIVEN + sum(CRUSH_STATE)), lines(rows * CRUSH_TILE)
    met = np.zeros(SPRINGS, dtype=np.int64)
    tables = address(common), address(offset), address(slope), address(met)
    out[:, :, :rest] = 0.0
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        deck[:] = 0.0
        met[:] = 0
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            deck[:_GIVEN, j] = by_draw[:, draw]
            deck[state : state + FREEDOMS, j] = start[:, draw]
            for n in range(SPRINGS):
                deck[state + FREEDOMS + n, j] = -gap[n, draw]
                met[n] |= by_draw[_SHARE + n, draw] != 0.0
        for at in range(rest, samples, CRUSH_TILE):
            steps = min(CRUSH_TILE, samples - at)
            _run_crush(address(deck), *tables, address(tile), steps)
            put_rows(tile, CRUSH_TILE, steps, first, width, at, out)
    deck[0, 0], met[0] = 0.0, 0  # kept until here: the march knows their addresses only


@_jit
def put_rows(
    tile: FloatArray, room: int, ticks: int, first: int, width: int, at: int, out: FloatArray
) -> None:
    """Put the first *ticks* of a tile's rows into *out* (rows, draws, samples), from *at* on."""
    rows, draws, samples = out.shape
    whole = ticks // WIDTH * WIDTH
    for row in range(rows):
        to = address(out) + 8 * ((row * draws + first) * samples + at)
        source = address(tile) + 8 * WIDTH * row * room
        lanes_to_rows(to, 8 * samples, source, ticks // WIDTH, width)
        for j in range(width):
            for t in range(whole, ticks):
                out[row, first + j, at + t] = tile[row * room + t, j]


@_jit
def take_rows(
    rows: FloatArray, first: int, width: int, at: int, ticks: int, lanes: FloatArray
) -> None:
    """Put samples *at* and on of some rows (draws, samples) in *lanes*, where there are any."""
    draws, samples = rows.shape
    if samples == 0:
        return
    whole = ticks // WIDTH
    source = address(rows) + 8 * (first * samples + at)
    rows_to_lanes(source, 8 * samples, address(lanes), whole, width)
    for t in range(whole * WIDTH, ticks):
        for j in range(width):
            lanes[t, j] = rows[first + j, at + t]


@intrinsic  # type: ignore[untyped-decorator]
def _run_chain(
    typing: Any,
    of_body: Any,
    of_spring: Any,
    knots: Any,
    bends: Any,
    behind: Any,
    ahead: Any,
    tile: Any,
    bodies: Any,
    springs: Any,
    points: Any,
    instants: Any,
    substeps: Any,
    keeps: Any,
    half: Any,
) -> Any:
    """March some instants of bodies on crush springs; addresses first, then counts."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        of_body, of_spring, knots, bends, behind, ahead, tile = given[:7]
        bodies, springs, points, instants, substeps, keeps = (Count(b, n) for n in given[7:13])
        of_bodies = Lanes(b, of_body, 0).tables(*[bodies] * 5)
        of_springs = Lanes(b, of_spring, 0).tables(*[springs] * 9)
        out = Lanes(b, tile, 0).tables(*[bodies * CHAIN_TILE] * 2, *[springs * CHAIN_TILE] * 3)
        _chain(
            *of_bodies, *of_springs, Common(b, knots, 0), Common(b, bends, 0), Words(b, behind),
            Words(b, ahead), everywhere(b, given[13]), bodies, springs, points, instants, substeps,
            CHAIN_TILE, *out, keeps,
        )  # fmt: skip
        return context.get_dummy_value()

    return types.void(*[types.int64] * 13, types.float64), generate


@_jit
def chain_steps(
    per_mass: FloatArray,
    laws: FloatArray,
    knots: FloatArray,
    bends: FloatArray,
    ends: npt.NDArray[np.int64],
    substeps: int,
    step_s: float,
    out: FloatArray,
    largest: FloatArray,
) -> None:
    """All steps of bodies on crush springs; twin: ``dynamics.spring_chain``, same bits.

    *per_mass* (bodies, draws): step over mass; *laws* (6, springs, draws): stand-off, unloading,
    scale, rate effect, damper, floor; *knots*, *bends* (springs, points); *ends* (2, springs):
    behind, ahead; *largest* (springs, draws): compression so far; *out* (rows, draws, instants):
    velocity and position of each body, force of each spring, and, where there is room, compression
    and largest: filled from the second instant.
    """
    bodies, draws = per_mass.shape
    springs, points = knots.shape
    rows, _, instants = out.shape
    of_body = lines(5 * bodies).reshape((5, bodies, WIDTH))
    of_spring = lines(9 * springs).reshape((9, springs, WIDTH))
    tile = lines((2 * bodies + 3 * springs) * CHAIN_TILE)
    behind = address(ends)
    told = address(knots), address(bends), behind, behind + 8 * springs
    keeps = 1 if rows > 2 * bodies + springs else 0
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        of_body[:] = 0.0
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            of_body[0, :, j] = per_mass[:, draw]
            of_body[1, :, j] = out[:bodies, draw, 0]
            of_body[2, :, j] = out[bodies : 2 * bodies, draw, 0]
            of_spring[:6, :, j] = laws[:, :, draw]
            of_spring[8, :, j] = largest[:, draw]
        for at in range(1, instants, CHAIN_TILE):
            ticks = min(CHAIN_TILE, instants - at)
            _run_chain(
                address(of_body), address(of_spring), *told, address(tile), bodies, springs, points,
                ticks, substeps, keeps, 0.5 * step_s,
            )  # fmt: skip
            put_rows(tile, CHAIN_TILE, ticks, first, width, at, out)
    of_body[0, 0, 0] = of_spring[0, 0, 0] = 0.0  # kept until here, as above


_one_mode, _three_modes = (
    instruction(modal_march, "lanes", "lanes", "lanes", "count", "lanes", room) for room in (2, 6)
)


@_jit
def answered(
    sections: int, state: int, modes: int, given: int, ticks: int, tile: FloatArray
) -> None:
    """Sum of the answers of some modes to some samples, in *tile*; addresses, and two counts."""
    # Only -0.0 leaves the first answer as it is, whatever its sign.
    tile[:ticks] = -0.0
    out = address(tile)
    for _ in range(modes // 3):
        _three_modes(sections, state, given, ticks, out)
        sections, state = sections + 15 * _LINE, state + 6 * _LINE
    for _ in range(modes % 3):
        _one_mode(sections, state, given, ticks, out)
        sections, state = sections + 5 * _LINE, state + 2 * _LINE
    tile[0, 0] = tile[0, 0]  # kept until here, as above


@_jit
def put_modes(sections: FloatArray, first: int, width: int, deck: FloatArray) -> None:
    """Coefficients of the modes of some lanes in *deck*, their state at rest behind them."""
    modes = sections.shape[1]
    deck[5 * modes :] = 0.0
    for j in range(WIDTH):
        own = sections[first + min(j, width - 1)]
        for m in range(modes):
            for n in range(5):
                deck[5 * m + n, j] = own[m, n]


@_jit
def modal_steps(sections: FloatArray, force: FloatArray, out: FloatArray) -> None:
    """Sum of the answers of modes side by side; twin: ``scipy.signal.lfilter``, same bits.

    *sections* (draws, modes, 5): b0, b1, b2, a1, a2 of each mode; *force*, *out* (1, draws,
    samples).
    """
    _, draws, samples = force.shape
    modes = sections.shape[1]
    deck, given, tile = lines(7 * modes), lines(MODAL_TILE), lines(MODAL_TILE)
    own, state = address(deck), address(deck) + 5 * _LINE * modes
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        put_modes(sections, first, width, deck)
        for at in range(0, samples, MODAL_TILE):
            ticks = min(MODAL_TILE, samples - at)
            take_rows(force[0], first, width, at, ticks, given)
            answered(own, state, modes, address(given), ticks, tile)
            put_rows(tile, MODAL_TILE, ticks, first, width, at, out)
    deck[0, 0] = given[0, 0] = 0.0  # kept until here, as above


_felt = instruction(blow_march, *["lanes"] * 2, *["count"] * 2, *["number"] * 2, "lanes")


@_jit
def blow_steps(
    passed: FloatArray,
    body: FloatArray,
    local: FloatArray,
    sections: FloatArray,
    counts: IntArray,
    shares: FloatArray,
    cosines: FloatArray,
    out: FloatArray,
) -> None:
    """What locations feel of a blow; twin: ``synthesis.misuse.felt.felt``, same bits.

    *passed* (draws, samples): force that excites their modes; *body*, *local* likewise:
    acceleration of the car, and of what is struck; *sections* (draws, modes, 5): modes of one
    location after the other, *counts*: how many of each; *shares*: how much of the motion of what
    is struck each makes; *cosines*; *out* (locations, draws, rest + samples), 0 before the blow.
    """
    draws, samples = passed.shape
    places, modes = counts.size, sections.shape[1]
    rest = out.shape[2] - samples
    deck, given = lines(7 * modes), lines(3 * MODAL_TILE)
    tile = lines(MODAL_TILE)
    force, of_body, of_local = given[:MODAL_TILE], given[MODAL_TILE:], given[2 * MODAL_TILE :]
    out[:, :, :rest] = 0.0
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        put_modes(sections, first, width, deck)
        for at in range(0, samples, MODAL_TILE):
            ticks = min(MODAL_TILE, samples - at)
            take_rows(passed, first, width, at, ticks, force)
            take_rows(body, first, width, at, ticks, of_body)
            take_rows(local, first, width, at, ticks, of_local)
            own, state = address(deck), address(deck) + 5 * _LINE * modes
            for place in range(places):
                answered(own, state, counts[place], address(force), ticks, tile)
                own, state = own + 5 * _LINE * counts[place], state + 2 * _LINE * counts[place]
                share = shares[place]
                _felt(
                    address(of_body), address(of_local), ticks, int(share != 0.0), share,
                    cosines[place], address(tile),
                )  # fmt: skip
                put_rows(tile, ticks, ticks, first, width, rest + at, out[place : place + 1])
    deck[0, 0] = given[0, 0] = tile[0, 0] = 0.0  # kept until here, as above


@_jit
def lasting_power(
    velocity: FloatArray,
    force: FloatArray,
    springs: npt.NDArray[np.int64],
    mass: FloatArray,
    grown: FloatArray,
    out: FloatArray,
) -> None:
    """Power of some springs per mass, ringing down; twin: ``side.crash.lasting_power``, same bits.

    *velocity* (bodies, draws, instants), *force* (springs, draws, instants); *springs* (3, some):
    number, body behind, body ahead; *mass* (draws,); *grown*, *out* (draws, samples): the first
    instants.
    """
    draws, samples = out.shape
    room = lines(4 * samples + 1)
    total, own = room[:samples], room[4 * samples :]
    rows = room[samples : 2 * samples], room[2 * samples : 3 * samples], room[3 * samples :]
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        for j in range(WIDTH):
            own[0, j] = mass[first + min(j, width - 1)]
        total[:] = 0.0
        for n in range(springs.shape[1]):
            take_rows(force[springs[0, n]], first, width, 0, samples, rows[0])
            take_rows(velocity[springs[1, n]], first, width, 0, samples, rows[1])
            take_rows(velocity[springs[2, n]], first, width, 0, samples, rows[2])
            _run_power(
                address(rows[0]), address(rows[1]), address(rows[2]), samples, address(total)
            )
        _run_lasting(address(total), address(own), address(grown), samples)
        put_rows(total, samples, samples, first, width, 0, out[np.newaxis])
    room[0, 0] = 0.0  # kept until here, as above


@_jit
def leak_steps(
    closed: FloatArray, flow: FloatArray, ambient: float, begin: int, out: FloatArray
) -> None:
    """Air that leaves a door, all samples; twin: ``side.door_cavity._leak_rows``, same bits.

    *closed* (draws, samples), *flow* (draws,), *ambient*: see :mod:`.cavity`; *out* (draws, begin +
    samples): filled from sample *begin* on.
    """
    draws, samples = closed.shape
    room = lines(samples + 1)
    rows, own = address(room), address(room[samples:])
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        for j in range(WIDTH):
            room[samples, j] = flow[first + min(j, width - 1)]
        take_rows(closed, first, width, 0, samples, room)
        _run_leak(rows, samples, own, ambient, rows)
        put_rows(room, samples, samples, first, width, begin, out[np.newaxis])
    room[0, 0] = 0.0  # kept until here, as above


def check_marches() -> None:
    """Compile and run every kernel of this module on next to nothing."""

    def told(*shape: int) -> FloatArray:
        made = np.ones(shape)
        made.setflags(write=False)
        return made

    common = np.ones(sum(CRUSH_COMMON))
    common.setflags(write=False)
    cells = told(SPRINGS, 1)
    crush_steps(
        told(_GIVEN, 2), told(FREEDOMS, 2), told(SPRINGS, 2), common, cells, cells, 0,
        np.ones((CRUSH_ROWS, 2, 4)),
    )  # fmt: skip
    ends = np.array([[0], [1]])
    some = np.array([[0], [0], [1]])
    for given in (ends, some):
        given.setflags(write=False)
    chain_steps(
        told(2, 1), told(6, 1, 1), told(1, 1), told(1, 1), ends, 1, 1.0, np.ones((5, 1, 2)),
        told(1, 1),
    )  # fmt: skip
    modal_steps(told(1, 1, 5), told(1, 1, 1), np.ones((1, 1, 1)))
    lasting_power(told(2, 1, 2), told(1, 1, 2), some, told(1), told(2), np.ones((1, 2)))
    leak_steps(told(1, 2), told(1), 1.0, 0, np.ones((1, 2)))
    counts = np.ones(1, dtype=np.int64)
    counts.setflags(write=False)
    blow_steps(
        told(1, 2), told(1, 2), told(1, 2), told(1, 1, 5), counts, told(1), told(1),
        np.ones((1, 1, 3)),
    )  # fmt: skip
