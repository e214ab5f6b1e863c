"""The longitudinal motion of a vehicle: expected from the header, and measured by a channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.filters.channel_class import channel_class_filter
from crashsense.occupant import FREE_TRAVEL_M, flight_times
from crashsense.records.findings import Finding
from crashsense.records.header import Record
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY

#: Restitution of a frontal crash lies between these [-] (practice).
RESTITUTION = (0.0, 0.4)
#: Window in which the velocity change counts [s].
VELOCITY_WINDOW_S = 0.150


@dataclass(frozen=True)
class Direction:
    """From where a vehicle was struck, and how that is known."""

    family: str
    basis: str


@dataclass(frozen=True)
class Expected:
    """Range of the velocity change expected from the header [m/s], and in words."""

    low_m_s: float
    high_m_s: float
    words: str
    oblique: bool


def struck_from(record: Record, vehicle: int) -> Direction:
    """Determine from where a vehicle was struck: damage code, direction of force, impact angle.

    Where the header says nothing, a frontal event is assumed.
    """
    if record.family:
        return Direction(record.family, record.family_basis)
    info = record.vehicle(vehicle)
    sides = {"F": "frontal", "B": "rear", "L": "side", "R": "side"}
    if info is not None and len(info.damage_code) >= 3 and info.damage_code[2] in sides:
        return Direction(sides[info.damage_code[2]], f"damage code {info.damage_code}")
    if info is not None and info.force_direction_deg is not None:
        family = _family_of_angle(info.force_direction_deg)
        if family != "frontal":
            return Direction(family, f"direction of force {info.force_direction_deg:g} deg")
    if len(record.vehicles) <= 1 and record.test.impact_angle_deg is not None:
        family = _family_of_angle(record.test.impact_angle_deg)
        return Direction(family, f"impact angle {record.test.impact_angle_deg:g} deg")
    if info is not None and info.force_direction_deg is not None:
        return Direction("frontal", f"direction of force {info.force_direction_deg:g} deg")
    if info is not None and info.struck_from:
        return Direction(info.struck_from, info.struck_basis)
    return Direction("frontal", "assumed: the header does not say")


def role(record: Record, vehicle: int) -> str:
    """Say which role a vehicle had in a crash of two: ``striking``, ``struck`` or ``head-on``.

    A vehicle that stood, or was hit in its side or from behind, was struck; the one that drove into
    it with its front struck. Two that met with their fronts and both moved met head-on. Empty for
    one vehicle alone, or where the header does not tell.
    """
    others = [v for v in record.vehicles if v.number != vehicle]
    me = record.vehicle(vehicle)
    if me is None or len(others) != 1:
        return ""
    fronts = [struck_from(record, v.number).family == "frontal" for v in (me, others[0])]
    speeds = [v.speed_kmh for v in (me, others[0])]
    if not fronts[0] or speeds[0] == 0.0:
        return "struck" if fronts[1] and speeds[1] != 0.0 else ""
    if not fronts[1] or speeds[1] == 0.0:
        return "striking"
    return "head-on" if None not in speeds else ""


def _family_of_angle(angle_deg: float) -> str:
    """0 deg is from the front, 90 from the right, 180 from behind (clockwise)."""
    angle = abs((angle_deg + 180.0) % 360.0 - 180.0)
    return "frontal" if angle <= 45.0 else "rear" if angle >= 135.0 else "side"


def is_fixed_obstacle(record: Record, vehicle: int) -> bool:
    """True if the vehicle drove into something fixed, as far as the header says."""
    info = record.vehicle(vehicle)
    return len(record.vehicles) <= 1 and (
        record.test.configuration in ("VTB", "VTP", "VTW")
        or (
            bool(record.barriers)
            and record.test.configuration not in ("ITV", "VTV")
            # A vehicle at rest was struck by something that moved.
            and (info is None or info.speed_kmh != 0.0)
        )
    )


def expected_velocity_change(record: Record, vehicle: int) -> Expected | None:
    """Return the change expected from the header: (1 + e) m_other / (m1 + m2) x closing speed.

    A fixed barrier counts as infinitely heavy (ratio 1). None where mass or closing speed is
    missing.
    """
    closing = record.test.closing_speed_kmh
    info = record.vehicle(vehicle)
    fixed = is_fixed_obstacle(record, vehicle)
    if closing is None and fixed and info is not None and info.speed_kmh:
        closing = abs(info.speed_kmh)
    if closing is None:
        return None
    if fixed:
        ratio, words = 1.0, "fixed barrier"
        barrier_angle = record.barriers[0].angle_deg if record.barriers else None
        angles = [record.test.impact_angle_deg, barrier_angle]
    else:
        others = [v for v in record.vehicles if v.number != vehicle]
        if info is None or info.mass_kg is None or len(others) != 1 or others[0].mass_kg is None:
            return None
        ratio = others[0].mass_kg / (info.mass_kg + others[0].mass_kg)
        words = f"masses {info.mass_kg:g} and {others[0].mass_kg:g} kg"
        angles = [record.test.impact_angle_deg]
    oblique = any(a is not None and abs((a + 90.0) % 180.0 - 90.0) > 5.0 for a in angles)
    speed = closing / 3.6
    return Expected(
        (1.0 + RESTITUTION[0]) * ratio * speed,
        (1.0 + RESTITUTION[1]) * ratio * speed,
        f"closing speed {closing:g} km/h, {words}",
        oblique,
    )


@dataclass(frozen=True, eq=False)
class Judged:
    """A channel with its offset removed, and what was noticed."""

    values: FloatArray
    rate_hz: float
    start_s: float
    offset: float
    findings: tuple[Finding, ...]

    @property
    def end_s(self) -> float:
        """Time of the last sample [s]."""
        return self.start_s + (self.values.size - 1) / self.rate_hz

    @property
    def contact(self) -> int:
        """Sample of time zero; the first or last one where time zero lies outside."""
        return int(np.clip(round(-self.start_s * self.rate_hz), 0, self.values.size - 1))


#: Least level that counts as contact [g]; and over the noise before contact [-].
_CONTACT_G, _OVER_NOISE = 0.3, 5.0
#: Length of the window over which energy is counted, and how long it must hold [s].
_ENERGY_S, _HELD_S = 0.001, 0.003


def onset_by_energy(judged: Judged) -> float:
    """Return the onset of energy [s]; NaN if there is none.

    The rms over 1 ms reaches five times the noise (rms of the first half of what lies before time
    zero, at least 0.3 g) and stays above it on average over the next 3 ms. A level may be crossed
    by one spike, or late by a slow pulse under much noise; energy says when the body began to move.
    """
    rate, values = judged.rate_hz, judged.values
    width = max(2, round(_ENERGY_S * rate))
    quiet = values[: max(0, round(-judged.start_s * rate) // 2)]
    noise = float(quiet.std()) if quiet.size >= width else 0.0
    limit = max(_OVER_NOISE * noise, _CONTACT_G * STANDARD_GRAVITY)
    if values.size < 2 * width:
        return float("nan")
    total = np.concatenate(([0.0], np.cumsum(values**2)))
    power = (total[width:] - total[:-width]) / width
    held = max(width, round(_HELD_S * rate))
    padded = np.concatenate((total, np.full(held, total[-1])))
    later = (padded[width + held :] - padded[width:-held]) / held
    above = (power >= limit**2) & (later[: power.size] >= limit**2)
    if not above.any():
        return float("nan")
    return judged.start_s + (int(np.argmax(above)) + width - 1) / rate


@dataclass(frozen=True)
class Motion:
    """The vehicle's motion as measured by the longitudinal channel.

    ``velocity_change_m_s`` is signed and the largest within :data:`VELOCITY_WINDOW_S` of contact;
    ``ringing`` is the rms above class 60 over the class 60 peak; ``onset_s`` the first time at
    which class 60 reaches 1 g or a twentieth of its peak.
    """

    velocity_change_m_s: float
    peak_class_60_g: float
    free_flight_s: float
    end_s: float
    ringing: float
    onset_s: float


def velocity_change(judged: Judged) -> float:
    """Largest velocity change within :data:`VELOCITY_WINDOW_S` of contact, signed [m/s]."""
    first, rate = judged.contact, judged.rate_hz
    after = judged.values[first : first + round(VELOCITY_WINDOW_S * rate) + 1]
    velocity = cumulative_trapezoid(after, step_s=1.0 / rate)
    return float(velocity[np.argmax(np.abs(velocity))])


def peak_class_60(judged: Judged) -> float:
    """Largest class 60 value of the whole channel [m/s^2]."""
    smooth = channel_class_filter(judged.values, rate_hz=judged.rate_hz, channel_class=60)
    return float(np.abs(smooth).max())


def motion(judged: Judged) -> Motion:
    """Integrate from contact: velocity change, free flight, CFC 60 peak, ringing.

    ``ringing`` is the rms above class 60 from 0 to 100 ms, over the class 60 peak [-].
    """
    rate = judged.rate_hz
    first = judged.contact
    after = judged.values[first:]
    whole = channel_class_filter(judged.values, rate_hz=rate, channel_class=60)
    smooth = whole[first:]
    peak = float(np.abs(smooth).max())
    rising = np.abs(whole) >= min(STANDARD_GRAVITY, 0.05 * float(np.abs(whole).max()))
    onset = int(np.argmax(rising))
    span = round(0.1 * rate) + 1
    rough = float(np.sqrt(np.mean((after[:span] - smooth[:span]) ** 2)))
    flight = float(
        flight_times(-judged.values, rate_hz=rate, start_s=judged.start_s, travel_m=FREE_TRAVEL_M)
    )
    return Motion(
        velocity_change_m_s=velocity_change(judged),
        peak_class_60_g=peak / STANDARD_GRAVITY,
        free_flight_s=flight,
        end_s=judged.end_s,
        ringing=rough / peak if peak > 0 else 0.0,
        onset_s=judged.start_s + onset / rate,
    )
