"""Checks across the columns of a table: rate, unit, signs. They add to the check of all records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.records import quality
from crashsense.records.findings import Finding
from crashsense.records.front_sensors import (
    FASTEST_M_S,
    FRONT_CHANNELS,
    SURE_M_S,
    against_cell,
)
from crashsense.records.motion import RESTITUTION, Direction, Judged, peak_class_60, velocity_change
from crashsense.records.table import CENTRAL, Table
from crashsense.units import STANDARD_GRAVITY

#: Families in which the vehicle is struck and its cell moves as one.
_CRASHES = ("frontal", "side", "rear")
#: Families that need no 8 kHz: their events are slow.
_SLOW = ("rough_road", "rollover")
_SLOW_RATE_HZ = 2000.0
#: No crash that a person survives changes velocity by more [km/h] (practice): the unit is wrong.
_MOST_VELOCITY_CHANGE_KMH = 150.0
#: More than this without a stated closing speed is asked about [km/h] (practice).
_HARD_KMH = 90.0


def rate(table: Table, direction: Direction) -> list[Finding]:
    """Check the rate: impacts and blows need more than a ride over a rough road does."""
    file, where = table.path.name, "time_s"
    if direction.family in _SLOW:
        return quality.rate(where, table.rate_hz, file=file, wanted_hz=_SLOW_RATE_HZ)
    findings = quality.rate(where, table.rate_hz, file=file)
    if direction.family == "misuse" and table.rate_hz >= _SLOW_RATE_HZ:
        note = "enough for a ride, too little for a blow"
        findings = [replace(found, severity="info", note=note) for found in findings]
    return findings


def unit_in_doubt(
    table: Table, judged: Mapping[str, Judged], direction: Direction
) -> list[Finding]:
    """Look for values in m/s^2 under a name in g, where a whole cell moves.

    The velocity change shows it: a factor of ten is more than any closing speed allows. A struck
    vehicle changes its velocity by less than (1 + e) times the closing speed, whatever the masses.
    """
    if direction.family not in _CRASHES:
        return []
    findings = []
    closing_kmh = table.stated.closing_speed_kmh
    for name in ("central_x", "central_y", "rear_seat_crossmember_x", "central_safing_x"):
        if name not in judged:
            continue
        where, file = f"column {CHANNELS[name].file_name}", table.path.name
        note = "looks like m/s^2 given as g"
        change_kmh = 3.6 * abs(velocity_change(judged[name]))
        peak_g = peak_class_60(judged[name]) / STANDARD_GRAVITY
        limit, basis = _MOST_VELOCITY_CHANGE_KMH, "any crash"
        if closing_kmh is not None:
            limit = 2.0 * (1.0 + RESTITUTION[1]) * closing_kmh
            basis = f"twice (1 + e) x closing speed of {closing_kmh:g} km/h, e {RESTITUTION[1]:g}"
        seen = f"{change_kmh:.0f} km/h"
        if change_kmh > limit:
            expected = f"below {limit:.0f} km/h ({basis})"
            findings.append(
                Finding("error", "unit", file, f"{where}: velocity change", seen, expected, note)
            )
        elif peak_g > quality.BODY_PEAK_LIMIT_G:
            seen, expected = f"{peak_g:.0f} g", f"below {quality.BODY_PEAK_LIMIT_G:g} g (CFC 60)"
            findings.append(Finding("error", "unit", file, f"{where}: peak", seen, expected, note))
        elif closing_kmh is None and change_kmh > _HARD_KMH:
            expected = f"below {_HARD_KMH:g} km/h"
            note = "a hard crash, or m/s^2 given as g? state '# closing_speed_kmh: ...' to be sure"
            findings.append(
                Finding("warning", "unit", file, f"{where}: velocity change", seen, expected, note)
            )
    return findings


def signs(
    table: Table, judged: Mapping[str, Judged], direction: Direction, central: str | None
) -> list[Finding]:
    """Check signs between columns: one cell moves one way, a struck side is pushed away."""
    findings: list[Finding] = []
    file = table.path.name

    def add(severity: str, check: str, name: str, seen: str, expected: str, note: str) -> None:
        field = f"column {CHANNELS[name].file_name}"
        findings.append(Finding(severity, check, file, field, seen, expected, note))

    if direction.family not in _CRASHES:
        return findings
    moved = [name for name in judged if CHANNELS[name].unit == "m/s^2"]
    changes = {name: velocity_change(judged[name]) for name in moved}
    flipped = "sign looks flipped"
    for one, other in (
        (central, "rear_seat_crossmember_x"),
        (central, "central_safing_x"),
        ("central_y", "central_safing_y"),
    ):
        if one not in changes or other not in changes or one == other:
            continue
        sure = min(abs(changes[one]), abs(changes[other])) > SURE_M_S
        if sure and changes[one] * changes[other] < 0:
            seen = f"{3.6 * changes[other]:+.1f} km/h"
            expected = f"the sign of {CHANNELS[one].file_name} ({3.6 * changes[one]:+.1f} km/h)"
            add("error", "polarity", other, seen, expected, flipped)
    sideways = changes.get("central_y", 0.0)
    if not table.stated.family and abs(sideways) > max(SURE_M_S, abs(changes.get(CENTRAL, 0.0))):
        seen = f"{3.6 * sideways:+.1f} km/h, more than along x"
        note = "struck from the side? then state '# family: side'"
        add("warning", "family", "central_y", seen, "a frontal impact, as none is stated", note)
    if direction.family == "side" and abs(sideways) > SURE_M_S:
        side = _struck_side(table, judged)
        if side and sideways * (1.0 if side == "left" else -1.0) < 0:
            seen = f"{3.6 * sideways:+.1f} km/h"
            away = "right (+y)" if side == "left" else "left (-y)"
            expected = f"a car struck on its {side} to be pushed {away}"
            add("warning", "polarity", "central_y", seen, expected, flipped)
    for name in ("door_left_pressure", "door_right_pressure"):
        if name in judged and direction.family == "side":
            values = judged[name].values / 1000.0
            if values.min() < -1.0 and -values.min() > 2.0 * values.max():
                seen = f"{values.min():.1f} kPa at most"
                add("warning", "polarity", name, seen, "a door cavity that is compressed", flipped)
    return findings


def _struck_side(table: Table, judged: Mapping[str, Judged]) -> str:
    """The side that was struck: by the requirements, else by the side sensor that feels more."""
    required = _required_side(table)
    if required:
        return required
    peaks = {
        side: float(np.abs(judged[f"side_{side}_y"].values).max())
        for side in ("left", "right")
        if f"side_{side}_y" in judged
    }
    if len(peaks) == 2 and max(peaks.values()) > 2.0 * min(peaks.values()):
        return max(peaks, key=lambda side: peaks[side])
    return ""


def front_sensors(
    table: Table, judged: Mapping[str, Judged], direction: Direction, central: str | None
) -> list[Finding]:
    """Check sign and unit of front sensors by the central one: the front stops first and more."""
    if direction.family != "frontal" or central is None:
        return []
    return [
        finding
        for name in FRONT_CHANNELS.values()
        if name in judged
        for finding in against_cell(
            judged[name],
            judged[central],
            file=table.path.name,
            where=f"column {CHANNELS[name].file_name}",
            cell_name=CHANNELS[central].file_name,
        )
    ]


def side_sensors(table: Table, judged: Mapping[str, Judged], direction: Direction) -> list[Finding]:
    """Check sign, unit and side of side sensors: a struck side is pushed away, and feels more."""
    findings: list[Finding] = []
    if direction.family != "side":
        return findings
    file = table.path.name
    struck = _required_side(table)
    changes = {s: velocity_change(judged[n]) for s, n in _SIDES if n in judged}
    names = dict(_SIDES)
    for side, change in changes.items():
        field = f"column {CHANNELS[names[side]].file_name}: velocity change"
        seen = f"{change * 3.6:+.1f} km/h"
        if abs(change) > FASTEST_M_S:
            note = "looks like m/s^2 given as g"
            expected = f"below {FASTEST_M_S * 3.6:g} km/h"
            findings.append(Finding("warning", "side sensor", file, field, seen, expected, note))
        elif side == struck and abs(change) > SURE_M_S and (change > 0) != (side == "left"):
            away = "right (+y)" if side == "left" else "left (-y)"
            expected = f"a struck {side} side to be pushed {away}"
            note = "sign looks flipped"
            findings.append(Finding("warning", "side sensor", file, field, seen, expected, note))
    other = {"left": "right", "right": "left"}.get(struck, "")
    peaks = {s: float(np.abs(judged[names[s]].values).max()) for s in changes}
    if len(peaks) == 2 and other and peaks[other] > 2.0 * peaks[struck]:
        seen = f"{peaks[other] / STANDARD_GRAVITY:.0f} g on the {other}"
        expected = f"more on the {struck} ({peaks[struck] / STANDARD_GRAVITY:.0f} g), which fires"
        field = "columns side_left_y_g and side_right_y_g: peak"
        note = "left and right look exchanged"
        findings.append(Finding("warning", "sides", file, field, seen, expected, note))
    return findings


def swapped_axes(
    table: Table, judged: Mapping[str, Judged], direction: Direction, central: str | None
) -> list[Finding]:
    """Check that a car struck in front or behind moves mostly along x."""
    findings: list[Finding] = []
    if direction.family not in ("frontal", "rear") or central is None or not table.stated.family:
        return findings
    along = abs(velocity_change(judged[central]))
    for name in ("central_y", "central_z"):
        if name in judged and abs(velocity_change(judged[name])) > max(2.0, along):
            field = f"column {CHANNELS[name].file_name}: velocity change"
            seen = f"{velocity_change(judged[name]) * 3.6:+.1f} km/h"
            expected = f"less than along x ({along * 3.6:.1f} km/h) in a {direction.family} impact"
            note = "axes look swapped"
            findings.append(
                Finding("warning", "axes", table.path.name, field, seen, expected, note)
            )
    return findings


_SIDES = (("left", "side_left_y"), ("right", "side_right_y"))


def _required_side(table: Table) -> str:
    """The side that must fire, as the file states it; empty if it states none or both."""
    fires = {
        side
        for side in ("left", "right")
        for restraint, entry in table.stated.requirements.items()
        if restraint.endswith(side) and entry.expectation == "fire"
    }
    return fires.pop() if len(fires) == 1 else ""
