"""From the road's forces on the wheels to a sensing location: tyre, chassis, local structure.

The rigid motion of the body holds all content below about 20 Hz. Above it the road's forces on the
wheels reach a location by two steps in series; springs, dampers, bump stops and bushes act on the
body directly, by the second step alone:

* *tyre*: belt and air cavity between road and rim. Of the force, a share p goes through an
  oscillator, so that ``H = ((1 - p) s^2 + 2 z w s + w^2) / (s^2 + 2 z w s + w^2)``: 1 at rest,
  p / 2z at the mode, 1 - p far above it (the tyre isolates);
* *chassis and body*: suspension bushes, subframe, engine on its mounts, tunnel and floor, as modes
  side by side, and the first bending of the whole body, which moves the tunnel against the axles
  (R < 0). The location answers the force F per vehicle mass m with
  ``R 2 z w s / (s^2 + 2 z w s + w^2) F / m``. R [-] is the inertance from the wheel to the location
  at the mode over that of a rigid car (1 / m).

Both return to rest: they add no lasting velocity. Frequencies and levels: a belt resonates at 30-45
Hz fore and aft and at 70-95 Hz up and down, the cavity at 190-250 Hz, subframes on rubber at 40-60
Hz; measured inertances from wheel to floor are a few thousandths of (m/s^2)/N, R = 2 to 8 for a car
of 1500 kg (all from memory of the trade).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import pi, tan

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.filters.causal import filter_rows

#: Frequency [Hz], damping ratio [-], share p or inertance ratio R [-].
Mode = tuple[float, float, float]

#: Deviations of mode frequencies are rounded to this step, so that draws share filters [-].
FREQUENCY_STEP = 0.01


@lru_cache(maxsize=4096)
def _section(
    mode: Mode, step: int, rate_hz: float, *, tyre: bool
) -> tuple[float, float, float, float, float, float]:
    """One second-order section by the bilinear map, exact at the mode."""
    frequency, damping, weight = mode
    t = tan(pi * frequency * (1.0 + FREQUENCY_STEP * step) / rate_hz)
    rub = 2.0 * damping * t
    den = 1.0 + rub + t * t
    if tyre:
        free = 1.0 - weight
        upper = (free + rub + t * t, 2.0 * (t * t - free), free - rub + t * t)
    else:
        upper = (weight * rub, 0.0, -weight * rub)
    a, b, c = (value / den for value in upper)
    return (a, b, c, 1.0, 2.0 * (t * t - 1.0) / den, (1.0 - rub + t * t) / den)


@lru_cache(maxsize=256)
def _table(tyre: tuple[Mode, ...], body: tuple[Mode, ...], step: int, rate_hz: float) -> FloatArray:
    """Sections of the tyre, then of the body, (sections, 6)."""
    found = [_section(mode, step, rate_hz, tyre=True) for mode in tyre]
    found += [_section(mode, step, rate_hz, tyre=False) for mode in body]
    table = np.array(found).reshape(-1, 6)
    table.setflags(write=False)  # every caller has the same one
    return table


class RoadPath:
    """The path from the wheels to one location along one axis, with its state.

    Parameters
    ----------
    tyre : modes in series, (frequency [Hz], damping [-], share p [-])
    body : modes side by side, (frequency [Hz], damping [-], inertance ratio R [-])
    factor : on all frequencies, shape (draws,), rounded to FREQUENCY_STEP
    rate_hz : sampling rate [Hz]; modes below a third of it
    keep : True: a second call continues where the first ended; False: each call starts at rest

    Called with F / m of the road on the wheels, and of the suspension on the body [m/s^2], each
    (draws, samples), it returns the response of the location [m/s^2]. Rows depend on nothing but
    themselves.

    >>> path = RoadPath(tyre=(), body=((50.0, 0.1, 3.0),), factor=np.ones(1), rate_hz=2000.0)
    >>> tone = np.sin(2 * np.pi * 50.0 * np.arange(4000) / 2000.0)[None]
    >>> round(float(path(tone, 0.0 * tone)[0, -400:].max()), 2)
    3.0
    """

    def __init__(
        self,
        *,
        tyre: Sequence[Mode],
        body: Sequence[Mode],
        factor: FloatArray,
        rate_hz: float,
        keep: bool = False,
    ) -> None:
        steps = np.round((np.asarray(factor) - 1.0) / FREQUENCY_STEP).astype(np.int64)
        found, self._which = np.unique(steps, return_inverse=True)
        self._steps = [int(step) for step in found]
        self._tyre, self._body, self._rate = tuple(tyre), tuple(body), rate_hz
        self._keep = keep
        self._states: dict[tuple[int, int], FloatArray] = {}

    def __call__(self, road: FloatArray, suspension: FloatArray) -> FloatArray:
        """Return what the location reads of road and suspension, shape (draws, samples)."""
        out = np.empty(road.shape)
        for number, step in enumerate(self._steps):
            rows = np.flatnonzero(self._which == number)
            drive = road[rows]
            # A filter takes no array that must not be written to.
            table = _table(self._tyre, self._body, step, self._rate).copy()
            in_row, beside = table[: len(self._tyre)], table[len(self._tyre) :]
            if self._tyre:
                drive = self._filtered(in_row, drive, (step, -1))
            drive = drive + suspension[rows]
            total = np.zeros(drive.shape)
            for mode, section in enumerate(beside):
                total += self._filtered(section[None], drive, (step, mode))
            out[rows] = total
        return out

    def sections(self) -> FloatArray:
        """Sections of the tyre, then of the body, for each setting: (settings, sections, 6)."""
        tables = [_table(self._tyre, self._body, s, self._rate) for s in self._steps]
        return np.array(tables).reshape(len(tables), sum(self.counts), 6)

    @property
    def counts(self) -> tuple[int, int]:
        """Number of modes of the tyre, and of the body."""
        return len(self._tyre), len(self._body)

    @property
    def which(self) -> IntArray:
        """Setting of each draw."""
        return np.asarray(self._which)

    def _filtered(self, sections: FloatArray, rows: FloatArray, key: tuple[int, int]) -> FloatArray:
        if self._keep:
            from crashsense.scipy_filters import sosfilt

            out, self._states[key] = sosfilt(rows, sections=sections, state=self._states.get(key))
            return out
        return filter_rows(rows, sections=sections)
