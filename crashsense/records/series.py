"""Named series of a measurement file, turned into a table or into a record's channels.

Formats that hold named channels (NumPy archives, MDF4, TDMS) differ in their container alone. If
the names are channels of this program (``central_x`` with a unit, or ``central_x_g``), the file is
a table. Else it is a record: a channel's place, axis and vehicle come from a 16-character code of
ISO/TS 13499 where the name is one, or from the words of name and description.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError
from crashsense.files import LARGEST
from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo, Record, Samples, TestInfo, record_name
from crashsense.records.table import COLUMNS, MOST_VALUES, TIME, RawTable, TableFile
from crashsense.records.units import acceleration_scale, scale_to

#: Most channels of one file.
MOST_CHANNELS = 2000
#: A code of ISO/TS 13499: object, position, main location, three fine locations, dimension,
#: direction, filter class.
CODE = re.compile(r"[0-9A-Z]{2}[A-Z0-9]{4}[A-Z0-9]{6}[A-Z]{2}[0RXYZ123][0-9A-Z]")


@dataclass(frozen=True, eq=False)
class Series:
    """One channel as a file holds it: name, unit, times [s] and values, and what describes it."""

    name: str
    unit: str
    times_s: FloatArray
    values: FloatArray
    words: str = ""


@dataclass(frozen=True, eq=False)
class Content:
    """All channels of a file, and statements as of a table (JSON or ``key: value``)."""

    series: Sequence[Series]
    comments: Sequence[str] = ()
    statements: Mapping[str, object] = field(default_factory=dict)


def within_limits(path: Path, *, channels: int, values: int) -> None:
    """Refuse a file of too many channels or values, before any is read.

    Raises
    ------
    InputError : more than :data:`MOST_CHANNELS` or ``MOST_VALUES``
    """
    for field_name, held, most, noun in (
        ("channels", channels, MOST_CHANNELS, "channels"),
        ("size", values, MOST_VALUES, "values"),
    ):
        if held > most:
            expected = f"at most {most} {noun}"
            raise InputError([Fault(path.name, field_name, held, expected)])


@contextmanager
def whole_file(path: Path, *, kind: str) -> Iterator[None]:
    """Turn whatever a package raises on a broken file into one fault; kept faults pass.

    *kind*: what the file should be, such as ``MDF4 file``.
    """
    try:
        yield
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - packages raise whatever a broken file provokes
        reason = f"{type(error).__name__}: {error}".split("\n")[0][:120]
        expected = f"a whole {kind} ({reason})"
        raise InputError([Fault(path.name, "content", None, expected)]) from None


def _plausible(series: Series) -> Series:
    """Make values that no quantity can have NaN, as text in a table would be refused."""
    with np.errstate(invalid="ignore"):
        times, values = (
            np.where(np.abs(numbers) <= LARGEST, numbers, np.nan)
            for numbers in (series.times_s, series.values)
        )
    return replace(series, times_s=times, values=values)


@dataclass(frozen=True)
class Container:
    """The face of a reader whose files hold named series: all but how they are loaded.

    ``name``: of the format; ``loaded``: reads every channel of a file. What was loaded last is
    kept until the file changes.
    """

    name: str
    loaded: Callable[[Path], Content]

    def __post_init__(self) -> None:
        loaded = self.loaded

        @lru_cache(maxsize=1)
        def kept(path: Path, _changed: int, _size: int) -> Content:
            content = loaded(path)
            return replace(content, series=[_plausible(series) for series in content.series])

        object.__setattr__(self, "_kept", kept)

    def load(self, path: Path) -> Content:
        """Read every channel of a file."""
        seen = path.stat()
        content: Content = self._kept(path, seen.st_mtime_ns, seen.st_size)  # type: ignore[attr-defined]
        return content

    def read_header(self, path: Path) -> Record | TableFile:
        """Open the file; its names decide whether it is a table or a record."""
        return opened_as(path, self.load(path), format=self.name, load=self.load)

    def read_channel(self, record: Record, channel: ChannelInfo) -> Samples:
        """Read one channel of a file whose names are not those of this program."""
        return samples_of(record, channel, self.load(record.path).series)


def opened_as(
    path: Path, content: Content, *, format: str, load: Callable[[Path], Content]
) -> Record | TableFile:
    """Return a file as a table, where its channels have names of this program, else as a record."""
    series = content.series
    if not series:
        raise InputError([Fault(path.name, "channels", 0, "one channel or more")])
    if len(series) > MOST_CHANNELS:
        raise InputError([Fault(path.name, "channels", len(series), f"at most {MOST_CHANNELS}")])
    if sum(one.values.size for one in series) > MOST_VALUES:
        raise InputError([Fault(path.name, "size", "more values", f"at most {MOST_VALUES}")])
    if any(_column(one) for one in series):
        return TableFile(path, format, lambda: _raw(path.name, load(path)))
    return _record(path, content, format=format)


def _column(series: Series) -> str:
    """The column that a series is, by its name; empty if it is none."""
    name = series.name.strip().lower()
    if name in COLUMNS:
        return name
    return CHANNELS[name].file_name if name in CHANNELS else ""


def _raw(file: str, content: Content) -> RawTable:
    """The series as a table; all on the time base of the longest."""
    raw = RawTable("sample", [TIME])
    raw.comments = [(0, text) for text in content.comments]
    base = max(content.series, key=lambda one: one.times_s.size)
    raw.values[TIME] = base.times_s
    raw.lines = range(1, base.times_s.size + 1)
    for one in content.series:
        column = _column(one) or one.name
        raw.names.append(column)
        if not _column(one):
            continue
        if one.times_s.size != base.times_s.size or not np.allclose(
            one.times_s, base.times_s, rtol=0.0, atol=1e-6
        ):
            seen = f"{one.times_s.size} samples from {_first(one.times_s)} s"
            expected = (
                f"the time base of {base.name} ({base.times_s.size} samples from "
                f"{_first(base.times_s)} s); resample first"
            )
            raw.faults.append(Fault(file, one.name, seen, expected))
            continue
        scale = 1.0
        if one.name.strip().lower() in CHANNELS:
            found = scale_to(one.unit, CHANNELS[one.name.strip().lower()])
            if found is None:
                known = CHANNELS[one.name.strip().lower()]
                wanted = f"{known.unit}, {known.file_unit} or another unit of the same quantity"
                raw.faults.append(Fault(file, f"{one.name}: unit", one.unit, wanted))
                continue
            scale = found
        values = np.asarray(one.values, dtype=np.float64) * scale
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            where = f"{one.name}: sample {int(bad[0]) + 1}"
            raw.faults.append(Fault(file, where, str(values[bad[0]]), "a finite number"))
            continue
        raw.values[column] = values
    return raw


def _first(times_s: FloatArray) -> str:
    return f"{times_s[0]:g}" if times_s.size else "nowhere"


def _record(path: Path, content: Content, *, format: str) -> Record:
    channels = tuple(
        channel_info(one, number) for number, one in enumerate(content.series, start=1)
    )
    speed = content.statements.get("closing_speed_kmh")
    return Record(
        name=record_name(path),
        path=path,
        format=format,
        test=TestInfo(
            closing_speed_kmh=float(speed) if isinstance(speed, int | float) else None
        ),
        channels=channels,
        files={info.number: path for info in channels},
        findings=(
            Finding(
                "info", "header", path.name, "header", None, "a header with speeds and masses"
            ),
        ),
    )  # fmt: skip


def channel_info(series: Series, number: int) -> ChannelInfo:
    """Describe a series as a channel: from its code, or from its words."""
    code = series.name.strip().upper()
    words = " ".join(f"{series.name} {series.words}".replace("_", " ").upper().split())
    step = float(np.median(np.diff(series.times_s))) if series.times_s.size > 1 else None
    start = float(series.times_s[0]) / step if step and step > 0 else np.inf
    first = round(start) if np.isfinite(start) else None
    is_code = CODE.fullmatch(code) is not None
    vehicle = int(code[0]) if is_code and code[0].isdigit() else 1
    axis = {"1": "X", "2": "Y", "3": "Z"}.get(code[14], code[14]) if is_code else ""
    acceleration = acceleration_scale(series.unit) is not None
    told = "AC" if acceleration else "OTHER"
    return ChannelInfo(
        number=number,
        vehicle=vehicle if not is_code or code[0].isdigit() else 0,
        sensor=code[12:14] if is_code else told,
        occupant=_occupant(code) if is_code else "",
        attachment=code[2:10] if is_code else "",
        axis=axis,
        time_unit="SEC",
        unit=series.unit,
        prefilter_hz=CLASS_CORNER_HZ.get(code[15]) if is_code else None,
        rating=None,
        first_point=first,
        last_point=None if first is None else first + series.times_s.size - 1,
        step_s=step if step and step > 0 else None,
        status="",
        redundant=is_code and "RD" in (code[6:8], code[8:10], code[10:12]),
        words=series.words.upper() if is_code else words,
    )


#: Filter class of a code -> corner [Hz] of that class (SAE J211: corner 5/3 of the class).
CLASS_CORNER_HZ = {
    "A": 1650.0, "B": 1000.0, "C": 300.0, "D": 100.0,
    "E": 1650.0, "F": 1000.0, "G": 300.0, "H": 100.0, "L": 33.0,
}  # fmt: skip

#: Main locations of ISO/TS 13499 that are places of a dummy; the rest are of the vehicle.
_OF_DUMMIES = (
    "HEAD", "NECK", "CHST", "THSP", "SPIN", "PELV", "ABDO", "FEMR", "TIBI", "FOOT", "KNEE", "SHLD",
    "RIBS", "LUSP", "CLAV", "ARMS", "ILAC", "ACTB", "STER", "TRRI", "SEBE", "ANKL", "HICR", "LSPI",
)  # fmt: skip


def _occupant(code: str) -> str:
    """What the channel belongs to: a seat's occupant, or the vehicle (empty)."""
    return code[1] if code[2:6] in _OF_DUMMIES else ""


def samples_of(record: Record, channel: ChannelInfo, series: Sequence[Series]) -> Samples:
    """Return one channel of a record as samples in m/s^2."""
    one = series[channel.number - 1]
    scale = acceleration_scale(one.unit)
    if scale is None:
        expected = "an acceleration unit: g or m/s^2"
        raise InputError(
            [Fault(record.path.name, f"channel {channel.number}: unit", one.unit, expected)]
        )
    return Samples(
        record.path.name,
        np.asarray(one.times_s, dtype=np.float64),
        np.asarray(one.values, dtype=np.float64) * scale,
        one.unit,
    )
