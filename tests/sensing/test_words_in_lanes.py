"""Words that sensors put into lanes have the bits of the stages that numpy runs one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

pytest.importorskip("numba", reason="needs the extra fast")

from crashsense import engine
from crashsense.sensing import SensorSet, load_sensor_set, one_pass, prepared
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.one_sensor import OneSensor
from crashsense.units import STANDARD_GRAVITY as G

DRAWS = np.arange(1, 72)  # groups of 32: the last one is not full
LANES = 32

SENSORS = {
    "two sections": {"filter_order": 4, "corner_tolerance": 0.033},
    "three poles": {"filter_order": 3, "corner_tolerance": 0.033},
    "one section": {"filter_order": 2},
    "no noise": {"noise_density": 0.0},
    "a word in four ticks": {"sample_rate_hz": 500.0, "corner_hz": 150.0},
    "an uneven element": {"quadratic": 0.02, "nonlinearity": 0.05},
    "a slow element": {"resonance_hz": 2_000.0},
}
#: The shipped element: its offset drifts, and it feels the other axis.
SHIPPED = "as shipped"
NAMES = [*SENSORS, SHIPPED]


def chosen(name: str) -> SensorSet:
    if name == SHIPPED:
        return load_sensor_set()
    values: dict[str, Any] = {"noise_density": 0.02 * G, **SENSORS[name]}
    return sensor_set(part(**values))


def made_of(
    name: str,
    *,
    peak_g: float,
    path: str,
    bank: NoiseBank | None = None,
    scales: Any = None,
) -> OneSensor:
    """The sensor at central_x; *scales*: by which the signal of each draw differs."""
    pulse = crash(peak_g=peak_g, samples=1503)
    if scales is not None:
        pulse = pulse * scales[:, None] + np.linspace(0.0, 2.0, DRAWS.size)[:, None]
    true = {
        "central_x": acceleration(pulse),
        "central_y": acceleration(0.4 * crash(peak_g=peak_g, samples=1503), axis="y"),
    }
    (made,) = prepared(
        true,
        chosen(name),
        draws=DRAWS,
        channels=["central_x"],
        occurrence="lanes",
        path=path,
        bank=bank,
    )
    return made.sensors["central_x"]


def in_lanes(fill: Any, one: OneSensor, groups: int) -> tuple[Any, Any]:
    """Values (draws, ticks), *groups* at a time, from the second channel of two; samples cut."""
    ticks, values, cut = one.base.ticks, [], None
    for first in range(0, DRAWS.size, LANES * groups):
        tiles = np.full((groups, 2, ticks, LANES), np.nan)
        cut = fill(first, tiles, 1)
        assert np.isnan(tiles[:, 0]).all()
        values.append(tiles[:, 1].transpose(0, 2, 1).reshape(-1, ticks))
    return np.concatenate(values)[: DRAWS.size], cut


def by_stages(one: OneSensor) -> tuple[Any, Any]:
    """Values by the numpy engine, and samples cut ahead of the filter."""
    with engine.using("numpy"):
        values, codes, _, report = one.run(slice(0, DRAWS.size))
    assert len(np.unique(codes)) > 20
    return values, report.clipped_before_filter


@pytest.mark.parametrize("groups", [1, 2])
@pytest.mark.parametrize("name", NAMES)
def test_words_of_the_fast_path(name: str, groups: int) -> None:
    expected, _ = by_stages(made_of(name, peak_g=30.0, path="fast"))
    with engine.using(engine.choose("fast")[0]):
        for bank in (None, NoiseBank(most_bytes=10**8)):
            one = made_of(name, peak_g=30.0, path="fast", bank=bank)
            assert one_pass.serves_lanes(one)
            found, _ = in_lanes(one_pass.in_lanes(one), one, groups)
            np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("groups", [1, 2])
@pytest.mark.parametrize("name", NAMES)
def test_words_of_signals_that_differ_by_draw(name: str, groups: int) -> None:
    how: Any = {"peak_g": 30.0, "path": "fast", "scales": np.linspace(0.7, 1.1, DRAWS.size)}
    expected, _ = by_stages(made_of(name, **how))
    with engine.using(engine.choose("fast")[0]):
        for bank in (None, NoiseBank(most_bytes=10**8)):
            one = made_of(name, **how, bank=bank)
            assert one_pass.serves_lanes(one)
            assert not one.one_signal
            found, _ = in_lanes(one_pass.in_lanes(one), one, groups)
            np.testing.assert_array_equal(found, expected)
            rows, _, _, _ = one.run(slice(0, DRAWS.size))
            np.testing.assert_array_equal(found, rows)


@pytest.mark.parametrize("name", ["a word in four ticks", SHIPPED])
@pytest.mark.parametrize("beside", [0.0, 1.0])
def test_words_where_the_sensor_itself_is_at_rest(name: str, beside: float) -> None:
    """Offset, drift and noise alone, or with what comes from another axis."""
    true = {
        "central_x": acceleration(np.zeros(1503)),
        "central_y": acceleration(beside * crash(peak_g=30.0, samples=1503), axis="y"),
    }
    how: Any = {"draws": DRAWS, "channels": ["central_x"], "occurrence": "rest", "path": "fast"}
    found = {}
    for engine_name in engine.ENGINES:
        with engine.using(engine.choose(engine_name)[0]):
            (made,) = prepared(true, chosen(name), **how)
            one = made.sensors["central_x"]
            if engine_name == "numpy":
                found[engine_name], _, _, _ = one.run(slice(0, DRAWS.size))
                continue
            assert len(one.moves) == (beside > 0.0)
            found[engine_name], _ = in_lanes(one_pass.in_lanes(one), one, 1)
    assert len(np.unique(found["numpy"])) > 2
    np.testing.assert_array_equal(found["fast"], found["numpy"])


@pytest.mark.parametrize("peak_g", [30.0, 150.0])
@pytest.mark.parametrize("name", NAMES)
def test_words_of_the_full_path(name: str, peak_g: float) -> None:
    expected, cut = by_stages(made_of(name, peak_g=peak_g, path="full"))
    with engine.using(engine.choose("fast")[0]):
        one = made_of(name, peak_g=peak_g, path="full")
        found, found_cut = in_lanes(one_pass.full_in_lanes(one), one, 1)
    np.testing.assert_array_equal(found, expected)
    np.testing.assert_array_equal(found_cut, cut)
    if peak_g > 100.0:
        assert cut.min() > 0


def test_the_rest_ahead_and_what_follows_the_last_sample_are_not_counted_as_cut() -> None:
    # At the level of the cut throughout: noise takes every other sample beyond it.
    edge = chosen("one section").sensors["central_x"].front_end
    level = acceleration(np.full(1503, -edge))
    cut = {}
    for name in engine.ENGINES:
        with engine.using(engine.choose(name)[0]):
            (made,) = prepared(
                {"central_x": level},
                chosen("one section"),
                draws=DRAWS,
                channels=["central_x"],
                occurrence="edge",
                path="full",
            )
            one = made.sensors["central_x"]
            if name == "numpy":
                cut[name] = one.run(slice(0, DRAWS.size))[3].clipped_before_filter
            else:
                _, cut[name] = in_lanes(one_pass.full_in_lanes(one), one, 1)
    np.testing.assert_array_equal(cut["fast"], cut["numpy"])
    assert np.count_nonzero((cut["numpy"] > 0) & (cut["numpy"] < 1503)) > 5
