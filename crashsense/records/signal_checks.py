"""Checks on a single channel, whatever its format.

Each check is a function on the values of one channel that returns findings; each threshold and its
reason stand beside the constant. A finding that ``disqualifies`` bars the channel from setting a
requirement: its motion is not to be trusted.

No standard gives limits for these; they are practice of this project, chosen so that the public
records at hand pass and each broken copy of them does not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.records.findings import Finding
from crashsense.records.motion import Judged, Motion, onset_by_energy
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY

#: A window about the peak that holds the crash [s].
_CRASH_S = 0.1
#: An accelerometer that stops delivering repeats a value: this long, while it should move [s]. Ten
#: samples at 20 kHz; a converter repeats a value by chance only where nothing moves.
_DROPOUT_S, _DROPOUT_SAMPLES = 0.0006, 5
#: Least movement around a repeated value that makes it a dropout [g].
_MOVING_G = 2.0
#: A converter step above this hides what a sensor of 0.1 to 0.25 g a digit would report [g]; above
#: the second it moves the required time (2 g over 30 ms is 0.6 m/s).
_COARSE_G, _TOO_COARSE_G = 0.5, 2.0
#: Flat tops of this many samples, within this part of the extreme, with steep sides, are no peaks.
_FLAT_SAMPLES, _FLAT_PART = 5, 0.002
#: The least extreme that is looked at for clipping [g].
_CLIP_FROM_G = 5.0
#: After the crash a car rolls or is braked: less than 1 g. More says that the zero has moved [g].
_TAIL_G, _TAIL_LOST_G = 2.0, 5.0
#: The tail: from here, and at least this long [s].
_TAIL_FROM_S, _TAIL_S = 0.150, 0.020
#: Content from 250 Hz to 1 kHz over the class 60 peak: 0.15 to 0.4 in the floor channels at hand,
#: below 0.01 once class 60 or a slower filter was applied.
_FILTERED_PART = 0.01
_FILTERED_BAND_HZ = (250.0, 1000.0)
#: Onset of a car against a fixed obstacle from this speed change on [m/s]: it comes within 9 ms
#: (4 ms in the full-width wall test at hand, at the rear of the cell).
_HARD_M_S, _FIXED_ONSET_S = 7.0, 0.009
#: Energy before this time is not the contact [s].
_EARLY_S = -0.001


def dropouts(where: str, judged: Judged, *, file: str) -> list[Finding]:
    """Look for values that repeat while the channel should move, and for a dead tail."""
    raw = judged.values
    rate = judged.rate_hz
    least = max(_DROPOUT_SAMPLES, round(_DROPOUT_S * rate))
    runs = _runs(np.diff(raw) == 0.0, least - 1)
    steps = np.diff(np.unique(raw))
    # A coarse converter repeats a value while the body moves by less than a few steps.
    moved = max(_MOVING_G * STANDARD_GRAVITY, 4.0 * float(np.median(steps)) if steps.size else 0.0)
    span = max(4, round(0.002 * rate))
    found: list[Finding] = []
    extremes = (raw.max(), raw.min())
    for first, last in runs:
        at = judged.start_s + first / rate
        count = last - first + 2
        if last + 2 >= raw.size:
            before = raw[max(0, first - 2 * span) : first]
            lively = before.size > 1 and float(before.std()) > moved
            if count / rate >= 0.010 and (lively or abs(_g(raw[first])) > _TAIL_LOST_G):
                seen = f"the value {_g(raw[first]):.1f} g from {at * 1e3:.1f} ms to the end"
                found.append(_dropout(where, file, seen, "the channel died"))
            continue
        around = np.concatenate((raw[max(0, first - span) : first], raw[last + 2 :][:span]))
        moving = float(around.std()) if around.size else 0.0
        if at < 0.0 or raw[first] in extremes or moving < moved:
            continue
        seen = f"the value {_g(raw[first]):.1f} g {count} times from {at * 1e3:.1f} ms"
        found.append(_dropout(where, file, seen, "samples are missing"))
        break
    return found


def _dropout(where: str, file: str, seen: str, note: str) -> Finding:
    expected = f"no value repeated for {_DROPOUT_S * 1e3:g} ms while the body moves"
    return Finding("warning", "dropout", file, f"{where}: values", seen, expected, note, True)


def resolution(where: str, judged: Judged, *, file: str) -> list[Finding]:
    """Check the converter's step: the usual distance of two neighbouring values."""
    levels = np.unique(judged.values + judged.offset)
    if np.ptp(levels) < STANDARD_GRAVITY:
        return []  # nothing was felt here
    if levels.size < 8:
        seen = f"{levels.size} different values"
        expected = "a signal of many values"
        note = "no measurement of a crash"
        return [
            Finding("warning", "resolution", file, f"{where}: step", seen, expected, note, True)
        ]
    step = float(np.median(np.diff(levels))) / STANDARD_GRAVITY
    # Few samples far apart make large distances too: the smallest ones must agree.
    least = float(np.percentile(np.diff(levels), 20)) / STANDARD_GRAVITY
    if min(step, least) <= _COARSE_G:
        return []
    bad = min(step, least) > _TOO_COARSE_G
    seen, expected = f"{step:.2g} g", f"{_COARSE_G:g} g or finer"
    note = "coarser than the sensor to be judged"
    return [Finding("warning", "resolution", file, f"{where}: step", seen, expected, note, bad)]


