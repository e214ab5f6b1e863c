"""Reader of ISO/TS 13499, the multimedia data exchange format of impact tests ("ISO MME").

A test is a folder (or a zip of it): a test file ``NAME.mme`` with lines ``descriptor :value``, and
a folder ``Channel`` with ``NAME.chn`` (the list) and ``NAME.001``, ``NAME.002``, ...: each a header
of such lines and then one value a line. A channel is known by its 16-character code: test object,
position, main location, three fine locations, physical dimension, direction, filter class.

Times are implicit (``Time of first sample``, ``Sampling interval``) or a reference channel's.
``NOVALUE`` is no value. Descriptors are read as public programs write them (an edition of the
standard was not at hand): velocities in m/s and masses in kg unless a unit follows. Codes: tables
RED B, edition 1.6.2, as a public package for the format lists them.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.files import number_or_none, opened, read_bytes
from crashsense.records.findings import Finding
from crashsense.records.header import (
    ChannelInfo,
    OccupantInfo,
    Record,
    Samples,
    TestInfo,
    VehicleInfo,
    record_name,
)
from crashsense.records.series import CODE, MOST_CHANNELS, Series, channel_info
from crashsense.records.units import acceleration_scale

NAME = "ISO/TS 13499"
TITLE = "the exchange format of impact tests: a test file NAME.mme and a folder Channel, or a zip"

_LINE = re.compile(r"([^:]{1,80}?)\s*:(.*)")
#: Descriptors by which a test file is known.
_OF_A_TEST = ("data format edition number", "number of test objects", "name of test object 1")
#: Header lines of a channel file at most; shipped ones have about 30.
_MOST_LINES = 500
_NO_VALUE = ("", "NOVALUE", "-", "N/A")


def recognises(opening: str) -> bool:
    """Whether a text that begins like *opening* is a test file of this format."""
    text = opening.removeprefix("\xef\xbb\xbf")
    names = {key.lower() for key, _ in _pairs(text.splitlines()[:80])}
    return bool(names & set(_OF_A_TEST)) and not names & {"channel code"}


def _pairs(lines: list[str]) -> list[tuple[str, str]]:
    found = []
    for line in lines:
        match = _LINE.fullmatch(line.strip())
        if match is not None:
            found.append((match.group(1).strip(), match.group(2).strip()))
    return found


def _text(content: bytes) -> str:
    """Text in UTF-8, else in the ISO 8859-1 of older files; both are met."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


class _Descriptors:
    """Lines of a file by descriptor; the first of a name counts."""

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        self.known: dict[str, str] = {}
        for key, value in pairs:
            self.known.setdefault(" ".join(key.lower().split()), value)

    def text(self, *names: str) -> str:
        """The value of the first of some descriptors that has one."""
        for name in names:
            value = self.known.get(name, "")
            if value.upper() not in _NO_VALUE:
                return value
        return ""

    def number(self, *names: str) -> tuple[float | None, str]:
        """Number and unit of a value such as ``15.6`` or ``56.3 km/h``."""
        match = re.match(r"([-+]?[\d.]+(?:[eE][-+]?\d+)?)\s*(\S*)", self.text(*names))
        return (None, "") if match is None else (number_or_none(match[1]), match[2].lower())


def read_header(path: Path) -> Record:
    """Read a test file and the header of each channel file beside it."""
    test = _Descriptors(_pairs(_text(read_bytes(path, most_bytes=1 << 20)).splitlines()))
    folder = _channel_folder(path)
    faults: list[Fault] = []
    if folder is None:
        expected = "a folder 'Channel' beside the test file, with one file a channel"
        raise InputError([Fault(path.name, "channels", None, expected)])
    files = _channel_files(folder, path.stem)
    if not files:
        expected = f"channel files {path.stem}.001, ..."
        raise InputError([Fault(path.name, f"folder {folder.name}", "none", expected)])
    if len(files) > MOST_CHANNELS:
        expected = f"at most {MOST_CHANNELS} channels"
        raise InputError([Fault(path.name, f"folder {folder.name}", len(files), expected)])
    channels = []
    for number, file in files.items():
        try:
            channels.append(_channel(file, number))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    objects = sorted({c.vehicle for c in channels if c.vehicle > 0})
    vehicles = tuple(_vehicle(test, n) for n in objects or [1])
    speed = _closing(test, vehicles)
    findings = []
    if speed is None:
        expected = "'Velocity test object 1', in m/s"
        findings.append(Finding("warning", "header", path.name, "velocity", None, expected))
    kind = f"{test.text('type of the test', 'test type')} {test.text('subtype of the test')}"
    return Record(
        name=record_name(path),
        path=path,
        format=NAME,
        test=TestInfo(
            version=test.text("data format edition number", "version"),
            configuration=_configuration(kind, vehicles),
            closing_speed_kmh=speed,
        ),
        vehicles=vehicles,
        occupants=tuple(
            OccupantInfo(c.vehicle, int(c.occupant), "")
            for c in {(c.vehicle, c.occupant): c for c in channels}.values()
            if c.occupant.isdigit()
        ),
        channels=tuple(channels),
        files=files,
        findings=tuple(findings),
    )


