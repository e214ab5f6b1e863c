"""Severity sweeps of side and rear recipes: one recipe over a range of speeds.

Expectations come from the rows of the event matrix (from memory of the trade; a vehicle's own
requirement differs): ``no_fire`` up to the highest speed that must not fire, ``fire`` from the
lowest that must, ``open`` between. Required times are those of the rows, linear between two rows
and held beyond them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.synthesis.recipe import Recipe
from crashsense.synthesis.recipe_file import RequirementEntry
from crashsense.synthesis.severity import at_speeds, register_speed_sweep

FRONT = ("front_airbag_stage_1", "front_airbag_stage_2")


@dataclass(frozen=True)
class Ladder:
    """Requirements of a kind of hit at rising speed.

    Parameters
    ----------
    restraints : what is judged; ``{near}`` is replaced by the struck side
    no_fire_to_kmh, fire_from_kmh : the last speed that must not fire (None: none is known), the
        first that must (None: none)
    times : rows (speed [km/h], required time [ms])
    """

    restraints: tuple[str, ...]
    no_fire_to_kmh: float | None
    fire_from_kmh: float | None
    times: tuple[tuple[float, float], ...]

    def expectation(self, speed_kmh: float) -> str:
        """``"no_fire"``, ``"open"`` or ``"fire"`` at a speed."""
        if self.no_fire_to_kmh is not None and speed_kmh <= self.no_fire_to_kmh:
            return "no_fire"
        if self.fire_from_kmh is not None and speed_kmh >= self.fire_from_kmh:
            return "fire"
        return "open"

    def required_ms(self, speed_kmh: float) -> float | None:
        """Required time [ms] at a speed, None where no row gives one."""
        if not self.times:
            return None
        speeds, times = zip(*self.times, strict=True)
        return float(np.interp(speed_kmh, speeds, times))


NEAR = ("side_airbag_{near}", "curtain_{near}")

#: (model, obstacle, contact) -> ladder. Rows L01, L03 to L09 and R02 of the event matrix.
LADDERS = {
    ("side_impact", "pole", "door"): Ladder(NEAR, 10.0, 29.0, ((20.0, 10.0), (29.0, 6.0))),
    ("side_impact", "barrier", "door"): Ladder(
        NEAR, 12.0, 50.0, ((32.0, 12.0), (50.0, 8.0), (60.0, 6.0))
    ),
    ("side_impact", "barrier", "axle"): Ladder(NEAR, 12.0, None, ()),
    ("rear_impact", "barrier", ""): Ladder(("belt_pretensioner",), None, 80.0, ((80.0, 25.0),)),
    ("rear_impact", "sled", ""): Ladder(("belt_pretensioner",), None, None, ()),
}


def severity_ladder(recipe: Recipe) -> Ladder:
    """Return the matrix requirements of the recipe's kind of hit.

    Raises
    ------
    InputError : if the recipe is not a side or rear impact
    """
    parameters = recipe.parameters
    key = (
        recipe.model.name,
        str(getattr(parameters, "obstacle", "")),
        str(getattr(parameters, "contact", "")),
    )
    if key not in LADDERS:
        expected = "a side or rear impact; the matrix gives no ladder of speeds for this one"
        raise InputError([Fault(f"recipe {recipe.name}", "model", recipe.model.name, expected)])
    return LADDERS[key]


def side_severity(recipe: Recipe, speeds_kmh: Sequence[float]) -> list[Recipe]:
    """Return the recipe at each speed, its requirements by the ladder of the matrix.

    Names get the speed appended (``side_pole_90_29_at_17.5``). Up to the highest speed that must
    not fire, no bag is to fire (class N). Above it restraints that the ladder does not judge are
    ``open``, except the far-side bag, and the front bags in a rear impact, which must
    not fire at any speed.

    Raises
    ------
    InputError : all speeds that the model refuses, at once
    """
    ladder = severity_ladder(recipe)
    near = recipe.struck_side if recipe.struck_side != "none" else "left"
    judged = {text.format(near=near) for text in ladder.restraints}
    return [
        replace(
            changed,
            requirements={
                state: {
                    restraint: _entry(restraint, entry, ladder, speed, judged, recipe)
                    for restraint, entry in entries.items()
                }
                for state, entries in recipe.requirements.items()
            },
        )
        for speed, changed in at_speeds(recipe, speeds_kmh)
    ]


def _entry(
    restraint: str,
    entry: RequirementEntry,
    ladder: Ladder,
    speed_kmh: float,
    judged: set[str],
    recipe: Recipe,
) -> RequirementEntry:
    if restraint in judged:
        expectation = ladder.expectation(speed_kmh)
        required = None if expectation == "no_fire" else ladder.required_ms(speed_kmh)
        return RequirementEntry.model_validate(
            {
                "expectation": expectation,
                "timing": "none" if required is None else "explicit",
                "required_ms": required,
                "basis": "ladder of speeds between the rows of the event matrix, from memory",
            }
        )
    far = {"left": "right", "right": "left"}.get(recipe.struck_side)
    if restraint == f"side_airbag_{far}" or (recipe.family == "rear" and restraint in FRONT):
        return entry
    # The library leaves the pretensioner open in every side hit, class N included.
    if restraint != "belt_pretensioner" and ladder.expectation(speed_kmh) == "no_fire":
        basis = "no bag is to fire up to the highest speed of class N in the matrix"
        return RequirementEntry(expectation="no_fire", timing="none", basis=basis)
    basis = "not judged by the ladder of speeds"
    return RequirementEntry(expectation="open", basis=basis)


register_speed_sweep(*sorted({model for model, _, _ in LADDERS}), sweep=side_severity)
