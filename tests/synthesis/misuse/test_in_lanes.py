"""Blows with a draw in each lane: the bits of numpy, whatever a joint or a location has."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from crashsense import engine
from crashsense.synthesis.dynamics.contact_chain import Contacts, Joint, march_chains
from crashsense.synthesis.location.blow import modal_answer
from crashsense.synthesis.misuse.felt import _felt_at
from crashsense.synthesis.recipe import recipe_of_event
from crashsense.synthesis.recipe_file import RequirementEntry

#: More draws than one vector has lanes.
DRAWS = 11

pytest.importorskip("numba", reason="needs the extra fast")


def _both(computed: Any) -> tuple[Any, Any]:
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            found.append(computed())
    return found[0], found[1]


@pytest.mark.parametrize(
    "first",
    [
        Joint(2e5, damping=40.0, bend=2e-3, stiffness_past_bend=8e5, plastic=True),
        Joint(2e5, damping=400.0, gap=1e-3),
        Joint(hertz=3e9, yield_depth=2e-5, hysteresis=0.05),
        Joint(hertz=2e7, hysteresis=0.3, plastic=True),
    ],
    ids=["plastic", "gap", "dented", "rubber"],
)
def test_contacts_in_lanes_have_the_bits_of_arrays(first: Joint) -> None:
    speed = np.linspace(0.5, 6.0, DRAWS)
    away = Joint(1e6, damping=60.0, bend=1e-3, stiffness_past_bend=3e6, holds=True)

    def forces() -> bytes:
        chain = Contacts(
            masses=[1.0, 0.8, 900.0],
            joints=[first, away],
            speeds=[speed, 0.0, 0.0],
            size=DRAWS,
            samples=150,
            rate_hz=10000.0,
            substeps=1,
            fine_samples=70,
            fine_substeps=7,
        )
        (motion,) = march_chains([chain])
        assert np.abs(motion.force[0]).max(axis=-1).min() > 100.0  # all are met
        return np.array(motion.force).tobytes()

    one, other = _both(forces)
    assert one == other


def test_a_location_in_lanes_has_the_bits_of_arrays() -> None:
    """With and without modes, more and fewer than are worked on at once; with and without share."""
    random = np.random.default_rng(2)
    motion = tuple(random.normal(size=(DRAWS, 205)) for _ in range(3))
    a1, a2 = random.uniform(-1.2, 1.2, (DRAWS, 9)), random.uniform(0.5, 0.9, (DRAWS, 9))
    sections = np.stack([*random.normal(size=(3, DRAWS, 9)), a1, a2], axis=-1)
    modes = [sections[:, :count] if count else None for count in (9, 0, 4, 1)]

    def felt() -> bytes:
        found = _felt_at(
            modes, shares=[0.4, 0.3, 0.0, 1.0], cosines=[1.0, -0.6, 0.8, 0.1], motion=motion, rest=5
        )
        assert not found[:, :, :5].any()
        assert found[:, :, 5:].all()
        return found.tobytes()

    one, other = _both(felt)
    assert one == other
    one, other = _both(lambda: modal_answer(sections, motion[0]).tobytes())
    assert one == other


def test_the_motion_of_the_cabin_is_made_where_free_flight_is_required() -> None:
    recipe = recipe_of_event("undercarriage_40")
    assert recipe.synthesise([1], seed=1, only={"central_x"}).cabin_x is None
    flies = RequirementEntry(expectation="fire", timing="free_flight", travel_mm=1.0, basis="test")
    recipe = replace(
        recipe,
        requirements={
            state: {**own, "knee_airbag": flies} for state, own in recipe.requirements.items()
        },
    )
    some = recipe.block_for([1, 2], seed=1, channels=["central_x"])
    whole = recipe.block([1, 2], seed=1)
    for event, times in whole.required_s.items():
        assert np.isfinite(times["knee_airbag"]).all()
        assert np.array_equal(times["knee_airbag"], some.required_s[event]["knee_airbag"])
