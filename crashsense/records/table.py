"""Reader of plain tables, CSV and Parquet: ``time_s`` and one column a signal.

Columns are named by channel with the unit at the end (``central_x_g``, ``door_left_pressure_kpa``,
``central_roll_rate_deg_s``), as ``crashsense events export`` writes them. A CSV may be split by
commas, semicolons or tabs; the decimal sign is the point. Lines that begin with ``#`` are comments
and metadata (:mod:`crashsense.records.stated`).

This module turns a file into numbers and finds every fault of its form; what the signals say is
judged in :mod:`crashsense.records.table_events`. Memory is bounded: a file is read in portions and
refused beyond :data:`MOST_VALUES`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from types import MappingProxyType
from typing import Any, TextIO

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS, Channel
from crashsense.errors import Fault, InputError, nearest
from crashsense.files import LARGEST
from crashsense.files import opened as open_file
from crashsense.records.findings import Finding
from crashsense.records.stated import Stated, parse_comments

NAME = "table"
TITLE = "CSV or Parquet with time_s and columns such as central_x_g"

#: Axis of the cabin's rigid-body motion -> its column, which an export has beside the signals: for
#: figures and lessons. No sensor reads it, so that it is passed over when a table is read.
RIGID_BODY: Mapping[str, str] = MappingProxyType(
    {axis: f"rigid_body_{axis}_g" for axis in ("x", "y")}
)

TIME = "time_s"
CENTRAL = "central_x"
#: Most numbers in one table: a minute of all channels at 10 kHz, 80 MB in memory.
MOST_VALUES = 10_000_000
#: Longest line [characters]; metadata in one line included.
LONGEST_LINE = 1_000_000
_MOST_COMMENTS = 1000
_MOST_COLUMNS = 200
#: Lines that are turned into numbers together.
_PORTION = 20_000
_FEWEST_ROWS = 100
#: Times may leave an even grid by this much: six printed decimals round by half a microsecond [s].
_UNEVEN_S, _UNEVEN_PART = 1.1e-6, 0.05
#: A longer step than this cannot be the sampling of a crash [s].
_LONGEST_STEP_S = 0.005

#: Column name -> channel.
COLUMNS: Mapping[str, Channel] = {channel.file_name: channel for channel in CHANNELS.values()}
#: Other units that people write, and what to do about them.
_UNITS = {
    "m_s2": "divide by 9.80665 for g", "ms2": "divide by 9.80665 for g",
    "m_s_2": "divide by 9.80665 for g", "mps2": "divide by 9.80665 for g",
    "mg": "divide by 1000 for g", "rad_s": "multiply by 57.2958 for deg_s",
    "dps": "write deg_s", "pa": "divide by 1000 for kpa", "hpa": "divide by 10 for kpa",
    "mbar": "divide by 10 for kpa", "bar": "multiply by 100 for kpa",
}  # fmt: skip
_TIMES = {"time", "t", "times", "zeit", "time_ms", "t_ms", "time_us", "t_s", "sec", "seconds"}


@dataclass(frozen=True, eq=False)
class Table:
    """A table as read: values in SI by channel, not yet checked.

    ``start_s`` [s] and ``rate_hz`` [Hz] are the even grid that the times lie on.
    """

    path: Path
    start_s: float
    rate_hz: float
    columns: Mapping[str, FloatArray]
    stated: Stated
    findings: tuple[Finding, ...]
    format: str = NAME


@dataclass(frozen=True)
class TableFile:
    """A file that holds a table; nothing of it is in memory.

    ``load`` turns a file of another format into the table that it holds; None: CSV or Parquet.
    """

    path: Path
    format: str = NAME
    load: Callable[[], RawTable] | None = None


def recognises(opening: str) -> bool:
    """Whether a file that begins like *opening* (bytes as latin-1) holds a table."""
    if opening.startswith("PAR1"):
        return True
    text = opening.removeprefix("\xef\xbb\xbf")
    lines = (line for line in text.splitlines() if line.strip())
    first = next(lines, "")
    while first.lstrip().startswith("#"):
        if first.lstrip("# ").startswith('{"schema"') and '"rate_hz"' in first:
            return True
        first = next(lines, "")
    names = {name.lower() for name in _split(first, _separator(first))}
    return bool(names & {TIME, *_TIMES, *COLUMNS, *CHANNELS}) and "|" not in first


def read_header(path: Path) -> TableFile:
    """Return the file, unread: a table has no header apart."""
    return TableFile(path)


def read_table(opened: TableFile | Path) -> Table:
    """Read a table; raises :class:`InputError` with every fault of its form."""
    path = opened if isinstance(opened, Path) else opened.path
    if isinstance(opened, TableFile) and opened.load is not None:
        raw = opened.load()
    else:
        with open_file(path) as stream:
            parquet = stream.read(4) == b"PAR1"
        raw = _read_parquet(path) if parquet else _read_csv(path)
    stated, findings, faults = parse_comments(raw.comments, file=path.name)
    faults = [*faults, *_names(raw, path.name), *raw.faults]
    times = raw.values.get(TIME)
    start = rate = np.nan
    if times is not None and np.isfinite(times).all() and times.size:
        start, rate, found, wrong = _time_base(times, raw, stated, file=path.name)
        findings += found
        faults += wrong
    if faults:
        raise InputError(faults)
    columns = {
        COLUMNS[name].name: values * COLUMNS[name].file_scale
        for name, values in raw.values.items()
        if name in COLUMNS
    }
    format = NAME if isinstance(opened, Path) else opened.format
    return Table(path, start, rate, columns, stated, tuple(findings), format)


@dataclass
class RawTable:
    """What a file holds, whatever its kind.

    ``lines``: where each row stands, counted by *unit* (``line`` or ``row``). ``values`` holds what
    could be read, NaN for a cell that could not; nothing where rows are of different length.
    """

    unit: str
    names: list[str]
    comments: list[tuple[int, str]] = field(default_factory=list)
    values: dict[str, FloatArray] = field(default_factory=dict)
    lines: Sequence[int] | npt.NDArray[np.int64] = ()
    faults: list[Fault] = field(default_factory=list)
    names_line: int = 0


def _names(raw: RawTable, file: str) -> list[Fault]:
    """Faults of the column names."""
    where = f"line {raw.names_line}: " if raw.names_line else ""
    faults = []
    for count, name in enumerate(raw.names, start=1):
        if raw.names.index(name) < count - 1:
            if name:
                faults.append(Fault(file, f"{where}column {count}", name, "each column once"))
        elif name != TIME and name not in COLUMNS and name not in RIGID_BODY.values():
            expected = _meant(name, TIME not in raw.names)
            faults.append(Fault(file, f"{where}column {count}", name, expected))
    if TIME not in raw.names and not any(name.lower() in _TIMES for name in raw.names):
        faults.append(Fault(file, f"{where}columns", ", ".join(raw.names)[:60], f"{TIME} first"))
    if not any(name != TIME and name not in RIGID_BODY.values() for name in raw.names):
        expected = f"one column a signal: {', '.join(list(COLUMNS)[:3])}, ..."
        faults.append(Fault(file, f"{where}columns", ", ".join(raw.names), expected))
    return faults


def _meant(name: str, time_is_missing: bool) -> str:
    """Suggest what an unknown column name was probably meant to be."""
    low = name.lower()
    if not name:
        return "a name (a separator at the end of the line?)"
    if low in _TIMES:
        if not time_is_missing:
            return f"one time column, {TIME}"
        cause = {"time_ms": " (divide by 1000)", "t_ms": " (divide by 1000)"}.get(low, "")
        cause = " (divide by 1000000)" if low == "time_us" else cause
        return f"{TIME!r}, in seconds from time zero{cause}"
    if low in COLUMNS or low == TIME:
        return f"{low!r}, in small letters"
    for channel in sorted(CHANNELS.values(), key=lambda c: -len(c.name)):
        if low == channel.name:
            return f"{channel.file_name!r}: the unit at the end"
        if low.startswith(channel.name + "_"):
            unit = low.removeprefix(channel.name + "_")
            hint = f"; {_UNITS[unit]}" if unit in _UNITS else ""
            return f"{channel.file_name!r}: values in {channel.file_unit}{hint}"
    return nearest(name, COLUMNS)


# --- CSV ----------------------------------------------------------------------------------------


def _separator(line: str) -> str:
    return max(",;\t", key=line.count)


def _split(line: str, separator: str) -> list[str]:
    try:
        rows = list(csv.reader([line], delimiter=separator))
    except csv.Error:
        return line.split(separator)
    return [cell.strip() for cell in rows[0]] if rows else []


class _TooLong(Exception):
    """A line beyond :data:`LONGEST_LINE`: its number."""


def _numbered(stream: TextIO) -> Iterator[tuple[int, str]]:
    """Lines that are not blank, with their numbers; whatever ends them."""
    count = 0
    while line := stream.readline(LONGEST_LINE + 1):
        count += 1
        if len(line) > LONGEST_LINE:
            raise _TooLong(count)
        if line.strip():
            yield count, line.rstrip("\n")


def _read_csv(path: Path) -> RawTable:
    # Text mode takes every line end; a byte order mark goes, odd bytes in comments do no harm.
    with (
        open_file(path) as source,
        io.TextIOWrapper(source, encoding="utf-8-sig", errors="replace") as stream,
    ):
        try:
            return _csv(path.name, _numbered(stream))
        except _TooLong as error:
            expected = f"lines of at most {LONGEST_LINE} characters"
            raise InputError(
                [Fault(path.name, f"line {error}", "a longer one", expected)]
            ) from None


def _csv(file: str, lines: Iterator[tuple[int, str]]) -> RawTable:
    raw = RawTable("line", [])
    comments = raw.comments
    names = None
    separator = ","
    for count, line in lines:
        if not line.lstrip().startswith("#"):
            separator = _separator(line)
            names = _split(line, separator)
            raw.names_line = count
            break
        _comment(file, comments, count, line)
    if names is None:
        raise InputError(
            [Fault(file, "content", "comments alone", f"a line of names: {TIME}, ...")]
        )
    if len(names) > _MOST_COLUMNS:
        expected = f"at most {_MOST_COLUMNS} columns"
        raise InputError([Fault(file, f"line {raw.names_line}", f"{len(names)} columns", expected)])
    raw.names = names
    cells = _Cells(file, names, separator)
    parts: list[FloatArray] = []
    numbers: list[npt.NDArray[np.int64]] = []
    rows = 0
    while portion := list(islice(lines, _PORTION)):
        data = []
        for count, line in portion:
            if line.lstrip().startswith("#"):
                _comment(file, comments, count, line)
            else:
                data.append((count, line))
        rows += len(data)
        if rows * len(names) > MOST_VALUES:
            expected = f"at most {MOST_VALUES} ({MOST_VALUES // len(names)} rows of this table)"
            seen = f"more than {MOST_VALUES} values"
            raise InputError(
                [*_names(raw, file), *cells.faults(), Fault(file, "size", seen, expected)]
            )
        if data:
            parts.append(cells.numbers(data))
            numbers.append(np.array([count for count, _ in data], dtype=np.int64))
    raw.faults = cells.faults()
    if not rows:
        raw.faults.append(Fault(file, "rows", 0, f"{_FEWEST_ROWS} rows or more below the names"))
    elif not cells.ragged:
        table = np.concatenate(parts)
        raw.values = {n: np.ascontiguousarray(table[:, i]) for i, n in enumerate(names)}
        raw.lines = np.concatenate(numbers)
    return raw


def _comment(file: str, comments: list[tuple[int, str]], count: int, line: str) -> None:
    comments.append((count, line.lstrip("# \t").rstrip()))
    if len(comments) > _MOST_COMMENTS:
        expected = f"at most {_MOST_COMMENTS} comment lines"
        raise InputError([Fault(file, f"line {count}", "one more comment", expected)])


class _Cells:
    """Turns lines into numbers; of each column and kind of fault the first place is kept."""

    def __init__(self, file: str, names: list[str], separator: str) -> None:
        self.file, self.names, self.separator = file, names, separator
        #: (column or -1 for the whole line, what was expected) -> line, value, how many
        self.found: dict[tuple[int, str], tuple[int, str, int]] = {}

    @property
    def ragged(self) -> bool:
        """Whether a line had another number of cells than there are names."""
        return any(column < 0 for column, _ in self.found)

    def faults(self) -> list[Fault]:
        """One line a column and kind of fault, in the order of the lines."""
        out = []
        ordered = sorted(self.found.items(), key=lambda item: (item[1][0], item[0][0]))
        for (column, expected), (line, value, many) in ordered:
            where = f"line {line}"
            if column >= 0:
                where += f": column {self.names[column] or column + 1}"
            more = f" ({many} such places)" if many > 1 else ""
            out.append(Fault(self.file, where, value[:40], expected + more))
        return out

    def numbers(self, data: list[tuple[int, str]]) -> FloatArray:
        """Return the lines as numbers, shape (lines, columns); NaN where there is none."""
        try:
            table = np.loadtxt(
                [line for _, line in data], delimiter=self.separator, comments=None, ndmin=2,
                quotechar='"', dtype=np.float64,
            )  # fmt: skip
        except ValueError:
            table = np.empty((0, 0))
        if table.shape == (len(data), len(self.names)) and np.isfinite(table).all():
            return table
        table = np.full((len(data), len(self.names)), np.nan)
        for row, (count, line) in enumerate(data):
            cells = _split(line, self.separator)
            if len(cells) != len(self.names):
                seen = f"{len(cells)} cells"
                expected = f"{len(self.names)}, one a column"
                if len(cells) == len(self.names) + 1 and not cells[-1]:
                    expected += " (a separator at the end of the line?)"
                elif self.separator == "," and len(cells) > len(self.names):
                    expected += " (a decimal comma? write a point)"
                self._note(-1, expected, count, seen)
                continue
            for column, cell in enumerate(cells):
                table[row, column] = self._number(column, cell, count)
        return table

    def _number(self, column: int, cell: str, line: int) -> float:
        try:
            value = float(cell) if "_" not in cell else np.nan
        except ValueError:
            value = np.nan
            try:
                float(cell.replace(",", "."))
            except ValueError:
                self._note(column, "a finite number", line, cell)
            else:
                self._note(column, "a point as decimal sign", line, cell)
            return value
        if not np.isfinite(value):
            self._note(column, "a finite number", line, cell)
        return value

    def _note(self, column: int, expected: str, line: int, value: str) -> None:
        first, seen, many = self.found.get((column, expected), (line, value, 0))
        self.found[column, expected] = (first, seen, many + 1)


# --- Parquet ------------------------------------------------------------------------------------


def _read_parquet(path: Path) -> RawTable:
    import pyarrow as pa
    import pyarrow.parquet as pq

    file = path.name
    try:
        source = pq.ParquetFile(path)
        schema = source.schema_arrow
        rows = source.metadata.num_rows
        if rows * len(schema.names) > MOST_VALUES:
            expected = f"at most {MOST_VALUES}"
            seen = f"{rows} rows of {len(schema.names)} columns"
            raise InputError([Fault(file, "size", seen, expected)])
        table = source.read()
    except (pa.ArrowException, OSError, UnicodeDecodeError, OverflowError, MemoryError) as error:
        reason = str(error).split("\n")[0][:120]
        expected = f"a whole Parquet file ({reason})"
        raise InputError([Fault(file, "content", "a damaged Parquet file", expected)]) from None
    text = (schema.metadata or {}).get(b"crashsense", b"").decode("utf-8", "replace")
    raw = RawTable("row", list(schema.names), comments=[(0, text)] if text else [])
    raw.lines = range(1, rows + 1)
    for index, name in enumerate(schema.names):
        values = _column(table.column(index), file, name, raw.faults)
        if values is not None:
            raw.values[name] = values
    if not rows:
        raw.faults.append(Fault(file, "rows", 0, f"{_FEWEST_ROWS} rows or more"))
    return raw


def _column(column: Any, file: str, name: str, faults: list[Fault]) -> FloatArray | None:
    import pyarrow as pa

    kind = column.type
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        faults.append(Fault(file, f"column {name}", str(kind), "a column of numbers"))
        return None
    values = column.cast(pa.float64(), safe=False).to_numpy()
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        first = int(bad[0])
        seen = "an empty cell" if column[first].as_py() is None else str(values[first])
        more = f" ({bad.size} such places)" if bad.size > 1 else ""
        where = f"row {first + 1}: column {name}"
        faults.append(Fault(file, where, seen, f"a finite number{more}"))
        return None
    return np.array(values, dtype=np.float64)


# --- time ---------------------------------------------------------------------------------------


def _time_base(
    times: FloatArray, raw: RawTable, stated: Stated, *, file: str
) -> tuple[float, float, list[Finding], list[Fault]]:
    """Return start [s] and rate [Hz] of the even grid of *times*, findings and faults."""
    where = f"column {TIME}"

    def fail(
        field: str, value: object, expected: str
    ) -> tuple[float, float, list[Any], list[Fault]]:
        return np.nan, np.nan, [], [Fault(file, field, value, expected)]

    if times.size < _FEWEST_ROWS:
        return fail("rows", times.size, f"{_FEWEST_ROWS} rows or more")
    huge = np.flatnonzero(np.abs(times) > LARGEST)
    if huge.size:
        at = int(huge[0])
        row = f"{raw.unit} {raw.lines[at]}: {where}"
        return fail(row, f"{times[at]:g} s", "times of a record, in seconds")
    steps = np.diff(times)
    back = np.flatnonzero(steps <= 0)
    if back.size:
        at = int(back[0]) + 1
        seen = f"{times[at]:g} s after {times[at - 1]:g} s"
        more = f" ({back.size} such places)" if back.size > 1 else ""
        if times[at] == times[at - 1]:
            more += " (times printed with too few decimals?)"
        return fail(f"{raw.unit} {raw.lines[at]}: {where}", seen, f"increasing times{more}")
    step = float(np.median(steps))
    if step > _LONGEST_STEP_S:
        word = "milliseconds" if step <= 1e3 * _LONGEST_STEP_S else "microseconds"
        # 20 ms is 50 Hz, or 50 kHz in milliseconds: from there on nothing else makes sense.
        slow = ", or the rate is too low" if step < 0.02 else ""
        expected = f"a step below {_LONGEST_STEP_S:g} s (times look like {word}{slow})"
        return fail(where, f"steps of {step:g} s", expected)
    # The straight line nearest to the times: one odd time at an end must not tilt the grid.
    count = np.arange(times.size) - 0.5 * (times.size - 1)
    middle = float(times.mean())
    mean_step = float((count * (times - middle)).sum() / (count**2).sum())
    off = float(np.abs(times - middle - mean_step * count).max())
    allowed = max(_UNEVEN_S, _UNEVEN_PART * step)
    if off > allowed:
        at = int(np.argmax(np.abs(steps - step))) + 1
        seen = f"{steps[at - 1]:g} s among steps of {step:g} s"
        expected = (
            f"evenly sampled times, within {allowed * 1e3:.2g} ms of a grid (up to "
            f"{off * 1e3:.2g} ms off); resample first"
        )
        return fail(f"{raw.unit} {raw.lines[at]}: {where}", seen, expected)
    if times[-1] <= 0:
        return fail(where, f"ends at {times[-1]:g} s", "times before and after time zero (contact)")
    span = mean_step * (times.size - 1)
    rate, findings = _rate(1.0 / mean_step, span, stated, file=file)
    start = round(middle - 0.5 * (times.size - 1) / rate, 9)
    return start, rate, findings, []


def _rate(
    measured: float, span: float, stated: Stated, *, file: str
) -> tuple[float, list[Finding]]:
    """Rate of even times [Hz]: the stated one or a round one that fits them, else the measured."""
    # Rounded times fix the rate no better than this: the ends may be off by the tolerance.
    doubt = max(2 * _UNEVEN_S, 0.02 / measured) / span
    if stated.rate_hz is not None:
        if abs(stated.rate_hz / measured - 1.0) <= doubt:
            return stated.rate_hz, []
        expected = f"the rate of the time column, {measured:.8g} Hz; it was taken"
        found = Finding("warning", "rate", file, "rate_hz", f"{stated.rate_hz:g}", expected)
        return measured, [found]
    for digits in (-3, -2, -1, 0):
        near = round(measured, digits)
        if near > 0 and abs(near / measured - 1.0) <= doubt:
            return near, []
    return measured, []