def flat_tops(where: str, judged: Judged, *, file: str) -> list[Finding]:
    """Look for clipping below full scale: a flat top with steep sides, at an extreme."""
    raw = judged.values + judged.offset
    found = []
    for extreme, name in ((raw.max(), "maximum"), (raw.min(), "minimum")):
        if abs(extreme) <= _CLIP_FROM_G * STANDARD_GRAVITY:
            continue
        near = np.abs(raw - extreme) <= _FLAT_PART * abs(extreme)
        for first, last in _runs(near, _FLAT_SAMPLES) + _runs(raw == extreme, _FLAT_SAMPLES - 1):
            if first == 0 or last + 1 >= raw.size:
                continue
            inside = float(np.ptp(raw[first : last + 1]))
            sides = min(abs(raw[first] - raw[first - 1]), abs(raw[last] - raw[last + 1]))
            if sides < 10.0 * max(inside / (last - first + 1), 0.01 * _FLAT_PART * abs(extreme)):
                continue
            seen = f"{_g(extreme):.1f} g for {last - first + 1} samples"
            found.append(
                Finding(
                    "warning", "range", file, f"{where}: {name}", seen, "a peak, not a plateau",
                    "looks clipped", True,
                )
            )  # fmt: skip
            break
    return found


def filtered(where: str, judged: Judged, *, file: str) -> list[Finding]:
    """Look whether the channel was filtered before it was written: nothing above class 60."""
    part = high_part(judged)
    if part is None or part >= _FILTERED_PART:
        return []
    low, high = _FILTERED_BAND_HZ
    seen = f"{part:.2%} of the class 60 peak between {low:g} and {high:g} Hz"
    expected = f"{_FILTERED_PART:.0%} or more (unfiltered floor channels: 15 to 40 %)"
    note = (
        "already filtered, class 60 or slower: ringing, clipping and sensor range cannot be judged"
    )
    return [Finding("warning", "filtered", file, f"{where}: content", seen, expected, note)]


def high_part(judged: Judged) -> float | None:
    """Rms from 250 Hz to 1 kHz during the crash, over the class 60 peak [-]; None if not told."""
    return part_above_filter(judged.values, rate_hz=judged.rate_hz)


