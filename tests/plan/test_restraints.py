"""A plan that names its restraints: the others are open, and not counted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from crashsense.campaign import evaluate
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.plan import resolve_plan
from crashsense.reporting.summary import text_summary
from crashsense.results import open_run, replay
from crashsense.rules import Algorithm, rule_from_table

STAGE_1, CRASH = "front_airbag_stage_1", "wall_full_40"


def one_rule() -> Algorithm:
    rule = rule_from_table({"family": "level", "channel": "-central_x", "threshold_g": 5.0})
    return Algorithm("one", rules={STAGE_1: rule}, gate=True)


def required(run: object) -> set[str]:
    rows = run.nominal  # type: ignore[attr-defined]
    return set(rows.loc[rows["expectation"] != "open", "restraint"])


def test_a_run_is_about_the_restraints_that_it_names(tmp_path: Path) -> None:
    out = tmp_path / "run"
    run = evaluate(events=[CRASH], algorithms=["guarded"], restraints=[STAGE_1], out=out)
    assert required(run) == {STAGE_1}
    assert len(run.nominal) == len(RESTRAINTS)
    whole = evaluate(events=[CRASH], algorithms=["guarded"]).nominal
    assert (whole["expectation"] == "order").sum() == 1  # not of a run about one stage
    whole = whole[whole["expectation"] != "order"].reset_index(drop=True)
    columns = ["fire_time_ms", "max_demand"]
    assert run.nominal[columns].equals(whole[columns])  # nothing else changes
    assert any("open" in note and STAGE_1 in note for note in run.summary()["notes"])
    assert replay(open_run(out), CRASH).differences == ()
    assert required(open_run(out)) == {STAGE_1}
    assert open_run(out).plan.keys.restraints == [STAGE_1]


def test_a_restraint_that_no_rule_covers_is_not_judged() -> None:
    run = evaluate(events=[CRASH], algorithms=[one_rule()])
    rows = run.nominal.set_index("restraint")
    rest = rows.drop(STAGE_1).query("expectation != 'order'")
    assert set(rest["verdict"]) == {"not_evaluated"}
    assert set(rest["reason"]) == {"one has no rule for it"}
    assert rows.loc[STAGE_1, "verdict"] == "on_time"
    assert run.exit_code == 0
    told = " ".join(text_summary(run).split())
    assert "Not covered by one, not judged: front_airbag_stage_2, belt_pretensioner," in told
    assert "3 not judged, as it does not cover their restraints" in told  # and their order
    assert "could not be judged" not in told


def test_a_restraint_that_the_plan_names_must_be_covered() -> None:
    named = [STAGE_1, "front_airbag_stage_2", "knee_airbag"]
    run = evaluate(events=[CRASH], algorithms=[one_rule()], restraints=named)
    missed = run.nominal[run.nominal["verdict"] == "missed"]
    assert set(missed["restraint"]) == set(named[1:])
    assert run.exit_code == 1
    assert "never fires: front_airbag_stage_2, knee_airbag; 2 requirements" in text_summary(run)


def test_a_requirement_of_the_plan_must_be_covered() -> None:
    asked = {CRASH: {"knee_airbag": "fire by 30 ms (programme)", "belt_pretensioner": "no_fire"}}
    run = evaluate(events=[CRASH], algorithms=[one_rule()], requirements=asked)
    rows = run.nominal.set_index("restraint")
    assert rows.loc["knee_airbag", ["verdict", "required_time_ms"]].tolist() == ["missed", 30.0]
    assert rows.loc["belt_pretensioner", "verdict"] == "held"
    assert rows.loc["front_airbag_stage_2", "verdict"] == "not_evaluated"


def test_covered_leaves_open_what_no_rule_covers() -> None:
    run = evaluate(events=[CRASH], algorithms=[one_rule()], restraints=["covered"])
    assert required(run) == {STAGE_1}
    assert not (run.nominal["verdict"] == "missed").any()


def car() -> Algorithm:
    """One level for all that a front crash fires; the passenger's for an occupied seat."""
    front = {"family": "level", "channel": "-central_x", "threshold_g": 5.0}
    mine = rule_from_table(front)
    passenger = rule_from_table({"family": "seat_occupied", "rule": front})
    names = (STAGE_1, "belt_pretensioner", "knee_airbag", "second_pretensioner", "battery_cut_off")
    others = ("passenger_airbag_stage_1", "passenger_pretensioner")
    return Algorithm(
        "car", rules={**dict.fromkeys(names, mine), **dict.fromkeys(others, passenger)}
    )


def test_driver_and_passenger_are_judged_apart_in_every_draw() -> None:
    runs = {
        seat: evaluate(events=[CRASH], algorithms=[car()], draws=2, passenger_seat=seat)
        for seat in ("occupied", "empty")
    }
    rows = {seat: run.verdicts for seat, run in runs.items()}
    full, empty = (
        rows[seat].pivot(index="draw", columns="restraint", values="verdict") for seat in rows
    )
    times = rows["occupied"].pivot(index="draw", columns="restraint", values="required_time_ms")
    assert (times["passenger_airbag_stage_1"] == times[STAGE_1]).all()
    assert (times["battery_cut_off"] == times["front_airbag_stage_2"]).all()
    assert times[STAGE_1].nunique() == 3  # they follow the draw
    assert (full["passenger_airbag_stage_1"] == "on_time").all()
    assert (empty[["passenger_airbag_stage_1", "passenger_pretensioner"]] == "held").all(axis=None)
    for name in (STAGE_1, "knee_airbag", "second_pretensioner", "battery_cut_off"):
        assert (full[name] == empty[name]).all(), name
    assert "passenger seat: empty in every event" in runs["empty"].summary()["notes"]


def test_a_rule_that_ignores_the_seat_fires_for_nobody() -> None:
    rule = one_rule().rules[STAGE_1]
    deaf = Algorithm("deaf", rules={"passenger_airbag_stage_1": rule})
    run = evaluate(events=[CRASH], algorithms=[deaf], passenger_seat="empty")
    assert (run.nominal["verdict"] == "inadvertent").sum() == 1
    assert run.exit_code == 1


def test_a_seat_that_is_neither_is_refused() -> None:
    with pytest.raises(InputError, match="did you mean 'empty'"):
        resolve_plan(events=[CRASH], passenger_seat="emptied")


def test_all_restraints_without_the_key() -> None:
    plan = resolve_plan(events=[CRASH])
    named = resolve_plan(events=[CRASH], restraints=list(RESTRAINTS))
    alike = [
        {name: replace(r, needs_rule=False) for name, r in event.requirements.items()}
        for event in named.events
    ]
    assert [e.requirements for e in plan.events] == alike


def test_a_name_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="did you mean 'curtain_left'"):
        resolve_plan(events=[CRASH], restraints=["curtain_lef"])


def test_what_a_plan_leaves_out_is_open_although_it_is_covered() -> None:
    run = evaluate(events=[CRASH], algorithms=[car()], restraints=[STAGE_1, "knee_airbag"])
    assert required(run) == {STAGE_1, "knee_airbag"}
    note = next(n for n in run.summary()["notes"] if "this run is about" in n)
    assert note == f"this run is about {STAGE_1}, knee_airbag only; other restraints are open"
    assert "are open:" not in text_summary(run)
