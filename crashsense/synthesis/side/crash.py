"""Shared by side and rear impacts: time base, crush power, and motion at the sensing locations.

A location feels the motion of the body that it sits on, and random shaking by folding, through the
same places and by the same law as in frontal crashes (:mod:`crashsense.synthesis.location`). The
vehicle file states the level of shaking by channel, as a factor on the law below and above 400 Hz:
that of a place differs between a push along its axis and one across it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.engine import given
from crashsense.errors import InputError, nearest
from crashsense.resources import folder
from crashsense.synthesis.draw_blocks import cached_rows
from crashsense.synthesis.dynamics.spring_chain import (
    Chain,
    CrushSpring,
    SpringChainMotion,
)
from crashsense.synthesis.frontal.vehicle import load_vehicle, vehicle_path
from crashsense.synthesis.location import Place, ringing_down, shake
from crashsense.synthesis.location.power import ring_down
from crashsense.synthesis.model import Variation

RATE_HZ = 10_000.0
START_S = -0.050
#: Sample at time zero and samples in all (-50 to 200 ms).
ZERO, SAMPLES = 500, 2501
#: Time in which bodies are integrated [s]: to the last sample, as the cabin swings on.
ACTIVE_S = (SAMPLES - 1 - ZERO) / RATE_HZ
#: Time in which folding can shake the car [s]; the springs have let go long before its end.
FOLDING_S = 0.180

_FOLDING = slice(ZERO, ZERO + round(FOLDING_S * RATE_HZ) + 1)

#: Factors on the law of random shaking [-]: below 400 Hz, above.
Level = tuple[Annotated[float, Field(ge=0.0, le=20.0)], Annotated[float, Field(ge=0.0, le=20.0)]]


class CrashVehicle(BaseModel):
    """Fields common to vehicle files of side and rear impacts.

    ``locations``: vehicle file of the frontal crashes, which states the sensing locations.
    ``shaking``: channel -> level of random shaking; a channel without one does not shake.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    mass_kg: Annotated[float, Field(gt=0.0)]
    locations: str
    shaking: dict[str, Level]

    @field_validator("locations")
    @classmethod
    def _can_be_read(cls, value: str, info: ValidationInfo) -> str:
        beside = (info.context or {}).get("folder")
        try:
            path = vehicle_path(value, beside=beside)
            load_vehicle(value, beside=beside)
        except InputError as error:
            raise ValueError("; ".join(str(fault) for fault in error.faults)) from None
        return value if folder("pulses") in path.parents else str(path)

    @model_validator(mode="after")
    def _stated(self) -> CrashVehicle:
        known = load_vehicle(self.locations).locations
        for channel in self.shaking:
            if channel not in known:
                raise ValueError(f"shaking: {nearest(channel, known)}")
        return self

    def places(self, channels: Iterable[str]) -> dict[str, Place]:
        """Places of those of *channels* that shake."""
        known = load_vehicle(self.locations).locations
        return {
            name: replace(
                known[name].place(),
                level=self.shaking[name][0],
                level_high=self.shaking[name][1],
            )
            for name in channels
            if name in self.shaking
        }


def crash_chain(
    masses: FloatArray,
    springs: list[CrushSpring],
    *,
    speeds: FloatArray,
    substeps: int,
    ledger: bool = False,
) -> Chain:
    """A chain of bodies from first contact to the last sample; *ledger*: see there."""
    return Chain(masses, springs, speeds, ACTIVE_S, 1.0 / RATE_HZ, substeps, ledger)


def on_time_base(active: FloatArray) -> FloatArray:
    """Place (draws, samples from time zero) on the event's time base, zero elsewhere."""
    out = np.zeros((active.shape[0], SAMPLES))
    out[:, ZERO : ZERO + active.shape[1]] = active
    return out


def acceleration_of(motion: SpringChainMotion, body: int) -> FloatArray:
    """Acceleration of a body on the event's time base [m/s^2], (draws, SAMPLES).

    As :meth:`.SpringChainMotion.body_acceleration`, written where it is wanted.
    """
    speed = motion.velocity[:, body].T
    out = np.zeros((speed.shape[0], SAMPLES))
    active = out[:, ZERO + 1 : ZERO + speed.shape[1]]
    np.subtract(speed[:, 1:], speed[:, :-1], out=active)
    active /= motion.step_s
    return out


def crush_power(
    motion: SpringChainMotion, names: Collection[str], *, mass_kg: FloatArray
) -> FloatArray:
    """Power that the named springs take up, per mass of the car [W/kg], (draws, SAMPLES).

    Over a crash it sums to the energy that the law's definition counts; unlike the slow
    deceleration of the law it starts with the crush itself, which a side impact needs.
    """
    instants, _, draws = motion.velocity.shape
    out = np.zeros((draws, SAMPLES))
    for rows in cached_rows(draws, instants):
        total = out[rows, ZERO : ZERO + instants]
        for number, spring in enumerate(motion.springs):
            if spring.name in names:
                power = motion.velocity[:, spring.behind, rows].T.copy()
                power -= motion.velocity[:, spring.ahead, rows].T
                power *= motion.force[:, number, rows].T
                total += np.maximum(power, 0.0, out=power)
        total /= mass_kg[rows, None]
    return out


def lasting_power(
    motion: SpringChainMotion, names: Collection[str], *, mass_kg: FloatArray
) -> FloatArray:
    """:func:`crush_power` from first contact on, as it rings down [W/kg], (draws, samples)."""
    compiled = engine.kernels()
    if compiled is None:
        return folding_power(crush_power(motion, names, mass_kg=mass_kg))
    chosen = [
        (number, spring.behind, spring.ahead)
        for number, spring in enumerate(motion.springs)
        if spring.name in names
    ]
    samples = _FOLDING.stop - _FOLDING.start
    out = np.empty((motion.velocity.shape[2], samples))
    by_draw = (given(rows.transpose(1, 2, 0)) for rows in (motion.velocity, motion.force))
    springs = np.array(chosen, dtype=np.int64).reshape(-1, 3).T
    grown = ring_down(samples, rate_hz=RATE_HZ)
    compiled.lasting_power(*by_draw, given(springs), given(mass_kg), given(grown), out)
    return out


def add_shaking(
    signals: Mapping[str, FloatArray],
    *,
    places: Mapping[str, Place],
    power: FloatArray,
    nearness: FloatArray | float = 1.0,
    variation: Variation,
) -> None:
    """Add to *signals*, in place, how folding shakes *places* from first contact on.

    *power*, *nearness*: of :func:`crashsense.synthesis.location.shake`; power from first contact on
    as it rings down, as the modes do, nearness (draws, SAMPLES).
    """
    near = nearness if np.ndim(nearness) == 0 else np.asarray(nearness)[:, _FOLDING]
    shake(
        places,
        power=power,
        nearness=near,
        variation=variation,
        rate_hz=RATE_HZ,
        into=signals,
        begin=_FOLDING.start,
    )


def folding_power(power: FloatArray) -> FloatArray:
    """Power (draws, SAMPLES) as :func:`add_shaking` takes it."""
    return ringing_down(power[:, _FOLDING], rate_hz=RATE_HZ)
