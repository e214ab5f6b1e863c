"""A kerb, then a wall: the ride model and the frontal model with continuing state.

The front wheels climb a kerb at time zero; *wall_after_ms* later the front end meets a rigid wall.
The wall is met at the speed that the kerb has left, in each draw; the ride continues through the
crash: pitch, bounce and wheels keep their state and feel the car stop, and their signals add to
those of the crash. Free flight counts from the contact with the wall (fact ``wall_contact_s``);
firing before it is early. 10 kHz.

Left out: pitch and bounce do not change where the wall meets the front end.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from crashsense.arrays import FloatArray
from crashsense.synthesis.bounds import LEAST_KMH
from crashsense.synthesis.dynamics.half_car import Riding, Road, initial_state, march_beside
from crashsense.synthesis.frontal import impact as frontal
from crashsense.synthesis.model import PulseModel, Synthesis, Variation, register_model
from crashsense.synthesis.road import profile as road_profile
from crashsense.synthesis.road import ride as road
from crashsense.synthesis.road.locations import RideLocations, specific_force
from crashsense.synthesis.road.vehicle import load_ride, resolve_vehicle, ride_path
from crashsense.synthesis.side_by_side import March, Steps, at_once

RATE_HZ = frontal.RATE_HZ
QUIET = frontal.ZERO
GRID_M = 0.005


class KerbThenWall(BaseModel):
    """Kerb at *speed_kmh*, wall *wall_after_ms* after the wheels touch the kerb."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    vehicle: str
    crash_vehicle: str
    speed_kmh: float = Field(ge=LEAST_KMH, le=80)
    kerb_height_mm: float = Field(ge=0.1, lt=250)
    wall_after_ms: float = Field(ge=5, le=500)

    @field_validator("vehicle")
    @classmethod
    def _vehicle(cls, value: str, info: ValidationInfo) -> str:
        return resolve_vehicle(value, near=(info.context or {}).get("folder"))


def kerb_then_wall_in_steps(parameters: KerbThenWall, variation: Variation) -> Steps[Synthesis]:
    """March the ride to the wall, crash at the speed left, march on through the crash."""
    ride = load_ride(str(ride_path(parameters.vehicle, near=None)))
    car = ride.car(variation)
    size = variation.size
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    behind = ride.wheelbase_m + 2.0 * ride.wheel_radius_m
    before = round(1e-3 * parameters.wall_after_ms * RATE_HZ)
    during = frontal.SAMPLES - frontal.ZERO
    ahead = 1.12 * parameters.speed_kmh / 3.6 * (before + during) / RATE_HZ + 2.0
    first = -int(np.ceil(behind / GRID_M))
    s = np.asarray((first + np.arange(int(np.ceil((behind + ahead) / GRID_M)))) * GRID_M)
    kerb = road_profile.kerb(s, height_m=1e-3 * parameters.kerb_height_mm)
    heights = kerb * variation.factor("height")[:, None]
    path = ride.tyre_path(heights, step_m=GRID_M)
    start = s[np.maximum((path > 1e-9).argmax(axis=-1) - 1, 0)]
    track = Road(path, start_m=first * GRID_M, step_m=GRID_M)
    state = initial_state(size, position=start, speed=speed, tracks=1)
    step = 1.0 / RATE_HZ
    climb, at_wall = yield March(march_beside, Riding(car, state, [track], before, step))

    # The frontal model at the speed left, everything else of the draw as it is.
    left = at_wall[1]
    deviations = {**variation.deviations, "speed": left / (parameters.speed_kmh / 3.6) - 1.0}
    only = None if variation.only is None else variation.only | {"velocity_change_m_s"}
    crash = yield from frontal.simulate_in_steps(
        frontal.FrontalParameters(
            vehicle=parameters.crash_vehicle,
            obstacle="rigid_wall",
            speed_kmh=parameters.speed_kmh,
        ),
        replace(variation, deviations=deviations, only=only),
    )
    if crash.cabin_x is None:
        raise RuntimeError("the frontal model returned no cabin motion")
    stop = crash.cabin_x[:, frontal.ZERO :]
    crashing = Riding(car, at_wall, [track], stop.shape[1], step, push=stop)
    through, end = yield March(march_beside, crashing)
    motion = {
        name: np.concatenate([values, through[name]], axis=-1) for name, values in climb.items()
    }
    del climb, through  # together as large as the whole motion
    rigid_x, _ = specific_force(motion, ahead_m=ride.sensor_ahead_m, below_m=ride.sensor_below_m)

    def quiet_before(values: FloatArray) -> FloatArray:
        return np.pad(values, [(0, 0), (QUIET, 0)])

    read = RideLocations(ride, variation, rate_hz=RATE_HZ).read(motion)
    central, vertical, upfront = (
        quiet_before(read[name]) for name in ("central_x", "central_z", "upfront_x")
    )
    rides = {
        "central_x": central,
        "central_safing_x": central,
        "central_z": vertical,
        "upfront_left_x": upfront,
        "upfront_right_x": upfront,
        "rear_seat_crossmember_x": quiet_before(rigid_x),
        "powertrain_x": quiet_before(rigid_x),
    }
    signals = {}
    for name, samples in crash.signals.items():
        later = np.pad(samples, [(0, 0), (before, 0)])
        signals[name] = later + rides[name] if name in rides else later
    for name in set(rides) - set(crash.signals):
        if name in ("central_x", "central_safing_x", "central_z") and variation.reads(name):
            signals[name] = rides[name].copy()
    rigid = quiet_before(motion["x_acc"]) + np.pad(crash.cabin_x, [(0, 0), (before, 0)])
    lateral = crash.cabin_y
    contact = np.full(size, before / RATE_HZ)
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=frontal.START_S,
        cabin_x=rigid,
        cabin_y=None if lateral is None else np.pad(lateral, [(0, 0), (before, 0)]),
        quiet=frozenset(crash.quiet - set(signals)),
        facts={
            "wall_contact_s": contact,
            "speed_before_m_s": speed,
            "speed_at_wall_m_s": left,
            "velocity_change_m_s": speed - end[1],
            "wall_velocity_change_m_s": crash.facts["velocity_change_m_s"],
        },
        trace={**motion, "wall_x": crash.cabin_x},
    )


register_model(
    PulseModel(
        "kerb_then_wall",
        KerbThenWall,
        at_once(kerb_then_wall_in_steps),
        {**road.TOLERANCES, **frontal.TOLERANCES},
        "half-car over a kerb, then lumped-mass car into a wall, state carried over",
        steps=kerb_then_wall_in_steps,
    )
)
