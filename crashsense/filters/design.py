"""Design of second-order sections with numpy alone.

Twins of functions of ``scipy.signal``, the same numbers but for rounding (``tests/filters``
compares them): importing that package takes 0.7 s, longer than most commands compute.

A row of sections is (b0 b1 b2 1 a1 a2); zeros, poles and roots are in the plane of z.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError

ComplexArray = npt.NDArray[np.complex128]

#: Bessel prototypes of 1 to 8 poles, -3.01 dB at 1 rad/s: gain, and the poles that are real or have
#: a positive imaginary part (``scipy.signal.besselap(order, norm="mag")``).
BESSEL: Mapping[int, tuple[float, tuple[complex, ...]]] = {
    1: (0.9999999999999996, (-0.9999999999999993 + 0.0j,)),
    2: (1.6180339887498931, (-1.1016013305921608 + 0.636009824757034j,)),
    3: (
        2.7717932746063267,
        (-1.0474091610089349 + 0.9992644362806369j, -1.3226757999104441 + 0.0j),
    ),
    4: (
        5.258199010244144,
        (-0.995208764350272 + 1.257105739454664j, -1.3700678305514422 + 0.41024971749375155j),
    ),
    5: (
        11.212836685370513,
        (
            -0.9576765485626815 + 1.4711243207303943j,
            -1.3808773258604392 + 0.717909587626768j,
            -1.5023162714474785 + 0.0j,
        ),
    ),
    6: (
        26.62976888914574,
        (
            -0.9306565229468591 + 1.6618632689425918j,
            -1.3818580975965642 + 0.9714718907115716j,
            -1.5714904036160318 + 0.32089637422262396j,
        ),
    ),
    7: (
        69.22126457866987,
        (
            -0.9098677806234705 + 1.8364513530363944j,
            -1.378903216795475 + 1.1915667778006531j,
            -1.6120387662261257 + 0.589244506931472j,
            -1.6843681792731817 + 0.0j,
        ),
    ),
    8: (
        194.02619330333548,
        (
            -0.8928697188471375 + 1.9983258436413065j,
            -1.3738412176373769 + 1.388356575877563j,
            -1.6369394181268888 + 0.8227956251396998j,
            -1.757408400401653 + 0.2728675751022327j,
        ),
    ),
}


def lowpass(kind: str, order: int, *, corner_hz: float, rate_hz: float) -> FloatArray:
    """Digital low-pass by the bilinear map, -3.01 dB at its corner; shape (sections, 6).

    Twin of ``scipy.signal.butter`` and ``bessel(norm="mag")`` with ``output="sos"``.

    Parameters
    ----------
    kind : ``"butterworth"``, else a Bessel filter
    order : number of poles, 1 to 8 [-]
    corner_hz, rate_hz : [Hz], the corner below half the rate

    Raises :class:`~crashsense.errors.InputError` for a corner that is not.
    """
    if kind == "butterworth":
        poles, gain = _butterworth(order), 1.0
    else:
        gain, upper = BESSEL[order]
        lower = [pole.conjugate() for pole in reversed(upper) if pole.imag]
        poles = np.array([*upper, *lower])
    warped = _warped(corner_hz, rate_hz)
    poles = warped * poles
    gain = gain * warped**order * np.real(1.0 / np.prod(4.0 - poles))
    return sections_of(-np.ones(order), (4.0 + poles) / (4.0 - poles), gain=gain)


def bandpass(order: int, *, low_hz: float, high_hz: float, rate_hz: float) -> FloatArray:
    """Digital Butterworth band-pass, -3.01 dB at both edges; shape (order, 6).

    Twin of ``scipy.signal.butter`` with ``btype="bandpass"`` and ``output="sos"``.

    Parameters
    ----------
    order : pairs of poles [-]
    low_hz, high_hz, rate_hz : [Hz], 0 < low < high < half the rate

    Raises :class:`~crashsense.errors.InputError` for other edges.

    >>> bandpass(2, low_hz=100.0, high_hz=300.0, rate_hz=2000.0).shape
    (2, 6)
    """
    low = _warped(low_hz, rate_hz, name="low_hz")
    high = _warped(high_hz, rate_hz, name="high_hz")
    if low_hz >= high_hz:
        raise InputError([Fault("filter", "high_hz", high_hz, f"above low_hz, {low_hz:g} Hz")])
    half = 0.5 * (high - low) * _butterworth(order)
    apart = np.sqrt(half * half - low * high)
    poles = np.concatenate([half + apart, half - apart])
    gain = (high - low) ** order * np.real(4.0**order / np.prod(4.0 - poles))
    zeros = np.repeat([1.0, -1.0], order)
    return sections_of(zeros, (4.0 + poles) / (4.0 - poles), gain=gain)


def _butterworth(order: int) -> ComplexArray:
    """Poles of the prototype, 1 rad/s."""
    steps = np.arange(-order + 1, order, 2, dtype=np.float64)
    poles: ComplexArray = -np.exp(1j * np.pi * steps / (2 * order))
    return poles


def _warped(corner_hz: float, rate_hz: float, *, name: str = "corner_hz") -> float:
    """Corner of the analogue filter [rad/s] that the bilinear map s = 4 (z - 1) / (z + 1) needs."""
    if not 0 < corner_hz < rate_hz / 2:
        expected = f"above 0 and below half the rate ({rate_hz / 2:g} Hz)"
        raise InputError([Fault("filter", name, corner_hz, expected)])
    # The map doubles the rate of 2 for a corner in shares of half the rate, as its twin does.
    return float(4.0 * np.tan(np.pi * (np.float64(corner_hz) / (rate_hz / 2)) / 2.0))


def sections_of_fraction(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    """Sections of a fraction of polynomials, highest power first; twin: ``scipy.signal.tf2sos``."""
    b, a = numerator / denominator[0], denominator / denominator[0]
    return sections_of(np.roots(b / b[0]), np.roots(a), gain=b[0])


def sections_of(zeros: npt.NDArray[Any], poles: npt.NDArray[Any], *, gain: float) -> FloatArray:
    """Sections of zeros, poles and gain, shape (sections, 6); twin: ``scipy.signal.zpk2sos``.

    The pole nearest to the unit circle takes the zero nearest to it, and is in the last section;
    the first section has the gain.

    Parameters
    ----------
    zeros, poles : real ones and conjugate pairs, as many zeros as poles or fewer
    """
    zeros = np.concatenate([zeros, np.zeros(len(poles) - len(zeros))])
    if len(poles) % 2:
        poles, zeros = np.append(poles, 0.0), np.append(zeros, 0.0)
    sections = np.zeros((len(poles) // 2, 6))
    z, p = _halves(zeros), _halves(poles)
    for row in sections[::-1]:
        first = p[(at := _nearest_to_circle(p))]
        p = np.delete(p, at)
        if np.isreal(first):
            real = np.flatnonzero(np.isreal(p))
            second = p[(at := real[_nearest_to_circle(p[real])])]
            p = np.delete(p, at)
        else:
            second = first.conj()
        near = np.argsort(np.abs(z - first))
        if not np.isreal(first) and np.isreal(p).sum() == 1 and np.isreal(z).sum() == 1:
            near = near[~np.isreal(z[near])]  # the last real zero is that of the last real pole
        zero = z[near[0]]
        z = np.delete(z, near[0])
        if np.isreal(zero):
            real = np.argsort(np.abs(z - first))
            real = real[np.isreal(z[real])]
            other = z[real[0]]
            z = np.delete(z, real[0])
        else:
            other = zero.conj()
        row[:3], row[3:] = _polynomial(zero, other), _polynomial(first, second)
    sections[0, :3] *= gain
    return sections


def state_at_one(sections: FloatArray) -> FloatArray:
    """State of sections that have stood at 1, shape (sections, 2).

    Twin of ``scipy.signal.sosfilt_zi``.

    >>> state_at_one(np.array([[0.5, 0.5, 0.0, 1.0, 0.0, 0.0]]))
    array([[0.5, 0. ]])
    """
    states = np.empty((len(sections), 2))
    scale = 1.0
    for state, row in zip(states, sections, strict=True):
        b, a = row[:3], row[3:]
        matrix = np.array([[1.0 + a[1], -1.0], [a[2], 1.0]])
        state[:] = scale * np.linalg.solve(matrix, b[1:] - a[1:] * b[0])
        scale *= np.sum(b) / np.sum(a)
    return states


def _halves(roots: npt.NDArray[Any]) -> ComplexArray:
    """One of each conjugate pair, by real part, then the real roots, by value."""
    roots = roots[np.lexsort((np.abs(roots.imag), roots.real))]
    near = 100 * np.finfo(np.float64).eps
    real = np.abs(roots.imag) <= near * np.abs(roots)
    turning = roots[~real]
    upper, lower = turning[turning.imag > 0], turning[turning.imag < 0]
    # Pairs of the same real part, by imaginary part.
    same = np.diff(upper.real) <= near * np.abs(upper[:-1])
    change = np.diff(np.concatenate([[0], same, [0]]))
    for start, stop in zip(np.flatnonzero(change > 0), np.flatnonzero(change < 0), strict=True):
        for part in (upper[start : stop + 1], lower[start : stop + 1]):
            part[...] = part[np.argsort(np.abs(part.imag), kind="stable")]
    return np.concatenate([(upper + lower.conj()) / 2, roots[real].real])


def _nearest_to_circle(roots: npt.NDArray[Any]) -> int:
    return int(np.argmin(np.abs(1 - np.abs(roots))))


def _polynomial(first: complex, second: complex) -> FloatArray:
    return np.real(np.convolve([1.0, -first], [1.0, -second]))
