"""The quality check that every record passes before anything is concluded from it.

Two steps for a channel. *Integrity* looks at the file as it is: finite values, increasing and even
time, the number of points and the step that the header promises. *Plausibility* looks at the
signal itself: offset and noise before contact, sampling against the filter class, clipping, unit,
polarity, velocity change against the header, length.

Limits that no standard gives are practice, stated beside the constant.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.filters.channel_class import CHANNEL_CLASSES
from crashsense.occupant import FREE_TRAVEL_M
from crashsense.records import signal_checks
from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo, Record, Samples
from crashsense.records.locations import FAILED_STATUS, GOOD_STATUS, place_of
from crashsense.records.motion import (
    RESTITUTION,
    VELOCITY_WINDOW_S,
    Judged,
    Motion,
    expected_velocity_change,
    is_fixed_obstacle,
    motion,
    struck_from,
)
from crashsense.units import STANDARD_GRAVITY

#: The last part before time zero is left out of the offset: zero-phase filters smear [s].
CLEAR_OF_CONTACT_S = 0.001
#: ISO 6487 and UN R94 ask for 8 samples a period of FH (from memory).
SAMPLES_PER_PERIOD = 8

# Practice, not from a standard.
_OFFSET_WARNING_G, _OFFSET_ERROR_G = 1.0, 20.0
_NOISE_WARNING_G, _NOISE_LOST_G = 1.0, 2.0
_QUIET_WANTED_S = 0.010
#: Largest CFC 60 peak of a passenger cell [g]: 40 to 70 g in hard wall tests.
BODY_PEAK_LIMIT_G = 150.0
_LOWEST_RATE_HZ = 1000.0
_SHORTEST_STEP_S, _LONGEST_STEP_S = 1e-7, 0.005  # 10 MHz; 200 Hz holds no crash
_LEAST_END_S = 0.005  # less after contact holds no crash either
_VELOCITY_FACTOR_HIGH, _VELOCITY_FACTOR_LOW = 2.0, 1.0 / 3.0
_SIDES_DIFFER = 0.10
_EARLY_ONSET_S, _LATE_ONSET_S = -0.005, 0.025

#: Family -> sign of the velocity change along x, in words, and from where it was struck.
_STRUCK = {"frontal": (-1.0, "negative", "the front"), "rear": (1.0, "positive", "behind")}


def header(record: Record) -> list[Finding]:
    """Check masses and speeds of the header against each other."""
    findings = []
    file = record.path.name
    for vehicle in record.vehicles:
        if vehicle.mass_kg is not None and not 300.0 <= vehicle.mass_kg <= 40000.0:
            expected = "a mass in kg, 300 to 40000"
            where = f"VEHICLE {vehicle.number}: test mass"
            findings.append(Finding("warning", "header", file, where, vehicle.mass_kg, expected))
    closing = record.test.closing_speed_kmh
    speeds = [abs(v.speed_kmh) for v in record.vehicles if v.speed_kmh is not None]
    if closing is None or len(speeds) != len(record.vehicles) or not any(speeds):
        return findings
    if len(speeds) == 1:
        possible = [speeds[0]]
    elif len(speeds) == 2:
        # Head-on, from behind, or at an angle: anything between difference and sum.
        low, high = abs(speeds[0] - speeds[1]), sum(speeds)
        possible = [min(max(closing, low), high)]
    else:
        return findings
    if abs(closing - possible[0]) > 0.05 * closing:
        told = ", ".join(f"{v:g}" for v in speeds)
        expected = f"the vehicle speeds' own closing speed (stated: {told} km/h)"
        where = "TEST: closing speed"
        findings.append(Finding("warning", "header", file, where, f"{closing:g} km/h", expected))
    return findings


def integrity(record: Record, channel: ChannelInfo, samples: Samples) -> list[Finding]:
    """Check a channel file as it is; every finding here is an error or a mismatch."""
    findings: list[Finding] = []
    where = channel.where

    def add(
        severity: str, check: str, field: str, value: object, expected: str, note: str = ""
    ) -> None:
        findings.append(
            Finding(severity, check, samples.file, f"{where}: {field}", value, expected, note)
        )

    times, values = samples.times_s, samples.values
    bad = np.flatnonzero(~np.isfinite(values) | ~np.isfinite(times))
    if bad.size:
        first = int(bad[0])
        seen = times[first] if not np.isfinite(times[first]) else values[first]
        count = f"{bad.size} such values" if bad.size > 1 else "the only one"
        add("error", "finite values", f"sample {first + 1}", str(seen), "finite numbers", count)
    if channel.points is not None and times.size != channel.points:
        expected = (
            f"{channel.points} samples (header: first point {channel.first_point}, "
            f"last point {channel.last_point})"
        )
        if times.size < channel.points:
            add("error", "number of samples", "samples", times.size, expected, "truncated channel")
        else:
            add("warning", "number of samples", "samples", times.size, expected)
    if times.size < 100:
        add("error", "number of samples", "samples", times.size, "100 samples or more")
        return findings
    if not np.isfinite(times).all():
        return findings
    steps = np.diff(times)
    back = np.flatnonzero(steps <= 0)
    if back.size:
        first = int(back[0]) + 1
        seen = f"{times[first]:g} s after {times[first - 1]:g} s"
        add("error", "time", f"sample {first + 1}", seen, "increasing times")
        return findings
    step = float(np.median(steps))
    if channel.step_s is not None and abs(step / channel.step_s - 1.0) > 0.01:
        ratio = step / channel.step_s
        causes = ((1e3, "milliseconds"), (1e6, "microseconds"))
        cause = next((w for f, w in causes if abs(ratio / f - 1.0) < 0.02), "")
        note = f"times look like {cause}" if cause else "time column and header disagree"
        expected = f"a step of {channel.step_s:g} s (header)"
        add("error", "time step", "time step", f"{step:g} s", expected, note)
        return findings
    if channel.step_s is None and step > _LONGEST_STEP_S:
        note = "times look like milliseconds"
        expected = f"a step below {_LONGEST_STEP_S:g} s"
        add("error", "time step", "time step", f"{step:g} s", expected, note)
        return findings
    if not _SHORTEST_STEP_S <= step <= _LONGEST_STEP_S:
        expected = f"a step of {_SHORTEST_STEP_S:g} to {_LONGEST_STEP_S:g} s"
        add("error", "time step", "time step", f"{step:g} s", expected)
        return findings
    if times[-1] < _LEAST_END_S:
        expected = "times before and after time zero (contact)"
        add("error", "length", "end", f"{times[-1] * 1e3:.4g} ms", expected)
        return findings
    uneven = np.abs(times - (times[0] + step_of(times) * np.arange(times.size)))
    # Six decimals, as the format prints them, round by half a microsecond.
    allowed = max(1.1e-6, 0.05 * step)
    if uneven.max() > allowed:
        at = int(np.argmax(np.abs(steps - step))) + 1
        seen = f"{steps[at - 1]:g} s among steps of {step:g} s"
        add("error", "time step", f"sample {at + 1}", seen, "an even time step")
    if channel.first_point is not None and channel.step_s is not None:
        start = channel.first_point * channel.step_s
        if abs(times[0] - start) > 1.5 * step:
            expected = f"{start:g} s (header: first point {channel.first_point})"
            severity = "error" if abs(times[0] - start) > 0.001 else "warning"
            note = "time zero is not sure"
            add(severity, "time zero", "first time", f"{times[0]:g} s", expected, note)
    return findings


def step_of(times_s: FloatArray) -> float:
    """Step of a time column [s], freed from the rounding of columns with six decimals.

    The mean step is that of a whole number of tenths of a microsecond or, if there is none within
    the rounding, of a whole rate in hertz; else it is rounded to 1 ns.

    >>> 1.0 / step_of(np.round(np.arange(3000) / 12000.0, 6))
    12000.0
    """
    count = times_s.size - 1
    step = float(times_s[-1] - times_s[0]) / count
    if step <= 1e-7:
        return step
    for near in (round(step * 1e7) / 1e7, 1.0 / round(1.0 / step) if step < 0.5 else step):
        if abs(near - step) * count <= 1.1e-6:
            return near
    return round(step * 1e9) / 1e9


def status(record: Record, channel: ChannelInfo) -> list[Finding]:
    """Say what the header's flags say about a channel that is used."""
    where, file = f"{channel.where}: status", record.path.name
    if channel.status in FAILED_STATUS:
        seen = f"{channel.status} ({FAILED_STATUS[channel.status]})"
        note = "used because it was asked for"
        return [Finding("warning", "channel status", file, where, seen, "a sound channel", note)]
    findings = []
    if channel.status not in GOOD_STATUS:
        expected = "a known status flag (AM: as measured)"
        findings.append(Finding("warning", "channel status", file, where, channel.status, expected))
    if channel.redundant:
        note = "no usable primary channel at this place, or asked for"
        findings.append(
            Finding("info", "channel status", file, where, "redundant", "a primary channel", note)
        )
    return findings


