"""From the channels of a record to its events: signals, requirement, what was assumed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from crashsense.channels import CHANNELS
from crashsense.event import Event
from crashsense.files import read_bytes
from crashsense.occupant import FREE_TRAVEL_M, INFLATION_S
from crashsense.records.assumed import Assumed, assume
from crashsense.records.choice import Choice
from crashsense.records.header import Record
from crashsense.records.locations import CENTRAL_PLACES, UNKNOWN, place_of
from crashsense.records.measuring import (
    ReadChannel,
    Reading,
    beside,
    covers,
    engine_channel,
    front_of,
)
from crashsense.records.motion import Motion, is_fixed_obstacle, role, struck_from
from crashsense.records.source import EVENT_RATE_HZ, RecordSource
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY


def events_of(reading: Reading, *, belts: bool | None, expect: Mapping[str, str]) -> list[Event]:
    """Return one event for each chosen channel, with what is assumed or stated of it."""
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
    reading: Reading,
    choice: Choice,
    *,
    name: str,
    belts: bool | None,
    expect: Mapping[str, str],
) -> Event:
    record, vehicle = reading.record, choice.channel.vehicle
    direction = struck_from(record, vehicle)
    source = reading.cell[choice.channel.number]
    moved = reading.motions[choice.channel.number if source is None else source]
    read = reading.channels[choice.channel.number]
    assumed = assume(
        record,
        vehicle=vehicle,
        motion=moved,
        direction=direction,
        belts=belts,
        expect=expect,
        file=read.file,
        barred=reading.why_none.get(choice.channel.number, ""),
    )
    signals, used = _signals(reading, choice)
    central = signals["central_x"]
    stands_in = (
        f"channel {choice.channel.number} ({choice.place.words}) is used as the central sensor: "
        f"{choice.why}"
    )
    sentences = [stands_in]
    if source is not None and source != choice.channel.number:
        where = place_of(reading.channels[source].info).words
        why = f"the {choice.place.words} does not move with the passenger cell"
        if choice.place.place in (*CENTRAL_PLACES, UNKNOWN):
            why = "named for it"
        sentences.append(
            f"required time and velocity change from channel {source} ({where}): {why}"
        )
        used.add(source)
    parts = [record.path, *(record.files[number] for number in sorted(used))]
    files = list(dict.fromkeys(parts)) if record.archive is None else [record.archive]
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


def _other(record: Record, vehicle: int) -> dict[str, object]:
    """The obstacle, by the frontal model's names, as far as the header gives it."""
    others = [v for v in record.vehicles if v.number != vehicle]
    if len(others) == 1:
        return {"obstacle": "car", "other_mass_kg": others[0].mass_kg}
    if not is_fixed_obstacle(record, vehicle):
        return {}
    if record.test.configuration == "VTP":
        return {"obstacle": "centre_pole"}
    barrier = record.barriers[0] if record.barriers else None
    if barrier is None or barrier.rigidity != "D":
        return {"obstacle": "rigid_wall"}
    return {"obstacle": "deformable_barrier"}


def _title(record: Record, vehicle: int, choice: Choice) -> str:
    speed = record.test.closing_speed_kmh
    against = "another vehicle" if len(record.vehicles) > 1 else "a moving obstacle"
    if is_fixed_obstacle(record, vehicle):
        against = "a fixed barrier"
    told = f", {speed:.1f} km/h against {against}" if speed is not None else ""
    which = f", vehicle {vehicle}" if len(record.vehicles) > 1 else ""
    part = role(record, vehicle)
    if part:
        family = struck_from(record, vehicle).family
        place = {"frontal": "in its front", "rear": "from behind", "side": "in its side"}[family]
        met = {"struck": f"struck {place}", "striking": "striking", "head-on": "head-on"}
        which += f" ({met[part]})"
    return f"record {record.name}{which}: {choice.place.words}{told}"


def _metadata(
    reading: Reading,
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
        "sha256": {path.name: hashlib.sha256(read_bytes(path)).hexdigest() for path in files},
        "channel": choice.channel.number,
        "place": choice.place.place,
        "side": choice.side,
        "asked_for": choice.asked_for,
        "speed_kmh": record.test.closing_speed_kmh,
        "mass_kg": None if info is None else info.mass_kg,
        **_other(record, vehicle),
        "role": role(record, vehicle),
        "velocity_change_kmh": moved.velocity_change_m_s * 3.6,
        "free_flight_ms": moved.free_flight_s * 1e3,
        "required_ms": (
            float("nan")
            if reading.cell[choice.channel.number] is None
            else (moved.free_flight_s - INFLATION_S) * 1e3
        ),
        "filtered": reading.candidates[choice.channel.number].is_filtered,
        "free_travel_mm": FREE_TRAVEL_M * 1e3,
        "peak_class_60_g": sensed.peak_class_60_g,
        "ringing": sensed.ringing,
        "offset_g": reading.channels[choice.channel.number].judged.offset / STANDARD_GRAVITY,
    }


def _signals(reading: Reading, choice: Choice) -> tuple[dict[str, Signal], set[int]]:
    """The event's signals on one time base, and the numbers of the channels they come from."""
    record = reading.record
    main = reading.channels[choice.channel.number]
    parts: dict[str, ReadChannel] = {"central_x": main}
    if choice.place.place == "rear_seat_crossmember":
        parts["rear_seat_crossmember_x"] = main
    for axis in ("y", "z"):
        other = beside(record, choice, axis)
        if other is not None and other.number in reading.channels:
            parts[f"central_{axis}"] = reading.channels[other.number]
    engine = engine_channel(record, choice.channel.vehicle)
    if engine is not None and engine.number in reading.channels:
        parts["powertrain_x"] = reading.channels[engine.number]
    for name, number in front_of(reading, choice.channel.vehicle).items():
        parts[name] = reading.channels[number]
    central = _signal("central_x", main)
    signals: dict[str, Signal] = {}
    for name, part in parts.items():
        signal = _signal(name, part)
        if part is not main and not covers(part.judged, main.judged):
            continue
        same = signal.size == central.size and abs(signal.start_s - central.start_s) < 1e-9
        signals[name] = signal if same else signal.between(central.start_s, central.end_s)
    numbers = {parts[name].info.number for name in signals}
    return signals, numbers


def _signal(name: str, part: ReadChannel) -> Signal:
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
