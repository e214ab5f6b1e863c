"""Value objects as text: short to read, whole for checksums."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

import crashsense
from crashsense.rules import algorithm_names, load_algorithm
from crashsense.rules.composition import AllOf
from crashsense.rules.level import Level
from crashsense.values import LINES, WIDTH, Identity, Shown, content_of


@pytest.fixture(scope="module")
def found() -> crashsense.Trial:
    return crashsense.trial("hammer_tunnel", draw=[0, 1])


def shown(found: crashsense.Trial) -> dict[str, object]:
    restraint = "front_airbag_stage_1"
    event, sensors = found.event, found.sensor_set
    return {
        "trial": found,
        "event": event,
        "recipe": event.source,
        "requirement": event.requirements[restraint],
        "signal": event.signals["central_x"],
        "block": found.block,
        "sensor set": sensors,
        "sensor": sensors.sensors["central_x"],
        "control unit": sensors.control_unit,
        "algorithm": found.algorithm,
        "rule": found.algorithm.rules[restraint],
        "samples": found.samples,
        "report": found.reports["central_x"],
        "answer": found.answer(restraint),
        "scores": found.scores(restraint),
        "reached": found.reached(restraint),
        "explanation": found.explain(restraint),
        "sensed": found.sensed,
    }


def test_every_value_object_fits_on_three_lines(found) -> None:
    texts = {name: repr(one).splitlines() for name, one in shown(found).items()}
    assert {n: t for n, t in texts.items() if len(t) > LINES} == {}
    assert {n: t for n, t in texts.items() if max(map(len, t)) > WIDTH + 14} == {}


@pytest.mark.parametrize("name", algorithm_names())
def test_every_rule_fits_on_three_lines(name) -> None:
    rules = load_algorithm(name).rules
    assert {n: r for n, r in rules.items() if len(repr(r).splitlines()) > LINES} == {}


@dataclass
class Reading(Shown):
    channel: str
    values: object = None
    note: str = ""


def test_only_what_differs_from_its_default_is_shown() -> None:
    assert repr(Reading("a")) == "Reading(channel='a')"
    assert repr(Reading("a", np.array([1.0, 2.5]), "n")) == (
        "Reading(channel='a', values=[1, 2.5], note='n')"
    )
    assert repr(Reading("a", np.zeros((3, 4)))) == "Reading(channel='a', values=<float64 3 x 4>)"
    assert repr(Reading("a", {"x": 1, "y": 2})) == "Reading(channel='a', values={x, y})"
    assert repr(Reading("a" * 99)).startswith("Reading(channel='aaa")
    assert "..." in repr(Reading("a" * 99))


def test_content_differs_where_a_short_text_does_not() -> None:
    long = np.arange(5000.0)
    other = long.copy()
    other[2500] += 1e-9
    assert repr(Reading("a", long)) == repr(Reading("a", other))
    assert content_of(Reading("a", long)) != content_of(Reading("a", other))
    assert content_of(Reading("a", long)) == content_of(Reading("a", long.copy()))
    assert content_of({"b": {"z", "y"}}) == content_of({"b": {"y", "z"}})


def test_content_of_a_composition_has_every_number() -> None:
    one = AllOf(of=(Level(threshold_g=2.0), Level(threshold_g=3.0)))
    other = AllOf(of=(Level(threshold_g=2.0), Level(threshold_g=3.0 + 1e-12)))
    assert repr(one) == repr(other)
    assert content_of(one) != content_of(other)


def test_content_of_a_sensor_set_has_every_number() -> None:
    sensors = crashsense.load_sensor_set("standard")
    changed = dict(sensors.sensors)
    changed["door_left_pressure"] = replace(changed["door_left_pressure"], corner_hz=399.0)
    assert content_of(replace(sensors, sensors=changed)) != content_of(sensors)
    assert content_of(crashsense.load_sensor_set("standard")) == content_of(sensors)


def test_an_object_as_a_key_is_itself_and_no_equal_one() -> None:
    one, equal = [1.0], [1.0]
    found = {Identity(one): "one"}
    assert found[Identity(one)] == "one"
    assert Identity(equal) != Identity(one)
    assert Identity(equal) not in found
    assert Identity(one) != one
