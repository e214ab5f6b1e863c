"""The channels: one name everywhere, for signals, files, sensors and rules.

Axes and signs follow SAE J211 / J1733: +x forward, +y right, +z down; roll rate is positive right
side down. A value is the ideal reading less its reading at rest on level ground.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi
from types import MappingProxyType

from crashsense.units import STANDARD_GRAVITY


@dataclass(frozen=True)
class Channel:
    """A place and direction where something is measured."""

    name: str
    location: str
    axis: str
    unit: str
    file_unit: str
    #: file value = SI value / file_scale
    file_scale: float

    @property
    def file_name(self) -> str:
        """Column name in files: the channel with its unit appended."""
        return f"{self.name}_{self.file_unit}"


def _acceleration(name: str) -> Channel:
    location, axis = name.rsplit("_", 1)
    return Channel(name, location, axis, "m/s^2", "g", STANDARD_GRAVITY)


def _pressure(name: str) -> Channel:
    return Channel(name, name.removesuffix("_pressure"), "none", "Pa", "kpa", 1000.0)


_ACCELERATIONS = (
    "central_x",
    "central_y",
    "central_z",
    "central_safing_x",
    "central_safing_y",
    "upfront_left_x",
    "upfront_right_x",
    "side_left_y",
    "side_right_y",
    "rear_seat_crossmember_x",
    "powertrain_x",
)

#: Every channel by name, in the order in which they are listed.
CHANNELS: Mapping[str, Channel] = MappingProxyType(
    {
        **{name: _acceleration(name) for name in _ACCELERATIONS},
        "door_left_pressure": _pressure("door_left_pressure"),
        "door_right_pressure": _pressure("door_right_pressure"),
        "central_roll_rate": Channel(
            "central_roll_rate", "central", "roll", "rad/s", "deg_s", pi / 180.0
        ),
    }
)

#: Channel -> the channel that takes its place when left and right are exchanged.
MIRRORED: Mapping[str, str] = MappingProxyType(
    {
        name: (
            name.replace("_left", "_right")
            if "_left" in name
            else name.replace("_right", "_left")
            if "_right" in name
            else name
        )
        for name in CHANNELS
    }
)
