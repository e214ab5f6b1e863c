"""Every event ends at rest within the noise of its sensors, or its recipe says why not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from crashsense.filters.causal import causal_lowpass, lowpass_sections
from crashsense.sensing import load_sensor_set
from crashsense.synthesis import load_recipes, parse_recipe

#: Models whose events are held to it.
MODELS = ("blow", "hard_blow", "door_blow", "door_slam", "kerb_slide")
#: The end of an event [s].
END_S = 0.020

SENSORS = load_sensor_set().sensors
RECIPES = {r.name: r for r in load_recipes() if r.model.name in MODELS}


def floor(sensor) -> float:
    """Standard deviation of noise and rounding in the codes of a sensor.

    White noise through a low-pass of corner f has the variance density^2 f (times 1.0 to 1.1 for
    the shipped orders); rounding to steps has step^2 / 12.
    """
    return float(np.sqrt(sensor.noise_density**2 * sensor.corner_hz + sensor.step**2 / 12.0))


def louder_than_noise(recipe) -> dict[str, float]:
    """Channel -> level of its end over the noise of its sensor, where that is above 1."""
    synthesis = recipe.synthesise([0], seed=0)
    found = {}
    for name, rows in synthesis.signals.items():
        sensor = SENSORS[name]
        sections = lowpass_sections(
            kind=sensor.filter_kind,
            order=sensor.filter_order,
            corner_hz=sensor.corner_hz,
            rate_hz=synthesis.rate_hz,
        )
        heard = causal_lowpass(rows, sections=sections)[0]
        end = heard[-round(END_S * synthesis.rate_hz) :]
        ratio = float(np.sqrt(np.mean(np.square(end)))) / floor(sensor)
        if ratio > 1.0:
            found[name] = round(ratio, 2)
    return found


def test_models_are_known() -> None:
    assert {r.model.name for r in RECIPES.values()} == set(MODELS)


@pytest.mark.parametrize("name", list(RECIPES))
def test_an_event_ends_at_rest_or_says_why_not(name: str) -> None:
    recipe = RECIPES[name]
    if recipe.still_moving:
        return
    assert louder_than_noise(recipe) == {}


def test_an_event_cut_short_is_noticed() -> None:
    recipe = RECIPES["hammer_bracket_severe"]
    short = recipe.with_parameters(name="cut_short", duration_s=0.05)
    assert louder_than_noise(short)["central_x"] > 2.0


def test_a_recipe_says_why_it_does_not_end_at_rest() -> None:
    recipe = RECIPES["hammer_rail"]
    assert recipe.still_moving == ""
    text = Path(recipe.file).read_text(encoding="utf-8")
    told = parse_recipe('still_moving = "rolls on"\n' + text, path="told.toml")
    assert told.still_moving == "rolls on"
    assert told.events()[0].metadata["still_moving"] == "rolls on"
