"""Stages of the chain as pure functions on arrays of shape (draws, samples).

A stage that can clip samples also returns how many it clipped.

Order of the stages: element and stop -> sensitivity, offset, cross-axis, noise -> saturation
*before* the filter -> low-pass -> sampling -> quantisation and code saturation -> transport ->
control unit.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray, IntArray
from crashsense.errors import Fault, InputError
from crashsense.filters.causal import filter_rows, lowpass_delay, lowpass_sections
from crashsense.filters.design import state_at_one
from crashsense.sensing.element import ElementDraws
from crashsense.sensing.sensor import Sensor

#: Equally likely settings of the filter in a draw: the means of the five equal slices of a standard
#: normal distribution, so that five settings keep most of its spread. Setting 2 is nominal.
CORNER_SETTINGS = (-1.3998, -0.5319, 0.0, 0.5319, 1.3998)

#: The quality factor in the same five settings: in another order, not tied to the corner.
QUALITY_SETTINGS = (0.5319, -1.3998, 0.0, 1.3998, -0.5319)

NOMINAL_SETTING = 2


# --- element -------------------------------------------------------------------------------------


def element_is_static(sensor: Sensor, *, rate_hz: float) -> bool:
    """True if the element follows without dynamics.

    Its resonance then lies above a quarter of the rate, where the signal cannot excite it.
    """
    return sensor.resonance_hz > rate_hz / 4.0


def element_oversampling(sensor: Sensor, *, rate_hz: float) -> int:
    """Steps of the element per sample: at least 8 per period of its resonance."""
    if element_is_static(sensor, rate_hz=rate_hz):
        return 1
    return max(1, int(np.ceil(8.0 * sensor.resonance_hz / rate_hz - 1e-9)))


def element_delay_s(sensor: Sensor, *, rate_hz: float) -> float:
    """Delay of the element at low frequency, 1/(Q w0) [s]; 0 where it is quasi-static."""
    if element_is_static(sensor, rate_hz=rate_hz):
        return 0.0
    return 1.0 / (sensor.quality * 2.0 * pi * sensor.resonance_hz)


def stop_at(samples: FloatArray, *, level: float) -> tuple[FloatArray, IntArray]:
    """Clip at +/-*level* and count the samples that lay beyond it, shape (draws,)."""
    beyond = beyond_level(samples, level=level)
    return (np.clip(samples, -level, level) if beyond.any() else samples), beyond


def respond(samples: FloatArray, *, sensor: Sensor, rate_hz: float) -> tuple[FloatArray, IntArray]:
    """Reading of the element, as acceleration [u], and samples at the stop, shape (draws,).

    Quasi-static with stop, or stepped at 8 times the resonance or more
    (:mod:`crashsense.sensing.dynamics`), then :func:`read_out`.
    """
    static = element_is_static(sensor, rate_hz=rate_hz)
    steps = element_oversampling(sensor, rate_hz=rate_hz)
    kernels = engine.kernels()
    if static and kernels is not None:
        level, full_scale = float(sensor.stop), float(sensor.range)
        shape = (float(sensor.quadratic), float(sensor.nonlinearity))
        out, beyond = kernels.static_reading(engine.given(samples), level, full_scale, *shape)
        return np.asarray(out), np.asarray(beyond)
    if static:
        out, beyond = stop_at(samples, level=sensor.stop)
    else:
        out, beyond = _stepped(samples, _AsMade.nominal(sensor), rate_hz=rate_hz, steps=steps)
    return read_out(out, _AsMade.nominal(sensor), full_scale=sensor.range), beyond


def respond_as_made(
    samples: FloatArray, *, sensor: Sensor, made: ElementDraws, rate_hz: float
) -> tuple[FloatArray, IntArray]:
    """As :func:`respond`, with each draw's element as manufactured, shape (draws, samples)."""
    static = element_is_static(sensor, rate_hz=rate_hz)
    steps = element_oversampling(sensor, rate_hz=rate_hz)
    out = np.empty((made.stop.size, samples.shape[-1]))
    hits = np.empty(made.stop.size, dtype=np.int64)
    for row in range(made.stop.size):
        one = _AsMade.of_draw(sensor, made, row)
        mine = samples if samples.shape[0] == 1 else samples[row : row + 1]
        if static:
            moved, beyond = stop_at(mine, level=one.stop)
        else:
            moved, beyond = _stepped(mine, one, rate_hz=rate_hz, steps=steps)
        (out[row],), (hits[row],) = read_out(moved, one, full_scale=sensor.range), beyond
    return out, hits


