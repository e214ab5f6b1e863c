"""Signal: an evenly sampled time history, and its calculus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError


@dataclass(frozen=True, eq=False)
class Signal:
    """An evenly sampled time history in SI units.

    Parameters
    ----------
    samples : array of float64, shape (samples,) or (draws, samples)
    rate_hz : sampling rate [Hz]
    start_s : time of the first sample [s], from time zero of the event
    unit : ``"m/s^2"``, ``"m/s"``, ``"m"``, ``"rad/s"``, ``"Pa"`` or ``"-"``
    axis : ``"x"``, ``"y"``, ``"z"``, ``"roll"`` or ``"none"`` (SAE J211 / J1733)
    location : where it was measured
    history : what was done to it, in order

    The samples are copied and read-only; every transform returns a new signal and notes what it
    did.

    >>> s = Signal([0.0, 1.0, 1.0], rate_hz=10.0, start_s=0.0, unit="m/s^2", axis="x",
    ...     location="central")
    >>> s.velocity().samples.tolist()
    [0.0, 0.05, 0.15000000000000002]
    """

    samples: FloatArray
    rate_hz: float = field(kw_only=True)
    start_s: float = field(kw_only=True)
    unit: str = field(kw_only=True)
    axis: str = field(kw_only=True)
    location: str = field(kw_only=True)
    history: tuple[str, ...] = field(default=(), kw_only=True)
    #: largest absolute value of each row, where a kernel found it while it looked for samples that
    #: are not finite; None with the engine numpy
    largest: FloatArray | None = field(init=False, repr=False, default=None)

    def __post_init__(self) -> None:
        samples = _own(self.samples)
        where = f"signal at {self.location or 'unnamed location'}"
        faults = []
        if samples.ndim not in (1, 2) or samples.shape[-1] < 1:
            faults.append(Fault(where, "samples", samples.shape, "(samples,) or (draws, samples)"))
        else:
            finite, largest = _finite(samples)
            object.__setattr__(self, "largest", largest)
            if not finite:
                bad = np.argwhere(~np.isfinite(samples))[0].tolist()
                faults.append(Fault(where, "samples", f"non-finite at {bad}", "finite values"))
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            faults.append(Fault(where, "rate_hz", self.rate_hz, "a positive rate in Hz"))
        if not np.isfinite(self.start_s):
            faults.append(Fault(where, "start_s", self.start_s, "a finite time in s"))
        if faults:
            raise InputError(faults)
        samples.setflags(write=False)
        object.__setattr__(self, "samples", samples)
        object.__setattr__(self, "rate_hz", float(self.rate_hz))
        object.__setattr__(self, "start_s", float(self.start_s))
        object.__setattr__(self, "history", tuple(self.history))

    def __repr__(self) -> str:
        draws = f"{self.samples.shape[0]} draws of " if self.samples.ndim == 2 else ""
        return (
            f"Signal({self.location} {self.axis} [{self.unit}], {draws}{self.size} samples at "
            f"{self.rate_hz:g} Hz, {self.start_s:g} to {self.end_s:g} s)"
        )

    @classmethod
    def owning(cls, samples: FloatArray, **attributes: Any) -> Signal:
        """As ``Signal(samples, ...)`` without a copy: the caller must not write to it again."""
        fits = samples.dtype == np.float64 and samples.flags.c_contiguous
        return cls(samples.view(_HandedOver) if fits else samples, **attributes)

    def row(self, number: int, *, note: str) -> Signal:
        """Return one draw of a block as a signal of its own, of the same memory."""
        return self._viewed(self.samples[number], note, _some(self.largest, [number]))

    def rows(self, which: slice, *, note: str) -> Signal:
        """Return some draws of a block, of the same memory; all where they share one signal."""
        shared = self.samples.ndim == 1 or self.samples.shape[0] == 1
        if shared:
            return self
        return self._viewed(self.samples[which], note, _some(self.largest, which))

    def as_block(self, *, note: str) -> Signal:
        """Return the signal with an axis of draws, one row if it has none, of the same memory."""
        return self._viewed(np.atleast_2d(self.samples), note, self.largest)

    def at(self, *, location: str, axis: str, unit: str) -> Signal:
        """Return the same samples, of the same memory, as those of another location or axis.

        Nothing is done to them, so that the history notes nothing.
        """
        return self._with(location=location, axis=axis, unit=unit)

    def _viewed(self, samples: FloatArray, note: str, largest: FloatArray | None) -> Signal:
        """Return the signal with another view of its samples, which have been checked."""
        return self._with(samples=samples, history=(*self.history, note), largest=largest)

    def _with(self, **own: object) -> Signal:
        """Return the signal with attributes that need no check."""
        found = object.__new__(Signal)
        for name in self.__dataclass_fields__:
            object.__setattr__(found, name, own[name] if name in own else getattr(self, name))
        return found

    @property
    def size(self) -> int:
        """Number of samples in time."""
        return int(self.samples.shape[-1])

    @property
    def step_s(self) -> float:
        """Time between samples [s]."""
        return 1.0 / self.rate_hz

    @property
    def end_s(self) -> float:
        """Time of the last sample [s]."""
        return self.start_s + (self.size - 1) / self.rate_hz

    @property
    def times_s(self) -> FloatArray:
        """Times of the samples [s], shape (samples,)."""
        return np.asarray(self.start_s + np.arange(self.size) / self.rate_hz, dtype=np.float64)

    def replaced(
        self, samples: FloatArray | Sequence[float], *, note: str, **changes: object
    ) -> Signal:
        """Return a signal with other *samples* and attributes, and *note* added to its history."""
        attributes: dict[str, object] = {
            "rate_hz": self.rate_hz,
            "start_s": self.start_s,
            "unit": self.unit,
            "axis": self.axis,
            "location": self.location,
            **changes,
        }
        return Signal(samples, history=(*self.history, note), **attributes)  # type: ignore[arg-type]

    def velocity(self, *, from_s: float | None = None) -> Signal:
        """Integrate acceleration to velocity change [m/s], trapezoidal, zero at the start.

        With *from_s*, zero at the sample nearest to that time; earlier samples are integrated
        backwards from there.
        """
        if self.unit != "m/s^2":
            raise InputError(
                [Fault("signal", "unit", self.unit, "'m/s^2' to integrate to velocity")]
            )
        return self._integrated("m/s", from_s=from_s, note="integrated to velocity (trapezoid)")

    def displacement(self, *, from_s: float | None = None) -> Signal:
        """Integrate acceleration twice, or velocity once, to displacement [m]."""
        if self.unit == "m/s^2":
            return self.velocity(from_s=from_s).displacement(from_s=from_s)
        if self.unit != "m/s":
            raise InputError([Fault("signal", "unit", self.unit, "'m/s^2' or 'm/s'")])
        return self._integrated("m", from_s=from_s, note="integrated to displacement (trapezoid)")

    def _integrated(self, unit: str, *, from_s: float | None, note: str) -> Signal:
        out = cumulative_trapezoid(self.samples, step_s=self.step_s)
        if from_s is not None:
            index = int(np.clip(round((from_s - self.start_s) * self.rate_hz), 0, self.size - 1))
            out = out - out[..., index : index + 1]
        return self.replaced(out, note=note, unit=unit)

    def between(self, first_s: float, last_s: float) -> Signal:
        """Return the part from *first_s* to *last_s* [s], both ends included."""
        first = max(0, int(np.ceil((first_s - self.start_s) * self.rate_hz - 1e-6)))
        last = min(self.size - 1, int(np.floor((last_s - self.start_s) * self.rate_hz + 1e-6)))
        if last < first:
            expected = f"an interval inside {self.start_s:g}..{self.end_s:g} s"
            raise InputError([Fault("signal", "interval", (first_s, last_s), expected)])
        return self.replaced(
            self.samples[..., first : last + 1],
            note=f"cut to {first_s:g}..{last_s:g} s",
            start_s=self.start_s + first / self.rate_hz,
        )

    def resampled(self, rate_hz: float) -> Signal:
        """Return the signal at another rate [Hz], anti-aliased (see :func:`resample`).

        The first sample keeps its time. Not causal: for records and pulses, never inside a chain.
        """
        if rate_hz == self.rate_hz:
            return self
        return self.replaced(
            resample(self.samples, rate_hz=self.rate_hz, to_hz=rate_hz),
            note=f"resampled from {self.rate_hz:g} to {rate_hz:g} Hz, anti-aliased",
            rate_hz=rate_hz,
        )


class _HandedOver(np.ndarray):
    """Marks an array that its owner no longer writes to."""


def _own(samples: FloatArray | Sequence[float]) -> FloatArray:
    """Return an array that nobody else writes to: the one handed over, or a copy."""
    if isinstance(samples, _HandedOver):
        return samples.view(np.ndarray)
    return np.array(samples, dtype=np.float64, order="C")


def _some(largest: FloatArray | None, rows: slice | list[int]) -> FloatArray | None:
    """Largest values of some rows, where they are known."""
    return None if largest is None else largest[rows]


def _finite(samples: FloatArray) -> tuple[bool, FloatArray | None]:
    """True if all are finite; and the largest absolute value of each row where these prove it.

    Otherwise a finite sum proves it in one pass, or each has to be looked at. One signal does not
    wait for a kernel.
    """
    kernels = engine.kernels() if samples.ndim == 2 and len(samples) > 1 else None
    if kernels is not None:
        largest = np.asarray(kernels.peaks(engine.given(samples)))
        largest.setflags(write=False)
        return bool(np.isfinite(largest).all()), largest
    with np.errstate(over="ignore", invalid="ignore"):
        total = samples.sum()
    return bool(np.isfinite(total) or np.isfinite(samples).all()), None


#: Samples at the lower rate that the filter of :func:`resample` reaches to each side.
_REACH = 26


def resample(samples: FloatArray, *, rate_hz: float, to_hz: float) -> FloatArray:
    """Resample along the last axis with a zero-phase anti-aliasing filter.

    Polyphase, ratio of whole numbers up/down <= 1000. Linear-phase low-pass (Kaiser window, beta 8:
    stop band about -80 dB), -6 dB at 0.45 of the lower of the two rates, flat to within 0.1 % up to
    0.40 of it. The first sample stays where it is. Each row is resampled as if alone. Beyond
    its ends it is continued along the line through its first and last sample, one sample level.

    Parameters
    ----------
    samples : shape (..., samples)
    rate_hz : present rate [Hz]
    to_hz : wanted rate [Hz]

    >>> resample(np.ones((2, 1000)), rate_hz=10000.0, to_hz=2000.0).shape
    (2, 200)
    """
    return resampled_and_largest(samples, rate_hz=rate_hz, to_hz=to_hz)[0]


def resampled_and_largest(
    samples: FloatArray, *, rate_hz: float, to_hz: float
) -> tuple[FloatArray, FloatArray | None]:
    """As :func:`resample`; and the largest absolute value of each row if a kernel has seen it."""
    from fractions import Fraction

    faults = [
        Fault("resample", name, value, "a positive rate in Hz")
        for name, value in (("rate_hz", rate_hz), ("to_hz", to_hz))
        if not (np.isfinite(value) and value > 0)
    ]
    if faults:
        raise InputError(faults)
    ratio = Fraction(to_hz / rate_hz).limit_denominator(1000)
    if ratio.numerator > 1000 or abs(float(ratio) * rate_hz / to_hz - 1.0) > 1e-9:
        expected = f"a ratio of whole numbers up to 1000 to {rate_hz:g} Hz"
        raise InputError([Fault("resample", "to_hz", to_hz, expected)])
    values = np.asarray(samples, dtype=np.float64)
    if ratio == 1:
        return values.copy(), None
    if values.shape[-1] == 1:  # no line goes through one sample: it stays level
        return np.repeat(values, -(-ratio.numerator // ratio.denominator), axis=-1), None
    largest = max(ratio.numerator, ratio.denominator)
    taps = _kaiser_lowpass(2 * _REACH * largest + 1, 0.9 / largest)
    up, down = ratio.numerator, ratio.denominator
    rows = values.reshape(-1, values.shape[-1])
    whole = (*values.shape[:-1], -(-values.shape[-1] * up // down))
    kernels = engine.kernels()
    if down > 1 or kernels is None:
        return _resampled(rows, taps * up, up=up, down=down).reshape(whole), None
    by_phase = np.zeros((up, 2 * _REACH + 1))
    for phase in range(up):
        own = taps[phase::up]
        by_phase[phase, : own.size] = own * up
    found: tuple[FloatArray, FloatArray]
    found = kernels.upsampled(engine.given(rows), engine.given(by_phase))
    return found[0].reshape(whole), found[1]


def _resampled(samples: FloatArray, taps: FloatArray, *, up: int, down: int) -> FloatArray:
    """Resample rows (rows, n) by up/down with taps at the raised rate, an odd number of them.

    As ``scipy.signal.resample_poly``; by a whole factor as ``compiled.readings.upsampled`` too, to
    the last bit.
    """
    from crashsense.scipy_filters import upfirdn

    n, half = samples.shape[-1], len(taps) // 2
    reach = -(-half // up)
    first, last = samples[:, :1], samples[:, -1:]
    slope = (last - first) / (n - 1)
    before = first + np.arange(-reach, 0) * slope
    line = np.concatenate([before, samples, last + np.arange(1, reach + 1) * slope], axis=-1)
    late = reach * up + half  # of the first sample, at the raised rate
    more = -late % down  # so that it is one of those that are kept
    out = upfirdn(line, taps=np.concatenate([np.zeros(more), taps]), up=up, down=down)
    start = (late + more) // down
    return out[:, start : start - (-n * up // down)]


@lru_cache(maxsize=16)
def _kaiser_lowpass(count: int, corner: float) -> FloatArray:
    """Linear-phase low-pass of *count* taps, Kaiser window of beta 8, gain 1 at 0 Hz.

    *corner* in shares of half the rate. As ``scipy.signal.firwin``, to rounding: importing that
    package takes 0.7 s.
    """
    middle = (count - 1) / 2.0
    place = np.arange(count, dtype=np.float64) - middle
    taps = corner * np.sinc(corner * place)
    taps *= np.i0(8.0 * np.sqrt(1 - (place / middle) ** 2.0)) / np.i0(8.0)
    return np.asarray(taps / np.sum(taps))


def cumulative_trapezoid(samples: FloatArray, *, step_s: float) -> FloatArray:
    """Cumulative trapezoidal integral along the last axis, zero at the first sample.

    Value n depends on samples 0..n only, and each row on itself alone.

    Parameters
    ----------
    samples : shape (..., samples)
    step_s : time step [s]
    """
    samples = np.asarray(samples, dtype=np.float64)
    out = np.zeros_like(samples)
    rise = np.add(samples[..., 1:], samples[..., :-1])
    rise *= 0.5 * step_s
    np.cumsum(rise, axis=-1, out=out[..., 1:])
    return out
