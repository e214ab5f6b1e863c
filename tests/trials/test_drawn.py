"""Drawn quantities of the sensors against the generator and against what a plan holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crashsense import draws as random_draws
from crashsense.sensing import load_sensor_set
from crashsense.sensing.build import ROLES
from crashsense.trials import trial
from crashsense.trials.drawn import FIELDS, drawn_of, varying_roles


def test_a_quantity_is_the_generators_cut_at_three_unless_it_is_held():
    found = trial("hammer_tunnel", draw=range(1, 40), algorithm="plain", seed=3, vary="sensor")
    drawn = drawn_of(found)
    sensor = found.sensor_set.sensors["central_x"]
    normal = random_draws.normals(
        found.draws, len(ROLES), seed=3, axes=(found.event.occurrence, "central_x", "tolerance")
    )
    roles = varying_roles(sensor)
    assert roles
    for role in roles:
        values = drawn[f"central_x {role}"]
        assert np.ptp(values) > 0.5
        assert np.array_equal(values, np.clip(normal[:, ROLES.index(role)], -3.0, 3.0))
    sensors = dict(found.sensor_set.sensors)
    sensors["central_x"] = replace(sensor, build={roles[0]: -1.5})
    fixed = replace(found.sensor_set, sensors=sensors)
    again = drawn_of(
        trial("hammer_tunnel", draw=range(1, 5), algorithm="plain", sensor_set=fixed, seed=3)
    )
    assert again[f"central_x {roles[0]}"].tolist() == [-1.5] * 4


def test_what_has_no_tolerance_does_not_vary():
    for sensor in load_sensor_set("standard").sensors.values():
        stated = {role for role in ROLES if getattr(sensor, FIELDS[role])}
        assert set(varying_roles(sensor)) == stated


@pytest.mark.parametrize("vary", ["pulse", "both"])
def test_a_pulse_that_varies_is_told(vary):
    found = trial("hammer_tunnel", draw=[1, 2], algorithm="plain", vary=vary)
    names = drawn_of(found)
    assert any(name.startswith("pulse ") for name in names)
    assert any(name.startswith("central_x ") for name in names) == (vary == "both")
