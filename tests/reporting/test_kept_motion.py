"""What the figure of an event draws is the same kept and made anew, and no older than its code."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from crashsense.reporting import kept_motion as module
from crashsense.reporting.event_figure import EventMotion, event_motion
from crashsense.reporting.kept_motion import kept_motion
from crashsense.resources import CACHE_VARIABLE
from crashsense.synthesis import nominal_cache
from crashsense.synthesis.recipe import recipe_of_event

#: With and without free flight, tolerances, an angle of roll, several required times.
EVENTS = ["hammer_rail", "wall_full_20_belted", "near_roll_fishhook_75", "side_pole_75_32"]


@pytest.fixture
def made(tmp_path, monkeypatch) -> list[int]:
    """The calls that computed, by their number of draws; an empty cache."""
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
    calls: list[int] = []

    def counted(recipe, event, *, draws):
        calls.append(draws)
        return event_motion(recipe, event, draws=draws)

    monkeypatch.setattr(module, "event_motion", counted)
    return calls


def same(one: object, other: object) -> bool:
    if isinstance(one, np.ndarray):
        return isinstance(other, np.ndarray) and np.array_equal(one, other, equal_nan=True)
    if isinstance(one, tuple | list):
        return len(one) == len(other) and all(map(same, one, other))
    if hasattr(one, "__dataclass_fields__"):
        names = [field.name for field in fields(one)]
        return all(same(getattr(one, name), getattr(other, name)) for name in names)
    return type(one) is type(other) and one == other


def shown(name: str, *, draws: int = 2) -> tuple[EventMotion, EventMotion]:
    """As it is kept, and as it is made."""
    recipe = recipe_of_event(name)
    event = next(event for event in recipe.events() if event.name == name)
    return kept_motion(recipe, event, draws=draws), event_motion(recipe, event, draws=draws)


@pytest.mark.slow
@pytest.mark.parametrize("name", EVENTS)
def test_the_second_call_computes_nothing_and_gives_the_same(name, made):
    first, anew = shown(name)
    second, _ = shown(name)
    assert made == [2]
    assert same(first, anew)
    assert same(second, anew)


def test_other_draws_and_other_code_are_kept_apart(made, monkeypatch):
    shown("hammer_rail")
    shown("hammer_rail", draws=1)
    monkeypatch.setattr(module, "_code", lambda: "another")
    shown("hammer_rail")
    with nominal_cache.without():
        shown("hammer_rail")
    assert made == [2, 1, 2, 2]


def test_a_damaged_file_is_made_again(made, tmp_path):
    shown("hammer_rail")
    for path in (tmp_path / "cache").glob("*.bin"):
        path.write_bytes(path.read_bytes()[:-8] + b"damaged!")
    kept, anew = shown("hammer_rail")
    assert made == [2, 2]
    assert same(kept, anew)
