"""Filters along time by scipy's compiled functions, without the rest of ``scipy.signal``.

That package imports statistics, optimisation and interpolation: 0.7 s and 75 MB of a process.
The three functions that filter, loaded from their own files, take 0.01 s and 3 MB; the Python
around them, up to 55 us a call, is not needed for arrays that are known to be right. Where another
scipy keeps them elsewhere, or they take or return something else, the public functions of the
package filter, with the same bits.

Importing this module loads them, so it is imported where something is filtered.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
from collections.abc import Callable, Sequence
from importlib.machinery import PathFinder
from typing import Any, NamedTuple

import numpy as np

from crashsense.arrays import FloatArray, check_sections

_PACKAGE = "scipy.signal"


class _Functions(NamedTuple):
    """What filters, by the names in scipy, with its arguments in their order."""

    sosfilt: Callable[..., object]  # sections, rows and state, which are written to
    linear_filter: Callable[..., Any]  # b, a, samples, axis
    apply: Callable[..., object]  # rows, taps by phase, output (written to), up, down, axis, 0, 0


def sosfilt(
    samples: FloatArray, *, sections: FloatArray, state: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Filter each row by second-order sections, one after another.

    Returns the filtered rows, and the state of each row after its last sample.

    Parameters
    ----------
    samples : shape (rows, samples)
    sections : b0, b1, b2, 1, a1, a2 of each, shape (sections, 6)
    state : where each row starts, shape (sections, rows, 2); None starts from zero

    Raises
    ------
    ValueError : sections or state of other shapes, or a section whose a0 is not 1

    >>> rows, state = sosfilt(np.eye(1, 4), sections=np.array([[1.0, 0, 0, 1, -0.5, 0]]))
    >>> rows.tolist(), state.tolist()
    ([[1.0, 0.5, 0.25, 0.125]], [[[0.0625, 0.0]]])
    """
    # Copies, in the order and type that the function takes: it writes where it reads.
    out = np.array(samples, dtype=np.float64, order="C")
    table = np.array(sections, dtype=np.float64, order="C")
    check_sections(table, rows=len(out), state=state)
    if state is None:
        end = np.zeros((len(out), len(table), 2))
    else:
        end = np.array(state.swapaxes(0, 1), dtype=np.float64, order="C")
    _functions.sosfilt(table, out, end)
    return out, end.swapaxes(0, 1)


def lfilter(
    samples: FloatArray, *, b: Sequence[float] | FloatArray, a: Sequence[float] | FloatArray
) -> FloatArray:
    """Filter along the last axis, from zero, by b(q) / a(q) with q one sample of delay.

    Parameters
    ----------
    samples : shape (..., samples)
    b, a : coefficients, that of the present sample first; two or more of the denominator

    Raises
    ------
    ValueError : no coefficients in b or a, or not in one row; or a that begins with 0

    >>> lfilter(np.eye(1, 4), b=(1.0,), a=(2.0, -1.0)).tolist()
    [[0.5, 0.25, 0.125, 0.0625]]
    """
    if not (len(b) and len(a)):
        raise ValueError("b, a: got no coefficients; expected one or more of each")
    found: FloatArray = _functions.linear_filter(b, a, samples, -1)
    return found


def upfirdn(samples: FloatArray, *, taps: FloatArray, up: int, down: int) -> FloatArray:
    """Put zeros between the samples of each row, filter by taps, and keep every *down*-th.

    Returns the convolution of a row that is zero beyond its ends with the taps: shape
    (rows, ((samples - 1) up + length) / down, rounded up).

    Parameters
    ----------
    samples : shape (rows, samples)
    taps : shape (length,)
    up, down : how much denser samples are while they are filtered; which of those are kept

    Raises
    ------
    ValueError : taps that are not one row, or none

    >>> upfirdn(np.array([[1.0, 2.0]]), taps=np.array([0.5, 1.0, 0.5]), up=2, down=1).tolist()
    [[0.5, 1.0, 1.5, 2.0, 1.0]]
    """
    taps = np.asarray(taps, dtype=np.float64)
    if taps.ndim != 1 or not taps.size:
        raise ValueError(f"taps: got shape {taps.shape}; expected (length,)")
    return _by_ratio(_functions, np.asarray(samples, dtype=np.float64), taps, up, down)


