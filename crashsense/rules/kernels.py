"""Array kernels of the rules: causal, row by row, without a loop over time wherever possible.

All work along the last axis on arrays of shape (draws, samples); row d depends on row d only, and
sample n on samples 0..n only, bit for bit.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import BoolArray, FloatArray, row_by_row
from crashsense.rules import running
from crashsense.rules.parameters import sense_parts
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY

#: Below this a floored velocity change is zero [m/s]; far below one code of any sensor.
AT_REST_M_S = 1e-9

#: Largest growth of the leak factor inside one segment of the closed form.
_GROWTH = 1e6

#: Segments of so many samples are summed up in groups; for shorter ones that is no gain.
_LONG = 250

#: Bits of -0.0.
_MINUS_ZERO = np.uint64(1 << 63)

#: What several passes of numpy run over at once (numbers of 64 draws of 0.3 s at 2 kHz): with the
#: result beside it, it stays in the processor's second-level cache [bytes].
_PIECE_BYTES = 320_000


def read(samples: EcuSamples, sense: str) -> tuple[FloatArray, BoolArray]:
    """Return a channel in the stated sense, 0 where it is not valid, and where it is valid."""
    sign, name = sense_parts(sense)
    if name not in samples.channels:
        shape = (samples.draws, samples.size)
        return np.zeros(shape), np.zeros(shape, dtype=np.bool_)
    values = samples.channels[name]
    valid = samples.valid[name]
    if not valid.all():
        values = np.where(valid, values, 0.0)
    if sign == "-":
        values = -values
    elif sign == "|":
        values = np.abs(values)
    return values, valid


def masked(demand: FloatArray, *valid: BoolArray) -> FloatArray:
    """Return demand, 0 where it is negative or where an input is not valid."""
    # Two bounds: numpy takes this path several values at once, and ``maximum`` with a number not.
    out = np.clip(demand, 0.0, np.inf)
    out += 0.0  # -0.0, which is no demand either, becomes 0.0
    for mask in valid:
        if not mask.all():
            out = np.where(mask, out, 0.0)
    return out


def samples_in(duration_ms: float, rate_hz: float) -> int:
    """Return the number of ticks in a duration, to the nearest, at least 1."""
    return max(1, round(duration_ms * 1e-3 * rate_hz))


def shifted(values: FloatArray, ticks: int, *, fill: float = 0.0) -> FloatArray:
    """Return values delayed by a number of ticks, *fill* before the first."""
    if ticks == 0:
        return values
    out = np.full_like(values, fill)
    if ticks < values.shape[-1]:
        out[..., ticks:] = values[..., :-ticks]
    return out


def floored_sum(increments: FloatArray, *, decay: float = 1.0, floor: bool = True) -> FloatArray:
    r"""Leaky sum, floored at zero: ``v[n] = max(0, decay v[n-1] + increments[n])``.

    Closed form: with ``w[n] = v[n] decay**-n`` the recursion is a plain floored sum, and a floored
    sum is the cumulative sum ``s`` minus the lesser of 0 and its running minimum. Long records run
    in segments, so that ``decay**-n`` stays below 1e6 (overflow, and loss of figures).

    Parameters
    ----------
    increments : shape (..., samples)
    decay : factor per tick [-], 0 < decay <= 1
    floor : False for the sum without a floor
    """
    compiled, increments = engine.kernels(), _floats(increments)
    if compiled is not None and increments.ndim == 2:
        return np.asarray(compiled.floored_sum(engine.given(increments), decay, floor))
    out = np.empty(increments.shape)
    if engine.in_turn():
        _summed_in_turn(increments, decay, floor=floor, out=out)
        return out
    # Sums along whole rows of 64-bit numbers are made where they stand, without numpy's buffer.
    with row_by_row():
        for rows, part in _in_pieces(increments, out):
            _leaky_sum(rows, decay, floor=floor, out=part)
    return out


def _summed_in_turn(increments: FloatArray, decay: float, *, floor: bool, out: FloatArray) -> None:
    """:func:`floored_sum` as it is defined, with the bits of ``compiled.kernels.floored_sum``.

    A millisecond for 10,000 samples: for a few rows, where the kernel is not worth loading.
    """
    lowest = 0.0 if floor else -np.inf
    count = increments.shape[-1]
    for row, sums in zip(increments.reshape(-1, count), out.reshape(-1, count), strict=True):
        total = 0.0
        values = row.tolist()
        for place, value in enumerate(values):
            total = decay * total + value
            if total < lowest:
                total = lowest
            values[place] = total
        sums[:] = values


def _in_pieces(values: npt.NDArray[Any], out: npt.NDArray[Any]) -> Iterator[tuple[Any, Any]]:
    """Yield rows of values with those of the result, so few that they stay in the cache."""
    if not values.size:
        return
    count = values.shape[-1]
    rows, parts = values.reshape(-1, count), out.reshape(-1, count)
    step = max(1, _PIECE_BYTES // (count * values.itemsize))
    for first in range(0, rows.shape[0], step):
        yield rows[first : first + step], parts[first : first + step]


def _leaky_sum(increments: FloatArray, decay: float, *, floor: bool, out: FloatArray) -> None:
    """:func:`floored_sum` of some rows, segment by segment."""
    count = increments.shape[-1]
    if decay == 1.0:
        _sum_along(increments, floor=floor, out=out)
        return
    length = max(1, int(np.log(_GROWTH) / -np.log(decay)))
    powers, inverse = _powers(decay, min(count, length))
    for first in range(0, count, length):
        total, terms = (values[:, first : first + length] for values in (out, increments))
        width = total.shape[-1]
        np.multiply(terms, inverse[:width], out=total)
        if first:
            total[:, :1] += out[:, first - 1 : first]
        _sum_along(total, floor=floor, grouped=length >= _LONG, out=total)
        total *= powers[:width]


@lru_cache(maxsize=64)
def _powers(decay: float, count: int) -> tuple[FloatArray, FloatArray]:
    """Powers of a leak, from the first on, and one over each."""
    powers = decay ** np.arange(1, count + 1, dtype=np.float64)
    both = powers, 1.0 / powers
    for values in both:
        values.setflags(write=False)
    return both


def _sum_along(terms: FloatArray, *, floor: bool, out: FloatArray, grouped: bool = True) -> None:
    """Sum up terms, and take from the sums the lesser of 0 and their running minimum.

    Bits of numbers below 0, read as whole numbers without sign, have the order of their size, and
    are more than those of -0.0, which are more than those of all numbers above: their running
    maximum, begun at -0.0, is that minimum. Where not *grouped*, *out* must be *terms*.
    """
    planes = running.apart(terms) if grouped else out[None]
    running.run(planes, np.add)
    if floor:
        lowest = planes.view(np.uint64).copy()
        np.maximum(lowest[0, :, :1], _MINUS_ZERO, out=lowest[0, :, :1])
        running.run(lowest, np.maximum)
        planes -= lowest.view(np.float64)
    if grouped:
        running.together(planes, out)


def running_sum(values: FloatArray) -> FloatArray:
    """Return the sum of all samples so far: of some dozen rows in half the time of ``cumsum``.

    >>> running_sum(np.array([[1.0, 2.0, 3.0]]))
    array([[1., 3., 6.]])
    """
    return floored_sum(values, floor=False)


def running_max(values: FloatArray) -> FloatArray:
    """Turn values into their running maximum, in place. The first of a row must not be negative.

    The bits of numbers that are not negative, read as whole numbers, have the same order, those of
    negative ones are less, and numpy compares whole numbers in less time.

    Raises
    ------
    ValueError : other numbers than 64-bit ones
    """
    if values.dtype not in (np.float64, np.int64):
        raise ValueError(f"values: got {values.dtype}; expected float64")
    _to_running_max(values.view(np.int64))
    return values


def _to_running_max(values: npt.NDArray[Any]) -> None:
    # Rows of an array in another order would be copies, and the result would be lost.
    ordered = np.ascontiguousarray(values)
    with row_by_row():
        for rows, _ in _in_pieces(ordered, ordered):
            running.to_extreme(rows, np.maximum)
    if ordered is not values:
        values[...] = ordered


def ticks_since(mark: BoolArray) -> npt.NDArray[np.int64]:
    """Return ticks since the mark last held, a huge number before it first did."""
    index = np.arange(mark.shape[-1])
    last = np.where(mark, index, -(2**40))
    _to_running_max(last)
    return np.asarray(index - last, dtype=np.int64)


def window_sum(values: FloatArray, ticks: int) -> FloatArray:
    """Return the sum over the last *ticks* samples (fewer at the start).

    Differences of a running sum (of one tick, the sample itself), in both engines and for small
    work with the same bits: sums of codes may lie exactly at a threshold. For a rule of your own
    :func:`sum_within` is faster.

    Raises
    ------
    ValueError : fewer than 1 tick
    """
    _check_window(ticks)
    if ticks == 1:
        return np.array(values, dtype=np.float64)
    compiled, values = engine.kernels(), _floats(values)
    if compiled is not None and values.ndim == 2:
        return np.asarray(compiled.window_sum(engine.given(values), ticks))
    out = np.empty(values.shape)
    for rows, part in _in_pieces(values, out):
        even = len(rows) // 2 * 2
        if even:
            # Two rows as one complex number are summed up in the time of one.
            pairs = np.empty((even // 2, rows.shape[-1]), dtype=np.complex128)
            pairs.real, pairs.imag = rows[:even:2], rows[1:even:2]
            pairs = _differences(np.cumsum(pairs, axis=-1, out=pairs), ticks)
            part[:even:2], part[1:even:2] = pairs.real, pairs.imag
        if even < len(rows):
            part[even:] = _differences(np.cumsum(rows[even:], axis=-1), ticks)
    return out


def _differences(total: npt.NDArray[Any], ticks: int) -> npt.NDArray[Any]:
    """Differences of running sums over some ticks."""
    if ticks >= total.shape[-1]:
        return total
    out = np.empty_like(total)
    _with_earlier(total, ticks, np.subtract, out=out)
    return out


def sum_within(values: FloatArray, ticks: int) -> FloatArray:
    """Return the sum over the last *ticks* samples (fewer at the start), of these samples alone.

    As :func:`window_sum` in a third of the time, and 0 once all samples of the window are 0; that
    keeps what is left by rounding of all samples so far.

    Raises
    ------
    ValueError : fewer than 1 tick

    >>> sum_within(np.array([[1.0, 2.0, 3.0, 4.0]]), 3)
    array([[1., 3., 6., 9.]])
    """
    _check_window(ticks)
    return _in_steps(_floats(values), _steps_of_a_sum(ticks), np.add)


def _check_window(ticks: int) -> None:
    if ticks < 1:
        raise ValueError(f"ticks: got {ticks}; expected 1 or more")


#: How windows grow: so many ticks before a sample stands one of the array made last (True) or of
#: the first one (False), with which it is combined.
Steps = list[tuple[int, bool]]


def _steps_of_a_sum(ticks: int) -> Steps:
    """Two windows of m samples are one of 2m; one sample more makes it 2m + 1."""
    steps, span = [], 1
    for digit in f"{ticks:b}"[1:]:
        steps.append((span, True))
        span *= 2
        if digit == "1":
            steps.append((span, False))
            span += 1
    return steps


def _steps_of_an_extreme(ticks: int) -> Steps:
    """Of two windows that make a longer one: samples that are in both do no harm."""
    steps, span = [], 1
    while span < ticks:
        steps.append((min(span, ticks - span), True))
        span += steps[-1][0]
    return steps


def _in_steps(
    values: npt.NDArray[Any], steps: Steps, combine: np.ufunc, fill: float | None = None
) -> npt.NDArray[Any]:
    """Combine the samples of a window; *fill* stands before the first, None: nothing does.

    Some passes over numbers that do not wait for each other: a running sum waits at every sample.
    """
    count = values.shape[-1]
    out = np.empty(values.shape, dtype=values.dtype)
    if fill is None:
        steps = [step for step in steps if step[0] < count]
    if not steps:
        out[...] = values
        return out
    for rows, part in _in_pieces(values, out):
        # By turns into the result and beside it; the last time into the result.
        both = (part, np.empty_like(part)) if len(steps) > 1 else (part,)
        first = seen = np.ascontiguousarray(rows)
        for left, (delay, last) in zip(reversed(range(len(steps))), steps, strict=True):
            made = both[left % 2]
            if delay < count:
                earlier = seen if last else first
                _with_earlier(seen, delay, combine, earlier=earlier, fill=fill, out=made)
            else:
                combine(seen, fill, out=made)
            seen = made
    return out


def _with_earlier(
    values: npt.NDArray[Any],
    ticks: int,
    combine: np.ufunc,
    *,
    out: npt.NDArray[Any],
    earlier: npt.NDArray[Any] | None = None,
    fill: float | None = None,
) -> None:
    """Combine every sample with the one *ticks* before it, ``0 < ticks < samples``; C order.

    *earlier*: the array that has the latter, if it is another one. *fill* stands before its first
    sample; None: samples that have none so early stay as they are.
    All rows run in one go, as if one followed the other: numpy needs a third of the time that it
    needs row by row, and the first samples of a row, which have met those of the row before, are
    then put right.
    """
    flat, before = values.ravel(), (values if earlier is None else earlier).ravel()
    combine(flat[ticks:], before[: flat.size - ticks], out=out.ravel()[ticks:])
    first = values[..., :ticks]
    out[..., :ticks] = first if fill is None else combine(first, fill)


def window_max(values: FloatArray, ticks: int, *, fill: float = -np.inf) -> FloatArray:
    """Return the maximum over the last *ticks* samples; *fill* stands before the first.

    Raises
    ------
    ValueError : *ticks* less than 1
    """
    _check_window(ticks)
    compiled, values = engine.kernels(), _floats(values)
    if compiled is not None and values.ndim == 2:
        return np.asarray(compiled.window_max(engine.given(values), ticks, fill))
    steps = _steps_of_an_extreme(ticks)
    return _in_steps(values, steps, np.maximum, None if fill == -np.inf else fill)


def window_min(values: FloatArray, ticks: int, *, fill: float = np.inf) -> FloatArray:
    """Return the minimum over the last *ticks* samples; *fill* stands before the first.

    Raises
    ------
    ValueError : *ticks* less than 1
    """
    _check_window(ticks)
    if engine.kernels() is not None:
        return -window_max(-_floats(values), ticks, fill=-fill)
    steps = _steps_of_an_extreme(ticks)
    return _in_steps(_floats(values), steps, np.minimum, None if fill == np.inf else fill)


def _floats(values: npt.NDArray[Any]) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def any_within(mark: BoolArray, ticks: int, *, fill: bool = False) -> BoolArray:
    """Return True where a mark was set at any of the last *ticks* samples.

    As ``window_max`` of a demand that is then compared with its threshold, in a fraction of the
    time. *fill* stands before the first sample.

    >>> any_within(np.array([[False, True, False, False]]), 2)
    array([[False,  True,  True, False]])

    Raises
    ------
    ValueError : *ticks* less than 1
    """
    _check_window(ticks)
    marks = np.asarray(mark, dtype=np.bool_)
    return _in_steps(marks, _steps_of_an_extreme(ticks), np.logical_or, fill or None)


def finite_response(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return ``sum over k of weights[k] values[n-k]``, zeros before the first sample."""
    out = weights[0] * values
    for lag in range(1, min(len(weights), values.shape[-1])):
        out[..., lag:] += weights[lag] * values[..., :-lag]
    return np.asarray(out, dtype=np.float64)


