"""Writes small records in the EV5 exchange format: fictional tests, for the tests only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

STANDARD_GRAVITY = 9.80665


def pulse_g(
    speed_change_kmh: float,
    *,
    duration_s: float = 0.1,
    rate_hz: float = 10000.0,
    start_s: float = -0.05,
    end_s: float = 0.2,
    offset_g: float = 0.05,
    ringing_g: float = 1.0,
    late_s: float = 0.0,
):
    """A haversine of the given (signed) velocity change, with offset and some ringing [g]."""
    first, last = round(start_s * rate_hz), round(end_s * rate_hz)
    times = np.arange(first, last + 1) / rate_hz - late_s
    inside = (times >= 0) & (times <= duration_s)
    peak = speed_change_kmh / 3.6 / (0.5 * duration_s) / STANDARD_GRAVITY
    window = np.where(inside, 0.5 * (1 - np.cos(2 * np.pi * times / duration_s)), 0.0)
    return window * (peak + ringing_g * np.sin(2 * np.pi * 700 * times)) + offset_g


@dataclass
class WrittenChannel:
    """A row of the channel list and its samples; ``values=None`` writes no file."""

    number: int
    values: Sequence[float] | None
    words: str = "LEFT REAR SILL X"
    vehicle: int = 1
    sensor: str = "AC"
    occupant: str = "NA"
    attachment: str = "OTHR"
    axis: str = "XG"
    time_unit: str = "SEC"
    unit: str = "G'S"
    prefilter: str = "2800"
    rating: str = "2000"
    first: int = -500
    last: int | None = None
    step_us: str = "100"
    status: str = "AM"
    redundancy: str = "P"
    times: Sequence[float] | None = None
    suffix: str | None = None

    def row(self) -> str:
        count = 0 if self.values is None else len(self.values)
        last = self.last if self.last is not None else self.first + max(count, 2) - 1
        fields = [self.vehicle, self.number, self.sensor, self.occupant, self.attachment]
        fields += [self.axis, self.time_unit, self.unit, self.prefilter, "MFG: NONE", "01/JAN/2001"]
        fields += [self.rating, "10", "0.0", self.first, last, self.step_us, self.status]
        return "|".join(str(f) for f in [*fields, self.redundancy, self.words])


@dataclass
class WrittenVehicle:
    """A row of the vehicle list; the maker and the like are invented words that must not leak."""

    number: int = 1
    mass: str = "1500"
    speed: str = "50"
    force_direction: str = "0"
    damage: str = "12FDEW2"

    def row(self) -> str:
        before = [self.number, "SECRETMAKER", "SECRETMODEL", "2001", "SECRETNUMBER", "4S"]
        before += ["SECRETVIN", "4CIF", "2.0", "AF", self.mass, "1300", "2600", "4500", "1800"]
        before += ["1200", "UN", "UNK", "P", "", *["0"] * 21]
        after = [self.speed, "0", self.force_direction, "DE", "NA", "NA", *["0"] * 6, self.damage]
        return "|".join(str(f) for f in [*before, *after, "1200", "0", "500", *["0"] * 24])


@dataclass
class WrittenRecord:
    """A record to be written; the defaults are a sound 50 km/h wall test with one sill channel."""

    channels: list[WrittenChannel]
    name: str = "v00042"
    vehicles: list[WrittenVehicle] = field(default_factory=lambda: [WrittenVehicle()])
    closing_speed: str = "50"
    impact_angle: str = "0"
    configuration: str = "VTB"
    barrier: bool = True
    occupants: tuple[str, ...] = ("1|01|H3|0|M", "1|02|H3|0|F")
    restraints: tuple[str, ...] = ("1|01|1|3PT|BC|NA|BELT", "1|01|2|FRT|SW|DP|BAG")
    newline: str = "\n"
    header_suffix: str = ".EV5"

    def header(self) -> str:
        test = ["V5", "SECRETTITLE", "OBJECT", "01/JAN/2001", "SECRETLAB", "SECRETCONTRACT"]
        test += ["SECRETREF", "NCA", self.configuration, "CON", "DRY", "22", "OTH", "OTH"]
        test += [self.closing_speed, self.impact_angle, "0", "0", str(len(self.channels)), "NOTE"]
        lines = ["# Source: a test of this project", "----- EV5 -----", "----- TEST -----"]
        lines += ["|".join(test), "----- VEHICLE -----", *(v.row() for v in self.vehicles)]
        if self.barrier:
            lines += ["----- BARRIER -----", "R|LCB|0|0|SECRETBARRIER"]
        lines += ["----- OCCUPANT -----", *self.occupants]
        lines += ["----- RESTRAINT -----", *self.restraints]
        lines += ["----- INSTRUMENTATION -----", *(c.row() for c in self.channels)]
        return self.newline.join([*lines, "----- END -----", ""])

    def write(self, folder: Path) -> Path:
        """Write header and channel files into *folder* and return it."""
        folder.mkdir(parents=True, exist_ok=True)
        header = folder / (self.name + self.header_suffix)
        header.write_bytes(self.header().encode())
        for channel in self.channels:
            if channel.values is None:
                continue
            step = float(channel.step_us or "100") * 1e-6
            times = channel.times
            if times is None:
                times = (channel.first + np.arange(len(channel.values))) * step
            rows = [f"{t:.6f}\t{v:.6f}" for t, v in zip(times, channel.values, strict=True)]
            suffix = channel.suffix if channel.suffix is not None else f".{channel.number:03d}"
            text = self.newline.join([*rows, ""])
            (folder / (self.name + suffix)).write_bytes(text.encode())
        return folder


def wall(speed_kmh: float = 50.0, *, rebound: float = 0.1, **changes) -> WrittenRecord:
    """A sound wall test at *speed_kmh*: one channel on the left rear sill."""
    channel_changes = changes.pop("channel", {})
    values = channel_changes.pop("values", pulse_g(-(1 + rebound) * speed_kmh))
    attributes = {
        "closing_speed": f"{speed_kmh:g}",
        "vehicles": [WrittenVehicle(speed=f"{speed_kmh:g}")],
        **changes,
    }
    return WrittenRecord([WrittenChannel(1, values, **channel_changes)], **attributes)
