"""From a record on disk to events: choose, check, assume."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError
from crashsense.event import Event, SignalBlock
from crashsense.occupant import FREE_TRAVEL_M, INFLATION_S
from crashsense.records import quality
from crashsense.records.assumed import Assumed, assume, parse_belts, parse_expect
from crashsense.records.exchange import digest
from crashsense.records.findings import Finding, raise_errors
from crashsense.records.formats import open_records, reader_of
from crashsense.records.header import ChannelInfo, Record
from crashsense.records.locations import Choice, choose, is_body_acceleration, is_failed, place_of
from crashsense.records.motion import Judged, Motion, motion, struck_from
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]

#: Rate at which impact events are kept [Hz]; a record at another rate is resampled.
EVENT_RATE_HZ = 10000.0


@dataclass(frozen=True, eq=False)
class RecordSource:
    """The source of a record's event: every draw repeats the measured signals."""

    occurrence: str
    event_name: str
    signals: Mapping[str, Signal]
    required_s: Mapping[str, float]
    facts: Mapping[str, float] = field(default_factory=dict)
    varies: bool = False

    def nominal(self) -> SignalBlock:
        """Return draw 0."""
        return self.block([0], seed=0)

    def block(self, draws: Iterable[int], *, seed: int) -> SignalBlock:
        """Return the given draws: signals of one row, shared by all of them."""
        numbers = np.asarray(list(draws), dtype=np.int64)
        return SignalBlock(
            draws=numbers,
            signals={
                name: signal.replaced(np.atleast_2d(signal.samples), note="one row for all draws")
                for name, signal in self.signals.items()
            },
            required_s={
                self.event_name: {
                    name: np.full(numbers.size, value) for name, value in self.required_s.items()
                }
            },
            facts={name: np.full(numbers.size, value) for name, value in self.facts.items()},
        )


@dataclass(frozen=True, eq=False)
class _Channel:
    """A channel that was read: what the file holds, judged."""

    info: ChannelInfo
    judged: Judged
    file: str


@dataclass(frozen=True, eq=False)
class _Reading:
    """One record read in full: per vehicle the chosen channels, and all findings."""

    record: Record
    chosen: Mapping[int, list[Choice]]
    channels: Mapping[int, _Channel]
    motions: Mapping[int, Motion]
    findings: tuple[Finding, ...]


def read_record(
    path: str | Path, *, channel: object = None, belts: object = None, expect: object = None
) -> list[Event]:
    """Read a crash-test record: one event for each channel that stands in for the central sensor.

    Channels are never averaged: averaging before sensing would hide clipping. Offset before contact
    is removed; nothing is filtered or padded. The channel is given to the central sensor and to its
    safing element, which sit in one control unit.

    Parameters
    ----------
    path : folder of the record, or its header file
    channel : which channels to take: a number, several (list, or ``"93,94"``) or the name of a
        place (``"sill"``); without it the stiffest place that has a sound channel
    belts : ``"belted"``, ``"unbelted"`` or a bool; without it the header's
    expect : what is required of front airbag stage 1 (``"fire"``, ``"no_fire"``, ``"open"``), or
        ``"restraint=expectation, ..."`` or a mapping; without it the assumption of
        :mod:`crashsense.records.assumed`

    Raises :class:`~crashsense.errors.InputError` with every error that the quality check finds.
    ``event.metadata`` holds ``assumptions`` (sentences), ``findings`` and ``files`` (names, sizes,
    SHA-256).
    """
    wanted_belts, wanted = parse_belts(belts), parse_expect(expect)
    events: list[Event] = []
    faults: list[Fault] = []
    for record in open_records(path):
        try:
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
        findings += _read(record, channel=channel).findings
    return findings


