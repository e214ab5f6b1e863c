"""Which path the draws of a sensor take: the fast one where nothing ahead of the codes is cut.

On the fast path noise is drawn at the rate of the codes, which is right only while no sample meets
a stop, a saturation or a fault: then the chain is linear, and noise may be added behind it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crashsense.arrays import BoolArray, FloatArray
from crashsense.sensing import chain
from crashsense.sensing.noise import largest_gain
from crashsense.sensing.peaks import largest_of_rows

if TYPE_CHECKING:
    from crashsense.sensing.one_sensor import OneSensor

#: Standard deviations of noise that a sample is taken to stay within when the path is chosen.
NOISE_MARGIN = 8.0

#: By what a bound is raised, so that no rounding in a draw's own sum passes it.
ROUNDED_UP = 1.0 + 1e-12

#: Largest error of the noise's autocovariance, as a share of its variance, that the fast path
#: may have (it is about 1e-14 for a 400 Hz low-pass and grows as the corner falls).
NOISE_MODEL_ERROR = 1e-6


def can_be_fast(one: OneSensor) -> BoolArray:
    """True for each draw in which no sample can meet a nonlinearity ahead of the codes."""
    sensor, drawn = one.sensor, one.drawn
    if any(fault.stage != "word" for fault in sensor.faults):
        return np.zeros(one.draws.size, dtype=bool)
    if sensor.noise_density > 0 and one.noise_models.error > NOISE_MODEL_ERROR:
        return np.zeros(one.draws.size, dtype=bool)
    if one.read_one_by_one and linear_at_most(one):
        return np.ones(one.draws.size, dtype=bool)
    sigma = one.sigma * drawn.noisy
    if drawn.element is not None:
        sigma = sigma * drawn.element.noise
    peak = np.abs(drawn.gain) * largest_reading(one)
    for name, samples in one.others.items():
        peak = peak + np.abs(drawn.cross[name]) * one.peaks.of(samples)
    peak = peak + np.abs(drawn.offset) + np.abs(drawn.drift) * max(0.0, one.base.end_s)
    linear = peak + NOISE_MARGIN * sigma <= sensor.front_end
    return np.asarray(linear & (one.at_stop == 0))


def linear_at_most(one: OneSensor) -> bool:
    """True if no draw could meet a cut even with the largest deviations of all draws.

    Of a sensor that reads each sample by itself, short of its stop. What decides is a bound, found
    in a few numbers: then each draw by itself gives the same answer.
    """
    peak = most_ahead_of_filter(one) + NOISE_MARGIN * one.sigma
    return peak * ROUNDED_UP <= one.sensor.front_end


def most_ahead_of_filter(one: OneSensor) -> float:
    """A bound on what comes to the filter of any draw, but for noise.

    Of a sensor as :func:`linear_at_most` takes it.
    """
    sensor = one.sensor
    gain, offset, drift, *cross = one.drawn.largest.tolist()
    felt = one.peaks.most(one.truth[one.channel])
    share = felt / sensor.range
    curved = abs(sensor.quadratic) * share + abs(sensor.nonlinearity) * share * share
    peak = gain * felt * (1.0 + curved)
    for name, share in zip(one.drawn.cross, cross, strict=False):
        if name in one.others:
            peak += share * one.peaks.most(one.others[name])
    return float(peak + offset + drift * max(0.0, one.base.end_s))


def largest_word(one: OneSensor) -> float:
    """A bound on the filtered values of all draws on the fast path; infinite if there is none."""
    if not one.read_one_by_one:
        return np.inf
    noise = one.sigma * one.noise_models.largest_value if one.noisy else 0.0
    return ROUNDED_UP * (largest_gain(one.design) * most_ahead_of_filter(one) + noise)


def largest_reading(one: OneSensor) -> FloatArray:
    """Largest absolute reading of each row."""
    sensor, rate = one.sensor, one.base.rate_hz
    rises = sensor.quadratic == 0.0 and sensor.nonlinearity >= 0.0
    static = chain.element_is_static(sensor, rate_hz=rate)
    if sensor.faults or one.drawn.element is not None or not (rises and static):
        return largest_of_rows(one.reading)
    # Rounded, too, it rises with what is felt: that of the largest is the largest.
    felt = one.peaks.of(one.truth[one.channel])
    found, _ = chain.respond(felt[:, None], sensor=sensor, rate_hz=rate)
    return found[:, 0]
