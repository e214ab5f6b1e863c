"""From a record on disk to events: choose, check, assume."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError
from crashsense.event import Event
from crashsense.occupant import FREE_TRAVEL_M, INFLATION_S
from crashsense.records import quality
from crashsense.records.assumed import Assumed, assume, parse_belts, parse_expect
from crashsense.records.findings import Finding, raise_errors
from crashsense.records.formats import open_records, reader_of
from crashsense.records.header import ChannelInfo, Record
from crashsense.records.locations import (
    CENTRAL_PLACES,
    Choice,
    axis_of,
    best_of_vehicle,
    choose,
    is_body_acceleration,
    is_failed,
    place_of,
)
from crashsense.records.motion import (
    Judged,
    Motion,
    is_fixed_obstacle,
    motion,
    struck_from,
)
from crashsense.records.source import EVENT_RATE_HZ, RecordSource
from crashsense.records.table import TableFile
from crashsense.records.table_events import check_table, read_events
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY


@dataclass(frozen=True, eq=False)
class _Channel:
    """A channel that was read: what the file holds, judged."""

    info: ChannelInfo
    judged: Judged
    file: str


@dataclass(frozen=True, eq=False)
class _Reading:
    """One record read in full: per vehicle the chosen channels, and all findings.

    ``cell`` maps a chosen channel to the one whose motion the requirement is taken from: itself, or
    a channel of the passenger cell where the chosen one sits elsewhere.
    """

    record: Record
    chosen: Mapping[int, list[Choice]]
    channels: Mapping[int, _Channel]
    motions: Mapping[int, Motion]
    cell: Mapping[int, int]
    findings: tuple[Finding, ...]


def read_record(
    path: str | Path, *, channel: object = None, belts: object = None, expect: object = None
) -> list[Event]:
    """Read a crash-test record: one event for each channel that stands in for the central sensor.

    A table (CSV or Parquet, columns named by channel) is one event with all its columns; what it
    states of itself, requirements and belts included, goes before what is assumed.

    Channels are never averaged: averaging before sensing would hide clipping. Offset before contact
    is removed; nothing is filtered or padded. A record has no channel of an independent safing
    element: ``central_safing_x`` stays absent, and a rule that needs one must say what it does
    then.

    Parameters
    ----------
    path : folder of the record, its header file, a table, or a folder of tables
    channel : which channels to take: a number, several (list, or ``"93,94"``) or the name of a
        place (``"sill"``); without it the stiffest place that has a sound channel. In a table: the
        column that stands in for the central sensor
    belts : ``"belted"``, ``"unbelted"`` or a bool; without it the file's own
    expect : what is required of front airbag stage 1 (``"fire"``, ``"no_fire"``, ``"open"``), or
        ``"restraint=expectation, ..."`` or a mapping; without it the assumption of
        :mod:`crashsense.records.assumed`

    Raises :class:`~crashsense.errors.InputError` with every error that the quality check finds.
    ``event.metadata`` holds ``assumptions`` (sentences: what was assumed, warned of and refused),
    ``findings``, ``files`` (paths of what was read) and ``sha256`` by file name.
    """
    wanted_belts, wanted = parse_belts(belts), parse_expect(expect)
    events: list[Event] = []
    faults: list[Fault] = []
    for record in open_records(path):
        try:
            if isinstance(record, TableFile):
                events += read_events(record, channel=channel, belts=wanted_belts, expect=wanted)
                continue
            reading = _read(record, channel=channel)
            raise_errors(reading.findings)
            events += _events(reading, belts=wanted_belts, expect=wanted)
        except InputError as error:
            if not error.faults:
                raise
            faults += error.faults
    if faults:
        raise InputError(faults)
    return events


def check_record(path: str | Path, *, channel: object = None) -> list[Finding]:
    """Run the quality check on a record and return every finding, errors included.

    Raises :class:`~crashsense.errors.InputError` only where there is nothing to check: no header,
    no channel, a file that is not text in two columns.
    """
    findings: list[Finding] = []
    for record in open_records(path):
        if isinstance(record, TableFile):
            findings += check_table(record, channel=channel)
            continue
        findings += _read(record, channel=channel).findings
    return findings


def _read(record: Record, *, channel: object) -> _Reading:
    chosen, found = choose(record, channel=channel)
    findings = [*record.findings, *quality.header(record), *found]
    channels: dict[int, _Channel] = {}
    motions: dict[int, Motion] = {}
    faults: list[Fault] = []
    cell: dict[int, int] = {}

    def take(info: ChannelInfo) -> _Channel | None:
        found, read, fault = _one_channel(record, info)
        findings.extend(found)
        faults.extend(fault)
        if read is not None:
            channels[info.number] = read
        return read

    for vehicle, choices in chosen.items():
        for choice in choices:
            findings.append(_taken(record, choice))
            read = take(choice.channel)
            if read is None:
                continue
            findings += quality.plausibility(record, read.info, read.judged, file=read.file)
            motions[choice.channel.number] = motion(read.judged)
            cell[choice.channel.number] = choice.channel.number
        mine = {
            c.channel.number: motions[c.channel.number]
            for c in choices
            if c.channel.number in motions
        }
        if not any(choice.asked_for for choice in choices):
            findings += quality.compare_sides(record, mine, vehicle=vehicle)
        for choice in choices:
            if choice.place.place in CENTRAL_PLACES or choice.channel.number not in cell:
                continue
            stand_in = _cell_channel(record, vehicle, choice)
            if stand_in is None:
                findings.append(_no_cell(record, choice))
                continue
            read = channels.get(stand_in.number) or take(stand_in)
            if read is not None and stand_in.number not in motions:
                findings += quality.plausibility(record, read.info, read.judged, file=read.file)
                motions[stand_in.number] = motion(read.judged)
            cell[choice.channel.number] = stand_in.number
        for companion in _companions(record, vehicle, choices):
            read = channels.get(companion.number) or take(companion)
            if read is not None:
                findings += _too_short(record, read, choices, channels)
            if read is not None and axis_of(companion) == "X":
                against = _against(record, read, mine)
                if against is not None:
                    findings.append(against)
                    channels.pop(companion.number, None)
    if faults:
        raise InputError([*faults, *(f.fault() for f in findings if f.severity == "error")])
    return _Reading(record, chosen, channels, motions, cell, tuple(findings))


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


def _cell_channel(record: Record, vehicle: int, choice: Choice) -> ChannelInfo | None:
    """The channel of the passenger cell whose motion sets the requirement, same side first."""
    best = best_of_vehicle(record, vehicle)
    same = [c for c in best if c.side == choice.place.side]
    return (same or best)[0].channel if best else None


def _too_short(
    record: Record, read: _Channel, choices: list[Choice], channels: Mapping[int, _Channel]
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
        and not _covers(read.judged, channels[choice.channel.number].judged)
    ]


def _against(record: Record, read: _Channel, mine: Mapping[int, Motion]) -> Finding | None:
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
) -> tuple[list[Finding], _Channel | None, tuple[Fault, ...]]:
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
    return findings, _Channel(info, judged, samples.file), ()


def _companions(record: Record, vehicle: int, choices: list[Choice]) -> list[ChannelInfo]:
    """Sound channels that go with the chosen ones: vertical at the same place, top of engine."""
    found = [c for choice in choices if (c := _vertical(record, choice)) is not None]
    engine = _engine(record, vehicle)
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


def _vertical(record: Record, choice: Choice) -> ChannelInfo | None:
    same = [
        c
        for c in _usable(record, choice.channel.vehicle, "z")
        if (place_of(c).place, place_of(c).side, place_of(c).end)
        == (choice.place.place, choice.place.side, choice.place.end)
    ]
    return same[0] if same and choice.place.place != "other" else None


def _engine(record: Record, vehicle: int) -> ChannelInfo | None:
    engine = [c for c in _usable(record, vehicle, "x") if place_of(c).place == "engine"]
    engine.sort(key=lambda c: ("TOP" not in c.words, c.number))
    return engine[0] if engine else None


def _events(reading: _Reading, *, belts: bool | None, expect: Mapping[str, str]) -> list[Event]:
    record = reading.record
    several = len(record.vehicles) > 1
    events = []
    for vehicle, choices in reading.chosen.items():
        for choice in choices:
            parts = [record.name]
            if several:
                parts.append(f"vehicle_{vehicle}")
            if choice.side:
                parts.append(choice.side)
            elif len(choices) > 1:
                parts.append(f"channel_{choice.channel.number}")
            events.append(_event(reading, choice, name="_".join(parts), belts=belts, expect=expect))
    return events


def _event(
    reading: _Reading,
    choice: Choice,
    *,
    name: str,
    belts: bool | None,
    expect: Mapping[str, str],
) -> Event:
    record, vehicle = reading.record, choice.channel.vehicle
    direction = struck_from(record, vehicle)
    source = reading.cell[choice.channel.number]
    moved = reading.motions[source]
    read = reading.channels[choice.channel.number]
    assumed = assume(
        record,
        vehicle=vehicle,
        motion=moved,
        direction=direction,
        belts=belts,
        expect=expect,
        file=read.file,
    )
    signals, used = _signals(reading, choice)
    central = signals["central_x"]
    stands_in = (
        f"channel {choice.channel.number} ({choice.place.words}) stands in for the central sensor: "
        f"{choice.why}"
    )
    sentences = [stands_in]
    if source != choice.channel.number:
        where = place_of(reading.channels[source].info).words
        sentences.append(
            f"required time and velocity change from channel {source} ({where}): the "
            f"{choice.place.words} does not move with the passenger cell"
        )
        used.add(source)
    files = [record.path, *(record.files[number] for number in sorted(used))]
    facts = {
        "velocity_change": moved.velocity_change_m_s,
        "free_flight": moved.free_flight_s,
    }
    return Event(
        name,
        family=direction.family,
        occurrence=name,
        context=assumed.context,
        signals=signals,
        requirements=assumed.requirements,
        source=RecordSource.of(
            name, signals=signals, requirements=assumed.requirements, facts=facts
        ),
        title=_title(record, vehicle, choice),
        metadata=_metadata(reading, choice, assumed, moved, files=files, sentences=sentences)
        | {"end_s": central.end_s, "direction": f"{direction.family} ({direction.basis})"},
    )


def _title(record: Record, vehicle: int, choice: Choice) -> str:
    speed = record.test.closing_speed_kmh
    against = "another vehicle" if len(record.vehicles) > 1 else "a moving obstacle"
    if is_fixed_obstacle(record, vehicle):
        against = "a fixed barrier"
    told = f", {speed:.1f} km/h against {against}" if speed is not None else ""
    which = f", vehicle {vehicle}" if len(record.vehicles) > 1 else ""
    return f"record {record.name}{which}: {choice.place.words}{told}"


def _metadata(
    reading: _Reading,
    choice: Choice,
    assumed: Assumed,
    moved: Motion,
    *,
    files: list[Path],
    sentences: list[str],
) -> dict[str, Any]:
    record, vehicle = reading.record, choice.channel.vehicle
    info = record.vehicle(vehicle)
    sensed = reading.motions[choice.channel.number]
    mine = {f"channel {n}" for c in reading.chosen[vehicle] for n in (c.channel.number,)}
    other = mine - {f"channel {choice.channel.number}"}
    findings = [f for f in reading.findings if not any(f.field.startswith(f"{o}:") for o in other)]
    # What a reader of the verdicts must know: warnings, and what was refused.
    spoken = [str(f) for f in findings if f.severity == "warning"]
    spoken += [f"{f.field} refused: {f.value}" for f in findings if f.note.startswith("refused")]
    return {
        "kind": "record",
        "format": record.format,
        "assumptions": [*sentences, *assumed.sentences, *spoken],
        "findings": findings,
        "files": [str(path.resolve()) for path in files],
        "sha256": {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files},
        "channel": choice.channel.number,
        "place": choice.place.place,
        "side": choice.side,
        "asked_for": choice.asked_for,
        "speed_kmh": record.test.closing_speed_kmh,
        "mass_kg": None if info is None else info.mass_kg,
        "velocity_change_kmh": moved.velocity_change_m_s * 3.6,
        "free_flight_ms": moved.free_flight_s * 1e3,
        "required_ms": (moved.free_flight_s - INFLATION_S) * 1e3,
        "free_travel_mm": FREE_TRAVEL_M * 1e3,
        "peak_class_60_g": sensed.peak_class_60_g,
        "ringing": sensed.ringing,
        "offset_g": reading.channels[choice.channel.number].judged.offset / STANDARD_GRAVITY,
    }


def _signals(reading: _Reading, choice: Choice) -> tuple[dict[str, Signal], set[int]]:
    """The event's signals on one time base, and the numbers of the channels they come from."""
    record = reading.record
    main = reading.channels[choice.channel.number]
    parts: dict[str, _Channel] = {"central_x": main}
    if choice.place.place == "rear_seat_crossmember":
        parts["rear_seat_crossmember_x"] = main
    vertical = _vertical(record, choice)
    if vertical is not None and vertical.number in reading.channels:
        parts["central_z"] = reading.channels[vertical.number]
    engine = _engine(record, choice.channel.vehicle)
    if engine is not None and engine.number in reading.channels:
        parts["powertrain_x"] = reading.channels[engine.number]
    central = _signal("central_x", main)
    signals: dict[str, Signal] = {}
    for name, part in parts.items():
        signal = _signal(name, part)
        if part is not main and not _covers(part.judged, main.judged):
            continue
        same = signal.size == central.size and abs(signal.start_s - central.start_s) < 1e-9
        signals[name] = signal if same else signal.between(central.start_s, central.end_s)
    numbers = {parts[name].info.number for name in signals}
    return signals, numbers


def _covers(part: Judged, main: Judged) -> bool:
    """Whether a companion lasts as long as the chosen channel: it is cut to it, never padded."""
    half = 0.5 / min(part.rate_hz, main.rate_hz)
    return part.start_s <= main.start_s + half and part.end_s >= main.end_s - half


def _signal(name: str, part: _Channel) -> Signal:
    known = CHANNELS[name]
    judged = part.judged
    return Signal(
        judged.values,
        rate_hz=judged.rate_hz,
        start_s=judged.start_s,
        unit=known.unit,
        axis=known.axis,
        location=known.location,
        history=(
            f"read from {part.file}, measured at the {place_of(part.info).words}",
            f"offset before contact taken off ({judged.offset / STANDARD_GRAVITY:+.4f} g)",
        ),
    ).resampled(EVENT_RATE_HZ)
