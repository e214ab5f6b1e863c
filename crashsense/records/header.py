"""Content of a record's header, whatever the format, as small frozen objects.

Makers, models, identification numbers, contractors and free comments of a header are dropped on
purpose: nothing downstream may show them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from crashsense.arrays import FloatArray
from crashsense.records.findings import Finding


def record_name(path: Path) -> str:
    """Name of a record's event, after its file.

    >>> record_name(Path("Run 7 (left).csv"))
    'run_7_left'
    """
    return re.sub(r"[^a-z0-9]+", "_", path.stem.lower()).strip("_") or "record"


@dataclass(frozen=True)
class TestInfo:
    """The test: kind, configuration, closing speed [km/h], impact angle [deg]."""

    __test__ = False  # not a test class, whatever its name

    version: str = ""
    kind: str = ""
    configuration: str = ""
    closing_speed_kmh: float | None = None
    impact_angle_deg: float | None = None
    channels_stated: int | None = None


@dataclass(frozen=True)
class VehicleInfo:
    """A vehicle (or moving barrier): test mass [kg], speed [km/h], where it was damaged.

    ``struck_from`` (``frontal``, ``side``, ``rear``) and ``struck_basis`` are set where the header
    is silent and the channels tell it.
    """

    number: int
    mass_kg: float | None
    speed_kmh: float | None
    crab_angle_deg: float | None
    force_direction_deg: float | None
    damage_code: str
    struck_from: str = ""
    struck_basis: str = ""


@dataclass(frozen=True)
class BarrierInfo:
    """A fixed obstacle: ``R`` rigid or ``D`` deformable, shape code, angle [deg]."""

    rigidity: str
    shape: str
    angle_deg: float | None


@dataclass(frozen=True)
class OccupantInfo:
    """An occupant by vehicle and seat (1 driver, 2 right front passenger)."""

    vehicle: int
    seat: int | None
    kind: str


@dataclass(frozen=True)
class RestraintInfo:
    """A restraint by vehicle and seat: type and deployment codes."""

    vehicle: int
    seat: int | None
    kind: str
    deployment: str


@dataclass(frozen=True)
class ChannelInfo:
    """One measured channel as the header lists it.

    ``step_s`` [s]; ``first_point`` and ``last_point`` count from time zero; ``rating`` is the
    instrument's range in the channel's unit; ``words`` is the description, used to find the place
    and never shown; ``column`` is its name in a table.
    """

    number: int
    vehicle: int
    sensor: str
    occupant: str
    attachment: str
    axis: str
    time_unit: str
    unit: str
    prefilter_hz: float | None
    rating: float | None
    first_point: int | None
    last_point: int | None
    step_s: float | None
    status: str
    redundant: bool
    words: str
    column: str = ""

    @property
    def where(self) -> str:
        """What the channel is called in messages."""
        return f"column {self.column}" if self.column else f"channel {self.number}"

    @property
    def points(self) -> int | None:
        """Number of samples that the header states."""
        if self.first_point is None or self.last_point is None:
            return None
        return self.last_point - self.first_point + 1


@dataclass(frozen=True)
class Record:
    """A record on disk: its header and where its channel files are.

    ``findings`` holds what the reader noticed in the header. ``family`` and ``family_basis`` are
    set where a file has no header to tell from; ``archive`` is the archive that the record came in.
    """

    name: str
    path: Path
    format: str
    test: TestInfo = TestInfo()
    vehicles: tuple[VehicleInfo, ...] = ()
    barriers: tuple[BarrierInfo, ...] = ()
    occupants: tuple[OccupantInfo, ...] = ()
    restraints: tuple[RestraintInfo, ...] = ()
    channels: tuple[ChannelInfo, ...] = ()
    files: Mapping[int, Path] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    family: str = ""
    family_basis: str = ""
    archive: Path | None = None

    def vehicle(self, number: int) -> VehicleInfo | None:
        """Return the vehicle of that number, or None."""
        return next((v for v in self.vehicles if v.number == number), None)

    def channel(self, number: int) -> ChannelInfo | None:
        """Return the channel of that number, or None."""
        return next((c for c in self.channels if c.number == number), None)


@dataclass(frozen=True, eq=False)
class Samples:
    """The raw content of a channel file: times [s] and values [m/s^2], not yet checked."""

    file: str
    times_s: FloatArray
    values: FloatArray
    unit: str
