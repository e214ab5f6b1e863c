"""Which operations of a program run in one compiled loop, and when that pays (extra ``fast``).

Fused loops (:mod:`crashsense.compiled.fused`) take half the time of operations one by one, but
compiling one costs as much as 50 million ticks of draws, and loading it as much as one million. So
they are compiled for long work only, kept on disk as kernels are, and loaded for less; until then
operations run one by one. The numbers are the same, bit for bit.

Of several processes that want the same loops one makes them, and the others do without them
until they are there. Workers let a process make them that then ends: a compiler holds 50 MB that
are not given back.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from crashsense import operations as op
from crashsense import processes
from crashsense.arrays import IntArray
from crashsense.compiled.caching import Kept
from crashsense.compiled.fused import Fused
from crashsense.compiled.rules import OPERATIONS, PIECE, run_program
from crashsense.temporary import locked

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

#: File that a process keeps locked while it makes loops.
MAKING = "making.lock"


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
    apart : whether a process of its own makes loops
    """

    def __init__(
        self,
        folder: Path,
        *,
        loaded_from: int = LOADED_FROM,
        made_from: int = MADE_FROM,
        apart: bool = False,
    ) -> None:
        self.loaded_from, self.made_from = loaded_from, made_from
        self.apart = apart
        self.kept = Kept(folder, most=FILES)
        self.asked: Counter[str] = Counter()
        self._maker = 0
        self._tried: set[str] = set()

    def of(self, operations: IntArray, roots: IntArray, *, work: int) -> tuple[IntArray, int]:
        """Return parts for ``run_program``, and the ticks that it does well to take at once.

        *work*: ticks times draws that are to be done now.
        """
        cut = _cut(operations.tobytes(), tuple(roots.ravel().tolist()))
        self.asked.update({fused.name: work for *_, fused in cut})
        self._make([fused for *_, fused in cut if self.asked[fused.name] >= self.made_from])
        parts = [(first, last, self._address(fused.name)) for first, last, fused in cut]
        fused = any(address for *_, address in parts)
        return np.array(parts, dtype=np.int64), FUSED_PIECE if fused else PIECE

    def _address(self, name: str) -> int:
        if self.asked[name] < self.loaded_from or not self.kept.there(name):
            return 0
        return self.kept.address(name)

    def _make(self, loops: Sequence[Fused]) -> None:
        """Make those loops that are not there, or have them made, unless a process does so now."""
        # A process that has ended is waited for here, whether or not a loop is missing.
        if self._making() or all(self.kept.there(fused.name) for fused in loops):
            return
        try:
            lock = locked(self.kept.folder / MAKING, os.O_CREAT)
        except OSError:  # nothing can be kept there
            lock = -1
        if lock is None:
            return
        try:
            left = [fused for fused in loops if not self.kept.there(fused.name)]
            if not self._made_apart(left, lock):
                self._made(left)
        finally:
            if lock >= 0:
                os.close(lock)

    def _made_apart(self, loops: Sequence[Fused], lock: int) -> bool:
        """Start a process that makes loops; False if it may not be, or one has made them in vain.

        It holds the lock until it ends.
        """
        names = {fused.name for fused in loops}
        if not self.apart or names <= self._tried:
            return False
        self._tried |= names
        try:
            self._maker = processes.apart(partial(self._made, loops), held=lock)
        except OSError:  # no process can be had
            return False
        return True

    def _making(self) -> bool:
        """True while a process that was started here makes loops."""
        if self._maker:
            with suppress(ChildProcessError):
                if os.waitpid(self._maker, os.WNOHANG) == (0, 0):
                    return True
            self._maker = 0
        return False

    def _made(self, loops: Sequence[Fused]) -> None:
        for fused in loops:
            self.kept.make(fused.name, partial(fused.write, operations=OPERATIONS))


def parts_of(operations: IntArray, roots: IntArray, *, work: int) -> tuple[IntArray, int]:
    """As :meth:`Parts.of`, with code kept beside the kernels."""
    return _parts().of(operations, roots, work=work)


def share_loops(workers: int) -> None:
    """Make loops as one of several workers does, from here on.

    What one of them has been asked for all of them will be: it need not wait until it pays here.
    """
    ours = _parts()
    ours.apart, ours.made_from = processes.forks(), MADE_FROM // workers


@lru_cache(maxsize=1)
def _parts() -> Parts:
    return Parts(Path(run_program.stats.cache_path))