@dataclass(frozen=True)
class OffsetLimits:
    """What is normal before contact, in the unit that files have."""

    unit: str
    scale: float
    offset_warning: float
    offset_error: float
    noise_warning: float
    note: str = ""


#: Limits of an acceleration channel.
ACCELERATION_LIMITS = OffsetLimits(
    "g", STANDARD_GRAVITY, _OFFSET_WARNING_G, _OFFSET_ERROR_G, _NOISE_WARNING_G
)


def remove_offset(
    channel: ChannelInfo,
    samples: Samples,
    *,
    limits: OffsetLimits = ACCELERATION_LIMITS,
    keep: bool = False,
) -> Judged:
    """Subtract the mean before contact, and judge offset, noise and quiet time.

    With *keep*, judge and leave the values as they are: the file says that it was taken off.
    """
    findings: list[Finding] = []
    where, file, unit = f"{channel.where}: before contact", samples.file, limits.unit
    rate = 1.0 / (channel.step_s or step_of(samples.times_s))
    start = float(samples.times_s[0])
    if channel.first_point is not None and channel.step_s is not None:
        exact = channel.first_point * channel.step_s
        start = exact if abs(exact - start) <= 0.5 / rate else start
    before = samples.values[samples.times_s < -CLEAR_OF_CONTACT_S]
    offset = 0.0
    if before.size < 3:
        seen = f"{before.size} samples before contact"
        note = "nothing to take off" if keep else "offset not removed"
        severity = "warning" if start <= 0.005 else "error"
        if severity == "error":
            seen, note = f"the record starts at {start * 1e3:.1f} ms", "the contact is missing"
        expected = f"at least {_QUIET_WANTED_S * 1e3:g} ms before contact"
        findings.append(Finding(severity, "offset", file, where, seen, expected, note))
    else:
        mean = float(before.mean())
        offset = 0.0 if keep else mean
        noise, shown = float(before.std()) / limits.scale, mean / limits.scale
        severity = "info"
        if abs(shown) > limits.offset_warning or noise > limits.noise_warning:
            severity = "warning"
        if abs(shown) > limits.offset_error:
            severity = "error"
        seen = f"offset {shown:+.3f} {unit}, noise {noise:.3f} {unit} rms"
        expected = (
            f"offset within {limits.offset_warning:g} {unit}, "
            f"noise below {limits.noise_warning:g} {unit} rms"
        )
        note = f"offset taken off over {before.size / rate * 1e3:.0f} ms"
        if keep:
            note = "left as it is: the file says that the rest value was removed"
        if limits.note and abs(shown) > limits.offset_warning:
            note += f"; {limits.note}"
        # Noise in another unit is judged by the same ratio of the limits.
        lost = noise > limits.noise_warning * _NOISE_LOST_G / _NOISE_WARNING_G
        findings.append(Finding(severity, "offset", file, where, seen, expected, note, lost))
        if before.size / rate < _QUIET_WANTED_S:
            seen = f"{before.size / rate * 1e3:.1f} ms"
            expected = f"at least {_QUIET_WANTED_S * 1e3:g} ms of quiet"
            findings.append(Finding("warning", "offset", file, where, seen, expected))
    return Judged(samples.values - offset, rate, start, offset, tuple(findings))


