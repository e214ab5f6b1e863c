"""Sensors that several sensor sets have in common: prepared and run once for a block of draws."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence

from crashsense.arrays import IntArray
from crashsense.sensing.one_sensor import OneSensor
from crashsense.sensing.sensor import Sensor, SensorSet

#: What the runs of common sensors may keep in memory, all together [bytes].
MOST_BYTES = 48_000_000

#: Bytes of a value, a code and its validity.
_BYTES_A_TICK = 13


class CommonSensors:
    """The sensors that occur in more than one of some sets, and what they gave for one block.

    Sets that differ in one sensor (ranges, parts) then sense the others once. A sensor with faults
    is never common: a fault may look at the other sensors of its set.
    """

    def __init__(self, sensor_sets: Sequence[SensorSet]) -> None:
        #: channel -> sensors there that more than one set has
        self._common: dict[str, list[Sensor]] = {}
        for channel in dict.fromkeys(name for one in sensor_sets for name in one.sensors):
            there = [one.sensors[channel] for one in sensor_sets if channel in one.sensors]
            found = self._common.setdefault(channel, [])
            for number, sensor in enumerate(there):
                again = any(_same(sensor, other) for other in there[number + 1 :])
                if again and not sensor.faults and not any(_same(sensor, one) for one in found):
                    found.append(sensor)
        self.begin_block()

    def begin_block(self) -> None:
        """Forget what was sensed of the block before."""
        self._made: dict[Hashable, OneSensor] = {}
        self._left = MOST_BYTES

    def has(self, channel: str, sensor_set: SensorSet, draws: IntArray) -> bool:
        """True if the sensor at a channel was made for these draws of the block already."""
        return self._key(channel, sensor_set, draws) in self._made

    def get(
        self, channel: str, sensor_set: SensorSet, draws: IntArray, make: Callable[[], OneSensor]
    ) -> OneSensor:
        """Return the sensor at a channel for some draws of the block, made only if it is new."""
        key = self._key(channel, sensor_set, draws)
        if key is None:
            return make()
        if key not in self._made:
            one = self._made[key] = make()
            needed = _BYTES_A_TICK * draws.size * one.base.ticks
            one.is_common, one.keeps_runs = True, needed <= self._left
            self._left -= needed if one.keeps_runs else 0
        return self._made[key]

    def _key(self, channel: str, sensor_set: SensorSet, draws: IntArray) -> Hashable | None:
        """What a common sensor is known by; None for one that is not common."""
        sensor = sensor_set.sensors[channel]
        common = self._common.get(channel, [])
        number = next((k for k, one in enumerate(common) if _same(one, sensor)), None)
        if number is None:
            return None
        held = sensor_set.held_ticks(channel)
        return channel, number, sensor_set.control_unit, held, draws.tobytes()


def _same(one: Sensor, other: Sensor) -> bool:
    """True if two sensors give the same of the same motion; an element is compared by identity."""
    if one is other:
        return True
    return one.element is None and other.element is None and one == other
