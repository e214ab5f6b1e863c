"""Sensing: from true acceleration to the samples that the control unit receives."""

from typing import TYPE_CHECKING

from crashsense.lazy import loader
from crashsense.sensing.common import CommonSensors
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.one_sensor import ANY_OCCURRENCE
from crashsense.sensing.samples import EcuSamples
from crashsense.sensing.sense import (
    Prepared,
    Sensed,
    prepared,
    sense,
    sense_in_parts,
    signals_needed,
)
from crashsense.sensing.sensor import ControlUnit, Sensor, SensorSet
from crashsense.sensing.words import ChainReport

if TYPE_CHECKING:
    from crashsense.sensing.catalogue import (
        find_part,
        load_sensor_set,
        part_names,
        sensor_set_names,
    )

__all__ = [
    "ANY_OCCURRENCE",
    "ChainReport",
    "CommonSensors",
    "ControlUnit",
    "EcuSamples",
    "NoiseBank",
    "Prepared",
    "Sensed",
    "Sensor",
    "SensorSet",
    "find_part",
    "load_sensor_set",
    "part_names",
    "prepared",
    "sense",
    "sense_in_parts",
    "sensor_set_names",
    "signals_needed",
]

#: What reads files needs pydantic, which takes longer to import than all the rest: the process of a
#: user's own rule does without.
__getattr__ = loader(
    __name__,
    dict.fromkeys(("find_part", "load_sensor_set", "part_names", "sensor_set_names"), "catalogue"),
)
