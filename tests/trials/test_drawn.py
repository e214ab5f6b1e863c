"""Drawn quantities of the sensors against the generator and against what a plan holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pulses_by_hand import pulse

from crashsense import draws as random_draws
from crashsense.sensing import load_sensor_set
from crashsense.sensing.build import ROLES
from crashsense.sensing.tolerance import PHASES
from crashsense.synthesis import load_events
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


@pytest.mark.parametrize("vary", ["pulse", "both", "sensor", "none"])
def test_what_the_conditions_vary_is_told_and_nothing_else(vary):
    found = trial("hammer_tunnel", draw=[1, 2], algorithm="plain", vary=vary)
    names = drawn_of(found)
    assert any(name.startswith("pulse ") for name in names) == (vary in ("pulse", "both"))
    assert any(name.startswith("central_x ") for name in names) == (vary in ("sensor", "both"))
    assert ("unit phase" in names) == (vary in ("sensor", "both"))


def test_an_event_without_recipe_has_no_pulse_to_draw():
    found = trial(pulse("hand", 6.0, fire=True), draw=[1, 2], algorithm="plain")
    assert not any(name.startswith("pulse ") for name in drawn_of(found))


def test_far_numbers_are_cut_at_three_on_both_sides():
    axes = (load_events(["hammer_tunnel"])[0].occurrence, "central_x", "tolerance")
    every = np.arange(1, 5000)
    normal = random_draws.normals(every, len(ROLES), seed=1, axes=axes)
    role = varying_roles(load_sensor_set("standard").sensors["central_x"])[0]
    column = normal[:, ROLES.index(role)]
    far = every[[int(column.argmax()), int(column.argmin())]]
    assert column.max() > 3.0
    assert column.min() < -3.0
    found = trial("hammer_tunnel", draw=far.tolist(), algorithm="plain", vary="sensor")
    assert drawn_of(found)[f"central_x {role}"].tolist() == [3.0, -3.0]


def test_a_shared_car_meets_every_occurrence_with_the_same_sensors():
    shared, own = (
        [
            drawn_of(trial(event, draw=[3, 4], algorithm="plain", vary="sensor", sensor_draws=how))
            for event in ("hammer_tunnel", "wall_full_16_belted")
        ]
        for how in ("shared", "own")
    )
    both = shared[0].keys() & shared[1].keys()
    assert len(both) > 10
    assert all(np.array_equal(shared[0][name], shared[1][name]) for name in both)
    assert not all(np.array_equal(own[0][name], own[1][name]) for name in both)


def test_the_setting_of_a_filter_is_told_where_there_is_one():
    found = trial("hammer_tunnel", draw=range(1, 30), algorithm="plain", vary="sensor")
    drawn = drawn_of(found)
    for channel in found.samples.channels:
        kind = found.sensor_set.sensors[channel].filter_kind
        assert (f"{channel} filter" in drawn) == (kind != "none")
    settings = np.concatenate([v for name, v in drawn.items() if name.endswith(" filter")])
    assert set(settings) == set(range(5))
    assert set(drawn["unit phase"]) == set(np.asarray(PHASES))
