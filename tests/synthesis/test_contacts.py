"""Contacts that requirements name: one time for all draws, or no variation."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from crashsense.errors import InputError
from crashsense.synthesis import load_recipes
from crashsense.synthesis.model import Tolerance
from crashsense.synthesis.recipe import Recipe


def recipe(*, moves_s: float) -> Recipe:
    """The late wall contact, with a contact that a tolerance of the model moves."""
    late = next(r for r in load_recipes() if r.name == "wall_full_40_late_contact")

    def simulate(parameters: Any, variation: Any) -> Any:
        made = late.model.simulate(parameters, variation)
        contact = made.facts["contact_s"] + moves_s * variation.deviation("speed")
        return replace(made, facts={**made.facts, "contact_s": contact})

    return replace(
        late,
        model=replace(late.model, simulate=simulate),
        tolerances={"speed": Tolerance("scale", 0.05, "test")},
    )


@pytest.mark.slow
def test_a_contact_that_moves_with_the_draw_is_refused_with_the_reason() -> None:
    moving = recipe(moves_s=0.01)
    assert moving.nominal().facts["contact_s"][0] == pytest.approx(0.02)
    for draws in ([0, 1, 2], [7]):
        with pytest.raises(InputError, match="origin_fact: got 'contact_s'.*no tolerance moves"):
            moving.block(draws, seed=1)


@pytest.mark.slow
def test_the_same_contact_in_every_draw_is_welcome() -> None:
    block = recipe(moves_s=0.0).block([0, 1, 2], seed=1)
    assert np.ptp(block.facts["contact_s"]) == 0.0
    # The draws do differ.
    assert np.ptp(block.signals["central_x"].samples, axis=0).max() > 1.0


@pytest.mark.parametrize("key", ["origin_fact", "not_before_fact"])
def test_a_contact_that_the_model_does_not_have_is_named(key: str) -> None:
    late = recipe(moves_s=0.0)
    wrong = {
        state: {name: entry.model_copy(update={key: "contakt_s"}) for name, entry in part.items()}
        for state, part in late.requirements.items()
    }
    with pytest.raises(InputError, match=f"{key}: got 'contakt_s'; expected .*contact_s"):
        replace(late, requirements=wrong).events()


@pytest.mark.slow
def test_every_shipped_contact_is_the_same_in_every_draw() -> None:
    named = [
        r
        for r in load_recipes()
        if any(e.origin_fact for part in r.requirements.values() for e in part.values())
    ]
    assert len(named) >= 4
    for shipped in named:
        assert shipped.varies
        shipped.block(range(1, 9), seed=2)