def rate(
    where: str, rate_hz: float, *, file: str, wanted_hz: float = SAMPLES_PER_PERIOD * 1000.0
) -> list[Finding]:
    """Check a rate [Hz] against what the filter class, or the kind of event, wants."""
    if rate_hz >= wanted_hz * (1 - 1e-6):
        return []
    severity = "error" if rate_hz < _LOWEST_RATE_HZ else "warning"
    expected = (
        f"{wanted_hz:g} Hz or more for class {CHANNEL_CLASSES[-1]} ({SAMPLES_PER_PERIOD} x FH)"
    )
    note = "ringing above the class is lost, clipping cannot be judged"
    if wanted_hz < SAMPLES_PER_PERIOD * CHANNEL_CLASSES[-1]:
        expected, note = f"{wanted_hz:g} Hz or more", "what is faster is lost"
    field = f"{where}: rate"
    return [Finding(severity, "rate", file, field, f"{rate_hz:g} Hz", expected, note)]


def sampling(channel: ChannelInfo, judged: Judged, *, file: str) -> list[Finding]:
    """Check rate and prefilter against the filter class, and the values against the range."""
    where = channel.where
    findings = rate(where, judged.rate_hz, file=file)
    prefilter = channel.prefilter_hz
    notes: list[tuple[str, str]] = []
    if prefilter is not None and prefilter > 0.5 * judged.rate_hz:
        notes.append((f"below half the rate ({0.5 * judged.rate_hz:g} Hz)", "aliasing is possible"))
    if prefilter is not None and prefilter < CHANNEL_CLASSES[-1]:
        note = "already filtered: ringing and clipping cannot be judged"
        notes.append((f"{CHANNEL_CLASSES[-1]:g} Hz or more", note))
    field = f"{where}: prefilter"
    findings += [
        Finding("warning", "rate", file, field, f"{prefilter:g} Hz", expected, note)
        for expected, note in notes
    ]
    return findings + peaks(channel, judged, file=file) + content(channel, judged, file=file)


