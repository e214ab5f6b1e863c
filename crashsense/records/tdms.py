"""Reader of TDMS files, by the package ``npTDMS`` (extra ``tdms``)."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np

from crashsense.errors import Fault, InputError, MissingExtraError
from crashsense.files import opened
from crashsense.records.series import Container, Content, Series, whole_file, within_limits

NAME = "TDMS"
TITLE = "TDMS files of measurement programs (needs the extra tdms)"

#: Properties that hold what describes a channel; the first that is there counts.
_UNIT = ("unit_string", "Unit", "unit", "NI_UnitDescription")
_WORDS = ("Name of the channel", "description", "NI_ChannelName", "Comments")


def recognises(opening: str) -> bool:
    """Whether a file that begins like *opening* (bytes as latin-1) is a TDMS file."""
    return opening.startswith("TDSm")


def _load(path: Path) -> Content:
    """Read every channel that has a time track (``wf_increment``)."""
    try:
        from nptdms import TdmsFile
        from nptdms.log import log_manager
    except ImportError as error:
        text = f"{path.name}: TDMS files need the package npTDMS: pip install '.[tdms]' ({error})"
        raise MissingExtraError(text) from None
    # What it warns of would print bytes of the file; what matters here is reported as a fault.
    log_manager.set_level(logging.CRITICAL)
    series = []
    with (
        whole_file(path, kind="TDMS file"),
        opened(path) as stream,
        TdmsFile.open(stream) as file,
    ):
        channels = [c for group in file.groups() for c in group.channels()]
        within_limits(path, channels=len(channels), values=sum(map(len, channels)))
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
    return Content(series)


def _property(properties: dict[str, object], names: tuple[str, ...]) -> str:
    return next((str(properties[name]) for name in names if properties.get(name)), "")


_CONTAINER = Container(NAME, _load)
load, read_header, read_channel = _CONTAINER.load, _CONTAINER.read_header, _CONTAINER.read_channel
