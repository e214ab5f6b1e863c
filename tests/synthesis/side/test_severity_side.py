"""Severity sweeps: expectations by speed, rising severity, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.errors import InputError
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.side.severity import severity_ladder, side_severity


def library(family: str) -> dict:
    return {r.name: r for r in load_recipes(shipped_folder("pulses") / family)}


@pytest.mark.slow
def test_pole_ladder_follows_the_matrix() -> None:
    # Matrix, from memory: poles 8-10 km/h must not fire, 18-20 grey, 29-32 must fire.
    swept = side_severity(
        library("side")["side_pole_90_29"], speeds_kmh=[8, 10, 15, 20, 28, 29, 32]
    )
    told = [r.events()[0].requirements["side_airbag_left"] for r in swept]
    assert [t.expectation for t in told] == ["no_fire"] * 2 + ["open"] * 3 + ["fire"] * 2
    assert told[3].required_s == pytest.approx(0.010)
    assert told[5].required_s == told[6].required_s == pytest.approx(0.006)
    assert all(
        r.events()[0].requirements["side_airbag_right"].expectation == "no_fire" for r in swept
    )
    assert swept[2].name == "side_pole_90_29_at_15"
    assert swept[2].occurrence != swept[3].occurrence


def test_ladders_agree_with_the_recipes_they_come_from() -> None:
    for name, recipe in library("side").items():
        ladder = severity_ladder(recipe)
        entry = next(iter(recipe.requirements.values()))[f"side_airbag_{recipe.struck_side}"]
        expected = ladder.expectation(recipe.parameters.speed_kmh)
        # The crabbed barrier has a row of its own, its time 1 ms longer.
        assert entry.expectation == expected, name
        if entry.required_ms is not None and "crabbed" not in name:
            assert entry.required_ms == pytest.approx(
                ladder.required_ms(recipe.parameters.speed_kmh)
            ), name


@pytest.mark.slow
def test_severity_rises_with_speed_and_pressure_comes_earlier() -> None:
    swept = side_severity(
        library("side")["side_barrier_90_50"], speeds_kmh=[12, 20, 30, 40, 50, 60]
    )
    facts = [r.synthesise([0], seed=1).facts for r in swept]
    for key in ("velocity_change_m_s", "peak_pressure_share", "largest_intrusion_m"):
        assert (np.diff([float(f[key][0]) for f in facts]) > 0).all(), key
    assert (np.diff([float(f["gap_closure_s"][0]) for f in facts]) < 0).all()


def test_rear_ladder_never_asks_for_front_bags() -> None:
    for recipe in library("rear").values():
        for swept in side_severity(recipe, speeds_kmh=[10, 50]):
            (event,) = swept.events()
            assert event.requirements["front_airbag_stage_1"].expectation == "no_fire"
            assert event.requirements["belt_pretensioner"].expectation == "open"
    (severe,) = side_severity(library("rear")["rear_barrier_offset_80"], speeds_kmh=[85])
    assert severe.events()[0].requirements["belt_pretensioner"].required_s == pytest.approx(0.025)


def test_all_impossible_speeds_are_refused_at_once() -> None:
    recipe = library("side")["side_pole_90_29"]
    with pytest.raises(InputError, match="expected 0.1 to 120") as caught:
        side_severity(recipe, speeds_kmh=[-5, 10, 0])
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError, match="at least one speed"):
        side_severity(recipe, speeds_kmh=[])
    roll = load_recipes(shipped_folder("pulses") / "rollover")[0]
    with pytest.raises(InputError, match="no ladder of speeds"):
        side_severity(roll, speeds_kmh=[50])
