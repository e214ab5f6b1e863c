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

import numpy as np
import numpy.typing as npt

from crashsense import engine

FloatArray = npt.NDArray[np.float64]

#: Draws in a page. Blocks that start and end on page borders waste no random numbers.
PAGE = 32


def generator(seed: int, *axes: str | int) -> np.random.Generator:
    """Return the generator of the named axes.

    >>> float(generator(1, "a", "bc").random()) == float(generator(1, "ab", "c").random())
    False
    >>> float(generator(1, "a", 2).random()) == float(generator(1, "a", 2).random())
    True
    """
    digest = hashlib.sha256()
    for axis in (seed, *axes):
        text = f"{type(axis).__name__}:{axis}".encode()
        digest.update(len(text).to_bytes(8, "big"))
        digest.update(text)
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest.digest()[:16], "big")))


def _by_page(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    kind: str,
    seed: int,
    axes: tuple[str | int, ...],
) -> FloatArray:
    numbers = np.asarray(draws, dtype=np.int64)
    out = np.zeros((numbers.size, width))
    pages = np.where(numbers > 0, (numbers - 1) // PAGE, -1)
    for page in np.unique(pages[pages >= 0]):
        rows = np.flatnonzero(pages == page)
        source = generator(seed, *axes, kind, int(page))
        first = rows[0]
        if np.array_equal(numbers[first : first + PAGE], page * PAGE + 1 + np.arange(PAGE)):
            # A whole page in order: drawn into its place, the same numbers without a copy.
            _draw(source, kind, out[first : first + PAGE])
        else:
            whole = np.empty((PAGE, width))
            _draw(source, kind, whole)
            out[rows] = whole[(numbers[rows] - 1) % PAGE]
    return out


def _draw(source: np.random.Generator, kind: str, out: FloatArray) -> None:
    compiled = engine.kernels()
    if kind != "normal":
        source.random(out=out)
    elif compiled is None:
        source.standard_normal(out=out)
    else:  # the same bits, sooner
        compiled.fill_normals(source, out)


def normals(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
) -> FloatArray:
    """Return standard normal numbers, shape (draws, width); the row of draw 0 is zero.

    >>> bool((normals([3, 40], 2, seed=7, axes=("a",)) == normals(range(50), 2, seed=7,
    ...     axes=("a",))[[3, 40]]).all())
    True
    """
    return _by_page(draws, width, "normal", seed, axes)


def uniforms(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
) -> FloatArray:
    """Return numbers uniform in [0, 1), shape (draws, width); the row of draw 0 is zero."""
    return _by_page(draws, width, "uniform", seed, axes)
