"""Reader of MDF4 measurement files (ASAM MDF), by the package ``asammdf`` (extra ``mdf``)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError, MissingExtraError
from crashsense.files import opened
from crashsense.records.series import Container, Content, Series, whole_file, within_limits

NAME = "MDF4"
TITLE = "measurement files of ASAM MDF, version 4 (needs the extra mdf)"


def recognises(opening: str) -> bool:
    """Whether a file that begins like *opening* (bytes as latin-1) is an MDF of version 4."""
    return opening.startswith("MDF     4")


def _load(path: Path) -> Content:
    """Read every channel of numbers; time zero is that of the file."""
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
    with whole_file(path, kind="MDF4 file"), _quiet_end(), MDF(path) as file:
        names = [n for n in file.channels_db if n not in ("time", "t")]
        held = sum(int(g.channel_group.cycles_nr) * len(g.channels) for g in file.groups)
        within_limits(path, channels=len(names), values=held)
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
    return Content(series)


@contextmanager
def _quiet_end() -> Iterator[None]:
    try:
        yield
    except Exception as error:
        _give_up(error)
        raise


def _give_up(error: BaseException) -> None:
    """Close files of the package's half-built object: its own clean-up needs what was never set."""
    trace = error.__traceback__
    while trace is not None:
        half = trace.tb_frame.f_locals.get("self")
        if type(half).__name__ == "MDF4":
            half._closed = True  # type: ignore[union-attr]
            for name in ("_file", "_tempfile"):
                stream = getattr(half, name, None)
                if stream is not None:
                    stream.close()
        trace = trace.tb_next


_CONTAINER = Container(NAME, _load)
load, read_header, read_channel = _CONTAINER.load, _CONTAINER.read_header, _CONTAINER.read_channel
