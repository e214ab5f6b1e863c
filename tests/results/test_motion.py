"""Motion of an event against closed forms; in which order a run tells what."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pulses_by_hand import pulse

from crashsense.event import Requirement
from crashsense.results.event_motion import motion_of, told_of
from crashsense.results.tally import FailingRow, failing_in_draws, pairs_of
from crashsense.rules import Algorithm, algorithm_from_toml
from crashsense.rules.velocity import VelocityChange
from crashsense.trials import trial


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


STAGE_1 = "front_airbag_stage_1"


def test_free_flight_begins_at_the_contact_that_counts_and_is_told_in_mm_and_ms():
    """From 10 ms on: half the deceleration times the time since then squared, 400 mm drawn."""
    event = pulse("hand", 6.0, fire=True)
    flight = replace(
        event.requirements[STAGE_1], origin_s=0.010, free_travel_m=0.097, inflation_s=0.025
    )
    event = replace(event, requirements={**event.requirements, STAGE_1: flight})
    found = motion_of(event)
    assert (found.origin_ms, found.free_travel_mm, found.inflation_ms) == (10.0, 97.0, 25.0)
    times = 1e-3 * np.asarray(found.travel.times_ms)
    way = np.asarray(found.travel.values)
    assert not way[times < 0.0099].any()
    inside = (times > 0.011) & (times < 0.059)
    assert way[inside] == pytest.approx(1e3 * 50.0 * (times[inside] - 0.010) ** 2, abs=1.0)
    # Then 5 m/s: 400 mm are reached 55 ms later.
    assert way[times > 0.12].tolist() == [400.0] * int((times > 0.12).sum())
    # An event that is no frontal one, and from which no flight is asked, has none.
    knock = motion_of(replace(pulse("knock", 6.0, fire=False), family="misuse"))
    assert (knock.travel, knock.free_travel_mm, knock.inflation_ms) == (None, None, None)


def test_motion_is_that_of_the_cabin_if_it_is_known_along_the_axis_of_the_larger_change():
    event = replace(pulse("hand", 6.0, fire=False), family="misuse")
    signal = event.signals["central_x"]
    cabin = {
        "x": signal.replaced(0.1 * signal.samples, note="less"),
        "y": signal.replaced(-0.5 * signal.samples, note="aside"),
    }
    found = motion_of(replace(event, cabin=cabin))
    assert (found.axis, found.source) == ("y", "rigid-body motion of the cabin, y")
    assert found.velocity.values[-1] == pytest.approx(3.6 * 3.0, rel=2e-3)
    assert found.travel is None


class Failing(VelocityChange):
    def demand(self, samples):
        raise ValueError("boo")


LEVELS = """\
name = "one"
gate = GATE
[rules.RESTRAINT]
family = "velocity_change"
threshold_m_s = 3.0
"""


def told(event, restraint, *, gate=True, more=""):
    text = LEVELS.replace("GATE", str(gate).lower()).replace("RESTRAINT", restraint) + more
    return [one.restraint for one in told_of(trial(event, algorithm=algorithm_from_toml(text)))]


def test_what_is_told_is_the_gravest_of_what_was_asked_and_could_be_judged():
    kerb, wall = pulse("kerb", 6.0, fire=False), pulse("wall", 6.0, fire=True)
    for event in (kerb, wall):
        assert told(event, STAGE_1) == [STAGE_1]
        assert told(event, STAGE_1, gate=False) == []
        assert told(event, "curtain_left") == []  # fires, and nothing was asked
    nothing = Requirement("open", basis="test")
    unasked = replace(kerb, requirements={**kerb.requirements, STAGE_1: nothing})
    assert told(unasked, STAGE_1) == []
    blind = f'name = "blind"\n[rules.{STAGE_1}]\nfamily = "level"\nchannel = "+side_left_y"\n'
    failing = Algorithm("failing", rules={STAGE_1: Failing()})
    for algorithm in (algorithm_from_toml(blind), failing):
        assert told_of(trial(kerb, algorithm=algorithm)) == []
    blind = '[rules.side_airbag_left]\nfamily = "level"\nchannel = "+side_left_y"\n'
    asked = replace(kerb.requirements[STAGE_1])
    more = {**kerb.requirements, "side_airbag_left": asked, "curtain_left": asked}
    both = replace(kerb, requirements={**more, STAGE_1: wall.requirements[STAGE_1]})
    # Stage 1 is on time, the curtain fires although it must not, the side bag has no sensor.
    curtain = '[rules.curtain_left]\nfamily = "velocity_change"\nthreshold_m_s = 2.0\n'
    assert told(both, STAGE_1, more=blind + curtain) == ["curtain_left"]
    assert told(both, STAGE_1, more=blind) == [STAGE_1]


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


def test_a_failing_requirement_is_told_by_its_verdicts_the_gravest_first():
    late = FailingRow("wall", "r", 3, 20, {"late": 3, "on_time": 17})
    assert late.words == "late in 3 of 20"
    both = FailingRow("wall", "r", 5, 20, {"late": 3, "missed": 2, "on_time": 15})
    assert both.words == "5 of 20: missed 2, late 3"
    assert (late.inadvertent, FailingRow("kerb", "r", 2, 9, {"inadvertent": 2}).inadvertent) == (
        0,
        2,
    )


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
