"""Reader of TDMS files, by the package ``npTDMS`` (extra ``tdms``)."""

from __future__ import annotations

import logging
from functools import lru_cache
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError, MissingExtraError
from crashsense.files import opened
from crashsense.records.header import ChannelInfo, Record, Samples
from crashsense.records.series import MOST_CHANNELS, Content, Series, opened_as, samples_of
from crashsense.records.table import MOST_VALUES, TableFile

NAME = "TDMS"
TITLE = "TDMS files of measurement programs (needs the extra tdms)"

#: Properties that hold what describes a channel; the first that is there counts.
_UNIT = ("unit_string", "Unit", "unit", "NI_UnitDescription")
_WORDS = ("Name of the channel", "description", "NI_ChannelName", "Comments")


def recognises(opening: str) -> bool:
    """Whether a file that begins like *opening* (bytes as latin-1) is a TDMS file."""
    return opening.startswith("TDSm")


def read_header(path: Path) -> Record | TableFile:
    """Open the file; its names decide whether it is a table or a record."""
    return opened_as(path, load(path), format=NAME, load=load)


def read_channel(record: Record, channel: ChannelInfo) -> Samples:
    """Read one channel of a file whose names are not those of this program."""
    return samples_of(record, channel, load(record.path).series)


def load(path: Path) -> Content:
    """Read every channel that has a time track (``wf_increment``)."""
    seen = path.stat()
    return _load(path, seen.st_mtime_ns, seen.st_size)


@lru_cache(maxsize=1)
def _load(path: Path, _changed: int, _size: int) -> Content:
    try:
        from nptdms import TdmsFile
        from nptdms.log import log_manager
    except ImportError as error:
        text = f"{path.name}: TDMS files need the package npTDMS: pip install '.[tdms]' ({error})"
        raise MissingExtraError(text) from None
    # What it warns of would print bytes of the file; what matters here is reported as a fault.
    log_manager.set_level(logging.CRITICAL)
    series = []
    try:
        with opened(path) as stream, TdmsFile.open(stream) as file:
            channels = [c for group in file.groups() for c in group.channels()]
            if len(channels) > MOST_CHANNELS:
                expected = f"at most {MOST_CHANNELS} channels"
                raise InputError([Fault(path.name, "channels", len(channels), expected)])
            held = sum(len(channel) for channel in channels)
            if held > MOST_VALUES:
                expected = f"at most {MOST_VALUES} values"
                raise InputError([Fault(path.name, "size", held, expected)])
            for channel in channels:
                values = channel[:]
                if values.ndim != 1 or values.dtype.kind not in "iuf" or not values.size:
                    continue
                step = float(channel.properties.get("wf_increment", 0.0))
                if not step > 0.0:
                    expected = "a time step (property wf_increment)"
                    raise InputError([Fault(path.name, channel.name, step, expected)])
                start = float(channel.properties.get("wf_start_offset", 0.0))
                series.append(
                    Series(
                        str(channel.name),
                        _property(channel.properties, _UNIT),
                        start + step * np.arange(values.size),
                        np.asarray(values, dtype=np.float64),
                        _property(channel.properties, _WORDS)[:200],
                    )
                )
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - the package raises whatever a broken file provokes
        reason = f"{type(error).__name__}: {error}".split("\n")[0][:120]
        raise InputError(
            [Fault(path.name, "content", None, f"a whole TDMS file ({reason})")]
        ) from None
    return Content(series)


def _property(properties: dict[str, object], names: tuple[str, ...]) -> str:
    return next((str(properties[name]) for name in names if properties.get(name)), "")
