"""Choice of the channels used as the central sensor: by location and by measured quality.

Every longitudinal channel of the passenger cell that has a file is read and checked. One that fails
the check is passed over; among the others the stiffest place wins
(:data:`~crashsense.records.locations.CENTRAL_PLACES`), primary before redundant, rear before front,
one channel a side. The ranking is part of the findings, with its reasons.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo, Record
from crashsense.records.locations import (
    CENTRAL_PLACES,
    FAILED_STATUS,
    UNKNOWN,
    Place,
    is_body_acceleration,
    is_failed,
    place_of,
)
from crashsense.records.motion import Judged, Motion, expected_velocity_change, struck_from
from crashsense.records.signal_checks import velocity_at

#: Times at which velocities are compared [s].
_COMPARED_S = np.arange(0.010, 0.1001, 0.005)
#: Places of one cell agree within this part of the velocity change; beyond the second the odd one
#: is not believed. A cell that yaws at 3 rad/s moves its sills by 2 m/s against each other
#: (practice).
_AGREE, _DISAGREE = 0.10, 0.25


@dataclass(frozen=True)
class Choice:
    """A channel taken for the central sensor, and why."""

    channel: ChannelInfo
    place: Place
    side: str
    why: str
    asked_for: bool


@dataclass(frozen=True, eq=False)
class Candidate:
    """A channel that was read and checked: what it is, and how it measured.

    ``judged`` and ``motion`` are None where the file could not be read; ``faults`` then says why.
    """

    info: ChannelInfo
    place: Place
    file: str
    judged: Judged | None
    motion: Motion | None
    findings: tuple[Finding, ...]
    faults: tuple[Fault, ...] = ()

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why the channel may not set a requirement, in short; empty for a sound one."""
        told = [f"{fault.field}: {fault.expected}" for fault in self.faults]
        told += [
            f"{f.check}: {f.value}" + (f" ({f.note})" if f.note else "")
            for f in self.findings
            if f.severity == "error" or f.disqualifies
        ]
        return tuple(told)

    @property
    def is_sound(self) -> bool:
        """Whether the channel passes the check."""
        return self.judged is not None and not self.doubts

    @property
    def is_filtered(self) -> bool:
        """Whether it was filtered before it was written."""
        return any(f.check == "filtered" for f in self.findings)

    @property
    def order(self) -> tuple[object, ...]:
        """Sorting key: sound ones first, unfiltered, then by place, primary, rear, number."""
        places = list(CENTRAL_PLACES)
        rank = places.index(self.place.place) if self.place.place in places else len(places)
        end = {"rear": 0, "": 1, "front": 2}[self.place.end]
        redundant = self.info.redundant
        return (
            not self.is_sound, self.is_filtered, rank, redundant, end, self.info.number
        )  # fmt: skip


def listed(record: Record, vehicle: int) -> list[ChannelInfo]:
    """Channels of a vehicle that may be used as the central sensor, as the header lists them.

    Longitudinal, at a place of the cell, with a file, not marked as failed; those that stop early
    only where no other lasts.
    """
    usable = [
        c
        for c in record.channels
        if is_body_acceleration(c, "x")
        and c.vehicle == vehicle
        and not is_failed(c)
        and c.number in record.files
    ]
    known = [c for c in usable if place_of(c).place in CENTRAL_PLACES]
    if not known and len(usable) == 1 and place_of(usable[0]).place == UNKNOWN:
        # The only channel, at an unknown place: taken, and reported.
        known = usable
    short = short_ones(record)
    return [c for c in known if c.number not in short] or known


def short_ones(record: Record) -> frozenset[int]:
    """Numbers of the channels that stop well before the others along x do, as the header says."""
    ends = {
        c.number: c.last_point * c.step_s
        for c in record.channels
        if is_body_acceleration(c, "x") and c.last_point is not None and c.step_s is not None
    }
    longest = max(ends.values(), default=0.0)
    return frozenset(number for number, end in ends.items() if end < 0.9 * longest)


def best_of(candidates: list[Candidate]) -> list[Choice]:
    """Return the channels at the best place, one per side; sound channels before all others."""
    sound = [c for c in candidates if c.is_sound] or candidates
    ranked = sorted(sound, key=lambda c: c.order)
    if not ranked:
        return []
    first = ranked[0]
    here = [
        c
        for c in ranked
        if c.place.place == first.place.place and c.is_filtered == first.is_filtered
    ]
    best: dict[str, Candidate] = {}
    for candidate in here:
        best.setdefault(candidate.place.side, candidate)
    if set(best) - {""}:
        best.pop("", None)
    if {"left", "right"} & set(best):
        best.pop("centre", None)
    name = first.place.place
    if name == UNKNOWN:
        why = "the only longitudinal channel; its place is unknown"
        return [Choice(c.info, c.place, side, why, False) for side, c in sorted(best.items())]
    rank = list(CENTRAL_PLACES).index(name) + 1
    why = f"{name.replace('_', ' ')}: {CENTRAL_PLACES[name]} (rank {rank} of {len(CENTRAL_PLACES)})"
    return [Choice(c.info, c.place, side, why, False) for side, c in sorted(best.items())]


