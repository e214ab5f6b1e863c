"""The bound on filtered values, by which numpy knows that no code is cut without looking."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense import draws, engine
from crashsense.filters.causal import filter_rows
from crashsense.sensing import Sensed, chain, one_sensor, sense
from crashsense.sensing.noise import noise_models, raises
from crashsense.sensing.words import Words
from crashsense.units import STANDARD_GRAVITY as G

RATE, EVERY = 10_000.0, 5
DESIGNS = [
    chain.FilterDesign("bessel", 3, 400.0, 0.03, 0.02, RATE),
    chain.FilterDesign("butterworth", 4, 160.0, 0.05, 0.0, RATE),
]
TOLERANT: dict[str, Any] = {
    "offset_tolerance": 0.5 * G,
    "drift_tolerance": 4.0 * G,
    "sensitivity_tolerance": 0.05,
    "corner_tolerance": 0.03,
    "cross_axis": 0.05,
    "nonlinearity": 0.02,
}


def sensed(*, range_g: float, noise_g: float) -> Sensed:
    """Crashes of 20 to 40 g with a third of that across; half of the range is kept free ahead."""
    true = {
        "central_x": acceleration(np.stack([crash(peak_g=20.0 + k % 20) for k in range(200)])),
        "central_y": acceleration(0.3 * crash(peak_g=30.0)[None], axis="y"),
    }
    chosen = sensor_set(
        part(**TOLERANT, range=range_g * G, front_end=2.0 * range_g * G, noise_density=noise_g * G)
    )
    with engine.using("numpy"):
        return sense(true, chosen, draws=range(200), occurrence="bound")


@pytest.mark.parametrize("noise_g", [0.0, 0.02])
@pytest.mark.parametrize(("range_g", "cuts"), [(30.0, True), (46.0, False), (200.0, False)])
def test_the_bound_holds_and_changes_nothing(
    range_g: float, cuts: bool, noise_g: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    bounds: list[float] = []
    found: list[float] = []
    quantise = Words.quantise

    def watched(words: Words, analogue: Any, *about: Any, largest: float) -> None:
        bounds.append(largest)
        found.append(chain.largest_of(analogue))
        quantise(words, analogue, *about, largest=largest)

    monkeypatch.setattr(Words, "quantise", watched)
    bounded = sensed(range_g=range_g, noise_g=noise_g)
    assert (bounded.paths == "fast").all()
    assert max(found) <= bounds[0] < 1.5 * max(found)
    monkeypatch.setattr(one_sensor, "largest_word", lambda one: np.inf)
    looked = sensed(range_g=range_g, noise_g=noise_g)
    assert bounds[-1] == np.inf
    one, other = (kind.reports["central_x"] for kind in (bounded, looked))
    assert (one.clipped_at_code.any(), one.clipped_after_filter.any()) == (cuts, cuts)
    np.testing.assert_array_equal(one.clipped_at_code, other.clipped_at_code)
    np.testing.assert_array_equal(one.clipped_after_filter, other.clipped_after_filter)
    for table in ("channels", "codes"):
        np.testing.assert_array_equal(
            *(getattr(kind.samples, table)["central_x"] for kind in (bounded, looked))
        )


def worst_of(sections: Any) -> float:
    """Last value of what raises a filter most: signs of its response, backwards."""
    pulse = np.zeros((1, 4000))
    pulse[0, 0] = 1.0
    response = filter_rows(pulse, sections=sections)[0]
    return float(filter_rows(np.sign(response[::-1])[None], sections=sections)[0, -1])


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.kind)
def test_bounds_are_reached_by_the_worst_input(design: chain.FilterDesign) -> None:
    settings = range(len(chain.CORNER_SETTINGS))
    worst = max(worst_of(chain.setting_sections(design, s)) for s in settings)
    assert raises(design) == pytest.approx(worst, rel=1e-12)
    assert worst > 1.0
    models = noise_models(design, EVERY)
    worst = max(worst_of(model.sections) for model in models.models)
    assert models.most == pytest.approx(draws.largest_noise() * worst, rel=1e-12)
    assert raises(design._replace(kind="none")) == 1.0


def test_the_largest_number_of_noise() -> None:
    table, tail = draws.noise_tables()
    assert draws.largest_noise() == np.abs(tail).max() > np.abs(table).max()
