"""Which operations of a program run in one compiled loop, and when that pays (extra ``fast``).

Fused loops (:mod:`crashsense.compiled.fused`) take half the time of operations one by one, but
compiling one costs as much as 50 million ticks of draws, and loading it as much as one million. So
they are compiled for long work only, kept on disk as kernels are, and loaded for less; until then
operations run one by one. The numbers are the same, bit for bit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from crashsense import operations as op
from crashsense.arrays import IntArray
from crashsense.compiled.caching import Kept
from crashsense.compiled.fused import Fused
from crashsense.compiled.rules import OPERATIONS, PIECE, run_program

#: Operations of one loop at most: with more, what they hold is no longer near the processor.
MOST = 32

#: Ticks that a fused loop takes at once.
FUSED_PIECE = 64

#: Ticks times draws of one structure, in this process, from which on its loop is loaded, and made.
#: An operation costs 8 ms to compile and 0.13 ms to load, and gains 0.16 ns a tick and draw: it is
#: loaded at half of what it takes to pay, and, since it is kept, made at a quarter.
LOADED_FROM, MADE_FROM = 400_000, 12_000_000

#: Files of code that are kept (10 to 50 kB each).
FILES = 200


@lru_cache(maxsize=64)
def _cut(told: bytes, roots: tuple[int, ...]) -> tuple[tuple[int, int, Fused], ...]:
    """Cut operations into parts: first, the one after the last, their loop."""
    rows = np.frombuffer(told, dtype=np.int64).reshape(-1, op.COLUMNS)
    parts = []
    for first in range(0, len(rows), MOST):
        last = min(first + MOST, len(rows))
        parts.append((first, last, Fused(rows[first:last], _read_after(rows, roots, last))))
    return tuple(parts)


def _read_after(rows: IntArray, roots: tuple[int, ...], number: int) -> set[int]:
    """Registers that hold before operation *number* what is read there or later."""
    read = {register for register in roots if register >= 0}
    for row in rows[number:][::-1].tolist():
        read.discard(row[1])
        read.update(row[2 : 2 + op.INPUTS.get(row[0], 1)])
    return read


class Parts:
    """Parts of programs, each with the address of its fused loop or 0; loops are kept in a folder.

    Parameters
    ----------
    folder : where code is kept
    loaded_from, made_from : ticks times draws from which on a loop is loaded, and made
    """

    def __init__(
        self, folder: Path, *, loaded_from: int = LOADED_FROM, made_from: int = MADE_FROM
    ) -> None:
        self.loaded_from, self.made_from = loaded_from, made_from
        self.kept = Kept(folder, most=FILES)
        self.asked: Counter[str] = Counter()

    def of(self, operations: IntArray, roots: IntArray, *, work: int) -> tuple[IntArray, int]:
        """Return parts for ``run_program``, and the ticks that it does well to take at once.

        *work*: ticks times draws that are to be done now.
        """
        cut = _cut(operations.tobytes(), tuple(roots.ravel().tolist()))
        parts = [(first, last, self._address(fused, work)) for first, last, fused in cut]
        fused = any(address for *_, address in parts)
        return np.array(parts, dtype=np.int64), FUSED_PIECE if fused else PIECE

    def _address(self, fused: Fused, work: int) -> int:
        self.asked[fused.name] += work
        asked = self.asked[fused.name]
        write: Callable[[object], None] | None = None
        if asked >= self.made_from:
            write = partial(fused.write, operations=OPERATIONS)
        elif asked < self.loaded_from or not self.kept.there(fused.name):
            return 0
        return self.kept.address(fused.name, write)


def parts_of(operations: IntArray, roots: IntArray, *, work: int) -> tuple[IntArray, int]:
    """As :meth:`Parts.of`, with code kept beside the kernels."""
    return _parts().of(operations, roots, work=work)


@lru_cache(maxsize=1)
def _parts() -> Parts:
    return Parts(Path(run_program.stats.cache_path))