def agreement(record: Record, candidates: list[Candidate], *, vehicle: int) -> dict[int, Finding]:
    """Compare the velocities of a vehicle's channels with each other and with the header.

    Returns channel number -> finding, for those that stand apart. Of three or more the odd one out
    is identified by the median of the others; of two, by the header's closing speed.
    """
    read = [c for c in candidates if c.judged is not None and c.motion is not None]
    curves = {
        c.info.number: velocity_at(c.judged, _COMPARED_S) for c in read if c.judged is not None
    }
    if len(curves) < 2:
        return {}
    direction = struck_from(record, vehicle)
    expected = expected_velocity_change(record, vehicle)
    found: dict[int, Finding] = {}
    for candidate in read:
        others = [curves[c.info.number] for c in read if c is not candidate and c.is_sound]
        if not others:
            continue
        middle = np.median(np.stack(others), axis=0)
        size = float(np.abs(middle).max())
        if size < 0.3:
            continue
        apart = float(np.sqrt(np.mean((curves[candidate.info.number] - middle) ** 2))) / size
        if apart <= _DISAGREE:
            continue
        odd = len(others) >= 2
        if not odd and expected is not None and direction.family in ("frontal", "rear"):
            assert candidate.motion is not None  # noqa: S101 - read ones have it
            mine = abs(candidate.motion.velocity_change_m_s)
            odd = not 0.75 * expected.low_m_s <= mine <= 1.25 * expected.high_m_s
        found[candidate.info.number] = Finding(
            "warning",
            "agreement",
            candidate.file,
            f"{candidate.info.where}: velocity to 100 ms",
            f"{apart:.0%} from the other channels of the cell",
            f"within {_DISAGREE:.0%} ({_AGREE:.0%} is usual)",
            "the odd one out" if odd else "one of them is wrong",
            odd,
        )
    return found


def ranking(record: Record, candidates: list[Candidate], taken: set[int]) -> list[Finding]:
    """State for each channel its rank and why it was taken or passed over."""
    findings = []
    for rank, candidate in enumerate(sorted(candidates, key=lambda c: c.order), start=1):
        info = candidate.info
        where = f"channel {info.number} ({candidate.place.words}): rank {rank}"
        if info.number in taken:
            state = "taken"
        elif candidate.doubts:
            state = "passed over: " + "; ".join(candidate.doubts)[:200]
        elif candidate.is_filtered:
            state = "passed over: already filtered"
        else:
            state = "passed over: a better place, or the same place and side, is there"
        told = "; ".join(_figures(candidate))
        warn = bool(candidate.doubts) and info.number not in taken
        findings.append(
            Finding(
                "warning" if warn else "info",
                "ranking",
                record.path.name,
                where,
                state,
                "a sound channel at a stiff place of the cell",
                told,
            )
        )
    return findings


def _figures(candidate: Candidate) -> list[str]:
    moved = candidate.motion
    if moved is None:
        return ["not read"]
    return [
        f"velocity change {moved.velocity_change_m_s * 3.6:+.1f} km/h",
        f"peak {moved.peak_class_60_g:.0f} g (class 60)",
        f"ringing {moved.ringing:.2f}",
    ]


def refused(record: Record, channel: ChannelInfo) -> Finding:
    """Report that a channel was left out because of what the header says about it."""
    what = FAILED_STATUS.get(channel.status, "shorter than the others")
    until = (
        f", last point at {channel.last_point * channel.step_s * 1e3:.1f} ms"
        if channel.last_point is not None and channel.step_s is not None
        else ""
    )
    return Finding(
        "info",
        "channel status",
        record.path.name,
        f"channel {channel.number} ({place_of(channel).words})",
        f"{channel.status} ({what}{until})",
        "a sound channel",
        "refused for sensing unless asked for by its number; never padded",
    )


def nothing_usable(record: Record) -> Fault:
    """The fault of a record in which no channel can be used as the central sensor."""
    longitudinal = [c for c in record.channels if is_body_acceleration(c, "x")]
    file = record.path.name
    expected = (
        f"a longitudinal acceleration channel of the body ({', '.join(CENTRAL_PLACES)}) with a "
        f"file {record.path.stem}.NNN beside the header, or a channel asked for by number"
    )
    if not longitudinal:
        return Fault(file, "channels", f"{len(record.channels)} listed, none suits", expected)
    without = [c.number for c in longitudinal if c.number not in record.files]
    shown = ", ".join(str(n) for n in without[:8]) + (" ..." if len(without) > 8 else "")
    seen = f"{len(longitudinal)} longitudinal body channels listed"
    if without:
        seen += f", no file for {shown}"
    present = [c for c in longitudinal if c.number in record.files]
    if present:
        seen += ", with a file: " + ", ".join(
            f"{c.number} ({'failed' if is_failed(c) else place_of(c).words})" for c in present[:8]
        )
    return Fault(file, "channels", seen, expected)


