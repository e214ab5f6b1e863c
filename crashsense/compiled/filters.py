"""Filters of draws side by side, a recursive section after the other (extra ``fast``).

A group of draws works in a *deck*, one array: its samples, and each lane's filter. Twin:
``filters.causal``.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.vectors import (
    LANES,
    VECTORS,
    Given,
    Memory,
    Vector,
    address,
    aligned,
    chosen_by_code,
)

#: Instants that a deck holds, and instants that pass all sections while these stay in registers.
CHUNK = 64
BLOCK = 4

#: Length of the samples in a deck: sample i of lane j stands at ``LANES i + j``. Behind them, for
#: each section, two rows of state and the coefficients b0, b1, b2, a1, a2, a number a lane.
SAMPLES = CHUNK * LANES
_ROWS = 7
SECTION = _ROWS * LANES

_jit: Any = kernel()


def through(g: Given, sections: Any, count: Any, j: int, samples: Sequence[Vector]) -> list[Vector]:
    """Write instructions: neighbouring samples of vector *j* of the lanes through *count* sections.

    *sections*: address of the state and coefficients behind the samples of a deck.
    """
    b = g.builder
    rooms = [g.kept(x) for x in samples]
    with g.steps(count) as k:
        own = Memory(b, b.add(sections, b.mul(k, g.whole(8 * SECTION))))
        p, q, b0, b1, b2, a1, a2 = (own.load(row, j) for row in range(_ROWS))
        for room in rooms:
            x = g.held(room)
            y = b0 * x + p
            p, q = b1 * x - a1 * y + q, b2 * x - a2 * y
            b.store(y.value, room)
        own.store(p, 0, j)
        own.store(q, 1, j)
    return [g.held(room) for room in rooms]


def _filtered(g: Given) -> Any:
    """The samples ``a``, a whole number of blocks, through the ``n`` sections of ``memory``."""
    b = g.builder
    with g.steps(b.sdiv(g.ticks, g.whole(BLOCK))) as block:
        rows = [b.add(b.mul(block, g.whole(BLOCK)), g.whole(k)) for k in range(BLOCK)]
        for j in range(VECTORS):
            samples = [g.a.load(row, j) for row in rows]
            found = through(g, g.memory.address, g.n, j, samples)
            for row, y in zip(rows, found, strict=True):
                g.out.store(y, row, j)
    return g.at


def _one_signal(g: Given) -> Any:
    """Numbers in a row at ``a``, the same for all lanes of one vector, through ``n`` sections."""
    b = g.builder
    with g.steps(b.sdiv(g.ticks, g.whole(BLOCK))) as block:
        rows = [b.add(b.mul(block, g.whole(BLOCK)), g.whole(k)) for k in range(BLOCK)]
        found = through(g, g.memory.address, g.n, 0, [g.number(g.a.address, row) for row in rows])
        for row, y in zip(rows, found, strict=True):
            g.out.store(y, row, 0)
    return g.at


_ROWS_OF_LANES, _ONE_SIGNAL = 0, 1

_run = chosen_by_code({_ROWS_OF_LANES: _filtered, _ONE_SIGNAL: _one_signal})


@_jit
def sections_in(deck: FloatArray) -> int:
    """How many sections its filter has."""
    return (deck.size - SAMPLES) // SECTION


@_jit
def filter_deck(deck: FloatArray) -> None:
    """Filter the samples of every lane by its own sections, in place."""
    at = address(deck)
    _run(_ROWS_OF_LANES, at, at, at, at, at + 8 * SAMPLES, 0, 0, 0, sections_in(deck), CHUNK)


@_jit
def deck_of(sections: FloatArray, setting: IntArray, first: int, width: int) -> FloatArray:
    """Deck of the rows *first* and on, at rest at zero; lanes without a row stay there."""
    count = sections.shape[1]
    deck = aligned(CHUNK + _ROWS * count).reshape(-1)
    for k in range(count):
        s = SAMPLES + k * SECTION
        for j in range(width):
            own = sections[setting[first + j], k]
            deck[s + 2 * LANES + j] = own[0]
            deck[s + 3 * LANES + j] = own[1]
            deck[s + 4 * LANES + j] = own[2]
            deck[s + 5 * LANES + j] = own[4]
            deck[s + 6 * LANES + j] = own[5]
    return deck


@_jit
def set_at_rest(deck: FloatArray, rest: FloatArray, j: int, value: float) -> None:
    """Let the filters of lane *j* have stood at *value*; *rest* (sections, 2): their state at 1."""
    for k in range(rest.shape[0]):
        deck[SAMPLES + k * SECTION + j] = rest[k, 0] * value
        deck[SAMPLES + k * SECTION + LANES + j] = rest[k, 1] * value


@_jit
def fill_words(
    samples: FloatArray,
    ahead: int,
    sections: FloatArray,
    rest: FloatArray,
    first: IntArray,
    every: int,
    words: int,
    out: FloatArray,
) -> None:
    """One signal through every filter setting, sampled from each of some places on.

    *samples* (n,), which stood at the first one before it: *ahead* of these come first. *sections*
    (settings, sections, 6), *rest* (settings, sections, 2) their state at 1: settings, eight at
    most, stand side by side as lanes; *first* (places,), counted with the rest in front, and every
    *every*-th sample from there on. *out*: words, setting after setting and place after place, and
    zeros behind. Twin: ``chain.fill_words``.
    """
    settings = sections.shape[0]
    deck = deck_of(sections, np.arange(settings), 0, settings)
    for s in range(settings):
        set_at_rest(deck, rest[s], s, samples[0])
    here, filters, count = address(deck), address(deck) + 8 * SAMPLES, sections_in(deck)
    chunk = np.zeros(CHUNK)
    out[settings * first.size * words :] = 0.0
    end = first.max() + every * (words - 1) + 1
    for t in range(0, end, CHUNK):
        for i in range(min(CHUNK, end - t)):
            chunk[i] = samples[max(t + i - ahead, 0)]
        _run(_ONE_SIGNAL, here, address(chunk), here, here, filters, 0, 0, 0, count, CHUNK)
        for p in range(first.size):
            word = max(0, (t - first[p] + every - 1) // every)
            row = first[p] + every * word - t
            while word < words and row < CHUNK:
                for s in range(settings):
                    out[(s * first.size + p) * words + word] = deck[LANES * row + s]
                word, row = word + 1, row + every
    chunk[0] = deck[0]  # kept until here: the filter knows addresses only


def check_filters() -> None:
    """Compile and run the kernel on next to nothing."""
    through, index = np.array([[[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]]]), np.zeros(1, dtype=np.int64)
    samples, rest = np.ones(2), np.zeros((1, 1, 2))
    for given in (through, index, samples, rest):
        given.setflags(write=False)
    fill_words(samples, 0, through, rest, index, 1, 2, np.empty(2))