def _by_ratio(
    functions: _Functions, rows: FloatArray, taps: FloatArray, up: int, down: int
) -> FloatArray:
    out = np.zeros((len(rows), -(-((rows.shape[-1] - 1) * up + len(taps)) // down)))
    by_phase = np.zeros((-(-len(taps) // up), up))
    by_phase.flat[: len(taps)] = taps
    functions.apply(rows, by_phase.T[:, ::-1].flatten(), out, up, down, 1, 0, 0.0)
    return out


def _public_sosfilt(sections: FloatArray, rows: FloatArray, state: FloatArray) -> None:
    from scipy.signal import sosfilt as public

    rows[...], end = public(sections, rows, axis=-1, zi=state.swapaxes(0, 1))
    state[...] = end.swapaxes(0, 1)


def _public_lfilter(*given: Any) -> Any:
    from scipy.signal import lfilter as public

    return public(*given)


def _public_upfirdn(
    rows: FloatArray, by_phase: FloatArray, out: FloatArray, up: int, down: int, *_: object
) -> None:
    from scipy.signal import upfirdn as public

    taps = by_phase.reshape(up, -1)[:, ::-1].T.ravel()
    out[...] = public(taps, rows, up, down)[:, : out.shape[-1]]


_PUBLIC = _Functions(_public_sosfilt, _public_lfilter, _public_upfirdn)


def _loaded() -> _Functions:
    """Return scipy's compiled functions if they can be had and filter rightly, else its public."""
    try:
        found = _Functions(
            _module("_sosfilt")._sosfilt,
            _module("_sigtools")._linear_filter,
            _module("_upfirdn_apply")._apply,
        )
        right = _filter_rightly(found)
    except Exception:  # whatever another scipy raises
        right = False
    return found if right else _PUBLIC


def _module(name: str) -> Any:
    """Return a compiled module of the package, without importing the package.

    It does not stay among the modules: the package enters it there when something imports that.
    """
    full = f"{_PACKAGE}.{name}"
    if _PACKAGE in sys.modules:  # perhaps still being imported by another thread: this waits for it
        return importlib.import_module(full)
    scipy: Any = importlib.util.find_spec("scipy")
    folders = [f"{folder}/signal" for folder in scipy.submodule_search_locations]
    spec: Any = PathFinder.find_spec(full, folders)
    try:
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        sys.modules.pop(full, None)
    return module


def _filter_rightly(functions: _Functions) -> bool:
    """Compare functions with their sums written out: two rows, not at rest where they can."""
    sections = np.array([[0.3, -0.1, 0.7, 1.0, -0.6, 0.2], [1.1, 0.3, 0.0, 1.0, 0.4, 0.0]])
    rows, state = np.array([[1.0, 2.0, -3.0], [0.0, -1.0, 4.0]]), np.arange(8.0).reshape(2, 2, 2)
    pairs = []
    for up, down in ((2, 1), (3, 2)):
        taps, dense = np.array([0.25, -1.0, 0.5, 2.0]), np.zeros((2, 2 * up + 1))
        dense[:, ::up] = rows
        by_hand = np.array([np.convolve(row, taps)[::down] for row in dense])
        pairs.append((_by_ratio(functions, rows, taps, up, down), by_hand))

    wanted, end = rows.copy(), state.copy()
    for row, at in zip(wanted, end, strict=True):
        for section, stored in zip(sections, at, strict=True):
            _run(section, row, stored)
    functions.sosfilt(sections, rows, state)

    impulse = np.array([1.0, 0.0, 0.0, 0.0])
    answer = functions.linear_filter(2.0 * sections[0, :3], 2.0 * sections[0, 3:], impulse, -1)
    _run(sections[0], impulse, np.zeros(2))

    pairs += [(rows, wanted), (state, end), (answer, impulse)]
    return all(np.allclose(found, right, rtol=1e-12, atol=1e-12) for found, right in pairs)


def _run(section: FloatArray, values: FloatArray, stored: FloatArray) -> None:
    """Filter values in place by one section (direct form II transposed), with what it stores."""
    b0, b1, b2, _, a1, a2 = section
    for place, value in enumerate(values):
        values[place] = result = b0 * value + stored[0]
        stored[:] = b1 * value - a1 * result + stored[1], b2 * value - a2 * result


_functions = _loaded()
