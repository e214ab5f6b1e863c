"""The families: name -> class. Built in, or installed under the entry point group."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, cast

from crashsense.errors import Fault, InputError, unknown_name
from crashsense.rules.contract import Rule

#: Entry point group of installed rule families.
GROUP = "crashsense.rules"

#: Family -> where its class stands. Order is the order in which they are listed.
_BUILT_IN = {
    "velocity_change": "velocity:VelocityChange",
    "velocity_change_fixed_point": "fixed_point:FixedPointVelocityChange",
    "rear_velocity": "velocity:RearVelocity",
    "left_right_difference": "velocity:LeftRightDifference",
    "window_velocity": "window:WindowVelocity",
    "window_difference": "window:WindowDifference",
    "displacement": "displacement:Displacement",
    "predicted_displacement": "displacement:PredictedDisplacement",
    "velocity_displacement_map": "maps:VelocityDisplacementMap",
    "velocity_time_map": "maps:VelocityTimeMap",
    "velocity_time_ramp": "maps:VelocityTimeRamp",
    "window_velocity_jerk_map": "maps:WindowVelocityJerkMap",
    "jerk": "activity:Jerk",
    "energy": "activity:Energy",
    "power": "activity:Power",
    "variance": "activity:Variance",
    "high_frequency_velocity": "activity:HighFrequencyVelocity",
    "peak_to_peak": "activity:PeakToPeak",
    "signal_length": "activity:SignalLength",
    "band_energy": "activity:BandEnergy",
    "level": "level:Level",
    "side_velocity": "side:SideVelocity",
    "door_pressure": "side:DoorPressure",
    "door_pressure_slope": "side:DoorPressureSlope",
    "door_pressure_rise": "side:DoorPressureRise",
    "roll_rate_angle_map": "maps:RollRateAngleMap",
    "roll_energy": "maps:RollEnergy",
    "python": "plugins:PythonRule",
    "c_library": "c_library:CLibraryRule",
    "all_of": "composition:AllOf",
    "any_of": "composition:AnyOf",
    "at_least": "composition:AtLeast",
    "armed": "composition:Armed",
    "gated": "composition:Gated",
    "held": "composition:Held",
    "delayed": "composition:Delayed",
    "debounced": "composition:Debounced",
    "scaled": "composition:Scaled",
    "raised_by": "adaptation:RaisedBy",
    "lowered_by": "adaptation:LoweredBy",
    "staged": "adaptation:Staged",
    "reset_after_quiet": "composition:ResetAfterQuiet",
    "belt_switch": "composition:BeltSwitch",
    "seat_occupied": "seats:SeatOccupied",
    "optional": "composition:Optional",
    "fallback": "composition:Fallback",
}


def _load(place: str) -> type[Rule]:
    module, name = place.split(":")
    return cast("type[Rule]", getattr(importlib.import_module(f"crashsense.rules.{module}"), name))


def rule_families() -> Mapping[str, type[Rule]]:
    """Return every built-in family by name: criteria first, then operators."""
    return MappingProxyType({name: _load(place) for name, place in _BUILT_IN.items()})


def installed_families() -> Mapping[str, Any]:
    """Return the entry points of installed rule families, by name, sorted, without importing them.

    A name that two packages claim, or that is built in, is an error.
    """
    from importlib.metadata import entry_points

    found: dict[str, Any] = {}
    faults = []
    for point in sorted(entry_points(group=GROUP), key=lambda p: (p.name, p.value)):
        if point.name in _BUILT_IN:
            faults.append(
                Fault(f"entry point {point.value}", "name", point.name, "a name not built in")
            )
        elif point.name in found and found[point.name].value != point.value:
            other = found[point.name].value
            faults.append(
                Fault(f"entry point {point.value}", "name", point.name, f"not the name of {other}")
            )
        else:
            found[point.name] = point
    if faults:
        raise InputError(faults)
    return MappingProxyType(found)


def find_family(name: str, *, file: str = "") -> type[Rule]:
    """Return the class of a family, built in or installed; the nearest name if there is none."""
    if name in _BUILT_IN:
        return _load(_BUILT_IN[name])
    installed = installed_families()
    if name not in installed:
        raise unknown_name("family", name, [*_BUILT_IN, *installed], file=file)
    from crashsense.rules.plugins import as_rule_class

    try:
        found = installed[name].load()
    except (Exception, SystemExit) as error:
        expected = f"an entry point that loads ({type(error).__name__}: {error})"
        raise InputError([Fault(file, "family", name, expected)]) from error
    return as_rule_class(found, where=f"entry point {installed[name].value}")
