"""Severity sweeps of frontal recipes: one recipe over a range of speeds, requirements by ladder.

Ladders come from the rows of the event matrix (from memory of the trade; a vehicle's own
requirement differs): ``no_fire`` up to the highest speed that must not fire, ``fire`` from the
lowest that must, ``open`` between, each per belt state. Required times are free flight from the
motion at that speed. Where a kind of crash has no row that must not fire, nothing below its first
row is ``no_fire``. Where stage 1 must not fire nothing is to fire (class N), except that a belted
wall above the row without pretensioner allows it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from crashsense.errors import Fault, InputError, nearest
from crashsense.synthesis.frontal.impact import FrontalParameters
from crashsense.synthesis.recipe import Recipe
from crashsense.synthesis.recipe_file import RequirementEntry
from crashsense.synthesis.severity import at_speeds, register_speed_sweep

#: Kind of crash -> belt state -> (highest speed that must not fire, lowest that must) [km/h].
#: Rows F01-F10, F11-F14, F15-F19, F20, F21, F22-F26, F27-F29, F30, F31, F32, F33;
#: the oblique barrier has none: it strikes at 90 km/h, whatever the speed of the car.
LADDERS: dict[str, dict[str, tuple[float | None, float | None]]] = {
    "wall": {"unbelted": (13.0, 20.0), "belted": (16.0, 25.0)},
    "slanted wall": {"unbelted": (None, 32.0), "belted": (None, 32.0)},
    "offset wall": {"unbelted": (15.0, None), "belted": (15.0, None)},
    "deformable_barrier": {"unbelted": (None, 32.0), "belted": (20.0, 40.0)},
    "moving_barrier": {"unbelted": (None, 50.0), "belted": (None, 50.0)},
    "oblique_barrier": {"unbelted": (None, 0.0), "belted": (None, 0.0)},
    "small_overlap": {"unbelted": (None, 64.0), "belted": (None, 64.0)},
    "centre_pole": {"unbelted": (15.0, 29.0), "belted": (15.0, 29.0)},
    "underride": {"unbelted": (20.0, 40.0), "belted": (20.0, 40.0)},
    "car": {"unbelted": (None, 25.0), "belted": (None, 25.0)},
    "offset car": {"unbelted": (None, 40.0), "belted": (None, 40.0)},
    "bumper_barrier": {"unbelted": (10.0, None), "belted": (10.0, None)},
    "animal": {"unbelted": (90.0, None), "belted": (90.0, None)},
    "large animal": {"unbelted": (None, None), "belted": (None, None)},
    "light_object": {"unbelted": (50.0, None), "belted": (50.0, None)},
}

#: Highest speed at which the pretensioner too must not fire [km/h], where that is below the one of
#: stage 1: F02 is class N belted and unbelted, F03 allows the pretensioner.
PRETENSIONER_NO_FIRE_KMH = {"wall": 13.0}

#: Speed up to which stage 2 stays in [km/h] (low-risk rule of the wall, 49 CFR 571.208 S4.11, as
#: read): no other fixed obstacle hits harder. The matrix decides nothing for what moves.
STAGE_2_NO_FIRE_KMH = 26.0
MOVING = (
    "car", "offset car", "moving_barrier", "oblique_barrier", "animal", "large animal",
    "light_object",
)  # fmt: skip

#: Mass from which an animal is a large one (rows F34, F35) [kg].
LARGE_KG = 150.0

#: Kind of crash -> lowest speed at which stage 2 must fire [km/h]. Rows F07, F19, F26.
STAGE_2_FIRE_KMH = {"wall": 40.0, "deformable_barrier": 64.0, "centre_pole": 56.0}


def crash_kind(parameters: FrontalParameters) -> str:
    """The ladder of :data:`LADDERS` that a recipe climbs."""
    if parameters.obstacle == "rigid_wall":
        if parameters.overlap < 1.0:
            return "offset wall"
        return "slanted wall" if parameters.angle_deg > 0.0 else "wall"
    if parameters.obstacle == "car" and parameters.overlap < 1.0:
        return "offset car"
    if parameters.obstacle in ("animal", "tall_animal"):
        large = (parameters.obstacle_mass_kg or 0.0) >= LARGE_KG
        return "large animal" if large else "animal"
    return parameters.obstacle


#: Below this speed [km/h] a crash against something fixed is a soft one: between the 26 km/h wall,
#: up to which stage 2 stays in, and 40 km/h, from which it must fire (event matrix, from memory).
STAGES_APART_BELOW_KMH = 40.0

#: What a soft crash asks of stage 2, as in the recipes of such crashes.
STAGES_APART: Mapping[str, Any] = {
    "after": "front_airbag_stage_1",
    "delay_ms": [10.0],
    "order_basis": "trade practice, from memory: a soft crash asks for more between the stages "
    "than the 0 to 10 ms of a hard one",
}


def frontal_severity(recipe: Recipe, speeds_kmh: Sequence[float]) -> list[Recipe]:
    """Return the recipe at each speed, its requirements by the ladder of the matrix.

    Names get the speed appended (``wall_full_25_at_17.5``); each recipe yields a belted and an
    unbelted event. Up to the highest speed that must not fire, nothing is to fire; above it
    restraints that the ladder does not judge are ``open``.

    Raises
    ------
    InputError : for a recipe of another model, and for all speeds that the model refuses, at once
    """
    parameters = recipe.parameters
    if not isinstance(parameters, FrontalParameters):
        expected = nearest(recipe.model.name, ["frontal_impact"])
        raise InputError([Fault(f"recipe {recipe.name}", "model", recipe.model.name, expected)])
    ladder = LADDERS[crash_kind(parameters)]
    states = ("belted", "unbelted")
    return [
        replace(
            changed,
            belts=states,
            requirements={
                state: _entries(recipe, ladder[state], speed, state, parameters) for state in states
            },
        )
        for speed, changed in at_speeds(recipe, speeds_kmh)
    ]


def _entries(
    recipe: Recipe,
    ends: tuple[float | None, float | None],
    speed_kmh: float,
    state: str,
    parameters: FrontalParameters,
) -> dict[str, RequirementEntry]:
    no_fire_to, fire_from = ends
    expectation = "open"
    if no_fire_to is not None and speed_kmh <= no_fire_to:
        expectation = "no_fire"
    elif fire_from is not None and speed_kmh >= fire_from:
        expectation = "fire"
    basis = "ladder of speeds between the rows of the event matrix, from memory"
    origin = "contact_s" if parameters.contact_delay_ms else None

    def entry(what: str, extra_ms: float = 0.0) -> RequirementEntry:
        timing = "none" if what == "no_fire" else "free_flight"
        return RequirementEntry.model_validate(
            {
                "expectation": what,
                "timing": timing,
                "extra_ms": extra_ms if timing == "free_flight" else 0.0,
                "origin_fact": origin if timing == "free_flight" else None,
                "basis": basis + _later(extra_ms, what),
            }
        )

    kind = crash_kind(parameters)
    stage_2 = "no_fire" if expectation == "no_fire" else "open"
    if kind not in MOVING and speed_kmh <= STAGE_2_NO_FIRE_KMH:
        stage_2 = "no_fire"
    elif speed_kmh >= STAGE_2_FIRE_KMH.get(kind, math.inf):
        stage_2 = "fire"
    open_entry = RequirementEntry(expectation="open", basis="not judged by the ladder of speeds")
    first = next(iter(recipe.requirements.values()))
    far = {"left": "right", "right": "left"}.get(recipe.struck_side)
    others = entry("no_fire") if expectation == "no_fire" else open_entry
    kept = {f"side_airbag_{far}"}
    if kind == "large animal":  # strikes the front alone: nothing reaches the side
        kept = {"side_airbag_left", "side_airbag_right"}
    entries = {restraint: first[restraint] if restraint in kept else others for restraint in first}
    entries["front_airbag_stage_1"] = entry(expectation)
    second = entry(stage_2, 10.0)
    if stage_2 == "open" and kind not in MOVING and speed_kmh < STAGES_APART_BELOW_KMH:
        second = second.model_copy(update=dict(STAGES_APART))
    entries["front_airbag_stage_2"] = second
    if state == "belted" and expectation == "fire":
        entries["belt_pretensioner"] = entry("fire")
    elif expectation == "no_fire" and speed_kmh > PRETENSIONER_NO_FIRE_KMH.get(kind, math.inf):
        entries["belt_pretensioner"] = open_entry
    return entries


def _later(extra_ms: float, expectation: str) -> str:
    """Tail of the basis of a time that is derived from that of stage 1."""
    if expectation != "fire" or not extra_ms:
        return ""
    return f"; RTTF + {extra_ms:g} ms, where RTTF is the required time of stage 1"


register_speed_sweep("frontal_impact", sweep=frontal_severity)
