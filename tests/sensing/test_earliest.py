"""How soon a rule may know of a contact, and that no rule that is in time is called late."""

from __future__ import annotations

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, part, sensor_set

from crashsense.scoring import cannot_be_met, score
from crashsense.sensing import SensorSet, load_sensor_set, sense
from crashsense.units import STANDARD_GRAVITY as G


def step_at(contact_s: float) -> np.ndarray:
    times = -0.05 + np.arange(1500) / 10_000.0
    return np.where(times >= contact_s - 1e-9, -40.0 * G, 0.0)


def test_transport_of_the_standard_set() -> None:
    # 0.45 ms to the reading and 0.50 ms of task, from the file of the set.
    assert load_sensor_set().transport_s("central_x") == pytest.approx(0.95e-3)
    late = sensor_set(part(slot_start_s=0.7e-3))
    assert late.transport_s("central_x") == pytest.approx(0.95e-3 + 0.5e-3)
    # The filter's delay is beyond it.
    assert load_sensor_set().delay_s("central_x") > 1.6e-3


def test_a_step_is_answered_before_the_delay_of_the_filter_has_passed() -> None:
    sensors = load_sensor_set()
    samples = sense({"central_x": acceleration(step_at(0.0))}, sensors).samples
    demand = np.abs(samples.channels["central_x"]) / (10.0 * G)
    got = score(
        {"total": demand, "main": demand},
        start_s=samples.start_s,
        rate_hz=samples.rate_hz,
        expectation="fire",
        required_s=np.array([0.0016]),
        chain_delay_s=sensors.transport_s("central_x"),
    )
    assert got.fire_s[0] == pytest.approx(0.00145)
    assert got.verdict[0] == "on_time"
    assert not got.infeasible[0]


@pytest.mark.parametrize(
    "sensors",
    [
        sensor_set(part(filter_kind="none")),
        sensor_set(part(filter_kind="none", slot_start_s=0.7e-3)),
        sensor_set(part(filter_kind="none", sample_rate_hz=500.0)),
        sensor_set(part(filter_kind="none", sample_rate_hz=10_000.0, combine="mean")),
    ],
    ids=["one word a tick", "late by a tick", "slow", "fast"],
)
@pytest.mark.parametrize("contact_s", [0.0, 0.0003, 0.0121])
def test_no_tick_shows_a_contact_before_the_one_that_scoring_says(
    sensors: SensorSet, contact_s: float
) -> None:
    draws = range(12)
    samples = sense({"central_x": acceleration(step_at(contact_s))}, sensors, draws=draws).samples
    seen = np.abs(np.nan_to_num(samples.channels["central_x"])) > 0.0
    first = samples.times_s[np.arange(12), np.argmax(seen, axis=-1)]
    assert seen.any(axis=-1).all()
    options = {"start_s": samples.start_s, "rate_hz": samples.rate_hz, "origin_s": contact_s}
    delay = sensors.transport_s("central_x")
    assert not cannot_be_met(first, chain_delay_s=delay, **options).any()
    if sensors.sensor("central_x").sample_rate_hz >= samples.rate_hz:
        # Every tick has a word of its own: the tick before is impossible.
        assert cannot_be_met(first - 1e-5, chain_delay_s=delay, **options).all()
