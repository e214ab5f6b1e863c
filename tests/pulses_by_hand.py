"""Events made by hand: one rectangular pulse of the central sensor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.event import RESTRAINTS, Context, Event, Order, Requirement
from crashsense.signal import Signal


def pulse(name: str, velocity_m_s: float, *, fire: bool, matrix: str = "") -> Event:
    """A rectangular deceleration of 60 ms with the given velocity change."""
    rate, start = 10_000.0, -0.05
    time = start + np.arange(2500) / rate
    samples = np.where((time >= 0.0) & (time < 0.06), -velocity_m_s / 0.06, 0.0)
    card = CHANNELS["central_x"]
    signal = Signal(
        samples,
        rate_hz=rate,
        start_s=start,
        unit=card.unit,
        axis=card.axis,
        location=card.location,
        history=("made by hand",),
    )
    nothing = Requirement("open", basis="test")
    wanted = (
        Requirement("fire", required_s=0.1, basis="test")
        if fire
        else Requirement("no_fire", basis="test")
    )
    requirements = dict.fromkeys(RESTRAINTS, nothing)
    requirements["front_airbag_stage_1"] = wanted
    return Event(
        name,
        family="frontal",
        occurrence=name,
        context=Context(),
        signals={"central_x": signal},
        requirements=requirements,
        metadata={"matrix": matrix},
    )


def pulse_in_order(name: str, velocity_m_s: float, **asked: float) -> Event:
    """The same, stage 2 after stage 1 with the asked delay; 1 m/s takes 60 / velocity ms."""
    event = pulse(name, velocity_m_s, fire=True)
    order = Order("front_airbag_stage_1", basis="test", **asked)
    requirements = dict(event.requirements)
    second = requirements["front_airbag_stage_2"]
    requirements["front_airbag_stage_2"] = replace(second, order=order)
    return replace(event, requirements=requirements)