def content(channel: ChannelInfo, judged: Judged, *, file: str) -> list[Finding]:
    """Check what only the samples show: gaps, resolution, an earlier filter, the tail."""
    where = channel.where
    return [
        *signal_checks.dropouts(where, judged, file=file),
        *signal_checks.resolution(where, judged, file=file),
        *signal_checks.filtered(where, judged, file=file),
        *signal_checks.tail(where, judged, file=file),
    ]


def peaks(channel: ChannelInfo, judged: Judged, *, file: str) -> list[Finding]:
    """Check the values of an acceleration channel against its range, and look for clipping."""
    findings: list[Finding] = []
    where = channel.where
    raw = judged.values + judged.offset
    peak = float(np.abs(raw).max())
    if channel.rating is not None and peak > channel.rating * STANDARD_GRAVITY * 1.001:
        findings.append(
            Finding(
                "warning",
                "range",
                file,
                f"{where}: peak",
                f"{peak / STANDARD_GRAVITY:.0f} g",
                f"within the instrument's {channel.rating:g} g",
            )
        )
    return findings + signal_checks.flat_tops(where, judged, file=file)


def plausibility(
    record: Record, channel: ChannelInfo, judged: Judged, *, file: str
) -> list[Finding]:
    """Check the longitudinal motion: unit, polarity, velocity change, length."""
    findings: list[Finding] = []
    where = channel.where

    def add(
        severity: str, check: str, field: str, value: object, expected: str, note: str = ""
    ) -> None:
        findings.append(Finding(severity, check, file, f"{where}: {field}", value, expected, note))

    seen = motion(judged)
    direction = struck_from(record, channel.vehicle)
    expected = expected_velocity_change(record, channel.vehicle)
    change = seen.velocity_change_m_s
    kmh = f"{change * 3.6:+.1f} km/h"
    peak = f"{seen.peak_class_60_g:.0f} g"
    trusted = direction.family in ("frontal", "rear")
    unit_in_doubt = ""
    if expected is not None and trusted:
        ratio = abs(change) / (0.5 * (expected.low_m_s + expected.high_m_s))
        if 5.0 < ratio < 20.0 and not record_unit_is_si(channel):
            unit_in_doubt = "looks like m/s^2 given as g"
        elif 1 / 20.0 < ratio < 1 / 5.0 and record_unit_is_si(channel):
            unit_in_doubt = "looks like g given as m/s^2"
        span = f"{expected.low_m_s * 3.6:.1f} to {expected.high_m_s * 3.6:.1f} km/h"
        basis = (
            f"{span} (1 + e) m_other / (m1 + m2) x closing speed, e {RESTITUTION[0]:g} to "
            f"{RESTITUTION[1]:g}; {expected.words}"
        )
        size = abs(change)
        far = (
            size > _VELOCITY_FACTOR_HIGH * expected.high_m_s
            or size < _VELOCITY_FACTOR_LOW * expected.low_m_s
        )
        if unit_in_doubt:
            add(
                "error",
                "unit",
                f"unit {channel.unit}",
                f"{kmh} velocity change",
                basis,
                unit_in_doubt,
            )
        elif far and not expected.oblique:
            note = "unit, scale or header is wrong"
            add("error", "velocity change", "velocity change", kmh, basis, note)
        elif not expected.low_m_s <= size <= expected.high_m_s:
            note = "oblique: less is normal" if expected.oblique else "scale or header in doubt"
            add("warning", "velocity change", "velocity change", kmh, basis, note)
        else:
            add("info", "velocity change", "velocity change", kmh, basis)
    elif trusted:
        basis = "closing speed and masses in the header"
        add("info", "velocity change", "velocity change", kmh, basis, "cannot be checked")
    if seen.peak_class_60_g > BODY_PEAK_LIMIT_G and not unit_in_doubt:
        # A velocity change that the header confirms clears the unit.
        cleared = any(f.check == "velocity change" and f.severity == "info" for f in findings)
        severity = "warning" if cleared and expected is not None else "error"
        limit = f"below {BODY_PEAK_LIMIT_G:g} g (CFC 60) for a vehicle body"
        note = "" if record_unit_is_si(channel) else "looks like m/s^2 given as g"
        add(severity, "unit", f"peak in unit {channel.unit}", peak, limit, note)
    sign, wanted, place = _STRUCK.get(direction.family, (0.0, "", ""))
    if change * sign < 0 and abs(change) > 0.3:
        basis = (
            f"a {wanted} longitudinal velocity change when struck from {place} "
            f"({direction.basis}), at rest or not"
        )
        add("error", "polarity", "velocity change", kmh, basis, "sign looks flipped")
    if abs(change) < 0.3:
        add(
            "warning",
            "velocity change",
            "velocity change",
            kmh,
            "a vehicle that is struck",
            "the channel hardly moves",
        )
    contact = signal_checks.contact(
        where,
        judged,
        seen,
        file=file,
        fixed=is_fixed_obstacle(record, channel.vehicle),
        struck=trusted and abs(change) > 0.3,
    )
    findings += contact
    told = any(found.severity == "warning" for found in contact)
    if not told and not _EARLY_ONSET_S <= seen.onset_s <= _LATE_ONSET_S:
        wanted = f"contact between {_EARLY_ONSET_S * 1e3:g} and {_LATE_ONSET_S * 1e3:g} ms"
        note = "time zero may be wrong; required times count from it"
        early = seen.onset_s < _EARLY_ONSET_S
        seen_ms = f"{seen.onset_s * 1e3:.1f} ms"
        findings.append(
            Finding("warning", "time zero", file, f"{where}: onset", seen_ms, wanted, note, early)
        )
    if direction.family == "frontal":
        _check_length(seen, add)
    return findings