def _channel_folder(path: Path) -> Path | None:
    for place in sorted(path.parent.iterdir()):
        if place.is_dir() and place.name.lower() == "channel":
            return place
    # Some programs leave the folder away.
    return path.parent if _channel_files(path.parent, path.stem) else None


def _channel_files(folder: Path, stem: str) -> dict[int, Path]:
    """Channel number -> file, whatever the case of the names."""
    found: dict[int, Path] = {}
    for place in sorted(folder.iterdir()):
        match = re.fullmatch(r"(.*)\.(\d{1,6})", place.name)
        if match is not None and match[1].lower() == stem.lower() and place.is_file():
            found.setdefault(int(match[2]), place)
    return dict(sorted(found.items()))


def _closing(test: _Descriptors, vehicles: tuple[VehicleInfo, ...]) -> float | None:
    """The closing speed [km/h], as far as speeds of the test objects tell it.

    Of two that move, only a head-on test would add them; the direction is not told, so nothing is.
    """
    value, unit = test.number("closing speed", "impact velocity")
    if value is not None:
        return abs(value) * (1.0 if unit.startswith("km") else 3.6)
    speeds = [abs(v.speed_kmh) for v in vehicles if v.speed_kmh is not None]
    moving = [speed for speed in speeds if speed > 0.0]
    return moving[0] if len(moving) == 1 else None


def _vehicle(test: _Descriptors, number: int) -> VehicleInfo:
    speed, unit = test.number(
        f"velocity test object {number}", f"velocity test object {number} lon."
    )
    mass, mass_unit = test.number(f"mass test object {number}")
    side = test.text(f"impact side test object {number}").upper()[:2]
    damage = {"FR": "12FDEW", "RE": "06BDEW", "LE": "09LPEW", "RI": "03RPEW"}.get(side, "")
    return VehicleInfo(
        number=number,
        mass_kg=mass if mass and mass > 0 and not mass_unit.startswith("lb") else None,
        speed_kmh=None if speed is None else speed * (1.0 if unit.startswith("km") else 3.6),
        crab_angle_deg=None,
        force_direction_deg=None,
        damage_code=damage,
    )


def _configuration(kind: str, vehicles: tuple[VehicleInfo, ...]) -> str:
    """``VTB`` for a test against something fixed, ``VTV`` where two objects were instrumented."""
    if len(vehicles) > 1:
        return "VTV"
    fixed = re.search(r"\b(wall|barrier|odb|rigid|pole|frb|full.?width|offset)\b", kind.lower())
    moving = re.search(r"\b(mobile|moving|mdb|mpdb|car.to.car)\b", kind.lower())
    return "VTB" if fixed and not moving else ""


def _head(path: Path) -> tuple[_Descriptors, list[str]]:
    """Descriptors of a channel file, and its lines of values."""
    text = _text(read_bytes(path))
    if "\x00" in text:
        raise InputError([Fault(path.name, "content", "binary data", "a channel file in text")])
    lines = text.splitlines()
    pairs: list[tuple[str, str]] = []
    for count, line in enumerate(lines):
        if count > _MOST_LINES:
            break
        match = _LINE.fullmatch(line.strip())
        if match is None and line.strip():
            return _Descriptors(pairs), lines[count:]
        if match is not None:
            pairs.append((match.group(1).strip(), match.group(2).strip()))
    return _Descriptors(pairs), []


