"""From a table to an event: check its signals, take what it states, assume and report the rest."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import (
    FURTHER_RESTRAINTS,
    RESTRAINTS,
    Context,
    Event,
    Requirement,
    orders_assumed,
)
from crashsense.files import opened as open_file
from crashsense.occupant import FREE_TRAVEL_M, INFLATION_S
from crashsense.records import quality, signal_checks, table_checks
from crashsense.records.assumed import STAGE_1, Assumed, stage_1_assumed
from crashsense.records.findings import Finding, raise_errors
from crashsense.records.header import ChannelInfo, Record, Samples, TestInfo, record_name
from crashsense.records.locations import CENTRAL_PLACES
from crashsense.records.motion import (
    Direction,
    Judged,
    Motion,
    motion,
    struck_from,
)
from crashsense.records.source import EVENT_RATE_HZ, RecordSource
from crashsense.records.stated import StatedRequirement
from crashsense.records.table import CENTRAL, Table, TableFile, read_table
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY

#: Columns that may be used as the central sensor where there is none.
_STAND_INS = ("rear_seat_crossmember_x", "central_safing_x")
#: Columns that tell the motion of the cell.
_OF_THE_CELL = (CENTRAL, *_STAND_INS)
# Practice, not from a standard: what is normal before contact.
_LIMITS = {
    "m/s^2": quality.ACCELERATION_LIMITS,
    "rad/s": quality.OffsetLimits(
        "deg/s", CHANNELS["central_roll_rate"].file_scale, 5.0, 60.0, 3.0
    ),
    "Pa": quality.OffsetLimits(
        "kPa", 1000.0, 0.5, 130.0, 0.3, "looks like absolute pressure: state it above ambient"
    ),
}


@dataclass(frozen=True, eq=False)
class _Reading:
    """A table that was judged, column by column."""

    table: Table
    record: Record
    judged: Mapping[str, Judged]
    central: str | None
    asked_for: bool
    direction: Direction
    motion: Motion | None
    findings: tuple[Finding, ...]

    @property
    def file(self) -> str:
        return self.table.path.name


def read_events(
    opened: TableFile, *, channel: object, belts: bool | None, expect: Mapping[str, str]
) -> list[Event]:
    """Read the one event of a table (arguments as of :func:`crashsense.records.read_record`)."""
    reading = _read(opened, channel=channel)
    raise_errors(reading.findings)
    return [_event(reading, belts=belts, expect=expect)]


def check_table(opened: TableFile, *, channel: object) -> _Reading:
    """Return what the quality check finds, errors included: findings, central column, motion."""
    return _read(opened, channel=channel)


def _read(opened: TableFile, *, channel: object) -> _Reading:
    table = read_table(opened)
    file = table.path.name
    central, asked_for = _central(table, channel)
    record = _record(table)
    findings = list(table.findings)
    stated = table.stated
    if not stated.family and central is None:
        expected = f"a family ('# family: side') in a table without {CENTRAL}_g"
        raise InputError([Fault(file, "family", None, expected)])
    direction = struck_from(record, 1)
    findings += table_checks.rate(table, direction)
    judged: dict[str, Judged] = {}
    for name, values in table.columns.items():
        info = _info(name, table)
        times = table.start_s + np.arange(values.size) / table.rate_hz
        judged[name] = quality.remove_offset(
            info,
            Samples(file, times, values, info.unit),
            limits=_LIMITS[CHANNELS[name].unit],
            keep=stated.rest_value_removed,
        )
        findings += judged[name].findings
        if CHANNELS[name].unit == "m/s^2":
            findings += quality.peaks(info, judged[name], file=file)
            findings += signal_checks.dropouts(info.where, judged[name], file=file)
            measured = direction.family in ("frontal", "side", "rear") and (
                stated.measured or not stated.event
            )
            if measured and name in _OF_THE_CELL:
                findings += quality.content(info, judged[name], file=file)
    moved = None
    if central is not None:
        moved = motion(judged[central])
        if direction.family in ("frontal", "rear"):
            findings += quality.plausibility(
                record, _info(central, table), judged[central], file=file
            )
    # What the check of all records has said of a column is not said again.
    told = {f.field.split(":")[0] for f in findings if f.severity == "error"}
    doubts = table_checks.unit_in_doubt(table, judged, direction)
    findings += [doubt for doubt in doubts if doubt.field.split(":")[0] not in told]
    findings += table_checks.signs(table, judged, direction, central)
    findings += table_checks.front_sensors(table, judged, direction, central)
    findings += table_checks.side_sensors(table, judged, direction)
    findings += table_checks.swapped_axes(table, judged, direction, central)
    if central is not None and central != CENTRAL and not asked_for:
        column = CHANNELS[central].file_name
        expected = f"a column {CENTRAL}_g, which algorithms judge by"
        note = f"{column} is used instead; name a column with --channel to choose"
        where = f"column {CENTRAL}_g"
        findings.append(Finding("warning", "channels", file, where, None, expected, note))
    return _Reading(
        table, record, judged, central, asked_for, direction, moved, tuple(_once(findings))
    )


def _once(findings: list[Finding]) -> list[Finding]:
    return list(dict.fromkeys(findings))


def _central(table: Table, wish: object) -> tuple[str | None, bool]:
    """The column used as the central sensor, and whether it was asked for."""
    along_x = [name for name in table.columns if CHANNELS[name].axis == "x"]
    if wish is None or wish == "" or wish == ():
        here = [name for name in (CENTRAL, *_STAND_INS) if name in along_x]
        return (here[0] if here else None), False
    name = str(wish).strip().removesuffix("_g")
    if name not in along_x:
        expected = f"a column along x for the central sensor, {nearest(name, along_x)}"
        raise InputError([Fault(table.path.name, "channel", wish, expected)])
    return name, True


def _record(table: Table) -> Record:
    """The table as a record, for the checks that all records pass."""
    stated = table.stated
    basis = "stated by the file" if stated.family else "assumed: the file names no family"
    return Record(
        name=record_name(table.path),
        path=table.path,
        format=table.format,
        test=TestInfo(
            configuration="VTB" if stated.fixed_obstacle else "",
            closing_speed_kmh=stated.closing_speed_kmh,
        ),
        family=stated.family or "frontal",
        family_basis=basis,
    )


def _info(name: str, table: Table) -> ChannelInfo:
    channel = CHANNELS[name]
    return ChannelInfo(
        number=0, vehicle=1, sensor="AC", occupant="", attachment="", axis=channel.axis.upper(),
        time_unit="SEC", unit=channel.file_unit.upper(), prefilter_hz=None, rating=None,
        first_point=None, last_point=None, step_s=1.0 / table.rate_hz, status="", redundant=False,
        words="", column=channel.file_name,
    )  # fmt: skip


def _event(reading: _Reading, *, belts: bool | None, expect: Mapping[str, str]) -> Event:
    table, moved = reading.table, reading.motion
    assumed = _assume(reading, belts=belts, expect=expect)
    signals = _signals(reading)
    name = reading.record.name
    path = table.path
    with open_file(path) as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    spoken = [str(f) for f in reading.findings if f.severity == "warning"]
    facts = {}
    if moved is not None:
        facts = {"velocity_change": moved.velocity_change_m_s, "free_flight": moved.free_flight_s}
    return Event(
        name,
        family=reading.direction.family,
        occurrence=name,
        context=assumed.context,
        signals=signals,
        requirements=assumed.requirements,
        quiet=table.stated.quiet,
        source=RecordSource.of(
            name, signals=signals, requirements=assumed.requirements, facts=facts
        ),
        title=table.stated.title or f"Record {name}",
        metadata={
            "kind": "record",
            "format": table.format,
            "assumptions": _assumptions(reading, signals, assumed, spoken),
            "findings": list(reading.findings),
            "files": [str(path.resolve())],
            "sha256": {path.name: digest},
            "channel": reading.central,
            "asked_for": reading.asked_for,
            "exported_from": table.stated.event,
            "speed_kmh": table.stated.closing_speed_kmh,
            "direction": f"{reading.direction.family} ({reading.direction.basis})",
            "end_s": next(iter(signals.values())).end_s,
            **_figures(reading, moved),
        },
    )


def _assumptions(
    reading: _Reading, signals: Mapping[str, Signal], assumed: Assumed, spoken: list[str]
) -> list[str]:
    """Sentences for the reader of verdicts; those of a record that was imported are its own."""
    stated = reading.table.stated
    if stated.measured and stated.assumptions:
        return list(dict.fromkeys([*stated.assumptions, *spoken]))
    return [*_sentences(reading, signals), *assumed.sentences, *spoken]


def _figures(reading: _Reading, moved: Motion | None) -> dict[str, float]:
    if moved is None or reading.central is None:
        return {}
    return {
        "velocity_change_kmh": moved.velocity_change_m_s * 3.6,
        "free_flight_ms": moved.free_flight_s * 1e3,
        "required_ms": (moved.free_flight_s - INFLATION_S) * 1e3,
        "free_travel_mm": FREE_TRAVEL_M * 1e3,
        "peak_class_60_g": moved.peak_class_60_g,
        "filtered": any(f.check == "filtered" for f in reading.findings),
        "ringing": moved.ringing,
        "offset_g": reading.judged[reading.central].offset / STANDARD_GRAVITY,
    }


def _sentences(reading: _Reading, signals: Mapping[str, Signal]) -> list[str]:
    """Sentences that a reader of the verdicts must know about the columns."""
    stated = reading.table.stated
    sentences = []
    if stated.event:
        sentences.append(f"exported from the event {stated.event}")
    if not stated.family:
        sentences.append(f"family: {reading.direction.family}, {reading.direction.basis}")
    if reading.central is not None and reading.central != CENTRAL:
        name = reading.central
        why = "asked for" if reading.asked_for else CENTRAL_PLACES.get(name.removesuffix("_x"), "")
        sentences.append(
            f"column {CHANNELS[name].file_name} is used as the central sensor"
            + (f": {why}" if why else "")
        )
    absent = [name for name in CHANNELS if name not in signals and name not in stated.quiet]
    if absent:
        sentences.append(f"no column, so a sensor there counts as failed: {', '.join(absent)}")
    return sentences


def _signals(reading: _Reading) -> dict[str, Signal]:
    table = reading.table
    signals = {}
    sources = {name: name for name in table.columns}
    if reading.central is not None:
        sources[CENTRAL] = reading.central
    # A rate that fits whole into that of events is kept: such content needs no other grid.
    keep = abs(EVENT_RATE_HZ / table.rate_hz - round(EVENT_RATE_HZ / table.rate_hz)) < 1e-9
    rate_hz = table.rate_hz if keep else _nearby(table.rate_hz)
    for name in sorted(sources, key=list(CHANNELS).index):
        source = sources[name]
        known, judged = CHANNELS[name], reading.judged[source]
        history = [f"read from {reading.file}, column {CHANNELS[source].file_name}"]
        if table.stated.rest_value_removed:
            history.append("rest value removed, as the file says")
        else:
            offset = judged.offset / known.file_scale
            history.append(f"offset before contact taken off ({offset:+.4f} {known.file_unit})")
        signal = Signal(
            judged.values,
            rate_hz=rate_hz,
            start_s=judged.start_s,
            unit=known.unit,
            axis=known.axis,
            location=known.location,
            history=tuple(history),
        )
        signals[name] = signal if keep else signal.resampled(EVENT_RATE_HZ)
    return signals


def _nearby(rate_hz: float) -> float:
    """The rate [Hz] nearest to *rate_hz* from which whole numbers lead to the events' rate.

    Off by less than 1e-6 of the rate: 0.3 us at the end of 300 ms.
    """
    ratio = Fraction(EVENT_RATE_HZ / rate_hz).limit_denominator(1000)
    return EVENT_RATE_HZ / float(ratio)


def _assume(reading: _Reading, *, belts: bool | None, expect: Mapping[str, str]) -> Assumed:
    """Requirements, belts and seats: by the user, else by the file, else assumed."""
    table, moved, direction = reading.table, reading.motion, reading.direction
    stated = table.stated.requirements
    barred = _barred(reading)
    flight = None
    if (
        direction.family == "frontal"
        and moved is not None
        and np.isfinite(moved.free_flight_s)
        and moved.free_flight_s <= moved.end_s
        and not barred
    ):
        flight = moved.free_flight_s - INFLATION_S
    thumb = (
        f"free flight of {FREE_TRAVEL_M * 1e3:g} mm less {INFLATION_S * 1e3:g} ms, a rule of thumb"
    )
    faults = []
    requirements: dict[str, Requirement] = {}
    sentences: list[str] = []
    further = [name for name in FURTHER_RESTRAINTS if name in stated or name in expect]
    for name in (*RESTRAINTS, *further):
        if name in expect:
            mine = stated.get(name, StatedRequirement(""))
            entry = replace(mine, expectation=expect[name], basis="", waiver=None)
            basis, spoken = "stated by the user", f"{name}: {expect[name]}, stated by the user"
        elif name in stated:
            entry = stated[name]
            basis = entry.basis or "stated by the file"
            spoken = ""
        else:
            expectation, why = _expectation(name, direction, moved)
            if barred and expectation == "fire":
                expectation, why = "open", f"the column fails the check: {barred}"
            entry = StatedRequirement(expectation)
            basis = f"assumed: {why}"
            spoken = f"{name}: {expectation}, assumed ({why})" if name == STAGE_1 else ""
        required = entry.required_s
        timed = entry.expectation == "fire" or (
            entry.expectation == "open" and name == STAGE_1 and name not in stated
        )
        if required is None and timed and flight is not None:
            required = flight
            basis += f"; time from {thumb}"
            spoken += f"; required time {flight * 1e3:.1f} ms, assumed ({thumb})" if spoken else ""
        if entry.expectation == "fire" and required is None:
            expected = (
                f"a required time in the file, such as '# {name}: fire by 18.5 ms' (free flight "
                "gives one in a frontal impact that reaches it)"
            )
            faults.append(Fault(reading.file, name, "fire", expected))
            continue
        requirements[name] = Requirement(
            entry.expectation,
            required_s=None if entry.expectation == "no_fire" else required,
            origin_s=entry.origin_s,
            not_before_s=entry.not_before_s,
            basis=basis,
            waiver=entry.waiver,
            order=entry.order_of(name, family=direction.family),
        )
        if spoken:
            sentences.append(spoken)
    if faults:
        raise InputError(faults)
    rest = [name for name in RESTRAINTS if name not in stated and name not in expect]
    rest = [name for name in rest if name != STAGE_1]
    if stated:
        told = [name for name in (*RESTRAINTS, *further) if name in stated and name not in expect]
        whole = len(told) >= len(RESTRAINTS)
        sentences.insert(
            0,
            f"requirements of {'all restraints' if whole else ', '.join(told)}: stated by the file",
        )
    if rest:
        expectation = requirements[rest[0]].expectation
        sentences.append(f"all other restraints: {expectation}, assumed ({_rest(direction)})")
    own = {n: r for n, r in requirements.items() if n not in stated or not stated[n].says_order}
    sentences += orders_assumed(own)
    context, more = _context(reading, belts=belts, stage_1=requirements[STAGE_1].expectation)
    return Assumed(context, requirements, (*sentences, *more))


def _barred(reading: _Reading) -> str:
    """Why the central column may set no requirement; empty if it may."""
    if reading.central is None:
        return ""
    column = f"column {CHANNELS[reading.central].file_name}"
    told = [
        f"{f.check}: {f.value}"
        for f in reading.findings
        if f.disqualifies and f.field.startswith(column)
    ]
    return "; ".join(told)[:200]


def _rest(direction: Direction) -> str:
    if direction.family in ("misuse", "rough_road"):
        return "misuse and rough roads fire nothing"
    return "the file carries no requirement for them"


def _expectation(name: str, direction: Direction, moved: Motion | None) -> tuple[str, str]:
    if direction.family in ("misuse", "rough_road"):
        return "no_fire", _rest(direction)
    if name == STAGE_1 and direction.family == "frontal" and moved is not None:
        return stage_1_assumed(direction, moved.velocity_change_m_s)
    return "open", "the file carries no requirement for it"


def _context(
    reading: _Reading, *, belts: bool | None, stage_1: str
) -> tuple[Context, tuple[str, ...]]:
    stated = reading.table.stated
    sentences = []
    if belts is not None:
        belted, whence = belts, "stated by the user"
    elif stated.belted is not None:
        belted, whence = stated.belted, "stated by the file"
    else:
        belted, whence = stage_1 != "no_fire", "assumed (the file does not say; the harder state)"
    sentences.append(f"belts: {'belted' if belted else 'unbelted'}, {whence}")
    driver, passenger = stated.driver_seat_occupied, stated.passenger_seat_occupied
    if driver is None and passenger is None:
        sentences.append("front seats: both occupied, assumed (the file does not say)")
    return (
        Context(
            belted=belted,
            driver_seat_occupied=True if driver is None else driver,
            passenger_seat_occupied=True if passenger is None else passenger,
        ),
        tuple(sentences),
    )