class _AsMade(NamedTuple):
    """Quantities that decide the reading of one element."""

    resonance_hz: float
    quality: float
    stop: float
    quadratic: float
    nonlinearity: float

    @classmethod
    def nominal(cls, sensor: Sensor) -> _AsMade:
        return cls(
            sensor.resonance_hz,
            sensor.quality,
            sensor.stop,
            sensor.quadratic,
            sensor.nonlinearity,
        )

    @classmethod
    def of_draw(cls, sensor: Sensor, made: ElementDraws, row: int) -> _AsMade:
        cubic = float(made.nonlinearity[row])
        return cls(
            sensor.resonance_hz * float(made.resonance[row]),
            sensor.quality * float(made.quality[row]),
            sensor.stop * float(made.stop[row]),
            sensor.quadratic
            * sqrt(cubic),  # it goes with the deflection, the cubic with its square
            sensor.nonlinearity * cubic,
        )


def _stepped(
    samples: FloatArray, one: _AsMade, *, rate_hz: float, steps: int
) -> tuple[FloatArray, IntArray]:
    from crashsense.sensing.dynamics import step_element

    return step_element(
        samples,
        rate_hz=rate_hz,
        resonance_hz=one.resonance_hz,
        quality=one.quality,
        stop=one.stop,
        oversampling=steps,
    )


def read_out(samples: FloatArray, one: _AsMade, *, full_scale: float) -> FloatArray:
    """Reading of a deflection, ``u (1 + quadratic u / range + nonlinearity (u / range)^2)``."""
    if one.quadratic:
        share = samples / full_scale
        return samples * (1.0 + one.quadratic * share + one.nonlinearity * share**2)
    if one.nonlinearity:
        return samples * (1.0 + one.nonlinearity * (samples / full_scale) ** 2)
    return samples


# --- filter --------------------------------------------------------------------------------------


class FilterDesign(NamedTuple):
    """The low-pass of a part at one rate, from which its five settings are derived."""

    kind: str
    order: int
    corner_hz: float
    corner_tolerance: float
    quality_tolerance: float
    rate_hz: float

    @classmethod
    def of(cls, sensor: Sensor, *, rate_hz: float) -> FilterDesign:
        """Return the design of a sensor's low-pass."""
        return cls(
            sensor.filter_kind,
            sensor.filter_order,
            sensor.corner_hz,
            sensor.corner_tolerance,
            sensor.quality_tolerance,
            rate_hz,
        )


@lru_cache(maxsize=1024)
def setting_sections(design: FilterDesign, setting: int) -> FloatArray | None:
    """Second-order sections of a design in one of the five settings, or None without a filter."""
    if design.kind == "none":
        return None
    corner = design.corner_hz * (1.0 + design.corner_tolerance * CORNER_SETTINGS[setting])
    factor = 1.0 + design.quality_tolerance * QUALITY_SETTINGS[setting]
    sections = lowpass_sections(
        kind=design.kind, order=design.order, corner_hz=corner, rate_hz=design.rate_hz
    )
    if factor != 1.0:
        sections = np.array([_with_quality(row, factor) for row in sections])
    return sections


@lru_cache(maxsize=128)
def every_setting(design: FilterDesign) -> tuple[FloatArray, FloatArray]:
    """Sections of every setting of a design, (settings, sections, 6), and their state at rest."""
    every = range(len(CORNER_SETTINGS))
    found = [setting_sections(design, s) for s in every]
    sections = np.array([np.empty((0, 6)) if rows is None else rows for rows in found])
    return sections, np.stack([rest_state(design, s) for s in every])


def filter_sections(
    sensor: Sensor, *, rate_hz: float, setting: int = NOMINAL_SETTING
) -> FloatArray | None:
    """Second-order sections of the sensor's low-pass in one of the five settings, or None."""
    return setting_sections(FilterDesign.of(sensor, rate_hz=rate_hz), setting)


