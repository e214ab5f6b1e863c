"""Read and check the channels of a record, and choose those that its events are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from crashsense.errors import Fault, InputError
from crashsense.records import quality
from crashsense.records.choice import (
    Candidate,
    Choice,
    agreement,
    another_vehicle,
    asked_for,
    best_of,
    listed,
    nothing_usable,
    ranking,
    refused,
    short_ones,
)
from crashsense.records.findings import Finding
from crashsense.records.formats import reader_of
from crashsense.records.front_sensors import against_cell, front_channels
from crashsense.records.header import ChannelInfo, Record
from crashsense.records.locations import (
    CENTRAL_PLACES,
    UNKNOWN,
    axis_of,
    is_body_acceleration,
    is_failed,
    place_of,
)
from crashsense.records.motion import Judged, Motion, motion, struck_from


@dataclass(frozen=True, eq=False)
class ReadChannel:
    """A channel that was read: what the file holds, judged."""

    info: ChannelInfo
    judged: Judged
    file: str


@dataclass(frozen=True, eq=False)
class Reading:
    """One record read in full: per vehicle the chosen channels, and all findings.

    ``cell`` maps a chosen channel to the one whose motion the requirement is taken from: itself, or
    a channel of the passenger cell where the chosen one sits elsewhere; None where no channel may
    set one, and ``why_none`` says why.
    """

    record: Record
    chosen: Mapping[int, list[Choice]]
    channels: Mapping[int, ReadChannel]
    motions: Mapping[int, Motion]
    cell: Mapping[int, int | None]
    why_none: Mapping[int, str]
    candidates: Mapping[int, Candidate]
    findings: tuple[Finding, ...]


class Pool:
    """The channels of one record that were read and checked, each once."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.known: dict[int, Candidate] = {}

    def measure(self, info: ChannelInfo) -> Candidate:
        """Read, judge and check one channel along x."""
        if info.number not in self.known:
            findings, read, faults = _one_channel(self.record, info)
            moved = None
            if read is not None:
                moved = motion(read.judged)
                findings += quality.plausibility(self.record, info, read.judged, file=read.file)
                findings += quality.codes(self.record, info)
            self.known[info.number] = Candidate(
                info,
                place_of(info),
                read.file if read is not None else self.record.path.name,
                read.judged if read is not None else None,
                moved,
                tuple(findings),
                faults,
            )
        return self.known[info.number]

    def add(self, number: int, finding: Finding) -> None:
        """Add a finding to a channel that was measured."""
        found = self.known[number]
        self.known[number] = replace(found, findings=(*found.findings, finding))


def read_channels(record: Record, *, channel: object, required_from: object) -> Reading:
    """Read and check a record's channels and choose among them, or take those asked for."""
    record = _struck_by_channels(record)
    wished = channel is not None and channel != "" and channel != ()
    asked = asked_for(record, channel) if wished else {}
    setting = _set_by(record, required_from)
    findings = [*record.findings, *quality.header(record)]
    pool = Pool(record)
    in_x = [c for c in record.channels if is_body_acceleration(c, "x")]
    vehicles = sorted({c.vehicle for c in in_x} | {v.number for v in record.vehicles})
    members: dict[int, list[int]] = {}
    for vehicle in vehicles:
        if wished and vehicle not in asked:
            continue
        infos = listed(record, vehicle) + [c.channel for c in asked.get(vehicle, [])]
        infos += [info for info in setting if info.vehicle == vehicle]
        members[vehicle] = list(dict.fromkeys(info.number for info in infos))
        found = [pool.measure(info) for info in infos if info.number not in pool.known]
        cell = [c for c in found if c.place.place in (*CENTRAL_PLACES, UNKNOWN)]
        odd = agreement(record, cell, vehicle=vehicle)
        for number, finding in odd.items():
            pool.add(number, finding)
    motions = {n: c.motion for n, c in pool.known.items() if c.motion is not None}
    odd_ones = {n: f for n, c in pool.known.items() for f in c.findings if f.check == "agreement"}
    for finding in another_vehicle(record, motions, odd=odd_ones):
        findings.append(finding)
    chosen: dict[int, list[Choice]] = {}
    for vehicle, numbers in members.items():
        mine = [pool.known[n] for n in numbers]
        choices = asked.get(vehicle) or best_of(
            [c for c in mine if c.info in listed(record, vehicle)]
        )
        if choices:
            chosen[vehicle] = choices
        elif len(record.vehicles) > 1:
            expected = "a longitudinal body channel with a file"
            note = "no event for this vehicle"
            where = f"vehicle {vehicle}"
            findings.append(
                Finding("info", "channels", record.path.name, where, None, expected, note)
            )
    if not chosen:
        raise InputError([nothing_usable(record)])
    taken = {c.channel.number for choices in chosen.values() for c in choices}
    short = short_ones(record)
    if not wished:
        findings += [
            refused(record, info)
            for info in in_x
            if info.number not in taken
            and place_of(info).place not in ("other", UNKNOWN)
            and (is_failed(info) or (info.number in short and info.number in record.files))
        ]
    return _finish(record, pool, chosen, findings, setting, members)


