"""Reader of the US government's crash-test exchange format, the EV5 text files.

A test is a folder with one header (``v10146.EV5``) and one file a channel (``v10146.093``: time and
value in two columns). The header has sections ``----- NAME -----`` with rows of fields split by
``|``. Fields are found by position (read off a public record and, where that one is silent, from
memory of the format's guide); blank fields are unknown, not zero.

A listed channel without a file is normal: the header describes the whole test, the folder holds
what was fetched. There is no field for polarity: it follows SAE J211, and the quality check.
"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.files import number_or_none, read_bytes
from crashsense.records.findings import Finding
from crashsense.records.header import (
    BarrierInfo,
    ChannelInfo,
    OccupantInfo,
    Record,
    RestraintInfo,
    Samples,
    TestInfo,
    VehicleInfo,
    record_name,
)
from crashsense.records.units import acceleration_scale, time_scale

NAME = "EV5"
TITLE = "EV5 text exchange format of the US government's crash-test database"

_SECTION = re.compile(r"^\s*-{3,}\s*([A-Za-z0-9 ]+?)\s*-{3,}\s*$")
_COUNT_OF_CHANNEL_FIELDS = 19


#: Most channels of a header; full-scale tests list 50 to 700.
MOST_CHANNELS = 5000


def recognises(opening: str) -> bool:
    """True if a text that begins with *opening* is a header of this format."""
    names = [m.group(1).upper() for m in map(_SECTION.match, opening.splitlines()) if m]
    return NAME in names or {"TEST", "VEHICLE"} <= set(names)


def read_header(path: Path) -> Record:
    """Read a header file and find its channel files. All faults of the header at once."""
    file = path.name
    text = read_bytes(path, most_bytes=64 << 20).decode("latin-1")
    sections = _split(text)
    faults: list[Fault] = []
    rows = len(sections.get("INSTRUMENTATION", []))
    if rows > MOST_CHANNELS:
        expected = f"at most {MOST_CHANNELS} channels"
        raise InputError([Fault(file, "INSTRUMENTATION", f"{rows} rows", expected)])
    if not sections.get("INSTRUMENTATION"):
        expected = "a section '----- INSTRUMENTATION -----' with one row a channel"
        faults.append(Fault(file, "INSTRUMENTATION", None, expected))
    row = _Row(file, faults)
    test = _test(sections.get("TEST", []), row)
    vehicles = tuple(_vehicle(line, row) for line in sections.get("VEHICLE", []))
    channels = tuple(
        channel
        for line in sections.get("INSTRUMENTATION", [])
        if (channel := _channel(line, row)) is not None
    )
    numbers = [channel.number for channel in channels]
    for number in sorted(n for n, count in Counter(numbers).items() if count > 1):
        faults.append(Fault(file, "channel number", number, "each channel number once"))
    if faults:
        raise InputError(faults)
    findings = []
    if not sections.get("TEST"):
        findings.append(
            Finding("warning", "header", file, "TEST", None, "a section with the closing speed")
        )
    if not sections.get("VEHICLE"):
        findings.append(
            Finding("warning", "header", file, "VEHICLE", None, "a section with masses and speeds")
        )
    return Record(
        name=record_name(path),
        path=path,
        format=NAME,
        test=test,
        vehicles=vehicles,
        barriers=tuple(
            BarrierInfo(row.text(line, 0).upper(), row.text(line, 1).upper(), row.number(line, 2))
            for line in sections.get("BARRIER", [])
        ),
        occupants=tuple(
            OccupantInfo(row.whole(line, 0) or 1, row.whole(line, 1), row.text(line, 2).upper())
            for line in sections.get("OCCUPANT", [])
        ),
        restraints=tuple(
            RestraintInfo(
                row.whole(line, 0) or 1,
                row.whole(line, 1),
                row.text(line, 3).upper(),
                row.text(line, 5).upper(),
            )
            for line in sections.get("RESTRAINT", [])
        ),
        channels=channels,
        files=_channel_files(path),
        findings=tuple(findings),
    )


def _split(text: str) -> dict[str, list[list[str]]]:
    sections: dict[str, list[list[str]]] = {}
    current: list[list[str]] | None = None
    for line in _lines(text):
        heading = _SECTION.match(line)
        if heading is not None:
            current = sections.setdefault(heading.group(1).upper(), [])
        elif current is not None and "|" in line:
            current.append([part.strip() for part in line.split("|")])
    return sections


def _lines(text: str) -> list[str]:
    """Lines, whatever the line end; nothing else splits (comments may hold control characters)."""
    return re.split(r"\r\n|\r|\n", text.replace("\x1a", ""))


class _Row:
    """Fields of a row by position; what is blank or missing is None."""

    def __init__(self, file: str, faults: list[Fault]) -> None:
        self.file = file
        self.faults = faults

    def text(self, line: list[str], index: int) -> str:
        return line[index] if index < len(line) else ""

    def number(self, line: list[str], index: int, *, name: str = "") -> float | None:
        """A number, or None; with a *name*, text that is no number is a fault."""
        text = self.text(line, index).replace(",", "")
        if not text or text.upper() in ("NA", "N/A", "UNK", "NONE", "-"):
            return None
        value = number_or_none(text)
        if value is not None:
            return value
        if name:
            self.faults.append(Fault(self.file, name, text, "a number or a blank field"))
        return None

    def whole(self, line: list[str], index: int, *, name: str = "") -> int | None:
        value = self.number(line, index, name=name)
        if value is None:
            return None
        if value != int(value):
            if name:
                self.faults.append(Fault(self.file, name, value, "a whole number"))
            return None
        return int(value)


def _positive(value: float | None) -> float | None:
    """Zero in a mass or closing speed means that the field was not filled in."""
    return value if value is not None and value > 0 else None


def _test(lines: list[list[str]], row: _Row) -> TestInfo:
    line = lines[0] if lines else []
    return TestInfo(
        version=row.text(line, 0),
        kind=row.text(line, 7).upper(),
        configuration=row.text(line, 8).upper(),
        closing_speed_kmh=_positive(row.number(line, 14, name="TEST: closing speed")),
        impact_angle_deg=row.number(line, 15),
        channels_stated=row.whole(line, 18),
    )


def _vehicle(line: list[str], row: _Row) -> VehicleInfo:
    number = row.whole(line, 0)
    where = f"VEHICLE {number if number is not None else '?'}"
    if number is None:
        row.faults.append(Fault(row.file, "VEHICLE: number", row.text(line, 0), "a whole number"))
    # Speed, crab angle and direction of force stand before the first damage code. Its place depends
    # on how many dimensions the edition lists; 44 in the public record.
    code = 44
    if not _is_code(row.text(line, code)):
        code = next((i for i in range(23, min(60, len(line))) if line[i] and _is_code(line[i])), 44)
    speed = code - 3
    damage = next(
        (t for t in line[code:] if re.fullmatch(r"\d{2}[A-Za-z]{4}\d", t)), row.text(line, 53)
    )
    return VehicleInfo(
        number=number if number is not None else 0,
        mass_kg=_positive(row.number(line, 10, name=f"{where}: test mass")),
        speed_kmh=row.number(line, speed),
        crab_angle_deg=row.number(line, speed + 1),
        force_direction_deg=row.number(line, speed + 2),
        damage_code=damage.upper(),
    )


def _is_code(text: str) -> bool:
    return re.fullmatch(r"[A-Za-z]{0,3}", text) is not None


def _channel(line: list[str], row: _Row) -> ChannelInfo | None:
    number = row.whole(line, 1)
    if number is None:
        row.faults.append(
            Fault(row.file, "INSTRUMENTATION: channel number", row.text(line, 1), "a whole number")
        )
        return None
    if len(line) < _COUNT_OF_CHANNEL_FIELDS:
        expected = f"at least {_COUNT_OF_CHANNEL_FIELDS} fields split by '|'"
        row.faults.append(Fault(row.file, f"channel {number}", f"{len(line)} fields", expected))
        return None
    where = f"channel {number}"
    step = row.number(line, 16, name=f"{where}: time step")
    if step is not None and step < 0:
        row.faults.append(Fault(row.file, f"{where}: time step", step, "a positive step in us"))
    vehicle = row.whole(line, 0)
    return ChannelInfo(
        number=number,
        vehicle=1 if vehicle is None else vehicle,
        sensor=row.text(line, 2).upper(),
        occupant=row.text(line, 3).upper(),
        attachment=row.text(line, 4).upper(),
        axis=row.text(line, 5).upper(),
        time_unit=row.text(line, 6),
        unit=row.text(line, 7),
        prefilter_hz=_positive(row.number(line, 8)),
        rating=_positive(row.number(line, 11)),
        first_point=row.whole(line, 14, name=f"{where}: first point"),
        last_point=row.whole(line, 15, name=f"{where}: last point"),
        step_s=None if not step else step / 1e6,
        status=row.text(line, 17).upper(),
        redundant=row.text(line, 18).upper().startswith("R"),
        words=" ".join(" ".join(line[19:]).upper().split()),
    )


def _channel_files(header: Path) -> dict[int, Path]:
    """Channel number -> file beside the header, whatever the case and the width of the number."""
    pattern = re.compile(
        rf"{re.escape(header.stem)}[._-](\d{{1,6}})(\.(txt|dat|asc|tsv|csv))?", re.IGNORECASE
    )
    found: dict[int, Path] = {}
    for path in sorted(header.parent.iterdir()):
        match = pattern.fullmatch(path.name)
        if match is not None and path.is_file():
            found.setdefault(int(match.group(1)), path)
    return found


def read_channel(record: Record, channel: ChannelInfo) -> Samples:
    """Read the file of one acceleration channel.

    Values that are not finite numbers become NaN (the quality check names them); a line without
    exactly two columns is a fault.
    """
    header = record.path.name
    faults = []
    path = record.files.get(channel.number)
    if path is None:
        expected = f"a file {record.path.stem}.{channel.number:03d} beside the header"
        raise InputError([Fault(header, f"channel {channel.number}", None, expected)])
    scale, seconds = acceleration_scale(channel.unit), time_scale(channel.time_unit)
    if scale is None:
        expected = "an acceleration unit: G'S or M/S2"
        faults.append(Fault(header, f"channel {channel.number}: unit", channel.unit, expected))
    if seconds is None:
        expected = "a time unit: SEC or MSEC"
        faults.append(
            Fault(header, f"channel {channel.number}: time unit", channel.time_unit, expected)
        )
    if scale is None or seconds is None:
        raise InputError(faults)
    times, values = _two_columns(path)
    return Samples(path.name, times * seconds, values * scale, channel.unit)


def _two_columns(path: Path) -> tuple[np.ndarray, np.ndarray]:
    raw = read_bytes(path)
    if not raw.strip():
        expected = "two columns, time and value"
        raise InputError([Fault(path.name, "content", "an empty file", expected)])
    if b"\x00" in raw:
        expected = "text in two columns, time and value"
        raise InputError([Fault(path.name, "content", "binary data", expected)])
    text = raw.decode("latin-1")
    rows: list[tuple[float, float]] = []
    for count, line in enumerate(_lines(text), start=1):
        parts = line.replace(",", " ").replace(";", " ").split()
        if not parts or parts[0].startswith("#"):
            continue
        if len(parts) != 2:
            expected = "two columns, time and value"
            raise InputError([Fault(path.name, f"line {count}", line.strip()[:40], expected)])
        rows.append((_number(parts[0], path, count), _number(parts[1], path, count)))
    if not rows:
        raise InputError([Fault(path.name, "content", "no samples", "two columns, time and value")])
    table = np.array(rows, dtype=np.float64)
    return table[:, 0].copy(), table[:, 1].copy()


def _number(text: str, path: Path, line: int) -> float:
    try:
        return float(text)
    except ValueError:
        pass
    try:
        # FORTRAN writes double precision with a D.
        return float(text.upper().replace("D", "E"))
    except ValueError:
        raise InputError([Fault(path.name, f"line {line}", text[:40], "a number")]) from None
