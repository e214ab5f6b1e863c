"""Reader of a single channel in two columns, time and value, without a header file.

The government's database hands out single channels so, split by tabs: possibly a few lines of text,
then numbers. Place, unit and axis are looked for in those words and in the file's name; anything
missing is assumed (g, along x) and reported.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.files import opened, read_bytes
from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo, Record, Samples, record_name
from crashsense.records.series import Series, channel_info
from crashsense.records.table import MOST_VALUES
from crashsense.records.units import acceleration_scale

NAME = "single channel"
TITLE = "one channel in two columns split by tabs or blanks, time and value"

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][-+]?\d+)?"
_ROW = re.compile(rf"\s*({_NUMBER})\s+({_NUMBER})\s*")
_MOST_WORDS = 60
_UNITS = re.compile(r"\b(G'?S|G|M/S\^?2|M/S\*\*2|M/SEC2|M/\(S\*S\))(?=$|[^\w/])", re.IGNORECASE)


def recognises(opening: str) -> bool:
    """Whether a text begins, after lines of words, with rows of two numbers."""
    lines = [line for line in re.split(r"\r\n|\r|\n", opening) if line.strip()]
    rows = [index for index, line in enumerate(lines) if _ROW.fullmatch(line)]
    if len(rows) < 20 or rows[0] > _MOST_WORDS:
        return False
    return all(_ROW.fullmatch(line) for line in lines[rows[0] : -1]) and "|" not in opening[:2000]


def read_header(path: Path) -> Record:
    """Read the words before the numbers, and the time base."""
    with opened(path) as stream:
        opening = stream.read(65536).decode("latin-1")
    words = []
    for line in re.split(r"\r\n|\r|\n", opening):
        if _ROW.fullmatch(line):
            break
        words.append(re.sub(r"[^\x20-\x7e]", " ", line))
    told = " ".join(" ".join(words).split())[:400]
    unit = _UNITS.search(told)
    times, _ = _columns(path)
    named = f"{told} {path.stem.replace('_', ' ')}"
    series = Series(named, unit.group(1) if unit else "G", times, times)
    info = channel_info(series, 1)
    # Words that name makers or laboratories stay here: only the place is taken from them.
    axis = re.findall(r"(?<![-\w])[XYZ](?![-\w])", named.upper())
    findings = []
    if unit is None:
        note = "assumed; a velocity change that does not fit the speed would show it"
        findings.append(Finding("warning", "unit", path.name, "unit", "none", "g or m/s^2", note))
    if not axis:
        note = "assumed along x"
        findings.append(Finding("warning", "axes", path.name, "axis", "none", "X, Y or Z", note))
    channel = ChannelInfo(
        **{**info.__dict__, "axis": axis[-1] if axis else "X", "sensor": "AC", "column": ""}
    )
    expected = "a header file, for speeds, masses, belts and the place of the channel"
    findings.append(Finding("info", "header", path.name, "header", None, expected))
    return Record(
        name=record_name(path),
        path=path,
        format=NAME,
        channels=(channel,),
        files={1: path},
        findings=tuple(findings),
    )


def read_channel(record: Record, channel: ChannelInfo) -> Samples:
    """Read the two columns."""
    times, values = _columns(record.path)
    scale = acceleration_scale(channel.unit)
    if scale is None:
        raise InputError([Fault(record.path.name, "unit", channel.unit, "g or m/s^2")])
    return Samples(record.path.name, times, values * scale, channel.unit)


def _columns(path: Path) -> tuple[np.ndarray, np.ndarray]:
    text = read_bytes(path).decode("latin-1")
    rows: list[tuple[float, float]] = []
    for count, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        match = _ROW.fullmatch(line)
        if match is not None:
            rows.append(
                (
                    float(match[1].upper().replace("D", "E")),
                    float(match[2].upper().replace("D", "E")),
                )
            )
        elif rows and line.strip():
            expected = "two columns, time and value"
            raise InputError([Fault(path.name, f"line {count}", line.strip()[:40], expected)])
        if 2 * len(rows) > MOST_VALUES:
            raise InputError([Fault(path.name, "size", "more", f"at most {MOST_VALUES} values")])
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0].copy(), table[:, 1].copy()