def _check_length(seen: Motion, add: Callable[..., None]) -> None:
    end = f"{seen.end_s * 1e3:.1f} ms"
    reached = np.isfinite(seen.free_flight_s) and seen.free_flight_s <= seen.end_s
    if not reached:
        # Held velocity would extrapolate: a required time must come from what was measured.
        short = seen.end_s < VELOCITY_WINDOW_S - 1e-4
        hard = -seen.velocity_change_m_s >= 8.0 / 3.6
        severity = "error" if short and hard else "warning"
        expected = f"long enough for free flight of {FREE_TRAVEL_M * 1e3:g} mm"
        if np.isfinite(seen.free_flight_s):
            expected += f" (about {seen.free_flight_s * 1e3:.0f} ms)"
        add(severity, "length", "end", end, expected, "the required time is not reached")
    elif seen.end_s < VELOCITY_WINDOW_S - 1e-4:
        expected = f"{VELOCITY_WINDOW_S * 1e3:g} ms or more"
        note = "the velocity change may be larger than seen"
        add("warning", "length", "end", end, expected, note)


def record_unit_is_si(channel: ChannelInfo) -> bool:
    """Whether the header gives the channel in m/s^2 (else in g)."""
    return channel.unit.strip().upper().startswith("M")


def codes(record: Record, channel: ChannelInfo) -> list[Finding]:
    """Check the side named in the description against the side of the attachment code."""
    place = place_of(channel)
    if not place.from_words or not place.side_by_code or not place.side:
        return []
    if place.side == place.side_by_code or "centre" in (place.side, place.side_by_code):
        return []
    note = "left and right may be exchanged"
    where = f"{channel.where}: side"
    expected = f"the side of its code {channel.attachment} ({place.side_by_code})"
    return [Finding("warning", "sides", record.path.name, where, place.side, expected, note)]


def compare_sides(record: Record, motions: dict[int, Motion], *, vehicle: int) -> list[Finding]:
    """Check that the channels of one vehicle agree in velocity change."""
    if len(motions) < 2:
        return []
    changes = {number: m.velocity_change_m_s for number, m in motions.items()}
    low, high = min(changes.values()), max(changes.values())
    largest = max(abs(low), abs(high))
    differ = (high - low) / largest if largest > 0 else 0.0
    seen = ", ".join(f"{n}: {v * 3.6:+.1f} km/h" for n, v in changes.items())
    return [
        Finding(
            "warning" if differ > _SIDES_DIFFER else "info",
            "velocity change",
            record.path.name,
            f"vehicle {vehicle}: channels against each other",
            seen,
            f"within {_SIDES_DIFFER:.0%} of each other",
        )
    ]
