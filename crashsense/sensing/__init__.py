"""Sensing: from true acceleration to the samples that the control unit receives."""

from crashsense.sensing.catalogue import (
    find_part,
    load_sensor_set,
    part_names,
    sensor_set_names,
)
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.one_sensor import ANY_OCCURRENCE
from crashsense.sensing.samples import ChainReport, EcuSamples
from crashsense.sensing.sense import (
    Prepared,
    Sensed,
    prepared,
    sense,
    sense_in_parts,
)
from crashsense.sensing.sensor import ControlUnit, Sensor, SensorSet

__all__ = [
    "ANY_OCCURRENCE",
    "ChainReport",
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
]