def _with_quality(section: FloatArray, factor: float) -> FloatArray:
    """Multiply the quality factor of a resonant section, same natural frequency and gain at 0."""
    b, a = section[:3], section[3:]
    roots = np.roots(a)
    if roots.size < 2 or abs(roots[0].imag) < 1e-12:
        return section
    s = np.log(roots[0])
    w0 = abs(s)
    real = -w0 / (2.0 * factor * (w0 / (-2.0 * s.real)))
    if real * real <= w0 * w0:
        pole = np.exp(complex(real, np.sqrt(w0**2 - real**2)))
        new = np.array([1.0, -2.0 * pole.real, abs(pole) ** 2])
    else:  # a quality below 1/2: two real poles
        spread = sqrt(real * real - w0 * w0)
        fast, slow = np.exp(real - spread), np.exp(real + spread)
        new = np.array([1.0, -(fast + slow), fast * slow])
    return np.concatenate([b * (new.sum() / a.sum()), new])


def filter_delay_s(sensor: Sensor, *, rate_hz: float, setting: int = NOMINAL_SETTING) -> float:
    """Group delay of the low-pass at zero frequency [s]."""
    sections = filter_sections(sensor, rate_hz=rate_hz, setting=setting)
    return 0.0 if sections is None else lowpass_delay(sections, rate_hz=rate_hz)


@lru_cache(maxsize=1024)
def rest_state(design: FilterDesign, setting: int) -> FloatArray:
    """State of the sections of a design that has stood at 1, shape (sections, 2)."""
    sections = setting_sections(design, setting)
    return np.zeros((0, 2)) if sections is None else state_at_one(sections)


def lowpass(
    samples: FloatArray,
    *,
    sensor: Sensor,
    rate_hz: float,
    rest: FloatArray,
    setting: int = NOMINAL_SETTING,
) -> FloatArray:
    """Filter along the last axis; before its first sample each row was at *rest* (draws,)."""
    design = FilterDesign.of(sensor, rate_hz=rate_hz)
    return apply_setting(samples, design=design, rest=rest, setting=setting)


def apply_setting(
    samples: FloatArray, *, design: FilterDesign, rest: FloatArray, setting: int
) -> FloatArray:
    """Filter with one setting of a design, as :func:`lowpass`."""
    sections = setting_sections(design, setting)
    if sections is None:
        return samples
    state = rest_state(design, setting)
    start = state[:, None, :] * rest[None, :, None]
    return filter_rows(samples, sections=sections, state=start)


def fill_words(
    out: FloatArray,
    samples: FloatArray,
    *,
    ahead: int,
    design: FilterDesign,
    first: tuple[int, ...],
    every: int,
    words: int,
) -> None:
    """Words of one signal in every filter setting, starting at each of *first*.

    *samples* (1, n), which stood still before: *ahead* samples of rest come first, and count in
    *first*. *out* (settings x len(first) x words, or more): one row after the other, zeros behind.
    Twin: ``compiled.filters.fill_words``, the same bits.
    """
    kernels = engine.kernels()
    if kernels is not None:
        places = engine.given(np.array(first, dtype=np.int64))
        given = (engine.given(samples[0]), ahead, *map(engine.given, every_setting(design)))
        kernels.fill_words(*given, places, every, words, out)
        return
    make = _kept_words if samples.size <= KEPT_SAMPLES else _make_words
    table = make(samples.tobytes(), ahead, design, first, every, words)
    out[: table.size] = table
    out[table.size :] = 0.0


#: Samples of the longest signal whose words are kept.
KEPT_SAMPLES = 20_000


def _make_words(
    content: bytes, ahead: int, design: FilterDesign, first: tuple[int, ...], every: int, words: int
) -> FloatArray:
    samples = np.frombuffer(content)
    source = np.concatenate([np.full(ahead, samples[0]), samples])[None, :]
    out = np.empty((len(CORNER_SETTINGS), len(first), words))
    for setting in range(len(CORNER_SETTINGS)):
        smooth = apply_setting(source, design=design, rest=source[:, 0], setting=setting)
        for place, start in enumerate(first):
            out[setting, place] = smooth[0, start : start + every * (words - 1) + 1 : every]
    out.setflags(write=False)
    return out.reshape(-1)


