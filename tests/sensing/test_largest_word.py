"""The bound on filtered values, by which numpy knows that no code is cut without looking."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense import draws, engine
from crashsense.filters.causal import filter_rows
from crashsense.sensing import Sensed, SensorSet, chain, one_sensor, sense
from crashsense.sensing.faults import StuckValue
from crashsense.sensing.noise import largest_gain, noise_models
from crashsense.sensing.words import Words
from crashsense.signal import Signal
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

DRAWS = 200


def crashes() -> dict[str, Signal]:
    """Of 20 to 40 g, with a third of that across."""
    return {
        "central_x": acceleration(np.stack([crash(peak_g=20.0 + k % 20) for k in range(DRAWS)])),
        "central_y": acceleration(0.3 * crash(peak_g=30.0)[None], axis="y"),
    }


def square_wave() -> dict[str, Signal]:
    """Of 29.1 g at 200 Hz: a low-pass overshoots at every edge."""
    sign = np.where(np.arange(2500) // 25 % 2, 1.0, -1.0)
    return {"central_x": acceleration(29.1 * G * sign[None])}


def nothing() -> dict[str, Signal]:
    return {"central_x": acceleration(np.zeros((1, 2500)))}


def sensor(
    range_g: float, *, noise_g: float = 0.0, front_end_g: float = 0.0, **values: Any
) -> SensorSet:
    """A part whose stages ahead of the filter reach twice its range, or *front_end_g*."""
    reach = front_end_g or 2.0 * range_g
    return sensor_set(
        part(range=range_g * G, front_end=reach * G, noise_density=noise_g * G, **values)
    )


def sensed(true: dict[str, Signal], chosen: SensorSet) -> Sensed:
    with engine.using("numpy"):
        return sense(true, chosen, draws=range(DRAWS), occurrence="bound")


class Case(NamedTuple):
    """*cuts*: whether values are cut behind the filter; *most*: bound over the largest value."""

    true: dict[str, Signal]
    sensor: SensorSet
    cuts: bool = True
    most: float = 1.5


def crashes_in(range_g: float, noise_g: float) -> Case:
    chosen = sensor(range_g, noise_g=noise_g, **TOLERANT)
    return Case(crashes(), chosen, cuts=range_g < 40.0)


CASES = {
    **{(r, noise): crashes_in(r, noise) for r in (30.0, 46.0, 200.0) for noise in (0.0, 0.02)},
    "overshoot": Case(square_wave(), sensor(30.0, filter_kind="butterworth", filter_order=4)),
    # Of 0.7 g deviation ahead of the filter, where 10 g are free, and of 0.2 g behind it.
    "noise alone": Case(nothing(), sensor(0.7, noise_g=0.01, front_end_g=10.0), most=3.0),
}


@pytest.mark.parametrize("case", CASES.values(), ids=map(str, CASES))
def test_the_bound_holds_and_changes_nothing(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    bounds: list[float] = []
    found: list[float] = []
    quantise = Words.quantise

    def watched(words: Words, analogue: Any, *about: Any, largest: float) -> None:
        bounds.append(largest)
        found.append(chain.largest_of(analogue))
        quantise(words, analogue, *about, largest=largest)

    monkeypatch.setattr(Words, "quantise", watched)
    bounded = sensed(case.true, case.sensor)
    assert (bounded.paths == "fast").all()
    assert max(found) <= bounds[0] < case.most * max(found)
    monkeypatch.setattr(one_sensor, "largest_word", lambda one: np.inf)
    looked = sensed(case.true, case.sensor)
    assert bounds[-1] == np.inf
    one, other = (kind.reports["central_x"] for kind in (bounded, looked))
    assert (one.clipped_at_code.any(), one.clipped_after_filter.any()) == (case.cuts, case.cuts)
    np.testing.assert_array_equal(one.clipped_at_code, other.clipped_at_code)
    np.testing.assert_array_equal(one.clipped_after_filter, other.clipped_after_filter)
    for table in ("channels", "codes"):
        np.testing.assert_array_equal(
            *(getattr(kind.samples, table)["central_x"] for kind in (bounded, looked))
        )


@pytest.mark.parametrize("values", [{"resonance_hz": 2000.0}, {"faults": (StuckValue(),)}])
def test_there_is_no_bound_where_samples_are_not_read_one_by_one(
    values: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An element that overshoots, and a fault, may give more than the signal tells."""
    bounds: list[float] = []
    bound = one_sensor.largest_word
    monkeypatch.setattr(
        one_sensor, "largest_word", lambda one: bounds.append(bound(one)) or bounds[-1]
    )
    assert (sensed(crashes(), sensor(46, **values)).paths == "fast").all()
    assert bounds
    assert set(bounds) == {np.inf}


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
    assert largest_gain(design) == pytest.approx(worst, rel=1e-12)
    assert worst > 1.0
    models = noise_models(design, EVERY)
    worst = max(worst_of(model.sections) for model in models.models)
    assert models.largest_value == pytest.approx(draws.largest_noise() * worst, rel=1e-12)
    assert largest_gain(design._replace(kind="none")) == 1.0


def test_the_largest_number_of_noise() -> None:
    table, tail = draws.noise_tables()
    assert draws.largest_noise() == np.abs(tail).max() > np.abs(table).max()
