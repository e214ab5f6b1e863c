"""Which no-fire classes challenge which rule family."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.cli import run
from crashsense.rules.parameters import Criterion
from crashsense.rules.registry import rule_families
from crashsense.studies.challenge import (
    CHALLENGING,
    as_markdown,
    challenge_sentence,
    challenge_table,
    class_of,
    middling_algorithms,
    must_not_fire,
    not_challenging,
)
from crashsense.synthesis import load_events
from crashsense.trials import trial

SOME = ["hammer_bracket", "hammer_bracket_severe", "bonnet_drop", "trolley_door", "side_pole_90_10"]


@pytest.fixture(scope="module")
def table():
    return challenge_table(load_events(SOME))


def test_every_criterion_family_is_asked_with_its_default_numbers():
    families = {n for n, f in rule_families().items() if issubclass(f, Criterion)}
    found = middling_algorithms()
    assert set(found) == families
    asked = {name: next(iter(one.rules)) for name, one in found.items()}
    assert asked["velocity_change"] == "front_airbag_stage_1"
    assert asked["side_velocity"] == asked["door_pressure"] == "side_airbag_left"
    assert asked["roll_energy"] == "curtain_left"


def test_a_cell_is_the_largest_demand_of_a_trial(table):
    rule = middling_algorithms()["jerk"]
    peaks = [
        float(trial(name, algorithm=rule).demand("front_airbag_stage_1").max())
        for name in ("hammer_bracket", "hammer_bracket_severe")
    ]
    assert table.loc["M08 hammer_bracket", "jerk"] == max(peaks)
    assert table.loc["M08 hammer_bracket", "events"] == 2
    row = table.loc["M10 trolley_door"].drop(["events", "largest"])
    assert table.loc["M10 trolley_door", "largest"] == row.max()


def test_a_class_that_no_rule_comes_near_is_named(table):
    quiet = not_challenging(table)
    assert list(quiet) == ["M09 bonnet_drop"]
    assert quiet["M09 bonnet_drop"] < CHALLENGING
    assert "M09 bonnet_drop" in challenge_sentence(table)
    text = as_markdown(table)
    assert "| M09 bonnet_drop (not challenging) | 1 |" in text
    assert "| M08 hammer_bracket | 2 |" in text
    assert "Each of the 3 no-fire classes" in challenge_sentence(table.drop("M09 bonnet_drop"))


@pytest.mark.slow
def test_only_events_that_must_not_fire_count():
    events = {e.name: e for e in load_events(["wall_full_56", "side_pole_90_29", "wall_full_8"])}
    held = {name for name, event in events.items() if must_not_fire(event)}
    assert held == {name for name in events if name.startswith("wall_full_8")}
    # In a frontal crash that must fire the far-side requirements do not make it a no-fire event.
    fires = [event for event in events.values() if not must_not_fire(event)]
    assert challenge_table(fires).empty
    assert {class_of(events[name]) for name in held} == {"F01 wall_full"}


def test_command_writes_the_table(tmp_path, capsys):
    out = tmp_path / "challenge.md"
    assert run(["study", "challenge", "--events", "bonnet_drop", "--out", str(out)]) == 0
    assert "M09 bonnet_drop" in out.read_text(encoding="utf-8")
    assert "CAUTION" in capsys.readouterr().out
    assert run(["study", "challenge", "--events", "side_pole_90_29"]) == 2
    assert "an event that must not fire" in capsys.readouterr().err


@pytest.mark.slow
def test_blows_challenge_some_rule_family_or_are_known_not_to():
    # What no rule reads (a bonnet dropped: z), or what is gentle by nature (a rubber mallet on the
    # bumper beam, just below a third of a level), cannot challenge.
    blows = ("blow", "hard_blow", "door_blow", "door_slam", "kerb_slide")
    events = [e for e in load_events() if _model_of(e) in blows]
    quiet = not_challenging(challenge_table(events))
    assert set(quiet) == {
        "M08 mallet_bumper_beam",
        "M09 bonnet_drop",
        "M12 car_wash_brush",
        "M12 trailer_bump",
    }


@pytest.mark.slow
def test_every_family_is_challenged_by_some_class():
    table = challenge_table()
    families = [name for name in table.columns if name not in ("events", "largest")]
    assert set(families) == set(middling_algorithms())
    largest = table[families].max()
    assert np.isfinite(largest).all()
    assert largest[largest <= CHALLENGING].index.tolist() == []


def _model_of(event) -> str:
    return event.source.model.name
