"""What a worker's first task makes once, made before workers are forked (see :mod:`.warm`)."""

from __future__ import annotations

import numpy as np

from crashsense import engine
from crashsense.channels import CHANNELS
from crashsense.sensing import load_sensor_set, sense
from crashsense.signal import Signal
from crashsense.synthesis.frontal.vehicle import load_vehicle
from crashsense.synthesis.misuse.structure import load_structure, structure_path
from crashsense.synthesis.road.vehicle import load_ride, ride_path

#: Length [samples] and rate of a silence that every filter of a sensor can read.
SILENCE, RATE_HZ = 1000, 10_000.0


def make_ready(engine_name: str) -> None:
    """Sense a silence with the shipped sensors, and read the shipped cars.

    Filters in all their settings, models of their noise and the contents of files then are in the
    memory of this process: a third of what a first task costs beside its work.
    """
    with engine.using(engine_name):
        sensor_set = load_sensor_set()
        silence = {
            name: Signal(
                np.zeros(SILENCE),
                rate_hz=RATE_HZ,
                start_s=0.0,
                unit=CHANNELS[name].unit,
                axis=CHANNELS[name].axis,
                location=CHANNELS[name].location,
            )
            for name in sensor_set.sensors
        }
        sense(silence, sensor_set, draws=range(1, 9), occurrence="silence")
    load_vehicle("small_car")
    load_ride(str(ride_path("small_car_ride", near=None)))
    load_structure(str(structure_path("small_car_blows", near=None)))