#: Blocks of draws request a signal repeatedly: the words of the last few are kept. The kernel
#: makes them anew in the time in which they would be looked up.
_kept_words = lru_cache(maxsize=32)(_make_words)


def settling_samples(sensor: Sensor, *, rate_hz: float, residue: float = 1e-6) -> int:
    """Samples after which every filter setting has forgotten its start to *residue* [-]."""
    if sensor.filter_kind == "none":
        return 0
    return _settling(FilterDesign.of(sensor, rate_hz=rate_hz), residue)


@lru_cache(maxsize=256)
def _settling(design: FilterDesign, residue: float) -> int:
    worst = 0.0
    for setting in range(len(CORNER_SETTINGS)):
        sections = setting_sections(design, setting)
        if sections is not None:
            worst = max(worst, *(float(np.abs(np.roots(row[3:])).max()) for row in sections))
    return int(np.ceil(np.log(residue) / np.log(worst)))


# --- word ----------------------------------------------------------------------------------------


def noise_deviation(sensor: Sensor, *, rate_hz: float) -> float:
    """Standard deviation [u] of white noise of the sensor's density at *rate_hz*."""
    return float(sensor.noise_density * np.sqrt(rate_hz / 2.0))


def quantise(
    values: FloatArray, *, step: float, limit: int
) -> tuple[npt.NDArray[np.int32], IntArray]:
    """Round to codes of *step* [u], saturate at +/-*limit*; count the saturated, shape (draws,)."""
    codes = np.array(values, dtype=np.float64)
    beyond = round_to_codes(codes, step=step, limit=limit, largest=largest_of(codes))
    return codes.astype(np.int32), beyond


def round_to_codes(values: FloatArray, *, step: float, limit: int, largest: float) -> IntArray:
    """As :func:`quantise`, in place: the codes take the place of the values.

    *largest*: absolute value of all, or a bound on it; larger values never have smaller codes.
    """
    values /= step
    np.rint(values, out=values)
    beyond = beyond_level(values, level=limit, largest=float(np.rint(largest / step)))
    if beyond.any():
        np.clip(values, -limit, limit, out=values)
    return beyond


def largest_of(values: FloatArray) -> float:
    """Largest absolute value of all, 0 without any."""
    return float(max(values.max(), -values.min())) if values.size else 0.0


def beyond_level(values: FloatArray, *, level: float, largest: float | None = None) -> IntArray:
    """Count the samples beyond +/-*level*, shape (draws,).

    *largest*: absolute value of all, or a bound on it, if one is known.
    """
    if (largest_of(values) if largest is None else largest) <= level:
        return np.zeros(values.shape[0], dtype=np.int64)
    return np.asarray(np.count_nonzero(np.abs(values) > level, axis=-1), dtype=np.int64)


def average_words(values: FloatArray, *, words: int) -> FloatArray:
    """Mean of each group of *words* consecutive samples, shape (draws, samples // words)."""
    if words < 1:
        raise InputError([Fault("averaging", "words", words, "1 or more codes a tick")])
    n = values.shape[-1] // words
    total = values[..., 0 : n * words : words].copy()
    for part in range(1, words):
        total += values[..., part : n * words : words]
    return total / words


def cancel_offset(
    values: FloatArray, *, corner_hz: float, rate_hz: float, rest: FloatArray
) -> FloatArray:
    """Slow first-order high-pass, running since long before the first sample.

    ``estimate[n] = estimate[n-1] + c (value[n] - estimate[n-1])`` with
    ``c = 1 - exp(-2 pi corner / rate)``, output ``value[n] - estimate[n-1]``. It removes *rest*
    [u], shape (draws,), entirely and costs a pulse of length T about ``pi corner T`` of its
    velocity: 0.3 % at 0.01 Hz and 0.1 s. Valid for corners far below the pulse's own frequencies.
    """
    c = 1.0 - np.exp(-2.0 * pi * corner_hz / rate_hz)
    centred = values - rest[:, None]
    # y[n] - (1 - c) y[n-1] = x[n] - x[n-1]: the same recursion, without the estimate.
    from crashsense.scipy_filters import lfilter

    return lfilter(centred, b=(1.0, -1.0), a=(1.0, -(1.0 - c)))
