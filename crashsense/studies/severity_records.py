"""A measured record over impact speed: its pulse scaled, required times and expectations with it.

At another speed the amplitude is multiplied by the ratio of speeds and the duration stays, as for a
mass on a linear spring. Cars stiffen and collapse: far from its own speed a scaled record says
little. Stage 1 is required by velocity change, as for any record without a stated requirement; a
requirement stated by a user or a file holds at the record's own speed only and is open elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from crashsense.errors import Fault, InputError
from crashsense.event import Event
from crashsense.records import read_record
from crashsense.records.assumed import FIRE_FROM_KMH, NO_FIRE_BELOW_KMH, STAGE_1
from crashsense.studies.scaled_event import LEAST, MOST, flight_travel, scaled_event

#: Two speeds closer than this are the same [km/h].
SAME_KMH = 1e-6


def is_record(name: str) -> bool:
    """True if a name is that of a file or folder other than a recipe.

    >>> is_record("wall_full_40")
    False
    """
    path = Path(name)
    return path.suffix != ".toml" and path.exists()


@dataclass(frozen=True, eq=False)
class RecordSweep:
    """One event of a record at every speed; *own_kmh* its own, *state* how it is named."""

    event: Event
    own_kmh: float
    state: str

    def at(self, speed_kmh: float) -> Event:
        """Return the event scaled to a speed, with what is asked of stage 1 there."""
        factor = speed_kmh / self.own_kmh
        scaled = scaled_event(self.event, factor)
        requirements = {}
        for name, requirement in scaled.requirements.items():
            is_assumed = self.event.requirements[name].basis.startswith("assumed")
            expectation = requirement.expectation
            if name == STAGE_1 and is_assumed and expectation in ("fire", "open", "no_fire"):
                expectation = self._asked(speed_kmh)
            elif abs(speed_kmh - self.own_kmh) > SAME_KMH:
                expectation = "open"
            if expectation == "fire" and requirement.required_s is None:
                expectation = "open"
            requirements[name] = replace(requirement, expectation=expectation)
        return replace(
            scaled, name=f"{self.event.name}_at_{speed_kmh:g}", requirements=requirements
        )

    def _asked(self, speed_kmh: float) -> str:
        no_fire_to, fire_from = self._assumed_limits()
        if speed_kmh >= fire_from and flight_travel(self.event, STAGE_1) is not None:
            return "fire"
        return "no_fire" if speed_kmh < no_fire_to else "open"

    def _assumed_limits(self) -> tuple[float, float]:
        """Speeds [km/h] at which the scaled record has the velocity changes that are assumed."""
        if self.event.family != "frontal":
            return 0.0, math.inf
        change = abs(float(self.event.metadata["velocity_change_kmh"]))
        ratio = self.own_kmh / change
        return round(NO_FIRE_BELOW_KMH * ratio, 2), round(FIRE_FROM_KMH * ratio, 2)

    def limits(
        self, restraint: str, speeds_kmh: Sequence[float]
    ) -> tuple[float | None, float | None]:
        """Return the last speed that must not fire and the first that must [km/h]."""
        if restraint != STAGE_1:
            return None, None
        first, last = min(speeds_kmh), max(speeds_kmh)
        asked = {
            speed: self.at(speed).requirements[restraint].expectation for speed in (first, last)
        }
        no_fire_to, fire_from = self._assumed_limits()
        no_fire = no_fire_to if asked[first] == "no_fire" != asked[last] else None
        fire = fire_from if asked[last] == "fire" != asked[first] else None
        return no_fire, fire


def record_sweeps(record: str | Path | Event, *, speeds_kmh: Sequence[float]) -> list[RecordSweep]:
    """Return each event of a record, ready for a sweep of speeds.

    Raises
    ------
    InputError : no closing speed or velocity change is known; speeds too far from the record's own
    """
    where = "study severity"
    events = [record] if isinstance(record, Event) else read_record(record)
    sweeps = []
    faults = []
    for event in events:
        own = event.metadata.get("speed_kmh")
        if not own or not event.metadata.get("velocity_change_kmh"):
            expected = "a record that states its closing speed (closing_speed_kmh) and has a pulse"
            faults.append(Fault(where, "record", event.name, expected))
            continue
        far = [v for v in speeds_kmh if not LEAST <= v / own <= MOST]
        if far:
            expected = f"{LEAST * own:.1f} to {MOST * own:.0f} km/h for {event.name}"
            faults.append(Fault(where, "--speeds", far[0], expected))
        state = "belted" if event.context.belted else "unbelted"
        name = state if len(events) == 1 else f"{state}, {event.name}"
        sweeps.append(RecordSweep(event, float(own), name))
    if faults:
        raise InputError(faults)
    return sweeps