def part_above_filter(values: FloatArray, *, rate_hz: float) -> float | None:
    """The same of the samples of a channel [m/s^2], shape (samples,)."""
    from crashsense.filters.channel_class import channel_class_filter

    rate = rate_hz
    smooth = np.abs(channel_class_filter(values, rate_hz=rate, channel_class=60))
    # The crash lies about its peak, wherever time zero is.
    first = max(0, int(smooth.argmax()) - round(0.6 * _CRASH_S * rate))
    crash = values[first : first + round(_CRASH_S * rate)]
    if crash.size < 64 or 0.45 * rate <= 2.0 * _FILTERED_BAND_HZ[0]:
        return None
    peak = float(smooth.max())
    if peak < STANDARD_GRAVITY:
        return None
    window = np.hanning(crash.size)
    spectrum = np.abs(np.fft.rfft(crash * window)) ** 2
    hz = np.fft.rfftfreq(crash.size, 1.0 / rate)
    low, high = _FILTERED_BAND_HZ
    inside = (hz >= low) & (hz <= min(high, 0.45 * rate))
    power = 2.0 * spectrum[inside].sum() / (crash.size * float((window**2).sum()))
    return float(np.sqrt(power)) / peak


def tail(where: str, judged: Judged, *, file: str) -> list[Finding]:
    """Check that the channel returns to zero after the crash."""
    rate = judged.rate_hz
    if judged.end_s < _TAIL_FROM_S + _TAIL_S:
        return []
    count = max(round(_TAIL_S * rate), round((judged.end_s - _TAIL_FROM_S) * rate) // 2)
    mean = float(judged.values[-count:].mean()) / STANDARD_GRAVITY
    if abs(mean) <= _TAIL_G:
        return []
    seen = f"{mean:+.1f} g on average over the last {count / rate * 1e3:.0f} ms"
    expected = f"within {_TAIL_G:g} g"
    note = "the zero has moved, or the crash continues"
    bad = abs(mean) > _TAIL_LOST_G
    return [Finding("warning", "tail", file, f"{where}: end", seen, expected, note, bad)]


def contact(
    where: str, judged: Judged, seen: Motion, *, file: str, fixed: bool, struck: bool
) -> list[Finding]:
    """Check time zero against the onset by energy (:func:`.motion.onset_by_energy`).

    Against a fixed obstacle the onset comes within 9 ms; energy before time zero is not a contact
    at all. A shift of less than about 4 ms cannot be detected in the record.
    """
    onset = onset_by_energy(judged)
    if not np.isfinite(onset) or not struck:
        return []
    ms = f"{onset * 1e3:.1f} ms"
    field = f"{where}: onset by energy"
    level = f"by level {seen.onset_s * 1e3:.1f} ms"
    if onset < _EARLY_S:
        note = f"time zero may be wrong (late), or the channel is disturbed ({level})"
        expected = f"no energy before {_EARLY_S * 1e3:g} ms"
        return [Finding("warning", "time zero", file, field, ms, expected, note, True)]
    hard = fixed and abs(seen.velocity_change_m_s) >= _HARD_M_S
    if hard and onset > _FIXED_ONSET_S:
        expected = f"{_FIXED_ONSET_S * 1e3:g} ms or earlier against a fixed obstacle"
        note = f"time zero may be wrong (early; {level}); required times count from it"
        return [Finding("warning", "time zero", file, field, ms, expected, note)]
    expected = f"{_EARLY_S * 1e3:g} ms or later"
    if hard:
        expected = f"{_EARLY_S * 1e3:g} to {_FIXED_ONSET_S * 1e3:g} ms against a fixed obstacle"
    note = f"{level}; a shift of less than about 4 ms cannot be detected"
    return [Finding("info", "time zero", file, field, ms, expected, note)]


def velocity_at(judged: Judged, times_s: FloatArray) -> FloatArray:
    """Velocity change since time zero [m/s] at some times; the last one is held."""
    velocity = cumulative_trapezoid(judged.values[judged.contact :], step_s=1.0 / judged.rate_hz)
    return np.interp(times_s, np.arange(velocity.size) / judged.rate_hz, velocity)


def _g(value: float) -> float:
    return float(value) / STANDARD_GRAVITY


def _runs(flags: npt.NDArray[np.bool_], least: int) -> list[tuple[int, int]]:
    """First and last index of each run of True that is *least* long or longer."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [(int(a), int(b) - 1) for a, b in pairs if b - a >= least]
