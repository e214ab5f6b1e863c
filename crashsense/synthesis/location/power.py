"""Absorbed power per mass, which drives the random shaking of a location.

By the definition of the law (:mod:`.shaking`): slow deceleration (zero-phase, 20 Hz) times the
velocity still to be lost; half of it comes and goes with the folds, by the power of the car's own
springs against its slow part. When crushing ends, the shaking dies away as the modes of a place do.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.filters.causal import lowpass_sections
from crashsense.filters.design import state_at_one
from crashsense.filters.zero_phase import forth_and_back, mirrored_by
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.draw_blocks import cached_rows

#: The slow deceleration of the law: second-order low-pass forth and back [Hz].
SLOW_HZ = 20.0
#: Share of the shaking that comes and goes with the folds [-], and its most.
WITH_FOLDS, MOST = 0.5, 3.0
#: Least slow part of the folds, as a share of their most [-].
LEAST = 0.05
#: These as ``compiled.felt.power_march`` takes them; the last one keeps a division possible.
FOLDS = np.array([WITH_FOLDS, MOST, LEAST, 1e-9])
#: Time in which power that has ended leaves the shaking [s]: amplitude falls to 1/e in 8 ms, as
#: that of a mode of 400 Hz and damping 0.05 does (1 / (2 pi f damping)); lower ones ring longer.
RING_DOWN_S = 0.004


@lru_cache(maxsize=8)
def _slow_sections(rate_hz: float) -> FloatArray:
    return lowpass_sections(kind="butterworth", order=2, corner_hz=SLOW_HZ, rate_hz=rate_hz)


def slow_filter(rate_hz: float) -> tuple[FloatArray, FloatArray, int]:
    """The slow filter for who runs it: b0 b1 b2 a1 a2, state at 1, samples mirrored at each end."""
    sections = _slow_sections(rate_hz)
    return sections[0, [0, 1, 2, 4, 5]], state_at_one(sections)[0], mirrored_by(sections)


def _slow(values: FloatArray, rate_hz: float) -> FloatArray:
    return forth_and_back(values, sections=_slow_sections(rate_hz))


def absorbed_power(
    deceleration: FloatArray,
    *,
    speed: FloatArray,
    rest: FloatArray,
    rate_hz: float,
    lost: FloatArray | None = None,
) -> FloatArray:
    """Absorbed power per mass of the law [W/kg], shape (draws, samples).

    Parameters
    ----------
    deceleration : of the car [m/s^2], shape (draws, samples), some rest before contact
    speed : at contact [m/s], shape (draws,)
    rest : velocity that is left when the structure has done its work [m/s], shape (draws,)
    rate_hz : sampling rate [Hz]
    lost : integral of *deceleration* [m/s], for who has it already
    """
    if lost is None:
        lost = cumulative_trapezoid(deceleration, step_s=1.0 / rate_hz)
    left = np.maximum((speed - rest)[:, None] - lost, 0.0)
    return np.maximum(_slow(deceleration, rate_hz), 0.0) * left


@lru_cache(maxsize=8)
def ring_down(samples: int, *, rate_hz: float) -> FloatArray:
    """What power that falls as :func:`ringing_down` allows is multiplied by to stay."""
    grown = np.exp(np.arange(samples) / (RING_DOWN_S * rate_hz))
    grown.setflags(write=False)
    return grown


def ringing_down(power: FloatArray, *, rate_hz: float) -> FloatArray:
    """Power that falls no faster than exp(-t / :data:`RING_DOWN_S`), shape (draws, samples).

    A shaken structure rings on when crushing ends; cut off there, it would stop between two
    samples, as only a dead channel does.
    """
    grown = ring_down(power.shape[-1], rate_hz=rate_hz)
    out = np.empty(power.shape)
    for rows in cached_rows(*power.shape):
        lasting = power[rows] * grown
        np.divide(np.maximum.accumulate(lasting, axis=-1), grown, out=out[rows])
    return out


def with_folds(power: FloatArray, *, crushing: FloatArray, rate_hz: float) -> FloatArray:
    """*power*, half of which follows *crushing*, shape (draws, samples).

    *crushing*: power of the car's own springs, in any unit; it may go on after *power* has ended.
    """
    samples = power.shape[-1]
    least = LEAST * crushing.max(axis=-1)[:, None] + FOLDS[3]
    slow = np.maximum(_slow(crushing, rate_hz)[:, :samples], least)
    followed = np.minimum(crushing[:, :samples] / slow, MOST)
    return power * (1.0 - WITH_FOLDS + WITH_FOLDS * followed)
