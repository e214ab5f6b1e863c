"""Parts of a record's header in memory, for tests of what is decided from them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from crashsense.records.header import ChannelInfo, Record, VehicleInfo


def channel(**values: Any) -> ChannelInfo:
    given = {
        "number": 1, "vehicle": 1, "sensor": "AC", "occupant": "", "attachment": "", "axis": "X",
        "time_unit": "SEC", "unit": "G'S", "prefilter_hz": None, "rating": None,
        "first_point": None, "last_point": None, "step_s": None, "status": "AM",
        "redundant": False, "words": "LEFT REAR SILL X",
    }  # fmt: skip
    return ChannelInfo(**given | values)


def record(**values: Any) -> Record:
    return Record(name="r", path=Path("r.ev5"), format="EV5", **values)


def vehicle(number: int = 1, **values: Any) -> VehicleInfo:
    given = {
        "mass_kg": 1000.0, "speed_kmh": 50.0, "crab_angle_deg": None, "force_direction_deg": None,
        "damage_code": "",
    }  # fmt: skip
    return VehicleInfo(number, **given | values)
