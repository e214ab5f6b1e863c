"""Words of signals that differ by draw: filtered with draws side by side (extra ``fast``).

Signals lie in rows, a draw each. Some samples of some rows are turned into vectors of lanes, pass
the filter while they stay in registers, and those that are words are put down.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from llvmlite import ir

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.filters import SAMPLES, deck_of, sections_in, set_at_rest, through
from crashsense.compiled.vectors import (
    LANES,
    NUMBER,
    VECTORS,
    WIDTH,
    Given,
    Memory,
    Vector,
    address,
    aligned,
    chosen_by_code,
    everywhere,
    fetched_ahead,
    turned,
)
from crashsense.operations import NUMBERS

_jit: Any = kernel()


class Source(NamedTuple):
    """Where noise comes from: start and step of each row (rows,), and the two tables (65536,).

    See :func:`crashsense.draws.rows_of` and :func:`crashsense.draws.noise_tables`.
    """

    start: Any
    step: Any
    table: FloatArray
    tail: FloatArray


class Chain(NamedTuple):
    """Filters (settings, sections, 6), their state at rest at 1 (settings, sections, 2), and words.

    Words are the samples ``word`` (phases,), one a sample phase, and each ``every``-th after.
    """

    filters: FloatArray
    rest: FloatArray
    word: IntArray
    every: int


#: What a kernel that filters signals is told beside its numbers: addresses and whole numbers.
SIGNALS, LENGTH, PARTS, RAMP, OWN, AHEAD, LEAD, BEFORE, EVERY, COUNT = range(10)
TOLD = 10


#: How far ahead rows of signals are fetched [bytes]: one a lane and part, more than the processor
#: follows by itself.
AHEAD_BYTES = 256


#: Of neighbouring samples: the word begun last, and how many samples ago it began.
Due = tuple[list[Any], list[Vector]]


def within(b: Any, number: Any, size: Any) -> Any:
    """Whether a whole number is 0 or more, and less than *size*."""
    inside = b.icmp_signed(">=", number, ir.Constant(number.type, 0))
    return b.and_(inside, b.icmp_signed("<", number, size))


def due_words(g: Given, told: Sequence[Any], first: Any, size: int) -> Due:
    """Of *size* samples, number *first* and on: the word begun last, and how long ago it began.

    Both as of the lanes whose words are the earliest; -1, not any time ago, where there is no word.
    """
    b, every = g.builder, told[EVERY]
    number = b.add(first, told[LEAD])
    word, turn = b.sub(b.sdiv(number, every), told[BEFORE]), b.srem(number, every)
    words, turns = [], []
    for _ in range(size):
        there = within(b, word, told[COUNT])
        words.append(b.select(there, word, g.whole(0)))
        turns.append(everywhere(b, b.sitofp(b.select(there, turn, g.whole(-1)), NUMBER)))
        # Counted on: a division of whole numbers costs as much as filtering a sample.
        turn = b.add(turn, g.whole(1))
        over = b.icmp_signed("==", turn, every)
        word = b.select(over, b.add(word, g.whole(1)), word)
        turn = b.select(over, g.whole(0), turn)
    return words, turns


def put_down(g: Given, j: int, samples: Sequence[Vector], later: Vector, due: Due) -> None:
    """Keep the samples of vector *j* that are words: those of lanes as much *later* as is due."""
    for x, word, turn in zip(samples, *due, strict=True):
        g.out.store(later.equals(turn).choose(x, g.out.load(word, j)), word, j)


def summed(
    g: Given, count: Any, first: Callable[[int], Vector], part: Callable[[Any, int], Vector]
) -> list[Vector]:
    """Write instructions: sums of *count* parts, 1 or more, one vector a lane, first part first."""
    b = g.builder
    rooms = [g.kept(first(lane)) for lane in range(WIDTH)]
    with g.steps(b.sub(count, g.whole(1))) as k:
        for lane, room in enumerate(rooms):
            found = g.held(room) + part(b.add(k, g.whole(1)), lane)
            b.store(found.value, room)
    return [g.held(room) for room in rooms]


def _read(c: Sequence[Vector], x: Vector) -> Vector:
    """Reading of an element that no sample takes to its stop; twin: ``chain.read_out``."""
    share = x.over(c[0])
    return x * (1.0 + c[1] * share + c[2] * (share * share))


def _filtered(g: Given) -> Any:
    """Next samples of all lanes, each its own signals, filtered; words are put down.

    ``a``: addresses at which the samples of each part and lane would begin (parts, LANES), ``b``:
    :data:`TOLD`, ``c``: the element, as :func:`filtered_words`, ``memory``, ``n``: a filter,
    ``at``: number of the first sample, ``ticks``: how many there are, whole vectors. What a lane
    owns: factors of the parts, samples by which its words are later than the earliest ones.
    """
    b = g.builder
    told = [g.word(g.b.address, k) for k in range(TOLD)]
    with g.pieces(WIDTH) as (begin, _):
        number = b.add(g.at, begin)
        due = due_words(g, told, number, WIDTH)
        for j in range(VECTORS):

            def owned(k: Any, lane: int, j: int = j, number: Any = number) -> tuple[Vector, Vector]:
                own = b.add(b.mul(k, g.whole(LANES)), g.whole(WIDTH * j + lane))
                where = b.add(g.a.address, b.mul(own, g.whole(8)))
                begins = b.load(b.inttoptr(where, number.type.as_pointer()), align=8)
                here = b.add(begins, b.mul(number, g.whole(8)))
                fetched_ahead(b, b.add(here, g.whole(AHEAD_BYTES)))
                return g.number(told[OWN], own), g.along(here)

            def first(lane: int, owned: Any = owned) -> Vector:
                factor, x = owned(g.whole(0), lane)
                return factor * _read(g.c, x)

            def part(k: Any, lane: int, owned: Any = owned) -> Vector:
                factor, x = owned(k, lane)
                return factor * x

            samples = turned(summed(g, told[PARTS], first, part))
            filtered = through(g, g.memory.address, g.n, j, samples)
            later = Memory(b, told[OWN]).load(told[PARTS], j)
            put_down(g, j, filtered, later, due)
    return g.at


_run = chosen_by_code({0: _filtered})


@_jit
def filtered_words(
    signals: Any,
    factors: FloatArray,
    rows: IntArray,
    setting: IntArray,
    phase: IntArray,
    chain: Chain,
    element: FloatArray,
    first: int,
    width: int,
    out: FloatArray,
) -> None:
    """Words of what *width* draws, from number *first* on, feel: *out* (words, LANES).

    *signals*: three arrays (1 or draws, samples) at the internal rate, the last two perhaps without
    rows; *rows*: which row of them is each draw's; *factors* (3, draws); *element*: what reads the
    first of them: full scale, quadratic and cubic number. Their sum is filtered, the filters having
    stood at its first value: before its first sample a signal stands still. Twins:
    ``chain.respond`` and ``OneSensor._filtered``.
    """
    filters, rest, word, every = chain
    samples, words = signals[0].shape[1], out.shape[0]
    parts = 1 + (signals[1].shape[0] > 0) + (signals[2].shape[0] > 0)
    earliest = word.min()
    lead = -earliest % every
    end = word.max() + every * (words - 1) + 1
    whole = min(end, samples) // WIDTH * WIDTH
    own = aligned(parts + 1)
    begins = np.full((parts, LANES), address(signals[0]))
    behind = np.zeros((parts, LANES, WIDTH))  # samples behind the last whole vector
    deck = deck_of(filters, setting, first, width)
    for j in range(width):
        mine, still, part = first + j, 0.0, 0
        for k in range(3):
            line = signals[k]
            if line.shape[0] == 0:
                continue
            row = rows[mine] if line.shape[0] > 1 else 0
            begins[part, j] = address(line) + 8 * samples * row
            own[part, j] = factors[k, mine]
            x = line[row, 0]
            if k == 0:
                share = x / element[0]
                x = x * (1.0 + element[1] * share + element[2] * (share * share))
            still += factors[k, mine] * x
            for i in range(whole, min(whole + WIDTH, samples)):
                behind[part, j, i - whole] = line[row, i]
            part += 1
        from_word = word[phase[mine]]
        own[parts, j] = from_word - earliest
        set_at_rest(deck, rest[setting[mine]], j, still)
        # A filter at rest stays where it is: words before the first sample.
        i = 0
        while i < words and from_word + every * i < 0:
            out[i, j] = still
            i += 1
    told = np.zeros(TOLD, dtype=np.int64)
    told[PARTS], told[EVERY], told[COUNT], told[OWN] = parts, every, words, address(own)
    told[LEAD], told[BEFORE] = lead, (earliest + lead) // every
    c = np.zeros(NUMBERS)
    c[:3] = element
    where = (address(out), address(begins), address(told), address(c), address(deck) + 8 * SAMPLES)
    _run(0, *where, 0, 0, 0, sections_in(deck), whole)
    if whole < end:
        for part in range(parts):
            for j in range(LANES):
                begins[part, j] = address(behind[part, j]) - 8 * whole
        _run(0, *where, 0, whole, 0, sections_in(deck), WIDTH)
    # Kept until here: the kernel knows their addresses only.
    deck[0], own[0, 0], begins[0, 0], behind[0, 0, 0], told[0], c[0] = 0.0, 0.0, 0, 0.0, 0, 0.0