# --- asked for ----------------------------------------------------------------------------------


def asked_for(record: Record, wish: object) -> dict[int, list[Choice]]:
    """Return the channels that a user named: vehicle -> choices.

    *wish* is a number, several (list, or ``"93,94"``), a place (``"sill"``) or words from
    the channel's description (``"left rear sill"``, ``"b-pillar"``).
    """
    faults: list[Fault] = []
    wanted: list[ChannelInfo] = []
    for item in _items(wish):
        found, fault = _find(record, item)
        wanted += [c for c in found if c not in wanted]
        if fault is not None:
            faults.append(fault)
    if faults:
        raise InputError(faults)
    chosen: dict[int, list[Choice]] = {}
    for info in wanted:
        place = place_of(info)
        choices = chosen.setdefault(info.vehicle, [])
        taken = {choice.side for choice in choices}
        side = place.side if place.side not in taken else f"{place.side}_{info.number}".strip("_")
        why = f"{place.words}: asked for"
        choices.append(Choice(info, place, side, why, True))
    return chosen


def _items(wish: object) -> list[str]:
    parts = wish if isinstance(wish, (list, tuple, set, frozenset)) else str(wish).split(",")
    return [str(part).strip() for part in parts if str(part).strip()]


def _find(record: Record, item: str) -> tuple[list[ChannelInfo], Fault | None]:
    file = record.path.name
    if re.fullmatch(r"\d{1,9}", item):
        info = record.channel(int(item))
        with_file = ", ".join(str(n) for n in sorted(record.files)[:12]) or "none"
        if info is None:
            expected = f"a channel that the header lists; files are here for: {with_file}"
            return [], Fault(file, "channel", item, expected)
        if not is_body_acceleration(info, "x"):
            expected = "a longitudinal (x) acceleration of the vehicle body"
            seen = f"{item} ({info.sensor or '?'} {info.axis or '?'} at {info.attachment or '?'})"
            return [], Fault(file, "channel", seen, expected)
        if info.number not in record.files:
            expected = f"a file {record.path.stem}.{info.number:03d} beside the header"
            return [], Fault(file, f"channel {item}", "no file", expected)
        return [info], None
    present = [
        c
        for c in record.channels
        if is_body_acceleration(c, "x")
        and c.number in record.files
        and not is_failed(c)
        and not c.redundant
    ]
    name = item.lower().replace("-", "_").replace(" ", "_")
    here = [c for c in present if name in (place_of(c).place, c.attachment.lower())]
    if not here:
        wanted = _words(item)
        here = [c for c in present if wanted and wanted <= _words_of(c)]
    if here:
        return here, None
    known = {place_of(c).place for c in record.channels if c.number in record.files}
    expected = f"a channel number or a place, {nearest(name, known or set(CENTRAL_PLACES))}"
    return [], Fault(file, "channel", item, expected)


def _words(text: str) -> set[str]:
    """Words of a wish or a description, singular, spelled alike."""
    plain = re.sub(r"\b(CROSS|X)[ -]?MEMBER\b", "CROSSMEMBER", text.upper())
    plain = re.sub(r"\bC[. ]?G\.?(?=\s|$)", "CG", plain).replace("_", " ")
    alike = {"CENTER": "CENTRE", "ROCKER": "SILL", "FLOORPAN": "FLOOR", "PAN": "FLOOR"}
    found = re.findall(r"[A-Z0-9]+", plain)
    return {alike.get(word, word).removesuffix("S") or word for word in found}


def _words_of(channel: ChannelInfo) -> set[str]:
    place = place_of(channel)
    told = " ".join((channel.words, channel.attachment, place.words, place.side, place.end))
    return _words(told)


def another_vehicle(
    record: Record, motions: Mapping[int, Motion], *, odd: Mapping[int, Finding]
) -> list[Finding]:
    """Check whether a channel that stands apart moves like another vehicle of the record."""
    findings = []
    for number in odd:
        info = record.channel(number)
        if info is None:
            continue
        mine = motions[number].velocity_change_m_s
        for vehicle in {c.vehicle for c in record.channels} - {info.vehicle, 0}:
            theirs = [
                motions[c.number].velocity_change_m_s
                for c in record.channels
                if c.vehicle == vehicle and c.number in motions and c.number not in odd
            ]
            if theirs and abs(mine - float(np.median(theirs))) <= 0.1 * abs(
                float(np.median(theirs))
            ):
                findings.append(
                    Finding(
                        "warning",
                        "agreement",
                        record.path.name,
                        f"channel {number}: vehicle",
                        f"vehicle {info.vehicle}, {mine * 3.6:+.1f} km/h",
                        f"a motion of vehicle {info.vehicle}",
                        f"it moves as vehicle {vehicle} does: is it a channel of that one?",
                        True,
                    )
                )
    return findings
