"""Causal low-pass filters: what a sensor or a control unit can really do.

Never used to judge a record: a causal filter delays. The delay is part of the design
(:func:`lowpass_delay`).
"""

from __future__ import annotations

from functools import lru_cache, reduce

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray, check_sections
from crashsense.errors import Fault, InputError, nearest
from crashsense.filters.design import lowpass, state_at_one

KINDS = ("bessel", "butterworth")


def lowpass_sections(*, kind: str, order: int, corner_hz: float, rate_hz: float) -> FloatArray:
    """Return a digital low-pass as second-order sections, shape (sections, 6), gain 1 at 0 Hz.

    Bilinear transform of the analogue design with its corner pre-warped: the digital filter is
    -3.01 dB *exactly at the corner*, for both kinds. For a Bessel design that is the magnitude
    normalisation. The phase normalisation, the usual default of libraries, would put a 3-pole
    400 Hz filter at -6.2 dB and delay by 0.98 ms instead of 0.70 ms.

    Parameters
    ----------
    kind : ``"butterworth"`` (flat gain) or ``"bessel"`` (flat delay)
    order : number of poles, 1 to 8; 2 to 4 are usual in crash sensors [-]
    corner_hz : -3 dB frequency [Hz], below half the rate
    rate_hz : sampling rate [Hz]

    >>> lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=10000.0).shape
    (2, 6)
    """
    faults = []
    if kind not in KINDS:
        faults.append(Fault("filter", "kind", kind, nearest(str(kind), KINDS)))
    if isinstance(order, bool) or order != int(order) or not 1 <= order <= 8:
        faults.append(Fault("filter", "order", order, "a whole number of poles, 1 to 8"))
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        faults.append(Fault("filter", "rate_hz", rate_hz, "a positive rate in Hz"))
    elif not 0 < corner_hz < rate_hz / 2:
        expected = f"above 0 and below half the rate ({rate_hz / 2:g} Hz)"
        faults.append(Fault("filter", "corner_hz", corner_hz, expected))
    if faults:
        raise InputError(faults)
    return _designed(kind, int(order), float(corner_hz), float(rate_hz)).copy()


@lru_cache(maxsize=256)
def _designed(kind: str, order: int, corner_hz: float, rate_hz: float) -> FloatArray:
    return lowpass(kind, order, corner_hz=corner_hz, rate_hz=rate_hz)


def causal_lowpass(
    samples: FloatArray, *, sections: FloatArray, steady: bool = False
) -> FloatArray:
    """Filter along the last axis; output n depends on samples 0..n only.

    Parameters
    ----------
    samples : shape (..., samples); every row comes out as it would alone
    sections : from :func:`lowpass_sections`
    steady : False: the signal was at rest (zero) before its first sample. True: it has had the
        value of its first sample for ever.

    Raises
    ------
    ValueError : sections of another shape, or one whose a0 is not 1

    >>> sections = lowpass_sections(kind="butterworth", order=2, corner_hz=400.0, rate_hz=10000.0)
    >>> step = causal_lowpass(np.ones(400), sections=sections)
    >>> bool(step[0] < 0.1), round(float(step[-1]), 6)
    (True, 1.0)
    >>> held = causal_lowpass(np.ones(400), sections=sections, steady=True)
    >>> bool(np.allclose(held, 1.0))
    True
    """
    values = np.asarray(samples, dtype=np.float64)
    sections = np.asarray(sections, dtype=np.float64)
    rows = values.reshape(-1, values.shape[-1])
    state = None
    if steady:
        check_sections(sections, rows=len(rows), state=None)
        state = state_at_one(sections)[:, np.newaxis, :] * rows[np.newaxis, :, :1]
    return filter_rows(rows, sections=sections, state=state).reshape(values.shape)


def lowpass_delay(sections: FloatArray, *, rate_hz: float) -> float:
    """Return the group delay at 0 Hz [s]: how late slow content arrives.

    For each section (b0 b1 b2 1 a1 a2): (b1 + 2 b2)/(b0 + b1 + b2) - (a1 + 2 a2)/(1 + a1 + a2)
    samples; delays of sections add.

    >>> sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=10000.0)
    >>> round(lowpass_delay(sections, rate_hz=10000.0) * 1e3, 2)
    0.69
    """
    b0, b1, b2, a0, a1, a2 = np.asarray(sections, dtype=np.float64).T
    late = (b1 + 2.0 * b2) / (b0 + b1 + b2) - (a1 + 2.0 * a2) / (a0 + a1 + a2)
    return float(late.sum() / rate_hz)


