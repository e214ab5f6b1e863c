"""Spellings of units in files, and what one of them is in SI."""

from __future__ import annotations

import re
from collections.abc import Mapping

from crashsense.channels import Channel
from crashsense.units import STANDARD_GRAVITY

#: Spellings of acceleration units, reduced to capitals and digits -> m/s^2 in one unit.
_ACCELERATION: Mapping[str, float] = {
    **dict.fromkeys(("G", "GS", "GN", "GRAVITY"), STANDARD_GRAVITY),
    **dict.fromkeys(
        ("MS2", "MPS2", "MSS", "MPSS", "MSEC2", "MSECSEC", "MSECSQ", "METERPERSECONDSQUARED"), 1.0
    ),
}
#: Spellings of time units -> s in one unit.
_TIME: Mapping[str, float] = {
    **dict.fromkeys(("", "SEC", "S", "SECS", "SECOND", "SECONDS"), 1.0),
    **dict.fromkeys(("MSEC", "MS", "MSECS", "MILLISECOND", "MILLISECONDS"), 1e-3),
}
_RATE: Mapping[str, float] = {
    **dict.fromkeys(("RADS", "RADSEC", "RADIANSPERSECOND"), 1.0),
    **dict.fromkeys(("DEGS", "DPS", "DEGSEC", "DEGREESPERSECOND"), 0.017453292519943295),
}
_PRESSURE: Mapping[str, float] = {
    "PA": 1.0, "HPA": 100.0, "KPA": 1000.0, "MBAR": 100.0, "BAR": 1e5, "MPA": 1e6,
}  # fmt: skip


def acceleration_scale(unit: str) -> float | None:
    """Return m/s^2 in one *unit* of a file, None if the unit is not an acceleration.

    >>> acceleration_scale("G'S"), acceleration_scale("M/S**2"), acceleration_scale("NWT")
    (9.80665, 1.0, None)
    """
    return _ACCELERATION.get(_plain(unit))


def time_scale(unit: str) -> float | None:
    """Return s in one time *unit* of a file, None if unknown."""
    return _TIME.get(re.sub(r"[^A-Z]", "", unit.upper()))


def scale_to(unit: str, channel: Channel) -> float | None:
    """Return the channel's file unit in one *unit*: what a value is multiplied by; None if unknown.

    >>> from crashsense.channels import CHANNELS
    >>> scale_to("m/s^2", CHANNELS["central_x"])
    0.10197162129779283
    """
    known = {"m/s^2": _ACCELERATION, "rad/s": _RATE, "Pa": _PRESSURE}[channel.unit]
    found = known.get(_plain(unit))
    return None if found is None else found / channel.file_scale


def _plain(unit: str) -> str:
    """Capitals and digits alone; the superscript two is a two.

    >>> _plain("m/s²"), _plain("°/s")
    ('MS2', 'DEGS')
    """
    spelled = unit.upper().replace("²", "2").replace("°", "DEG")
    return re.sub(r"[^A-Z0-9]", "", spelled)