def _channel(path: Path, number: int) -> ChannelInfo:
    # Header lines only: values are read when the channel is.
    with opened(path) as stream:
        opening = _text(stream.read(65536))
    head = _Descriptors(_pairs(opening.splitlines()[:_MOST_LINES]))
    code = head.text("channel code").upper()
    if not CODE.fullmatch(code):
        expected = "a code of 16 characters, such as 10VEHCCG0000ACXA"
        raise InputError([Fault(path.name, "Channel code", code[:40] or None, expected)])
    step, first = head.number("sampling interval")[0], head.number("time of first sample")[0]
    step = step if step and step > 0 else None
    count = head.number("number of samples")[0]
    empty = np.zeros(0)
    info = channel_info(
        Series(code, head.text("unit"), empty, empty, head.text("name of the channel")), number
    )
    start = None if first is None or step is None else round(first / step)
    known = start is not None and count is not None
    rating = head.number("channel amplitude class")[0]
    corner, unit = head.number("cut off frequency")
    scale = acceleration_scale(head.text("unit")) or 1.0
    return ChannelInfo(
        number=number,
        vehicle=info.vehicle,
        sensor=info.sensor,
        occupant=info.occupant,
        attachment=info.attachment,
        axis=info.axis,
        time_unit="SEC",
        unit=info.unit,
        prefilter_hz=info.prefilter_hz or (corner if unit in ("", "hz") and corner else None),
        rating=None if not rating else abs(rating) * scale / 9.80665,
        first_point=start,
        last_point=start + int(count) - 1 if known and start is not None and count else None,
        step_s=step,
        status={"FAILED": "CF", "NO DATA": "NO", "MEANINGLESS DATA": "MN"}.get(
            head.text("data status").upper(), ""
        ),
        redundant=info.redundant,
        words=info.words,
    )


def read_channel(record: Record, channel: ChannelInfo) -> Samples:
    """Read the values of one channel in m/s^2; NOVALUE is NaN, which the quality check names."""
    path = record.files[channel.number]
    head, lines = _head(path)
    scale = acceleration_scale(channel.unit)
    faults = []
    if scale is None:
        expected = "an acceleration unit: m/(s*s) or g"
        faults.append(Fault(path.name, "Unit", channel.unit, expected))
    values = _values(lines, path)
    times = _times(record, head, values.size, path)
    if isinstance(times, Fault):
        faults.append(times)
    if faults or isinstance(times, Fault) or scale is None:
        raise InputError(faults)
    return Samples(path.name, times, values * scale, channel.unit)


def _values(lines: list[str], path: Path) -> np.ndarray:
    kept = [line.strip() for line in lines if line.strip()]
    if not kept:
        raise InputError([Fault(path.name, "content", "no values", "one value a line")])
    try:
        return np.array(
            ["nan" if cell.upper() == "NOVALUE" else cell for cell in kept], dtype=np.float64
        )
    except (ValueError, OverflowError):
        pass
    for count, cell in enumerate(kept, start=1):
        if cell.upper() != "NOVALUE":
            try:
                float(cell)
            except ValueError:
                where = f"value {count}"
                raise InputError([Fault(path.name, where, cell[:40], "a number")]) from None
    raise InputError([Fault(path.name, "content", "not numbers", "one value a line")])


def _times(record: Record, head: _Descriptors, count: int, path: Path) -> np.ndarray | Fault:
    step, first = head.number("sampling interval")[0], head.number("time of first sample")[0]
    explicit = head.text("reference channel").lower() == "explicit"
    if step and step > 0 and not explicit:
        return (first or 0.0) + step * np.arange(count)
    code = head.text("reference channel name").split("/")[0].strip().upper()
    for file in record.files.values() if code else ():
        other, lines = _head(file)
        if other.text("channel code").upper() == code:
            times = _values(lines, file)
            if times.size == count:
                return times
            expected = f"{count} times, as many as {path.name} has values"
            return Fault(file.name, "values", times.size, expected)
    expected = "'Time of first sample' and 'Sampling interval', or a reference channel of times"
    return Fault(path.name, "time", code or None, expected)