def filter_rows(
    samples: FloatArray, *, sections: FloatArray, state: FloatArray | None = None
) -> FloatArray:
    """Filter each row by second-order sections with whichever engine computes here.

    Parameters
    ----------
    samples : shape (rows, samples)
    sections : shape (sections, 6)
    state : where each row starts, shape (sections, rows, 2); None starts from zero

    Raises
    ------
    ValueError : sections or state of other shapes, or a section whose a0 is not 1
    """
    compiled, sections = engine.kernels(), np.asarray(sections, dtype=np.float64)
    if compiled is not None:
        check_sections(sections, rows=len(samples), state=state)
        start = np.zeros((sections.shape[0], samples.shape[0], 2)) if state is None else state
        rows = np.ascontiguousarray(samples, dtype=np.float64)
        return np.asarray(compiled.filter_rows(np.ascontiguousarray(sections), rows, start))
    from crashsense.scipy_filters import sosfilt

    return sosfilt(samples, sections=sections, state=state)[0]


def filter_noise(noise: FloatArray, *, sections: FloatArray) -> FloatArray:
    """As :func:`filter_rows` from zero, by scipy, to 1e-13 of the noise and faster.

    For noise, whose last digits mean nothing; a signal that stands at a limit must keep them.

    Raises
    ------
    ValueError : sections of another shape, or one whose a0 is not 1
    """
    from crashsense.scipy_filters import lfilter

    sections = np.ascontiguousarray(sections, dtype=np.float64)
    check_sections(sections, rows=len(noise), state=None)
    direct = _direct_form(sections.tobytes())
    if direct is None:
        return filter_rows(noise, sections=sections)
    b, a = direct
    return lfilter(noise, b=b, a=a)


#: Products that numpy adds up in one pass of a convolution; it has a loop for up to 11.
_AT_ONCE = 8


def convolved(rows: FloatArray, *, taps: FloatArray) -> FloatArray:
    """Return ``sum over k of taps[k] x[n - k]`` for all rows but the first.

    What is before a row is the end of the row before, so that rows that end with zeros begin at
    rest. A recursive filter waits for its last result at every sample: up to some 30 taps this is
    faster. The sums of a sample have one order, whatever row it is in.

    Parameters
    ----------
    rows : shape (1 + rows, samples), in C order; with no fewer samples than taps
    taps : impulse response, shape (taps,)

    >>> convolved(np.array([[0.0, 0.0, 0.0], [1.0, 2.0, 0.0]]), taps=np.array([3.0, 1.0]))
    array([[3., 7., 2.]])
    """
    values, width = rows.reshape(-1), rows.shape[-1]

    def summed(first: int) -> FloatArray:
        some = taps[first : first + _AT_ONCE]
        return np.convolve(
            values[width - first - some.size + 1 : values.size - first], some, "valid"
        )

    out = summed(0)
    for first in range(_AT_ONCE, taps.size, _AT_ONCE):
        out += summed(first)
    return out.reshape(-1, width)


@lru_cache(maxsize=256)
def _direct_form(content: bytes) -> tuple[FloatArray, FloatArray] | None:
    """Return sections as one filter (b, a), which scipy runs in three quarters of the time.

    None where rounding counts: poles near 1, that is corners far below the rate (Oppenheim and
    Schafer, Discrete-Time Signal Processing, on coefficient quantisation; from memory). It is tried
    on noise.
    """
    from crashsense.scipy_filters import lfilter, sosfilt

    sections = np.frombuffer(content).reshape(-1, 6)
    b, a = reduce(np.convolve, sections[:, :3]), reduce(np.convolve, sections[:, 3:])
    noise = np.random.default_rng(1).uniform(-1.0, 1.0, (1, 4000))
    with np.errstate(all="ignore"):
        error = np.abs(lfilter(noise, b=b, a=a) - sosfilt(noise, sections=sections)[0]).max()
    return (b, a) if error <= 1e-13 else None
