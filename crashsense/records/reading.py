"""From a record on disk to events, and to the findings of the quality check."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError
from crashsense.event import Event
from crashsense.occupant import INFLATION_S
from crashsense.records.assumed import parse_belts, parse_expect
from crashsense.records.crash_events import events_of
from crashsense.records.findings import Finding, raise_errors
from crashsense.records.formats import open_records
from crashsense.records.header import Record
from crashsense.records.manifest import manifest_of
from crashsense.records.measuring import read_channels
from crashsense.records.motion import Motion
from crashsense.records.table import TableFile
from crashsense.records.table_events import check_table, read_events


@dataclass(frozen=True)
class ChannelFigures:
    """Figures of one usable channel: the line that ``check-record`` prints for it.

    Peak [g] and velocity change [km/h] of class 60 and of the raw signal, time of free flight of
    127 mm and required time [ms] (NaN where the channel does not reach it or may set none).
    """

    file: str
    channel: str
    place: str
    peak_class_60_g: float
    velocity_change_kmh: float
    free_flight_ms: float
    required_ms: float
    state: str


@dataclass(frozen=True)
class RecordCheck:
    """All findings on a record, and the figures of each usable channel."""

    findings: tuple[Finding, ...]
    figures: tuple[ChannelFigures, ...]


def read_record(
    path: str | Path,
    *,
    channel: object = None,
    belts: object = None,
    expect: object = None,
    required_from: object = None,
    amend: Callable[[Record], Record] | None = None,
) -> list[Event]:
    """Read a crash-test record: one event for each channel used as the central sensor.

    A table (CSV or Parquet, columns named by channel) is one event with all its columns; what it
    states about itself, requirements and belts included, takes precedence over assumptions.

    Channels are never averaged: averaging before sensing would hide clipping. Offset before contact
    is removed; nothing is filtered or padded. A record has no channel of an independent safing
    element: ``central_safing_x`` stays absent, and a rule that needs one must say what it does
    then.

    Parameters
    ----------
    path : folder of the record, its header file, a table, or a folder of tables
    channel : which channels to take: a number, several (list, or ``"93,94"``), the name of a
        place (``"sill"``) or words of its description (``"left rear sill"``); without it the
        stiffest place that has a channel which passes the check. In a table: the column
        used as the central sensor
    belts : ``"belted"``, ``"unbelted"`` or a bool; without it the file's own
    expect : what is required of front airbag stage 1 (``"fire"``, ``"no_fire"``, ``"open"``), or
        ``"restraint=expectation, ..."`` or a mapping; without it the assumption of
        :mod:`crashsense.records.assumed`

    required_from : the channel whose motion sets the required time, where it is not the one that is
        sensed. Without it: the sensed channel, or, where that one sits outside the passenger cell
        (engine, dash, door), the best channel of the cell. A channel that fails the check sets none

    amend : what puts statements of a manifest into a header (:mod:`crashsense.records.library`)

    A folder of sub-folders and archives is read as one record each. A folder with a manifest
    (``records.toml``, ``records.csv``) is read record by record as the manifest says; what is
    stated here then must not be given.

    Raises :class:`~crashsense.errors.InputError` with every error that the quality check finds.
    ``event.metadata`` holds ``assumptions`` (sentences: what was assumed, warned of and refused),
    ``findings``, ``files`` (paths of what was read) and ``sha256`` by file name.
    """
    if amend is None and _has_manifest(path):
        return _by_manifest(path, channel, belts, expect, required_from)
    wanted_belts, wanted = parse_belts(belts), parse_expect(expect)
    events: list[Event] = []
    faults: list[Fault] = []
    try:
        opened = open_records(path)
    except InputError:
        if amend is not None or not _is_collection(path):
            raise
        from crashsense.records.library import read_folder

        stated = {"channel": channel, "belts": belts, "expect": expect}
        return read_folder(path, wishes={**stated, "required_from": required_from})
    for record in opened:
        try:
            if isinstance(record, TableFile):
                events += read_events(record, channel=channel, belts=wanted_belts, expect=wanted)
                continue
            header = record if amend is None else amend(record)
            reading = read_channels(header, channel=channel, required_from=required_from)
            raise_errors(reading.findings)
            events += events_of(reading, belts=wanted_belts, expect=wanted)
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
    return list(inspect_record(path, channel=channel).findings)


def _has_manifest(path: str | Path) -> bool:
    try:
        is_folder = Path(path).is_dir()
    except (OSError, ValueError):  # a name that no file has; told where it is opened
        return False
    return is_folder and manifest_of(Path(path)) is not None


def _is_collection(path: str | Path) -> bool:
    """Whether a folder holds sub-folders or archives, each of which may be a record."""
    place = Path(path)
    if not place.is_dir():
        return False
    inside = [p for p in place.iterdir() if not p.name.startswith(".")]
    return any(p.is_dir() or p.suffix.lower() == ".zip" for p in inside)


def _by_manifest(path: str | Path, *stated: object) -> list[Event]:
    from crashsense.records.library import read_folder

    names = ("channel", "belts", "expect", "required_from")
    given = [(n, v) for n, v in zip(names, stated, strict=True) if v is not None]
    if given:
        expected = "nothing: the folder's manifest states it for each record"
        raise InputError([Fault(str(path), name, value, expected) for name, value in given])
    return read_folder(path)


def inspect_record(
    path: str | Path,
    *,
    channel: object = None,
    amend: Callable[[Record], Record] | None = None,
) -> RecordCheck:
    """Run the quality check and return findings and figures (raises as :func:`check_record`)."""
    findings: list[Finding] = []
    figures: list[ChannelFigures] = []
    for record in open_records(path):
        if isinstance(record, TableFile):
            checked = check_table(record, channel=channel)
            findings += checked.findings
            if checked.motion is not None:
                column = CHANNELS[checked.central or "central_x"].file_name
                sound = not any(
                    f.severity == "error" or f.disqualifies
                    for f in checked.findings
                    if f.field.startswith(f"column {column}")
                )
                figures.append(
                    _line(record.path.name, column, "", checked.motion, sound=sound, taken=True)
                )
            continue
        header = record if amend is None else amend(record)
        reading = read_channels(header, channel=channel, required_from=None)
        findings += reading.findings
        taken = {c.channel.number for choices in reading.chosen.values() for c in choices}
        for number, candidate in sorted(reading.candidates.items()):
            if candidate.motion is not None:
                place = candidate.place.words
                if len(record.vehicles) > 1:
                    place = f"vehicle {candidate.info.vehicle}, {place}"
                figures.append(
                    _line(
                        record.path.name, str(number), place, candidate.motion,
                        sound=candidate.is_sound, taken=number in taken,
                    )
                )  # fmt: skip
    return RecordCheck(tuple(findings), tuple(figures))


def _line(
    file: str, channel: str, place: str, moved: Motion, *, sound: bool, taken: bool
) -> ChannelFigures:
    reached = np.isfinite(moved.free_flight_s) and moved.free_flight_s <= moved.end_s
    flight = moved.free_flight_s * 1e3 if reached else float("nan")
    return ChannelFigures(
        file=file,
        channel=channel,
        place=place,
        peak_class_60_g=moved.peak_class_60_g,
        velocity_change_kmh=moved.velocity_change_m_s * 3.6,
        free_flight_ms=flight,
        required_ms=flight - INFLATION_S * 1e3 if sound else float("nan"),
        state=("taken" if taken else "sound") if sound else "fails the check",
    )