#: Velocity changes below this tell no direction [m/s]; how much more along y is a side impact.
_SURE_M_S, _SIDEWAYS = 1.5, 1.5


def _struck_by_channels(record: Record) -> Record:
    """Infer from where each of two vehicles was struck if the header does not say.

    A vehicle struck from behind is driven forward while the other is slowed: their velocity changes
    along x have opposite signs. A vehicle that moves more along y than along x was struck in its
    side. If the channels are ambiguous, an impact angle of about 90 or 270 degrees tells which one
    was struck in its side; else the default assumption holds.
    """
    silent = [
        v for v in record.vehicles if struck_from(record, v.number).basis.startswith("assumed")
    ]
    if len(record.vehicles) != 2 or not silent:
        return record
    along = {v.number: _change(record, v.number, "x") for v in record.vehicles}
    across = {v.number: _change(record, v.number, "y") for v in record.vehicles}
    told = {}
    for vehicle in silent:
        mine = along[vehicle.number]
        others = [change for number, change in along.items() if number != vehicle.number]
        if abs(across[vehicle.number]) > max(_SURE_M_S, _SIDEWAYS * abs(mine)):
            basis = f"it moved {across[vehicle.number] * 3.6:+.1f} km/h along y, more than along x"
            told[vehicle.number] = ("side", basis)
        elif mine > _SURE_M_S and others[0] < -_SURE_M_S:
            basis = f"it was driven forward ({mine * 3.6:+.1f} km/h) while the other was slowed"
            told[vehicle.number] = ("rear", basis)
    if not told:
        told = _struck_by_angle(record, [vehicle.number for vehicle in silent])
    vehicles = tuple(
        replace(v, struck_from=told[v.number][0], struck_basis=told[v.number][1])
        if v.number in told
        else v
        for v in record.vehicles
    )
    return replace(record, vehicles=vehicles)


#: Impact angles so near to a right one tell a side impact [deg]. Near 0 and 180 they tell nothing:
#: whether 0 is head-on or the same way is not sure (guide of the format, from memory).
_RIGHT_ANGLE_DEG = 30.0


def _struck_by_angle(record: Record, silent: list[int]) -> dict[int, tuple[str, str]]:
    """The vehicle that was struck in its side, where the impact angle of two is about a right one.

    It is the one that stood; if both or neither did the second, as the format numbers the striking
    vehicle first (from memory).
    """
    angle = record.test.impact_angle_deg
    if angle is None or abs(abs((angle + 180.0) % 360.0 - 180.0) - 90.0) > _RIGHT_ANGLE_DEG:
        return {}
    still = [v.number for v in record.vehicles if v.speed_kmh == 0.0]
    struck = still[0] if len(still) == 1 else record.vehicles[-1].number
    if struck not in silent:
        return {}
    why = "it stood" if len(still) == 1 else "the second vehicle, assumed"
    return {struck: ("side", f"impact angle {angle:g} deg between two vehicles; {why}")}


