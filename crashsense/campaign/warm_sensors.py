"""What a worker's first task makes once, made before workers are forked (see :mod:`.warm`)."""

from __future__ import annotations

from contextlib import suppress

from crashsense import engine
from crashsense.sensing import load_sensor_set
from crashsense.sensing.warm import design_filters
from crashsense.synthesis.frontal.vehicle import load_vehicle
from crashsense.synthesis.misuse.structure import load_structure, structure_path
from crashsense.synthesis.road.vehicle import load_ride, ride_path


def make_ready(engine_name: str) -> None:
    """Design the filters of the shipped sensors, and read the shipped cars.

    They then are in the memory of this process: about half of what a first task costs beside its
    work. What fails here fails again in a task that needs it, with a message; from here an error
    would only end the server, and the run as if it had been interrupted.
    """
    for make in (
        lambda: design_filters(load_sensor_set()),
        lambda: load_vehicle("small_car"),
        lambda: load_ride(str(ride_path("small_car_ride", near=None))),
        lambda: load_structure(str(structure_path("small_car_blows", near=None))),
    ):
        with suppress(Exception), engine.using(engine_name):
            make()
