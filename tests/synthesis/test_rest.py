"""Every event ends at rest within the noise of its sensors, or its recipe says why not."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from crashsense import engine
from crashsense.sensing import load_sensor_set
from crashsense.synthesis import load_recipes, parse_recipe
from crashsense.synthesis.rest import END_S, moving_channels, noise_floor

SENSORS = load_sensor_set().sensors
RECIPES = {r.name: r for r in load_recipes()}


def moving(recipe) -> dict[str, float]:
    with engine.using("fast" if engine.installed() else "numpy"):
        signals = recipe.nominal().signals
    rate = next(iter(signals.values())).rate_hz
    samples = {name: signal.samples[0] for name, signal in signals.items()}
    return moving_channels(samples, rate_hz=rate, sensors=SENSORS)


@dataclass(frozen=True)
class Ear:
    """A sensor with a noise of 0.1 a root hertz up to 100 Hz and steps of 2."""

    filter_kind: str = "bessel"
    filter_order: int = 3
    corner_hz: float = 100.0
    noise_density: float = 0.1
    step: float = 2.0


def test_floor_is_noise_and_rounding_together() -> None:
    # 0.1^2 100 Hz + 2^2 / 12 = 1 + 1/3
    assert noise_floor(Ear()) == pytest.approx((4.0 / 3.0) ** 0.5)


def test_level_is_that_of_the_last_20_ms_behind_the_low_pass() -> None:
    rate = 10000.0
    time = np.arange(5000) / rate
    slow, fast = (3.0 * np.sin(2.0 * np.pi * f * time) for f in (50.0, 3000.0))
    quiet = np.where(time < 0.5 - 2.0 * END_S, slow, 0.0)
    found = moving_channels(
        {"slow": slow, "fast": fast, "quiet": quiet, "deaf": slow},
        rate_hz=rate,
        sensors={name: Ear() for name in ("slow", "fast", "quiet")},
    )
    # 20 ms is one period of 50 Hz: rms 3 / sqrt(2), of which a Bessel of order 3 keeps 0.924 at
    # half its corner: abs(15 / (s^3 + 6 s^2 + 15 s + 15)), s = 0.878 i.
    assert found == {"slow": pytest.approx(0.924 * 3.0 / 2.0**0.5 / noise_floor(Ear()), rel=0.01)}


@pytest.mark.parametrize("name", list(RECIPES))
def test_an_event_ends_at_rest_or_says_why_not(name: str) -> None:
    recipe = RECIPES[name]
    if not recipe.still_moving:
        assert moving(recipe) == {}


def test_reasons_are_not_given_at_large() -> None:
    """Misuse and rides have a reason only where the body still moves; a braked car does."""
    told = {
        n for n, r in RECIPES.items() if r.family in ("misuse", "rough_road") and r.still_moving
    }
    assert told == {n for n in RECIPES if n.startswith(("braking_bump", "kerb_slide"))}
    assert all(moving(RECIPES[name]) for name in told)


@pytest.mark.parametrize("name", [n for n, r in RECIPES.items() if r.still_moving])
def test_a_reason_is_given_only_where_something_moves(name: str) -> None:
    assert moving(RECIPES[name])


def test_an_event_cut_short_is_noticed() -> None:
    recipe = RECIPES["hammer_bracket_severe"]
    short = recipe.with_parameters(name="cut_short", duration_s=0.05)
    assert moving(short)["central_x"] > 2.0


def test_a_recipe_says_why_it_does_not_end_at_rest() -> None:
    recipe = RECIPES["hammer_rail"]
    assert recipe.still_moving == ""
    text = Path(recipe.file).read_text(encoding="utf-8")
    told = parse_recipe('still_moving = "rolls on"\n' + text, path="told.toml")
    assert told.still_moving == "rolls on"
    assert told.events()[0].metadata["still_moving"] == "rolls on"
