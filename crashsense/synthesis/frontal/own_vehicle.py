"""A vehicle of one's own in place of the shipped one, in every frontal event of a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from crashsense.event import Event
from crashsense.synthesis.frontal.vehicle import load_vehicle, vehicle_path
from crashsense.synthesis.recipe import Recipe


def with_vehicle(events: Sequence[Event], vehicle: str) -> list[Event]:
    """The events, frontal ones with the structure of *vehicle*.

    Parameters
    ----------
    events : of any kind; only those of recipes with the frontal model change
    vehicle : a vehicle by name or file, as a recipe names it

    Names, occurrences and expectations stay; signals and times of free flight are those of the
    vehicle.

    Raises
    ------
    InputError : for a vehicle file that is not there or not valid, every fault at once
    """
    load_vehicle(vehicle)
    path = written_vehicle(vehicle)
    made: dict[int, dict[str, Event]] = {}
    out = []
    for event in events:
        recipe = event.source
        if not isinstance(recipe, Recipe) or recipe.model.name != "frontal_impact":
            out.append(event)
            continue
        if id(recipe) not in made:
            changed = recipe.with_parameters(name=recipe.name, vehicle=path)
            changed = replace(changed, occurrence=recipe.occurrence)
            made[id(recipe)] = {each.name: each for each in changed.events()}
        out.append(made[id(recipe)][event.name])
    return out


def written_vehicle(vehicle: str) -> str:
    """How a plan names the vehicle: a shipped one by name, a file by its full path."""
    return str(Path(vehicle_path(vehicle))) if vehicle.endswith(".toml") else vehicle
