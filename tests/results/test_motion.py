"""Motion of an event against closed forms; in which order a run tells what."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pulses_by_hand import pulse

from crashsense.results.event_motion import motion_of
from crashsense.results.tally import failing_in_draws, pairs_of


def test_velocity_is_in_km_per_hour_and_free_travel_in_mm():
    """A rectangular pulse of V in 60 ms: V t / 60 ms, then V; V t^2 / 120 ms (elementary)."""
    speed = 6.0
    found = motion_of(pulse("hand", speed, fire=True))
    assert (found.axis, found.source) == ("x", "integral of central_x")
    inside = (found.velocity.times_ms > 1.0) & (found.velocity.times_ms < 59.0)
    times = 1e-3 * np.asarray(found.velocity.times_ms)[inside]
    wanted = -3.6 * speed * times / 0.06
    assert np.asarray(found.velocity.values)[inside] == pytest.approx(wanted, abs=0.02)
    assert found.velocity.values[-1] == pytest.approx(-3.6 * speed, rel=2e-3)
    way = np.asarray(found.travel.values)[inside]
    assert way == pytest.approx(1e3 * speed * times**2 / 0.12, abs=0.5)


def test_what_fires_although_it_must_not_comes_first_then_the_most_frequent_failure():
    def group(failed, verdicts, judged=20):
        return SimpleNamespace(failed=failed, judged=judged, verdicts=verdicts)

    drawn = {
        ("a", "r"): group(3, {"late": 3}),
        ("b", "r"): group(9, {"missed": 9}),
        ("c", "r"): group(1, {"inadvertent": 1}),
        ("d", "r"): group(2, {"inadvertent": 2}),
        ("e", "r"): group(3, {"late": 3}),
        ("f", "r"): group(0, {"on_time": 20}),
    }
    names = [*"fedcba"]
    nominal = pd.DataFrame(
        {
            "event": names, "restraint": "r", "sensor_set": "s", "algorithm": "x",
            "verdict": ["on_time", "on_time", "held", "held", "on_time", "on_time"],
        }
    )  # fmt: skip
    tally = SimpleNamespace(drawn=lambda pair: drawn)
    found = failing_in_draws(nominal, tally, ("s", "x"))
    assert [row.event for row in found] == ["d", "c", "b", "a", "e"]


def test_gating_algorithms_come_first_then_the_order_asked_for():
    """What is not named comes after what is; sensor sets in theirs, inside an algorithm."""
    pairs = [
        (sensors, algorithm)
        for algorithm in ("new", "b", "free", "a")
        for sensors in ("t", "u", "s")
    ]
    nominal = pd.DataFrame(pairs, columns=["sensor_set", "algorithm"])
    gating = {"free": False, "b": True, "a": True}
    found = pairs_of(pd.concat([nominal, nominal]), gating=gating, sensor_sets=["u", "s"])
    assert found == [
        (sensors, algorithm)
        for algorithm in ("b", "a", "new", "free")
        for sensors in ("u", "s", "t")
    ]