def _read(record: Record, *, channel: object) -> _Reading:
    chosen, found = choose(record, channel=channel)
    findings = [*record.findings, *quality.header(record), *found]
    channels: dict[int, _Channel] = {}
    motions: dict[int, Motion] = {}
    faults: list[Fault] = []
    for vehicle, choices in chosen.items():
        mine: dict[int, Motion] = {}
        for choice in choices:
            findings.append(
                Finding(
                    "info",
                    "channels",
                    record.path.name,
                    f"vehicle {vehicle}: central sensor",
                    f"channel {choice.channel.number}, {choice.place.words}",
                    "a stiff place of the body",
                    choice.why,
                )
            )
            found, read, fault = _one_channel(record, choice.channel)
            findings += found
            faults += fault
            if read is None:
                continue
            channels[choice.channel.number] = read
            findings += quality.plausibility(record, read.info, read.judged, file=read.file)
            mine[choice.channel.number] = motion(read.judged)
        if not any(choice.asked_for for choice in choices):
            findings += quality.compare_sides(record, mine, vehicle=vehicle)
        motions |= mine
        for companion in _companions(record, vehicle, choices):
            if companion.number in channels:
                continue
            found, read, fault = _one_channel(record, companion)
            findings += found
            faults += fault
            if read is not None:
                channels[companion.number] = read
    if faults:
        raise InputError([*faults, *(f.fault() for f in findings if f.severity == "error")])
    return _Reading(record, chosen, channels, motions, tuple(findings))


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
    moved = reading.motions[choice.channel.number]
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
    names = {read.file, *(reading.channels[n].file for n in used)}
    files = [digest(record.path)] + [
        digest(record.files[n]) for n in sorted(used) if record.files[n].name in names
    ]
    stands_in = (
        f"channel {choice.channel.number} ({choice.place.words}) stands in for the central sensor "
        f"and its safing element: {choice.why}"
    )
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
        source=RecordSource(
            occurrence=name,
            event_name=name,
            signals=signals,
            required_s={
                restraint: np.nan if r.required_s is None else r.required_s
                for restraint, r in assumed.requirements.items()
            },
            facts=facts,
        ),
        title=_title(record, vehicle, choice),
        metadata=_metadata(reading, choice, assumed, moved, files=files, stands_in=stands_in)
        | {"end_s": central.end_s, "direction": f"{direction.family} ({direction.basis})"},
    )


def _title(record: Record, vehicle: int, choice: Choice) -> str:
    speed = record.test.closing_speed_kmh
    against = "another vehicle" if len(record.vehicles) > 1 else "a fixed barrier"
    told = f", {speed:.1f} km/h against {against}" if speed is not None else ""
    which = f", vehicle {vehicle}" if len(record.vehicles) > 1 else ""
    return f"record {record.name}{which}: {choice.place.words}{told}"


def _metadata(
    reading: _Reading,
    choice: Choice,
    assumed: Assumed,
    moved: Motion,
    *,
    files: list[dict[str, object]],
    stands_in: str,
) -> dict[str, Any]:
    record, vehicle = reading.record, choice.channel.vehicle
    info = record.vehicle(vehicle)
    mine = {f"channel {n}" for c in reading.chosen[vehicle] for n in (c.channel.number,)}
    other = mine - {f"channel {choice.channel.number}"}
    return {
        "kind": "record",
        "format": record.format,
        "assumptions": [stands_in, *assumed.sentences],
        "findings": [
            f for f in reading.findings if not any(f.field.startswith(f"{o}:") for o in other)
        ],
        "files": files,
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
        "peak_class_60_g": moved.peak_class_60_g,
        "ringing": moved.ringing,
        "offset_g": reading.channels[choice.channel.number].judged.offset / STANDARD_GRAVITY,
    }


def _signals(reading: _Reading, choice: Choice) -> tuple[dict[str, Signal], set[int]]:
    """The event's signals on one time base, and the numbers of the channels they come from."""
    record = reading.record
    main = reading.channels[choice.channel.number]
    parts: dict[str, _Channel] = {"central_x": main, "central_safing_x": main}
    if choice.place.place == "rear_seat_crossmember":
        parts["rear_seat_crossmember_x"] = main
    vertical = _vertical(record, choice)
    if vertical is not None and vertical.number in reading.channels:
        parts["central_z"] = reading.channels[vertical.number]
    engine = _engine(record, choice.channel.vehicle)
    if engine is not None and engine.number in reading.channels:
        parts["powertrain_x"] = reading.channels[engine.number]
    signals = {name: _signal(name, part) for name, part in parts.items()}
    first = max(signal.start_s for signal in signals.values())
    last = min(signal.end_s for signal in signals.values())
    cut = {
        name: signal
        if (abs(signal.start_s - first) < 1e-9 and abs(signal.end_s - last) < 1e-9)
        else signal.between(first, last)
        for name, signal in signals.items()
    }
    return cut, {part.info.number for part in parts.values()}


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
