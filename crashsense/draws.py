"""Random numbers by name: a draw depends only on its axes and its number, never on who asks.

Axes are text or whole numbers: ``(seed, occurrence, channel, role)`` plus the draw number ``k``.
They are encoded with length prefixes before hashing, so two different names can never collide.
Draw 0 is nominal: its tolerances are zero and its sensors are noise-free.

Draws are made in *pages* of :data:`PAGE` consecutive draws (1-32, 33-64, ...), each page from a
generator of its own: draw ``k`` is the same in a larger run, in another chunk, on another machine.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.random.bit_generator import ISeedSequence

from crashsense import engine

FloatArray = npt.NDArray[np.float64]

#: Draws in a page. Blocks that start and end on page borders waste no random numbers.
PAGE = 32

#: Up to here handing a generator to a compiled kernel costs more than the kernel saves.
_FEW = 4000


def generator(seed: int, *axes: str | int) -> np.random.Generator:
    """Return the generator of the named axes.

    >>> float(generator(1, "a", "bc").random()) == float(generator(1, "ab", "c").random())
    False
    >>> float(generator(1, "a", 2).random()) == float(generator(1, "a", 2).random())
    True
    """
    digest = _digest_of((seed, *axes[:-1])).copy()
    for axis in axes[-1:]:
        _add(digest, axis)
    start: Any = _Seeded(digest.digest())  # numpy takes it; its annotations do not say so
    return np.random.Generator(np.random.PCG64(start))


def _add(digest: Any, axis: str | int) -> None:
    # A whole number is the same axis whatever its type, as it is the same key of the cache.
    text = (f"str:{axis}" if isinstance(axis, str) else f"int:{int(axis)}").encode()
    digest.update(len(text).to_bytes(8, "big"))
    digest.update(text)


@lru_cache(maxsize=256)
def _digest_of(axes: tuple[str | int, ...]) -> Any:
    """SHA-256 of some axes, to be copied and gone on with: pages differ in the last one only."""
    digest = hashlib.sha256()
    for axis in axes:
        _add(digest, axis)
    return digest


class _Seeded(ISeedSequence):
    """A SHA-256 digest as the start of a bit generator: mixed enough to be taken as it is.

    numpy would mix it once more, at eight times the cost; a page of small draws would be half
    seeding.
    """

    def __init__(self, digest: bytes) -> None:
        self._words = np.frombuffer(digest, dtype="<u8")

    def generate_state(self, n_words: int, dtype: Any = np.uint64) -> npt.NDArray[Any]:
        """Return the four 64-bit words that PCG64 starts from."""
        return self._words[:n_words].astype(dtype)


def _by_page(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    kind: str,
    seed: int,
    axes: tuple[str | int, ...],
    by_sample: bool = False,
) -> FloatArray:
    numbers = np.asarray(draws, dtype=np.int64)
    if _is_whole_pages(numbers) and not by_sample:
        out = np.empty((numbers.size, width))
        first = int(numbers[0] - 1) // PAGE
        for number in range(numbers.size // PAGE):
            source = generator(seed, *axes, kind, first + number)
            _draw(source, kind, out[number * PAGE : (number + 1) * PAGE])
        return out
    out = np.zeros((numbers.size, width))
    pages = np.where(numbers > 0, (numbers - 1) // PAGE, -1)
    for page in np.unique(pages[pages >= 0]):
        rows = np.flatnonzero(pages == page)
        whole = np.empty((width, PAGE) if by_sample else (PAGE, width))
        _draw(generator(seed, *axes, kind, int(page)), kind, whole)
        whole = whole.T if by_sample else whole
        out[rows] = whole[(numbers[rows] - 1) % PAGE]
    return out


def _is_whole_pages(numbers: npt.NDArray[np.int64]) -> bool:
    """True for consecutive draws from the start of a page to the end of one: drawn in place."""
    size = numbers.size
    if size == 0 or size % PAGE or numbers[0] < 1 or (numbers[0] - 1) % PAGE:
        return False
    return bool(numbers[-1] - numbers[0] == size - 1 and np.all(np.diff(numbers) == 1))


def _draw(source: np.random.Generator, kind: str, out: FloatArray) -> None:
    compiled = engine.kernels()
    if kind != "normal":
        source.random(out=out)
    elif compiled is None or out.size < _FEW:
        source.standard_normal(out=out)
    else:  # the same bits, sooner
        compiled.fill_normals(source, out)


def normals(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
    by_sample: bool = False,
) -> FloatArray:
    """Return standard normal numbers, shape (draws, width); the row of draw 0 is zero.

    *by_sample*: other numbers, of which a longer row begins with a shorter one.

    >>> bool((normals([3, 40], 2, seed=7, axes=("a",)) == normals(range(50), 2, seed=7,
    ...     axes=("a",))[[3, 40]]).all())
    True
    """
    return _by_page(draws, width, "normal", seed, axes, by_sample)


def uniforms(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
    by_sample: bool = False,
) -> FloatArray:
    """Return numbers uniform in [0, 1), shape (draws, width); the row of draw 0 is zero.

    *by_sample* as in :func:`normals`.
    """
    return _by_page(draws, width, "uniform", seed, axes, by_sample)
