"""Reader of NumPy archives: ``time_s`` and one array a channel, pickles refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.files import opened
from crashsense.records import archives
from crashsense.records.series import Container, Content, Series
from crashsense.records.table import MOST_VALUES, TIME

NAME = "npz"
TITLE = "NumPy archive with time_s (or start_s and rate_hz) and one array a channel"

#: Arrays that are not channels: times, and a text of statements as in a table.
_OTHERS = (TIME, "start_s", "rate_hz", "metadata", "units")


def recognises_archive(path: Path) -> bool:
    """Whether a zip archive is one of NumPy: its members are arrays."""
    infos = archives.members(path)
    return bool(infos) and all(info.filename.endswith(".npy") for info in infos)


def _load(path: Path) -> Content:
    """Read all arrays; ``units`` is a JSON text: name -> unit (g without it)."""
    file = path.name
    arrays: dict[str, np.ndarray] = {}
    faults: list[Fault] = []
    try:
        with opened(path) as stream, np.load(stream, allow_pickle=False) as archive:
            for name in archive.files:
                arrays[name] = archive[name]
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - a broken header of an array is parsed as Python
        reason = str(error).split("\n")[0][:120]
        raise InputError(
            [Fault(file, "content", None, f"a NumPy archive of plain arrays ({reason})")]
        ) from None
    units = _json(arrays.get("units"), "units", file, faults)
    text = arrays.get("metadata")
    channels = {n: v for n, v in arrays.items() if n not in _OTHERS}
    times = _times(arrays, channels, file, faults)
    series = []
    for name, values in channels.items():
        if values.ndim != 1 or values.dtype.kind not in "iuf":
            seen = f"{values.dtype} of shape {values.shape}"
            faults.append(Fault(file, name, seen, "one row of numbers"))
        elif values.size > MOST_VALUES:
            faults.append(Fault(file, name, values.size, f"at most {MOST_VALUES} values"))
        elif times is not None:
            unit = str(units.get(name, "g"))
            series.append(Series(name, unit, times, np.asarray(values, dtype=np.float64)))
    if faults:
        raise InputError(faults)
    comments = [str(text)] if text is not None and text.dtype.kind == "U" else []
    return Content(series, comments)


def _json(array: np.ndarray | None, name: str, file: str, faults: list[Fault]) -> dict[str, object]:
    if array is None:
        return {}
    try:
        found = json.loads(str(array))
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        faults.append(Fault(file, name, str(array)[:40], "a JSON text: name -> unit"))
        return {}
    return found


def _times(
    arrays: dict[str, np.ndarray], channels: dict[str, np.ndarray], file: str, faults: list[Fault]
) -> np.ndarray | None:
    count = max((v.size for v in channels.values() if v.ndim == 1), default=0)
    if TIME in arrays:
        times = arrays[TIME]
        if times.ndim == 1 and times.dtype.kind in "iuf" and times.size == count:
            return np.asarray(times, dtype=np.float64)
        seen = f"{times.dtype} of shape {times.shape}"
        faults.append(Fault(file, TIME, seen, f"{count} times, one a value"))
        return None
    rate, start = arrays.get("rate_hz"), arrays.get("start_s")
    if rate is not None and start is not None and rate.size == 1 and start.size == 1:
        hz, first = float(rate.item()), float(start.item())
        if np.isfinite(hz) and np.isfinite(first) and 1.0 <= hz <= 1e7:
            return first + np.arange(count) / hz
        faults.append(Fault(file, "rate_hz", hz, "a rate of 1 Hz to 10 MHz, and a start"))
        return None
    faults.append(Fault(file, TIME, None, f"an array {TIME}, or rate_hz and start_s"))
    return None


_CONTAINER = Container(NAME, _load)
load, read_header, read_channel = _CONTAINER.load, _CONTAINER.read_header, _CONTAINER.read_channel
