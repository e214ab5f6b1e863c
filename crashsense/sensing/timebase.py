"""One time base for all channels of an event: the internal rate, and the ticks on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.sensing.peaks import Peaks
from crashsense.sensing.sensor import ControlUnit
from crashsense.sensing.tolerance import PHASES
from crashsense.signal import Signal, resampled_and_largest


@dataclass(frozen=True, eq=False)
class TimeBase:
    """Samples of the internal rate, counted from time zero, and the control unit's ticks.

    ``first``: number of the first internal sample (negative before time zero); ``size``: internal
    samples; ``every``: internal samples a tick; ``tick``: internal number of the first tick at
    phase 0; ``ticks``: ticks that fit at any phase.
    """

    rate_hz: float
    first: int
    size: int
    every: int
    tick: int
    ticks: int

    @property
    def times_s(self) -> FloatArray:
        """Times of the internal samples [s]."""
        return np.asarray((self.first + np.arange(self.size)) / self.rate_hz, dtype=np.float64)

    @property
    def since_zero_s(self) -> FloatArray:
        """Times of the internal samples since time zero, 0 before it [s]; not to be written to."""
        return _since_zero(self.rate_hz, self.first, self.size)

    @property
    def end_s(self) -> float:
        """Time of the last internal sample [s]."""
        return (self.first + self.size - 1) / self.rate_hz

    def phase_samples(self, phase: int) -> int:
        """Internal samples by which phase number *phase* is later than phase 0."""
        return int(PHASES[phase] * self.every + 1e-9)


@lru_cache(maxsize=8)
def _since_zero(rate_hz: float, first: int, size: int) -> FloatArray:
    """As :attr:`TimeBase.since_zero_s`: events of one length share it."""
    found = np.maximum((first + np.arange(size)) / rate_hz, 0.0)
    found.setflags(write=False)
    return np.asarray(found)


def at_internal_rate(
    signals: Mapping[str, Signal],
    *,
    unit: ControlUnit,
    draws: int,
    quiet: frozenset[str] = frozenset(),
    needed: frozenset[str] | None = None,
    peaks: Peaks | None = None,
) -> tuple[Mapping[str, FloatArray], TimeBase]:
    """Bring signals to the internal rate and their common span, shape (1 or draws, samples).

    The span is that of all signals; only those in *needed* (None: all) are brought to it. *peaks*
    takes the largest values that are found on the way.

    A signal at another rate is resampled with anti-aliasing. Below the internal rate (road events
    at 2 kHz, rollover at less) that adds nothing and loses nothing: the sensor follows such content
    quasi-statically. Above it, content beyond 0.45 of the internal rate is lost, and with it the
    little that it would have clipped. Time zero falls on a tick: a start between two internal
    samples moves to the nearest one (at most half an internal step, 0.05 ms at 10 kHz).
    """
    found = [
        Fault("signals", "channel", name, nearest(name, CHANNELS))
        for name in [*signals, *quiet]
        if name not in CHANNELS
    ]
    for name, signal in signals.items():
        if name in CHANNELS and signal.unit != CHANNELS[name].unit:
            found.append(Fault(f"signal {name}", "unit", signal.unit, repr(CHANNELS[name].unit)))
        rows = 1 if signal.samples.ndim == 1 else signal.samples.shape[0]
        if rows not in (1, draws):
            expected = f"1 row or one for each of the {draws} draws"
            found.append(Fault(f"signal {name}", "samples", signal.samples.shape, expected))
    if not signals:
        found.append(Fault("signals", "channels", [], "at least one signal"))
    if found:
        raise InputError(found)

    base, peaks = time_base(signals, unit=unit), Peaks() if peaks is None else peaks
    # Places that move alike share one signal, which is brought over once; so do those at rest.
    silence = np.zeros((1, base.size))
    peaks.tell(silence, np.zeros(1))
    brought: dict[object, FloatArray] = {}
    common: dict[str, FloatArray] = {}
    for name, signal in signals.items():
        if needed is not None and name not in needed:
            continue
        samples = np.atleast_2d(signal.samples)
        place = samples.__array_interface__
        key = (place["data"], samples.shape, samples.strides, signal.rate_hz, signal.start_s)
        if key not in brought:
            brought[key] = silence if _is_silent(samples) else _brought(signal, base, peaks)
        common[name] = brought[key]
    for name in sorted(quiet - set(signals)):
        common[name] = silence
    return common, base


def _is_silent(samples: FloatArray) -> bool:
    """True for one signal at which nothing happens."""
    return samples.shape[0] == 1 and not samples.any()


def _brought(signal: Signal, base: TimeBase, peaks: Peaks) -> FloatArray:
    """Samples of a signal, (rows, samples), at the rate and in the span of a time base."""
    samples, largest = np.atleast_2d(signal.samples), signal.largest
    if signal.rate_hz != base.rate_hz:
        rates = {"rate_hz": signal.rate_hz, "to_hz": base.rate_hz}
        samples, largest = resampled_and_largest(samples, **rates)
    skip = base.first - round(signal.start_s * base.rate_hz)
    found = samples[:, skip : skip + base.size]
    if largest is not None and found.shape == samples.shape:
        peaks.tell(found, largest)
    return found


def time_base(signals: Mapping[str, Signal], *, unit: ControlUnit) -> TimeBase:
    """Return the common span of signals at the internal rate, and the ticks in it."""
    rate = unit.internal_rate_hz
    first = {name: round(signal.start_s * rate) for name, signal in signals.items()}
    last = {
        name: first[name] + -int(-(signal.size * rate / signal.rate_hz - 1e-6) // 1)
        for name, signal in signals.items()
    }
    start = max(first.values())
    end = min(last.values())
    every = round(rate / unit.tick_rate_hz)
    tick = -(-start // every) * every
    ticks = (end - 1 - int(PHASES[-1] * every + 1e-9) - tick) // every + 1
    if end <= start or ticks < 2:
        span = {name: f"{signal.start_s:g}..{signal.end_s:g} s" for name, signal in signals.items()}
        expected = f"signals that share at least two ticks of {1e3 / unit.tick_rate_hz:g} ms"
        raise InputError([Fault("signals", "time", span, expected)])
    return TimeBase(rate, start, end - start, every, tick, ticks)
