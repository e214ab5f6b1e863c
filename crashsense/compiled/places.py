"""Motion of sensing locations with a draw in each lane (extra ``fast``); see :mod:`.kernels`.

Twins in :mod:`crashsense.synthesis.frontal.felt`, the same bits; steps: :mod:`.felt`. Reached
through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled import felt
from crashsense.compiled.caching import kernel
from crashsense.compiled.marches import put_rows, take_rows
from crashsense.compiled.on_lanes import instruction
from crashsense.compiled.vectors import WIDTH, address, lines

_jit: Any = kernel()

_ROW = 8 * WIDTH
#: Rows between tables of lanes, as in :mod:`.shaking`.
_GAP = 9
#: Instants of motion that are worked on at once: few enough for the cache, and so many that a row
#: is read and written page by page.
_TILE = 400

_turn = instruction(felt.turn_march, "lanes", "count", "number", "lanes", 2, *["lanes"] * 3)
_along, _across = (
    instruction(march, *["lanes"] * 6, "count", *["number"] * 2, "lanes")
    for march in (felt.along_march, felt.across_march)
)
_loss = instruction(
    felt.loss_march, *["lanes"] * 2, "count", "number", "lanes", 2, 2, *["lanes"] * 3
)
_mirror = instruction(felt.mirror_march, *["lanes"] * 3, *["count"] * 2)
_filter = instruction(felt.filter_march, *["lanes"] * 2, *["count"] * 3, *["common"] * 2, 2, 2)
_power = instruction(
    felt.power_march, *["lanes"] * 4, "common", "count", "lanes", "common", 1, "lanes"
)
_near = instruction(felt.near_march, "lanes", "count", "lanes", "number", 1, "lanes")


@_jit
def put_motion(
    motion: FloatArray,
    mass: IntArray,
    ahead: FloatArray,
    right: FloatArray,
    across: npt.NDArray[np.bool_],
    step_s: float,
    out: FloatArray,
) -> None:
    """Motion of places as a rigid body, in body axes; twin: ``frontal.felt.put_motion``.

    *motion* (6 or more, draws, samples): acceleration of the masses, of the car aside and in yaw;
    of each place: *mass* that it rides on, *ahead* and to the *right* of the centre of gravity,
    *across* if its y axis is read; *out* (places, draws, samples).
    """
    places, draws, samples = out.shape
    apart = _TILE + _GAP
    room = lines(7 * apart)
    y, yaw, x, found = (
        room[:apart], room[apart : 2 * apart], room[2 * apart : 3 * apart], room[3 * apart :]
    )  # fmt: skip
    square = address(room) + _ROW * 4 * apart
    cosine, sine = square + _ROW * apart, square + 2 * _ROW * apart
    rigid = address(y), address(yaw), square, cosine, sine
    sums = np.zeros((2, WIDTH))
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        # Only -0.0 leaves the first number as it is, whatever its sign.
        sums[:] = -0.0
        for at in range(0, samples, _TILE):
            ticks = min(_TILE, samples - at)
            take_rows(motion[4], first, width, at, ticks, y)
            take_rows(motion[5], first, width, at, ticks, yaw)
            _turn(address(yaw), ticks, step_s, address(sums), square, cosine, sine)
            there = -1
            for place in range(places):
                if mass[place] != there:
                    there = mass[place]
                    take_rows(motion[there], first, width, at, ticks, x)
                about = ticks, ahead[place], right[place], address(found)
                if across[place]:
                    _across(address(x), *rigid, *about)
                else:
                    _along(address(x), *rigid, *about)
                put_rows(found, ticks, ticks, first, width, at, out[place : place + 1])
    room[0, 0] = sums[0, 0] = 0.0  # kept until here: the steps know their addresses only


@_jit
def put_power(
    slowing: FloatArray,
    crushing: FloatArray,
    of_draw: FloatArray,
    section: FloatArray,
    rest: FloatArray,
    grown: FloatArray,
    laws: FloatArray,
    mirrored: int,
    step_s: float,
    per_step: float,
    first_touch: int,
    power: FloatArray,
    near: FloatArray,
) -> None:
    """Absorbed power and nearness from first contact on; twin: ``frontal.felt.put_power``.

    *slowing* (draws, samples): acceleration of the cabin; *crushing*: power of the springs;
    *of_draw* (3, draws): speed, common velocity, velocity of what is met; *section*, *rest*,
    *mirrored*: filter; *grown*, *laws*: ``felt.power_march``; *per_step*: nearness of a velocity
    over one step; *power*, *near* (draws, samples from *first_touch* on).
    """
    draws, samples = slowing.shape
    active, whole = power.shape[1], samples + 2 * mirrored
    size = whole + _GAP
    room = lines(4 * size + 5)
    x, folds = room[mirrored:size], room[size : 2 * size]
    lost, own = room[3 * size : 4 * size], room[4 * size : 4 * size + 5]
    slowed, filtered, of_lane = address(room), address(room[2 * size :]), address(own)
    ahead, last = _ROW * mirrored, _ROW * (mirrored + samples)
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            own[0, j], own[3, j], own[4, j] = of_draw[0, draw], of_draw[1, draw], of_draw[2, draw]
        take_rows(slowing, first, width, 0, samples, x)
        take_rows(crushing, first, width, 0, samples, folds)
        _loss(
            address(x), address(folds), samples, 0.5 * step_s, of_lane, address(lost),
            slowed + ahead, filtered + ahead,
        )  # fmt: skip
        for row in (slowed, filtered):
            _mirror(row, row + ahead, row + last, samples - 1, mirrored)
        about = address(section), address(rest)
        _filter(slowed, filtered, 0, 1, whole, *about)
        _filter(slowed, filtered, whole - 1, -1, whole, *about)
        _power(
            slowed + ahead, filtered + ahead, address(folds), address(lost), address(grown),
            first_touch + active, of_lane, address(laws), address(folds),
        )  # fmt: skip
        _near(address(lost) + _ROW * first_touch, active, of_lane, per_step, slowed)
        put_rows(folds[first_touch:], active, active, first, width, 0, power[np.newaxis])
        put_rows(room, active, active, first, width, 0, near[np.newaxis])
    room[0, 0] = 0.0  # kept until here: the steps know its address only


def check_places() -> None:
    """Compile and run every kernel on next to nothing."""

    def told(*shape: int) -> FloatArray:
        made = np.ones(shape)
        made.setflags(write=False)
        return made

    mass, across = np.zeros(1, dtype=np.int64), np.ones(1, dtype=np.bool_)
    for given in (mass, across):
        given.setflags(write=False)
    put_motion(told(6, 1, 2), mass, told(1), told(1), across, 1.0, np.ones((1, 1, 2)))
    put_power(
        told(1, 3), told(1, 3), told(3, 1), told(5), told(2), told(3), told(4), 1, 1.0, 1.0, 1,
        np.ones((1, 2)), np.ones((1, 2)),
    )  # fmt: skip
