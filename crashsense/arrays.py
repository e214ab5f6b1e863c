"""Types of the arrays that functions take and return; each docstring gives the shapes."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ComplexArray = npt.NDArray[np.complex128]


def by_draw(values: Sequence[float | FloatArray], draws: int) -> FloatArray:
    """Return values that all draws share, or that each has its own of, in rows (values, draws).

    >>> by_draw([2.0, np.array([1.0, 3.0])], 2).tolist()
    [[2.0, 2.0], [1.0, 3.0]]
    """
    rows = np.empty((len(values), draws))
    for row, value in zip(rows, values, strict=True):
        row[:] = value
    return rows


def after_zeros(values: FloatArray, *, count: int) -> FloatArray:
    """Return rows with *count* samples of 0 before them.

    >>> after_zeros(np.array([[1.0, 2.0]]), count=1).tolist()
    [[0.0, 1.0, 2.0]]
    """
    rows, samples = values.shape
    out = np.empty((rows, count + samples))
    out[:, :count], out[:, count:] = 0.0, values
    return out


def check_sections(sections: FloatArray, *, rows: int, state: FloatArray | None) -> None:
    """Refuse second-order sections, or a state of theirs, that cannot filter so many rows.

    Compiled filters do not look: they would read and write beyond the arrays.

    Raises
    ------
    ValueError : sections not of shape (sections, 6) with 1 in column 3; or the state, where there
        is one, not of shape (sections, rows, 2)

    >>> check_sections(np.array([[1.0, 0, 0, 2, -0.5, 0]]), rows=1, state=None)
    Traceback (most recent call last):
        ...
    ValueError: sections: column 3 (a0) must be 1
    """
    if sections.ndim != 2 or sections.shape[1] != 6:
        raise ValueError(f"sections: got shape {sections.shape}; expected (sections, 6)")
    if sections[:, 3].tolist().count(1.0) != len(sections):  # a tenth of the time of numpy's all
        raise ValueError("sections: column 3 (a0) must be 1")
    wanted = (len(sections), rows, 2)
    if state is not None and state.shape != wanted:
        raise ValueError(f"state: got shape {state.shape}; expected {wanted}")


#: Parameters of ``mallopt`` (glibc, ``malloc.h``), and what they are set to here [bytes]: how much
#: stays at the end of the heap; from which size on an array has pages of its own, which are given
#: back with it; and (the padding of the heap's end) as much: the last 64 MB piece of a thread's
#: heap is given back only if the piece before it has this much room.
_TRIM_THRESHOLD, _TOP_PAD, _MMAP_THRESHOLD = -1, -2, -3
_KEPT_AT_END, _PAGES_OF_ITS_OWN = 64_000_000, 32_000_000


@lru_cache(maxsize=1)
def reuse_memory() -> None:
    """Let this process keep the memory of arrays that it has dropped, for the next ones.

    The C library of Linux returns arrays of 128 kB and more to the system, which then clears every
    page that is asked for again: a tenth of the time of sensing and judging with numpy, a sixth on
    the full path. By itself it stops doing so once it has been given back a larger array, but not
    where a threshold of its own is set, as workers of a cluster have one in their environment
    (``MALLOC_TRIM_THRESHOLD_``): hence both are set. Their tasks run in a thread, whose heap comes
    in pieces: the last one would go with each array that has no room before it. Elsewhere this does
    nothing.
    """
    with suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(_MMAP_THRESHOLD, _PAGES_OF_ITS_OWN)
        library.mallopt(_TRIM_THRESHOLD, _KEPT_AT_END)
        library.mallopt(_TOP_PAD, _PAGES_OF_ITS_OWN)


#: Numbers that numpy may put in a buffer inside :func:`row_by_row`: fewer than two rows have.
_FEW_NUMBERS = 1024


@contextmanager
def row_by_row() -> Iterator[None]:
    """Let numpy combine rows with a number each, or with one row for all, without copying these.

    It repeats such an operand in a buffer of 8192 numbers, several rows at a time, which takes as
    long as the arithmetic; where the buffer holds a row at most it works on the operand itself. The
    same numbers come out. Meant for products and sums of arrays alone: sums along an axis and
    conversions of numbers use the buffer too.
    """
    size = np.setbufsize(_FEW_NUMBERS)
    try:
        yield
    finally:
        np.setbufsize(size)


#: Memory that this process may hold without using it, from one task to the next [bytes]: that of
#: a block of draws or two.
MOST_UNUSED = 40_000_000


class _HeapState(ctypes.Structure):
    """What ``mallinfo2`` of glibc returns."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in (
            *("arena", "ordblks", "smblks", "hblks", "hblkhd"),
            *("usmblks", "fsmblks", "uordblks", "fordblks", "keepcost"),
        )
    ]


#: What the kernel counts of this process, in pages.
_COUNTS = Path("/proc/self/statm")


@lru_cache(maxsize=1)
def _heap() -> tuple[Callable[[], Any], Callable[[int], int]] | None:
    """State of the heap, and what returns its unused pages; None without glibc 2.33 or later."""
    try:
        library = ctypes.CDLL(None)
        state, trim = library.mallinfo2, library.malloc_trim
    except (AttributeError, OSError, TypeError):
        return None
    state.restype, state.argtypes = _HeapState, []
    trim.argtypes = [ctypes.c_size_t]
    return state, trim


def _held_beside(heap: _HeapState) -> int:
    """Memory that this process has, without files and without what its heap has handed out."""
    resident, shared = map(int, _COUNTS.read_bytes().split()[1:3])
    return (resident - shared) * os.sysconf("SC_PAGE_SIZE") - heap.uordblks - heap.hblkhd


#: What :func:`_held_beside` was when nothing was kept without use, as far as is known.
_least_held: int | None = None


def bound_memory() -> None:
    """Return unused memory to the system where it is more than :data:`MOST_UNUSED`.

    Events have arrays of many sizes: what one leaves does not fit the next, and a process that
    keeps its memory (:func:`reuse_memory`) holds more with every event. What has been returned
    stays a gap of the heap, which alone does not tell how much is held: gaps add up to more than
    the bound, and if they were emptied after each task, the next one would have to ask for every
    page again. Elsewhere this does nothing.
    """
    global _least_held
    heap = _heap()
    if heap is None:
        return
    state, trim = heap
    now = state()
    if now.fordblks <= MOST_UNUSED:
        return
    with suppress(OSError, ValueError):  # no descriptor of a file is free, or no counts are there
        held = _held_beside(now)
        if _least_held is not None:
            _least_held = min(_least_held, held)
            if held - _least_held <= MOST_UNUSED:
                return
        trim(0)
        _least_held = _held_beside(state())
