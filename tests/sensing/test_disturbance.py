"""Offset, drift and noise that a bank keeps are those of a sensor that is sensed alone."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense import engine
from crashsense.sensing import (
    ControlUnit,
    NoiseBank,
    Sensed,
    SensorSet,
    chain,
    disturbance,
    prepared,
)
from crashsense.sensing.disturbance import Disturbance
from crashsense.sensing.groups import GROUP
from crashsense.sensing.noise import NoiseModels
from crashsense.sensing.one_sensor import OneSensor
from crashsense.sensing.sense import joined, sense_in_parts
from crashsense.units import STANDARD_GRAVITY as G

#: Draw 0 is the nominal one.
DRAWS = np.arange(300)

USUAL: dict[str, Any] = {
    "noise_density": 0.02 * G,
    "offset_tolerance": 0.5 * G,
    "drift_tolerance": 4.0 * G,
    "corner_tolerance": 0.03,
}


def sensed(
    chosen: SensorSet,
    bank: NoiseBank | None,
    *,
    start_s: float = -0.05,
    size: int = 64,
    **how: Any,
) -> Sensed:
    true = {"central_x": acceleration(crash(samples=1503), start_s=start_s)}
    with engine.using("numpy"):
        asked: Any = {"draws": DRAWS, "occurrence": "any", **how}
        return joined(list(sense_in_parts(true, chosen, size=size, bank=bank, **asked)))


@pytest.mark.parametrize(
    "other",
    [
        {"range": 60 * G},
        {"noise_density": 0.03 * G},
        {"noise_density": 0.0},
        {"offset_tolerance": 0.2 * G},
        {"drift_tolerance": 1.0 * G},
        {"corner_tolerance": 0.05},
        {"corner_hz": 300.0},
        {"sample_rate_hz": 500.0, "corner_hz": 150.0},
    ],
    ids=lambda values: "_".join(f"{name}_{value:.3g}" for name, value in values.items()),
)
def test_sensors_that_share_a_bank_are_sensed_as_if_alone(other: dict[str, Any]) -> None:
    bank = NoiseBank(most_bytes=10**9)
    for values in (USUAL, USUAL | other, USUAL):
        chosen = sensor_set(part(**values))
        shared, alone = sensed(chosen, bank), sensed(chosen, None)
        assert (alone.paths == "fast").all()
        for table in ("channels", "codes", "valid"):
            found, expected = (getattr(one.samples, table)["central_x"] for one in (shared, alone))
            np.testing.assert_array_equal(found, expected)


def test_parts_may_have_several_groups_and_meet_several_pieces_of_noise(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A draw gets its own noise wherever it stands in its part, and the part in a piece."""
    monkeypatch.setattr(disturbance, "NOISE_WORDS", 2 * GROUP * ready().words)
    chosen = sensor_set(part(**USUAL))
    alone = sensed(chosen, None, size=1).samples.codes["central_x"]
    assert len(np.unique(alone, axis=0)) == DRAWS.size
    for size in (GROUP // 2, GROUP * 3 // 2, DRAWS.size):
        found = sensed(chosen, None, size=size).samples.codes["central_x"]
        np.testing.assert_array_equal(found, alone)


@pytest.mark.parametrize("other", [{"start_s": -0.0303}, {"seed": 2}, {"occurrence": "b"}])
def test_what_a_bank_keeps_depends_on_time_and_name(other: dict[str, Any]) -> None:
    chosen, bank = sensor_set(part(**USUAL)), NoiseBank(most_bytes=10**9)
    usual, found = sensed(chosen, bank), sensed(chosen, bank, **other)
    expected = sensed(chosen, None, **other)
    np.testing.assert_array_equal(
        found.samples.codes["central_x"], expected.samples.codes["central_x"]
    )
    assert not np.array_equal(found.samples.codes["central_x"], usual.samples.codes["central_x"])


def test_a_second_event_finds_all_of_its_disturbance_in_the_bank() -> None:
    chosen, bank = sensor_set(part(**USUAL)), NoiseBank(most_bytes=10**9)
    sensed(chosen, bank)
    kept = list(bank._kept)
    assert kept
    sensed(chosen, bank)
    assert list(bank._kept) == kept


def test_the_tick_rate_is_part_of_what_a_bank_keeps() -> None:
    """Drift grows by where in the internal samples of a tick a draw begins."""
    bank = NoiseBank(most_bytes=10**9)
    for ticks_hz in (2000.0, 1000.0):
        unit = ControlUnit(tick_rate_hz=ticks_hz)
        chosen = replace(sensor_set(part(**USUAL)), control_unit=unit)
        shared, alone = sensed(chosen, bank), sensed(chosen, None)
        np.testing.assert_array_equal(
            shared.samples.codes["central_x"], alone.samples.codes["central_x"]
        )


def test_noise_alone_is_not_taken_for_the_whole_disturbance(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One sensor can be asked for both: draw 0 after others, by compiled kernels with a bank."""
    for name, value in (("_kept", 2.0), ("_kept_noise", 1.0)):
        monkeypatch.setattr(
            disturbance, name, lambda one, rows, v=value: np.full((rows.size, 9), v)
        )
    one: Any = SimpleNamespace(words=9, draws=DRAWS)
    made = Disturbance()
    for rows in (np.arange(1, 33), np.arange(33, 65)):
        assert (made.plain_noise(one, rows) == 1.0).all()
        assert all((part == 2.0).all() for _, part in made.parts(one, rows))
        assert (made.plain_noise(one, rows) == 1.0).all()


def ready(**values: Any) -> OneSensor:
    """The sensor of a part, its 300 draws ready to run."""
    true = {"central_x": acceleration(crash(samples=1503))}
    (made,) = prepared(true, sensor_set(part(**USUAL | values)), draws=DRAWS, occurrence="any")
    return made.sensors["central_x"]


def test_noise_as_a_sum_of_products_is_that_of_the_filter(monkeypatch: pytest.MonkeyPatch) -> None:
    with engine.using("numpy"):
        one = ready()
        taps = one.noise_models.taps
        assert taps is not None
        # Longer than what is made ahead of the words: a row would feel the end of another.
        assert max(own.size for own in taps) > one.noise_models.warm_up + 1
        found = disturbance._noise(one, DRAWS)
        monkeypatch.setitem(vars(one.noise_models), "taps", None)
        expected = disturbance._noise(one, DRAWS)
    assert (found[0] == 0.0).all()
    assert np.abs(found[1:]).max() > 1.0
    np.testing.assert_allclose(found, expected, atol=5e-13, rtol=0)
    assert (found != expected).any()  # another way


def test_noise_of_a_draw_does_not_depend_on_those_beside_it() -> None:
    with engine.using("numpy"):
        one = ready()
        found = disturbance._noise(one, DRAWS)
        for rows in (DRAWS[1:2], DRAWS[5:8], DRAWS[40:299], DRAWS[::-7]):
            np.testing.assert_array_equal(disturbance._noise(one, rows), found[rows])


def test_a_long_response_is_left_to_the_filter() -> None:
    design = chain.FilterDesign("bessel", 3, 400.0, 0.03, 0.02, 10_000.0)
    assert NoiseModels(design, 5).taps is not None
    assert NoiseModels(design._replace(corner_hz=200.0), 5).taps is None
