"""Modes side by side in lanes, each an oscillator of second order (extra ``fast``).

Draws stand side by side in a deck (:mod:`.filters`); every mode of every draw has a section of its
own, and the answers of the modes are added. Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.filters import (
    BLOCK,
    CHUNK,
    SAMPLES,
    SECTION,
    deck_of,
    filter_deck,
    sections_in,
)
from crashsense.compiled.turning import add_in_lanes, put_in_lanes, take_from_lanes
from crashsense.compiled.vectors import (
    LANES,
    LINE,
    WIDTH,
    Given,
    Memory,
    Vector,
    address,
    aligned,
    chosen_by_code,
)

#: A section's step: sample, state, b0, b1, b2, a1, a2 -> answer and next state.
Step = Callable[..., tuple[Vector, Vector, Vector]]

_jit: Any = kernel()


def _as_lfilter(x: Vector, p: Vector, q: Vector, *section: Vector) -> tuple[Vector, Vector, Vector]:
    """A step in the order of ``scipy.signal.lfilter``."""
    b0, b1, b2, a1, a2 = section
    y = p + b0 * x
    return y, (q + x * b1) - y * a1, x * b2 - y * a2


def _as_sosfilt(x: Vector, p: Vector, q: Vector, *section: Vector) -> tuple[Vector, Vector, Vector]:
    """A step in the order of ``scipy.signal.sosfilt``."""
    b0, b1, b2, a1, a2 = section
    y = b0 * x + p
    return y, b1 * x - a1 * y + q, b2 * x - a2 * y


def _side_by_side(step: Step, nothing: float) -> Callable[[Given], Any]:
    """Write: samples ``a`` through each of ``n`` sections in ``memory``, answers added to ``out``.

    ``first``: vectors of a row that hold draws; *nothing*: what the sum begins with.
    """

    def write(g: Given) -> Any:
        b = g.builder
        none = Vector(b, ir.Constant(LINE, [nothing] * WIDTH))
        with g.steps(g.first) as vector:
            shift = b.mul(vector, g.whole(8 * WIDTH))
            samples, out = (Memory(b, b.add(m.address, shift)) for m in (g.a, g.out))
            sections = b.add(g.memory.address, shift)
            with g.steps(b.sdiv(g.ticks, g.whole(BLOCK))) as block:
                rows = [b.add(b.mul(block, g.whole(BLOCK)), g.whole(k)) for k in range(BLOCK)]
                given = [samples.load(row, 0) for row in rows]
                totals = [g.kept(none) for _ in rows]
                with g.steps(g.n) as k:
                    own = Memory(b, b.add(sections, b.mul(k, g.whole(8 * SECTION))))
                    p, q, *section = (own.load(row, 0) for row in range(SECTION // LANES))
                    for total, x in zip(totals, given, strict=True):
                        y, p, q = step(x, p, q, *section)
                        b.store((g.held(total) + y).value, total)
                    own.store(p, 0, 0)
                    own.store(q, 1, 0)
                for row, total in zip(rows, totals, strict=True):
                    out.store(g.held(total), row, 0)
        return g.at

    return write


_AS_LFILTER, _AS_SOSFILT = 0, 1

# A sum that begins with -0 is that of its terms alone, to the sign of a zero.
_run = chosen_by_code(
    {
        _AS_LFILTER: _side_by_side(_as_lfilter, -0.0),
        _AS_SOSFILT: _side_by_side(_as_sosfilt, 0.0),
    }
)


@_jit
def modal_steps(sections: FloatArray, force: FloatArray, out: FloatArray) -> None:
    """Sum of the answers of modes side by side; twin: ``scipy.signal.lfilter``, same bits.

    *sections* (draws, modes, 5): b0, b1, b2, a1, a2 of each mode; *force*, *out* (draws, samples).
    """
    draws, samples = force.shape
    whole = np.ones((draws, sections.shape[1], 6))
    whole[:, :, :3], whole[:, :, 4:] = sections[:, :, :3], sections[:, :, 3:]
    each = np.arange(draws)
    totals = aligned(CHUNK).reshape(-1)
    for first in range(0, draws, LANES):
        width = min(LANES, draws - first)
        deck = deck_of(whole, each, first, width)
        at, vectors, count = address(deck), (width + WIDTH - 1) // WIDTH, sections_in(deck)
        own, here = at + 8 * SAMPLES, address(totals)
        for t in range(0, samples, CHUNK):
            size = min(CHUNK, samples - t)
            put_in_lanes(force, first, width, t, size, deck)
            _run(_AS_LFILTER, here, at, at, at, own, 0, 0, vectors, count, CHUNK)
            take_from_lanes(totals, first, width, t, size, out)
        totals[0] = deck[0]  # kept until here: the filter knows addresses only


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

    *tyre*, *body* (settings, sections, 6); *which* (draws,): setting of each draw; the rest (draws,
    samples). Twin: ``synthesis.road.structure.RoadPath``, same bits.
    """
    draws, samples = road.shape
    totals = aligned(CHUNK).reshape(-1)
    for first in range(0, draws, LANES):
        width = min(LANES, draws - first)
        deck, modes = deck_of(tyre, which, first, width), deck_of(body, which, first, width)
        vectors, count = (width + WIDTH - 1) // WIDTH, sections_in(modes)
        at, own, here = address(deck), address(modes) + 8 * SAMPLES, address(totals)
        for t in range(0, samples, CHUNK):
            size = min(CHUNK, samples - t)
            put_in_lanes(road, first, width, t, size, deck)
            filter_deck(deck)
            add_in_lanes(suspension, first, width, t, size, deck)
            _run(_AS_SOSFILT, here, at, at, at, own, 0, 0, vectors, count, CHUNK)
            take_from_lanes(totals, first, width, t, size, out)
        totals[0] = deck[0] + modes[0]  # kept until here, as above


def check_modes() -> None:
    """Compile and run the kernels on next to nothing; arrays as the callers give them."""
    row, sections, modes = np.ones((1, 1)), np.ones((1, 1, 6)), np.ones((1, 1, 5))
    which = np.zeros(1, dtype=np.int64)
    for given in (row, sections, modes, which):
        given.setflags(write=False)
    modal_steps(modes, row, np.empty((1, 1)))
    path_steps(sections, sections, which, row, row, np.empty((1, 1)))
