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

from crashsense.arrays import FloatArray, after_zeros
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
    climb = Riding(car, state, [track], before, step, keeps=False)
    _, at_wall = yield March(march_beside, climb)

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
    # The whole ride, which now feels the car stop.
    stop = np.pad(crash.cabin_x[:, frontal.ZERO :], [(0, 0), (before, 0)])
    rigid = ("rear_seat_crossmember_x", "powertrain_x")
    driven = yield from RideLocations(ride, variation, rate_hz=RATE_HZ).drive(
        car,
        state,
        roads=[track],
        push=stop,
        steps=stop.shape[1],
        step_s=step,
        rest=QUIET,
        keeps=variation.only is None or variation.reads(*rigid),
    )
    felt, motion = driven.felt, driven.motion
    rides = {
        "central_x": felt["central_x"],
        "central_safing_x": felt["central_x"],
        "central_z": felt["central_z"],
        "upfront_left_x": felt["upfront_x"],
        "upfront_right_x": felt["upfront_x"],
    }
    if motion:
        rigid_x, _ = specific_force(
            motion, ahead_m=ride.sensor_ahead_m, below_m=ride.sensor_below_m
        )
        rides |= dict.fromkeys(rigid, after_zeros(rigid_x, count=QUIET))
    signals: dict[str, FloatArray] = {}
    made: dict[tuple[int, int], FloatArray] = {}
    for name, samples in crash.signals.items():
        # Locations that share their motion go on sharing it.
        own = id(samples), id(rides.get(name))
        if own not in made:
            made[own] = after_zeros(samples, count=before)
            if name in rides:
                made[own] += rides[name]
        signals[name] = made[own]
    for name in set(rides) - set(crash.signals):
        if name in ("central_x", "central_safing_x", "central_z") and variation.reads(name):
            signals[name] = rides[name].copy()
    cabin = felt["x_acc"]
    cabin[:, before:] += crash.cabin_x
    lateral = crash.cabin_y
    contact = np.full(size, before / RATE_HZ)
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=frontal.START_S,
        cabin_x=cabin,
        cabin_y=None if lateral is None else after_zeros(lateral, count=before),
        quiet=frozenset(crash.quiet - set(signals)),
        facts={
            "wall_contact_s": contact,
            "speed_before_m_s": speed,
            "speed_at_wall_m_s": left,
            "velocity_change_m_s": speed - driven.end[1],
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
