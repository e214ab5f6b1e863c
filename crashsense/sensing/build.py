"""Sensors as they were built: drawn quantities held at stated values, and a temperature.

``CHANNEL:ROLE:VALUE``: the role of a sensor stands at so many standard deviations in every draw,
the nominal one included (``central_x:sensitivity:-3``); the role ``filter`` takes one of the five
settings of a draw, 0 (lowest corner) to 4. With a temperature, temperature coefficients act.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.files import number_or_none
from crashsense.sensing.chain import CORNER_SETTINGS
from crashsense.sensing.sensor import SensorSet
from crashsense.sensing.tolerance import FILTER, ROLES

#: Largest deviation that may be stated [standard deviations].
MOST_SIGMA = 6.0

#: What may be stated of a sensor.
STATED = (*ROLES, FILTER)


@dataclass(frozen=True)
class Built:
    """One drawn quantity of one sensor, held at a value.

    >>> print(Built("central_x", "sensitivity", -3.0))
    central_x:sensitivity:-3
    """

    channel: str
    role: str
    value: float

    def __str__(self) -> str:
        return f"{self.channel}:{self.role}:{self.value:g}"


def parse_built(text: str, *, file: str) -> Built:
    """Read ``CHANNEL:ROLE:VALUE``; all faults at once.

    >>> parse_built("central_x:offset:3", file="plan")
    Built(channel='central_x', role='offset', value=3.0)
    """
    parts = str(text).split(":")
    if len(parts) != 3:
        expected = "CHANNEL:ROLE:VALUE, such as central_x:sensitivity:-3"
        raise InputError([Fault(file, "build", text, expected)])
    channel, role, written = parts
    found = []
    if channel not in CHANNELS:
        found.append(Fault(file, "build", channel, nearest(channel, CHANNELS)))
    if role not in STATED:
        found.append(Fault(file, "build", role, nearest(role, STATED)))
    value = number_or_none(written)
    last = len(CORNER_SETTINGS) - 1
    if role == FILTER:
        if value is None or value not in range(last + 1):
            found.append(Fault(file, "build", text, f"a setting of the filter, 0 to {last}"))
    elif value is None or abs(value) > MOST_SIGMA:
        expected = f"standard deviations, -{MOST_SIGMA:g} to {MOST_SIGMA:g}"
        found.append(Fault(file, "build", text, expected))
    if found or value is None:
        raise InputError(found)
    return Built(channel, role, value)


def as_built(
    sensor_set: SensorSet, built: Iterable[Built], *, temperature_c: float | None = None
) -> SensorSet:
    """Return a sensor set with drawn quantities, and the temperature [degC], held.

    Raises
    ------
    InputError : a channel without a sensor, a temperature that the model does not know
    """
    sensors = dict(sensor_set.sensors)
    for one in built:
        sensor = sensor_set.sensor(one.channel)
        held: Mapping[str, float] = {**sensors[one.channel].build, one.role: one.value}
        if one.role == FILTER and sensor.filter_kind == "none":
            where = f"sensor set {sensor_set.name}: {one.channel}"
            expected = "a role other than filter: the sensor has none"
            raise InputError([Fault(where, "build", str(one), expected)])
        sensors[one.channel] = replace(sensors[one.channel], build=held)
    unit = sensor_set.control_unit
    if temperature_c is not None:
        unit = replace(unit, fixed_c=temperature_c)
    return replace(sensor_set, sensors=sensors, control_unit=unit)


def built_sets(
    sensor_sets: Sequence[SensorSet], texts: Sequence[str], *, temperature_c: float | None
) -> list[SensorSet]:
    """Return the sensor sets of a plan with what it states of them.

    Raises
    ------
    InputError : what cannot be read, a role stated twice, a channel without a sensor
    """
    if not texts and temperature_c is None:
        return list(sensor_sets)
    read = [parse_built(text, file="plan") for text in texts]
    places = [(one.channel, one.role) for one in read]
    if double := sorted({place for place in places if places.count(place) > 1}):
        raise InputError([Fault("plan", "build", ":".join(p), "each role once") for p in double])
    return [as_built(one, read, temperature_c=temperature_c) for one in sensor_sets]