def _change(record: Record, vehicle: int, axis: str) -> float:
    """Median velocity change of a vehicle's channels of the cell along an axis [m/s]; 0: none."""
    found = []
    for info in _usable(record, vehicle, axis):
        if place_of(info).place not in CENTRAL_PLACES:
            continue
        try:
            samples = reader_of(record).read_channel(record, info)
        except InputError:
            continue  # told where the channel is used
        if any(f.severity == "error" for f in quality.integrity(record, info, samples)):
            continue
        found.append(motion(quality.remove_offset(info, samples)).velocity_change_m_s)
    return sorted(found)[len(found) // 2] if found else 0.0


def _set_by(record: Record, required_from: object) -> list[ChannelInfo]:
    """The channels that a user named for the required time."""
    if required_from is None or required_from == "":
        return []
    found = asked_for(record, required_from)
    return [choice.channel for choices in found.values() for choice in choices]


def _finish(
    record: Record,
    pool: Pool,
    chosen: dict[int, list[Choice]],
    findings: list[Finding],
    setting: list[ChannelInfo],
    members: Mapping[int, list[int]],
) -> Reading:
    """Add companions and the channel that sets the requirement; raise what cannot be read."""
    channels: dict[int, ReadChannel] = {}
    faults: list[Fault] = []
    cell: dict[int, int | None] = {}
    why_none: dict[int, str] = {}

    def use(number: int) -> None:
        found = pool.known[number]
        if number not in channels and found.judged is not None:
            channels[number] = ReadChannel(found.info, found.judged, found.file)

    for vehicle, choices in chosen.items():
        for choice in choices:
            findings.append(_taken(record, choice))
            number = choice.channel.number
            mine = pool.known[number]
            findings.extend(mine.findings)
            faults.extend(mine.faults)
            use(number)
        moved = {
            c.channel.number: m
            for c in choices
            if (m := pool.known[c.channel.number].motion) is not None
        }
        if not any(choice.asked_for for choice in choices):
            findings += quality.compare_sides(record, moved, vehicle=vehicle)
            candidates = [pool.known[n] for n in members[vehicle]]
            if len(candidates) > 1:
                taken = {c.channel.number for c in choices}
                findings += ranking(record, candidates, taken)
        for choice in choices:
            number = choice.channel.number
            if number not in channels:
                continue
            source, found = _source(record, pool, choice, setting, members[vehicle])
            findings += found
            cell[number] = source
            if source is None:
                why_none[number] = "; ".join(pool.known[number].doubts)[:200]
            else:
                use(source)
        for companion in _companions(record, vehicle, choices):
            found, faulty = _add_companion(record, companion, choices, moved, channels)
            findings += found
            faults += faulty
        findings += _front_sensors(record, vehicle, choices, channels)
    if faults:
        raise InputError([*faults, *(f.fault() for f in findings if f.severity == "error")])
    motions = {n: c.motion for n, c in pool.known.items() if c.motion is not None}
    return Reading(
        record, chosen, channels, motions, cell, why_none, dict(pool.known),
        tuple(dict.fromkeys(findings)),
    )  # fmt: skip


def _add_companion(
    record: Record,
    companion: ChannelInfo,
    choices: list[Choice],
    moved: Mapping[int, Motion],
    channels: dict[int, ReadChannel],
) -> tuple[list[Finding], list[Fault]]:
    """Read a companion into *channels*, unless it contradicts the chosen ones."""
    findings: list[Finding] = []
    faults: tuple[Fault, ...] = ()
    read = channels.get(companion.number)
    if read is None:
        findings, read, faults = _one_channel(record, companion)
    if read is None:
        return findings, list(faults)
    channels[companion.number] = read
    findings = [
        *findings,
        *_too_short(record, read, choices, channels),
        *_crossed(record, read, moved),
    ]
    against = _against(record, read, moved) if axis_of(companion) == "X" else None
    if against is not None:
        findings.append(against)
        channels.pop(companion.number, None)
    return findings, list(faults)


def _front_sensors(
    record: Record, vehicle: int, choices: list[Choice], channels: dict[int, ReadChannel]
) -> list[Finding]:
    """Read sound front sensors of a vehicle that was struck in its front into *channels*."""
    cell = next((channels[n] for c in choices if (n := c.channel.number) in channels), None)
    if cell is None or struck_from(record, vehicle).family != "frontal":
        return []
    findings: list[Finding] = []
    for info in front_channels(_usable(record, vehicle, "x")).values():
        found, read, faults = _one_channel(record, info)
        told = [f for f in found if f.severity == "error" or f.disqualifies]
        if read is not None and not told:
            told = against_cell(
                read.judged,
                cell.judged,
                file=read.file,
                where=f"channel {info.number}",
                cell_name=f"channel {cell.info.number}",
            )
        why = [f"{f.check}: {f.value}" for f in told] + [fault.expected for fault in faults]
        if read is not None and not why:
            channels[info.number] = read
            continue
        findings.append(
            Finding(
                "warning",
                "front sensor",
                record.path.name,
                f"channel {info.number} ({place_of(info).words})",
                "; ".join(why)[:200] or "not read",
                "what the front of a car does in this crash",
                (told[0].note if told and told[0].note else "fails the check") + "; left out",
            )
        )
    return findings


def front_of(reading: Reading, vehicle: int) -> dict[str, int]:
    """Channel of an event -> number of the record's channel, of the front sensors that passed."""
    found = front_channels(_usable(reading.record, vehicle, "x"))
    return {name: info.number for name, info in found.items() if info.number in reading.channels}


def _source(
    record: Record,
    pool: Pool,
    choice: Choice,
    setting: list[ChannelInfo],
    members: list[int],
) -> tuple[int | None, list[Finding]]:
    """The channel whose motion sets the requirement, and findings about it."""
    number = choice.channel.number
    named = [info for info in setting if info.vehicle == choice.channel.vehicle]
    if named:
        number = named[0].number
    elif choice.place.place not in (*CENTRAL_PLACES, UNKNOWN):
        cell = [c for n in members if (c := pool.known[n]).place.place in CENTRAL_PLACES]
        best = [c for c in best_of(cell) if pool.known[c.channel.number].motion is not None]
        same = [c for c in best if c.side == choice.place.side]
        if not best:
            return number, [_no_cell(record, choice)]
        number = (same or best)[0].channel.number
    found = pool.known[number]
    if found.is_sound or found.judged is None:
        return number, []
    return None, [
        Finding(
            "warning",
            "required time",
            record.path.name,
            f"channel {number} ({found.place.words}): requirement",
            "; ".join(found.doubts)[:200],
            "a channel that passes the check",
            "no requirement is derived from it; name another with --required-from",
        )
    ]


def _crossed(record: Record, read: ReadChannel, moved: Mapping[int, Motion]) -> list[Finding]:
    """A finding if the vehicle seems to move more along y or z than along x."""
    axis = axis_of(read.info)
    if axis not in ("Y", "Z") or not moved:
        return []
    family = struck_from(record, read.info.vehicle).family
    change = motion(read.judged).velocity_change_m_s
    along = max(abs(m.velocity_change_m_s) for m in moved.values())
    if family not in ("frontal", "rear") or abs(change) <= max(2.0, along):
        return []
    return [
        Finding(
            "warning",
            "axes",
            read.file,
            f"channel {read.info.number}: velocity change along {axis.lower()}",
            f"{change * 3.6:+.1f} km/h",
            f"less than along x ({along * 3.6:.1f} km/h) in a {family} impact",
            "axes look swapped",
        )
    ]


def _taken(record: Record, choice: Choice) -> Finding:
    return Finding(
        "info",
        "channels",
        record.path.name,
        f"vehicle {choice.channel.vehicle}: central sensor",
        f"channel {choice.channel.number}, {choice.place.words}",
        "a stiff place of the body",
        choice.why,
    )


def _no_cell(record: Record, choice: Choice) -> Finding:
    return Finding(
        "warning",
        "channels",
        record.path.name,
        f"channel {choice.channel.number}: required time",
        f"motion of the {choice.place.words}",
        "motion of the passenger cell",
        "no channel of the cell has a file, so the required time counts from this one",
    )


def _too_short(
    record: Record, read: ReadChannel, choices: list[Choice], channels: Mapping[int, ReadChannel]
) -> list[Finding]:
    """Findings for the chosen channels that a companion does not cover."""
    return [
        Finding(
            "warning",
            "length",
            read.file,
            f"channel {read.info.number}: end",
            f"{read.judged.end_s * 1e3:.1f} ms",
            f"as long as channel {choice.channel.number}",
            "left out there, never padded",
        )
        for choice in choices
        if choice.channel.number in channels
        and not covers(read.judged, channels[choice.channel.number].judged)
    ]


def _against(record: Record, read: ReadChannel, mine: Mapping[int, Motion]) -> Finding | None:
    """A finding if a companion moves the other way than the chosen channels."""
    change = motion(read.judged).velocity_change_m_s
    body = [m.velocity_change_m_s for number, m in mine.items() if number != read.info.number]
    if not body or change * body[0] >= 0:
        return None
    return Finding(
        "warning",
        "polarity",
        read.file,
        f"channel {read.info.number}: velocity change",
        f"{change * 3.6:+.1f} km/h",
        f"the sign of the body's ({body[0] * 3.6:+.1f} km/h)",
        "sign looks flipped; left out",
    )


def _one_channel(
    record: Record, info: ChannelInfo
) -> tuple[list[Finding], ReadChannel | None, tuple[Fault, ...]]:
    """Read and judge one channel: findings, the channel unless it cannot be used, faults."""
    try:
        samples = reader_of(record).read_channel(record, info)
    except InputError as error:
        return [], None, error.faults
    findings = quality.status(record, info) + quality.integrity(record, info, samples)
    if any(finding.severity == "error" for finding in findings):
        return findings, None, ()
    judged = quality.remove_offset(info, samples)
    findings += judged.findings
    findings += quality.sampling(info, judged, file=samples.file)
    return findings, ReadChannel(info, judged, samples.file), ()


def _companions(record: Record, vehicle: int, choices: list[Choice]) -> list[ChannelInfo]:
    """Sound channels that go with the chosen ones: vertical at the same place, top of engine."""
    found = [c for choice in choices if (c := beside(record, choice, "z")) is not None]
    found += [c for choice in choices if (c := beside(record, choice, "y")) is not None]
    engine = engine_channel(record, vehicle)
    return found + ([engine] if engine is not None else [])


def _usable(record: Record, vehicle: int, axis: str) -> list[ChannelInfo]:
    return [
        c
        for c in record.channels
        if is_body_acceleration(c, axis)
        and c.vehicle == vehicle
        and not is_failed(c)
        and not c.redundant
        and c.number in record.files
    ]


def beside(record: Record, choice: Choice, axis: str) -> ChannelInfo | None:
    """The channel along another axis at the place of the chosen one."""
    same = [
        c
        for c in _usable(record, choice.channel.vehicle, axis)
        if (place_of(c).place, place_of(c).side, place_of(c).end)
        == (choice.place.place, choice.place.side, choice.place.end)
    ]
    return same[0] if same and choice.place.place not in ("other", UNKNOWN) else None


def engine_channel(record: Record, vehicle: int) -> ChannelInfo | None:
    """Return the channel on the powertrain, its top first; None without one."""
    engine = [c for c in _usable(record, vehicle, "x") if place_of(c).place == "engine"]
    engine.sort(key=lambda c: ("TOP" not in c.words, c.number))
    return engine[0] if engine else None


def covers(part: Judged, main: Judged) -> bool:
    """True if a companion lasts as long as the chosen channel: it is cut to it, never padded."""
    half = 0.5 / min(part.rate_hz, main.rate_hz)
    return part.start_s <= main.start_s + half and part.end_s >= main.end_s - half
