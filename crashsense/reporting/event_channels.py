"""The channels of an event to show: those that the rules of its family read.

Raw, as the structure feels them, and behind the low-pass of a usual sensor (3-pole Bessel, 400 Hz);
their velocity; their spectrum by third octaves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.filters.causal import causal_lowpass, lowpass_sections
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe

#: Low-pass of a usual sensor: kind, poles, corner [Hz] (from memory of the trade).
SENSOR_FILTER = ("bessel", 3, 400.0)

#: Family -> channels that its rules read, in order. ``{near}`` and ``{far}``: the struck side.
READ_BY_RULES: Mapping[str, tuple[str, ...]] = {
    "frontal": ("central_x", "upfront_left_x", "upfront_right_x"),
    "rear": ("central_x", "rear_seat_crossmember_x"),
    "side": ("side_{near}_y", "door_{near}_pressure", "central_y", "side_{far}_y"),
    "rollover": ("central_roll_rate", "roll_angle", "central_y", "central_z"),
    "rough_road": ("central_x", "central_z", "upfront_left_x"),
    "misuse": (
        "central_x", "upfront_left_x", "side_{near}_y", "door_{near}_pressure", "central_y",
        "central_z",
    ),
}  # fmt: skip

#: Most channels shown of one event.
MOST_CHANNELS = 4

UNITS = {"g": "g", "kpa": "kPa", "deg_s": "deg/s", "deg": "deg"}


#: Lowest and highest value over draws, sample by sample, each of shape (samples,).
Spread = tuple[FloatArray, FloatArray]


def spread(rows: FloatArray) -> Spread | None:
    """Range of the draws after the first (nominal) one; None where there are none.

    Parameters
    ----------
    rows : shape (draws, samples); or (1, samples) where all draws share one signal

    >>> low, high = spread(np.array([[9.0, 9.0], [1.0, 4.0], [2.0, 3.0]]))
    >>> low.tolist(), high.tolist(), spread(np.zeros((1, 2)))
    ([1.0, 3.0], [2.0, 4.0], None)
    """
    if rows.shape[0] < 2:
        return None
    return rows[1:].min(axis=0), rows[1:].max(axis=0)


@dataclass(frozen=True, eq=False)
class Reading:
    """One channel of the nominal draw; arrays (samples,) share ``times_ms``.

    ``raw`` and ``sensed`` (behind the sensor's low-pass; None for an angle and its rate) in *unit*;
    ``velocity`` [m/s] of an acceleration, else None. ``raw_spread`` and ``sensed_spread``: the
    range of the other draws (:func:`spread`), None without any.
    """

    channel: str
    unit: str
    rate_hz: float
    times_ms: FloatArray
    raw: FloatArray
    sensed: FloatArray | None
    velocity: FloatArray | None
    raw_spread: Spread | None = None
    sensed_spread: Spread | None = None

    @property
    def kind(self) -> str:
        """The key of a shared scale: the unit and, for accelerations, the axis."""
        return f"{self.channel[-1]} {self.unit}" if self.unit == "g" else self.unit


def shown_channels(recipe: Recipe, synthesis: Synthesis) -> list[str]:
    """Channels of the event to be shown: those of its family that are modelled, in order."""
    right = recipe.struck_side == "right"
    near, far = ("right", "left") if right else ("left", "right")
    known = set(synthesis.signals) | ({"roll_angle"} & set(synthesis.trace))
    wanted = [name.format(near=near, far=far) for name in READ_BY_RULES[recipe.family]]
    found = [name for name in dict.fromkeys(wanted) if name in known]
    return (found or sorted(synthesis.signals))[:MOST_CHANNELS]


def event_readings(recipe: Recipe, synthesis: Synthesis) -> list[Reading]:
    """The shown channels of the first draw of *synthesis*, with the spread of its other draws."""
    readings = []
    for name in shown_channels(recipe, synthesis):
        if name == "roll_angle":
            sign = -1.0 if recipe.is_mirrored else 1.0
            samples, scale, unit = sign * synthesis.trace[name], np.pi / 180.0, "deg"
        else:
            channel = CHANNELS[name]
            samples, scale, unit = synthesis.signals[name], channel.file_scale, channel.file_unit
        kind, order, corner = SENSOR_FILTER
        step = 1.0 / synthesis.rate_hz
        sections = lowpass_sections(
            kind=kind, order=order, corner_hz=corner, rate_hz=synthesis.rate_hz
        )
        turns = unit.startswith("deg")
        raw = samples / scale
        sensed = None if turns else causal_lowpass(samples, sections=sections) / scale
        readings.append(
            Reading(
                channel=name,
                unit=UNITS[unit],
                rate_hz=synthesis.rate_hz,
                times_ms=1e3 * (synthesis.start_s + step * np.arange(samples[0].size)),
                raw=raw[0],
                sensed=None if sensed is None else sensed[0],
                velocity=cumulative_trapezoid(samples[0], step_s=step) if unit == "g" else None,
                raw_spread=spread(raw),
                sensed_spread=None if sensed is None else spread(sensed),
            )
        )
    return readings


def third_octaves(
    samples: FloatArray, *, rate_hz: float, low_hz: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Root mean square by third octaves over the whole signal: centres [Hz] and levels.

    Base-ten third octaves (IEC 61260: centres 1000 * 10^(k/10) Hz), sharp band edges; from
    *low_hz*, or from the first band that is as wide as the signal resolves.

    >>> tone = np.sin(2 * np.pi * 50.0 * np.arange(4000) / 2000.0)
    >>> centres, levels = third_octaves(tone, rate_hz=2000.0)
    >>> round(float(centres[levels.argmax()]), 1), round(float(levels.max()), 3)
    (50.1, 0.707)
    """
    power = np.abs(np.fft.rfft(samples)) ** 2 * 2.0 / samples.size**2
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rate_hz)
    resolved = rate_hz / samples.size / (10**0.05 - 10**-0.05)
    first = int(np.ceil(10.0 * np.log10(max(low_hz, resolved))))
    last = int(np.floor(10.0 * np.log10(0.45 * rate_hz)))
    centres = 10.0 ** (np.arange(first, last + 1) / 10.0)
    total = np.concatenate([[0.0], np.cumsum(power)])
    edges = np.searchsorted(frequency, [centres * 10**-0.05, centres * 10**0.05])
    mean_square = total[edges[1]] - total[edges[0]]
    return centres, np.sqrt(np.maximum(mean_square, 0.0))


def band_peak(samples: FloatArray, *, rate_hz: float, band_hz: tuple[float, float]) -> float:
    """Largest value inside a band (sharp edges, zero phase), in the unit of *samples*."""
    spectrum = np.fft.rfft(samples)
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rate_hz)
    spectrum[(frequency < band_hz[0]) | (frequency >= band_hz[1])] = 0.0
    return float(np.abs(np.fft.irfft(spectrum, samples.size)).max())
