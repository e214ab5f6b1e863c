"""Reader of MDF4 measurement files (ASAM MDF), by the package ``asammdf`` (extra ``mdf``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError, MissingExtraError
from crashsense.files import opened
from crashsense.records.header import ChannelInfo, Record, Samples
from crashsense.records.series import MOST_CHANNELS, Content, Series, opened_as, samples_of
from crashsense.records.table import MOST_VALUES, TableFile

NAME = "MDF4"
TITLE = "measurement files of ASAM MDF, version 4 (needs the extra mdf)"


def recognises(opening: str) -> bool:
    """Whether a file that begins like *opening* (bytes as latin-1) is an MDF of version 4."""
    return opening.startswith("MDF     4")


def read_header(path: Path) -> Record | TableFile:
    """Open the file; its names decide whether it is a table or a record."""
    return opened_as(path, load(path), format=NAME, load=load)


def read_channel(record: Record, channel: ChannelInfo) -> Samples:
    """Read one channel of a file whose names are not those of this program."""
    return samples_of(record, channel, load(record.path).series)


def load(path: Path) -> Content:
    """Read every channel of numbers; time zero is that of the file."""
    seen = path.stat()
    return _load(path, seen.st_mtime_ns, seen.st_size)


@lru_cache(maxsize=1)
def _load(path: Path, _changed: int, _size: int) -> Content:
    try:
        from asammdf import MDF
    except ImportError as error:
        text = f"{path.name}: MDF4 files need the package asammdf: pip install '.[mdf]' ({error})"
        raise MissingExtraError(text) from None
    with opened(path) as stream:
        if stream.read(68)[64:] != b"##HD":  # the first block follows the 64 bytes of the start
            expected = "a whole MDF4 file (no header block)"
            raise InputError([Fault(path.name, "content", None, expected)])
    series = []
    try:
        with MDF(path) as file:
            names = [n for n in file.channels_db if n not in ("time", "t")]
            if len(names) > MOST_CHANNELS:
                expected = f"at most {MOST_CHANNELS} channels"
                raise InputError([Fault(path.name, "channels", len(names), expected)])
            held = sum(int(g.channel_group.cycles_nr) * len(g.channels) for g in file.groups)
            if held > MOST_VALUES:
                expected = f"at most {MOST_VALUES} values"
                raise InputError([Fault(path.name, "size", held, expected)])
            for name in names:
                for group, index in file.channels_db[name]:
                    found = file.get(group=group, index=index)
                    if found.samples.ndim != 1 or found.samples.dtype.kind not in "iuf":
                        continue
                    series.append(
                        Series(
                            name,
                            str(found.unit or ""),
                            np.asarray(found.timestamps, dtype=np.float64),
                            np.asarray(found.samples, dtype=np.float64),
                            str(found.comment or "")[:200],
                        )
                    )
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - the package raises whatever a broken file provokes
        _give_up(error)
        reason = f"{type(error).__name__}: {error}".split("\n")[0][:120]
        raise InputError(
            [Fault(path.name, "content", None, f"a whole MDF4 file ({reason})")]
        ) from None
    return Content(series)


def _give_up(error: BaseException) -> None:
    """Keep the package's half-built object quiet: its clean-up needs what was never set."""
    trace = error.__traceback__
    while trace is not None:
        half = trace.tb_frame.f_locals.get("self")
        if type(half).__name__ == "MDF4" and not hasattr(half, "header"):
            half._closed = True  # type: ignore[union-attr]
            stream = getattr(half, "_file", None)
            if stream is not None:
                stream.close()
        trace = trace.tb_next
