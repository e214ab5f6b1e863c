"""What an event asks of passenger's bag, knee bag, second pretensioner and battery."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from crashsense import Event, load_events
from crashsense.event import FURTHER_RESTRAINTS, RESTRAINTS, Waiver
from crashsense.further_restraints import GOES_WITH, asking, further_requirement

DRIVER, PASSENGER = "front_airbag_stage_1", "passenger_airbag_stage_1"


@cache
def library(name: str) -> Event:
    (event,) = load_events([name])
    return event


def asked(event: Event, name: str) -> tuple[str, float | None]:
    requirement = further_requirement(event, name)
    return requirement.expectation, requirement.required_s


@pytest.mark.parametrize("name", [n for n in GOES_WITH if n != "second_pretensioner"])
def test_they_go_with_those_of_the_driver(name: str) -> None:
    event = library("wall_full_40")
    first = event.requirements[GOES_WITH[name]]
    assert first.expectation == "fire"
    assert asked(event, name) == (first.expectation, first.required_s)
    assert further_requirement(event, name).follows == GOES_WITH[name]
    assert "from memory" in further_requirement(event, name).basis


def test_an_empty_seat_must_not_be_fired_for() -> None:
    event = library("wall_full_40")
    alone = replace(event, context=replace(event.context, passenger_seat_occupied=False))
    for name in FURTHER_RESTRAINTS:
        expected = "no_fire" if name.startswith("passenger_") else "fire"
        assert further_requirement(alone, name).expectation == expected, name


def test_the_battery_goes_with_whatever_must_fire() -> None:
    side, crash = library("side_pole_90_29"), library("wall_full_40")
    for event in (side, crash):
        times = [r.required_s for r in event.requirements.values() if r.expectation == "fire"]
        assert asked(event, "battery_cut_off") == ("fire", max(t for t in times if t is not None))
    assert asked(library("hammer_tunnel"), "battery_cut_off") == ("no_fire", None)
    grey = {n: replace(r, expectation="open") for n, r in crash.requirements.items()}
    assert asked(replace(crash, requirements=grey), "battery_cut_off")[0] == "open"


def test_a_rear_impact_leaves_the_second_pretensioner_open() -> None:
    (event,) = load_events(["rear_barrier_offset_80"])
    assert event.requirements["belt_pretensioner"].expectation == "fire"
    assert asked(event, "second_pretensioner")[0] == "open"


def test_what_is_stated_counts_and_waivers_are_not_inherited() -> None:
    import datetime

    event = library("wall_full_40")
    waived = replace(
        event.requirements[DRIVER], waiver=Waiver("prototype", datetime.date(2031, 1, 1))
    )
    changed = replace(event, requirements={**event.requirements, DRIVER: waived})
    assert further_requirement(changed, PASSENGER).waiver is None
    stated = replace(event.requirements[DRIVER], expectation="no_fire", required_s=None)
    own = replace(event, requirements={**event.requirements, PASSENGER: stated})
    assert further_requirement(own, PASSENGER) == stated


def test_nothing_is_asked_of_them_unless_wanted() -> None:
    event = library("wall_full_40")
    assert tuple(event.requirements) == RESTRAINTS
    assert asking(event, RESTRAINTS) is event
    assert tuple(asking(event, ["knee_airbag"]).requirements) == (*RESTRAINTS, "knee_airbag")