def slope_weights(ticks: int, rate_hz: float) -> FloatArray:
    """Weights of the least-squares slope over *ticks* samples, newest first [1/s]."""
    offsets = np.arange(ticks, dtype=np.float64)[::-1] - (ticks - 1) / 2.0
    return np.asarray(offsets * rate_hz / np.sum(offsets**2), dtype=np.float64)


def one_pole(values: FloatArray, *, corner_hz: float, rate_hz: float) -> FloatArray:
    """First-order causal low-pass: ``y[n] = y[n-1] + (1 - decay)(x[n] - y[n-1])``.

    ``decay = exp(-2 pi corner / rate)``: impulse-invariant, gain 1 at rest, at rest at the start.
    """
    decay = float(np.exp(-2.0 * np.pi * corner_hz / rate_hz))
    return floored_sum((1.0 - decay) * values, decay=decay, floor=False)


def leaky_velocity(
    acceleration: FloatArray,
    *,
    rate_hz: float,
    leak_g: float = 0.0,
    time_constant_ms: float | None = None,
    floor: bool = True,
    restart: BoolArray | None = None,
) -> FloatArray:
    """Velocity change [m/s] with constant leak, exponential leak, floor and restarts.

    ``V[n] = max(0, decay V[n-1] + (a[n] - leak) T)``, ``decay = exp(-T / time constant)``; at a
    restart V is 0. Acceleration in m/s^2, shape (draws, samples).
    """
    above = acceleration - leak_g * STANDARD_GRAVITY if leak_g else acceleration
    increments = above / rate_hz
    decay = 1.0 if time_constant_ms is None else float(np.exp(-1e3 / (time_constant_ms * rate_hz)))
    out = floored_sum(increments, decay=decay, floor=floor)
    if restart is not None and restart.any():
        out[restart] = 0.0
        for row, first, last in runs_after(restart):
            part = increments[row : row + 1, first + 1 : last]
            out[row, first + 1 : last] = floored_sum(part, decay=decay, floor=floor)[0]
    if floor:
        # Rounding of the closed form must not pass for motion: rules ask when V left zero.
        out *= out >= AT_REST_M_S
    return out


def runs_after(mark: BoolArray) -> list[tuple[int, int, int]]:
    """Row, last marked sample and end of every run of unmarked samples that follows a mark."""
    size = mark.shape[-1]
    rows, places = np.nonzero(mark)
    ends = np.append(places[1:], size)
    ends[np.flatnonzero(np.diff(rows))] = size
    longer = ends > places + 1
    return list(zip(*(part[longer].tolist() for part in (rows, places, ends)), strict=True))


def quiet_restarts(values: FloatArray, *, level: float, ticks: int) -> BoolArray:
    """True where \\|values\\| has stayed below *level* for the last *ticks* samples."""
    quiet = np.abs(values) < level
    return np.logical_not(any_within(~quiet, ticks, fill=True))
