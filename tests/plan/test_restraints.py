"""A plan that names its restraints: the others are open, and not counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from crashsense.campaign import evaluate
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.plan import resolve_plan
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


def test_covered_counts_nothing_as_missing_that_no_rule_covers() -> None:
    whole = evaluate(events=[CRASH], algorithms=[one_rule()])
    missed = whole.nominal[whole.nominal["verdict"] == "missed"]
    assert set(missed["restraint"]) == {"front_airbag_stage_2", "belt_pretensioner"}
    run = evaluate(events=[CRASH], algorithms=[one_rule()], restraints=["covered"])
    assert required(run) == {STAGE_1}
    assert not (run.nominal["verdict"] == "missed").any()


def test_all_restraints_without_the_key() -> None:
    plan = resolve_plan(events=[CRASH])
    named = resolve_plan(events=[CRASH], restraints=list(RESTRAINTS))
    assert [e.requirements for e in plan.events] == [e.requirements for e in named.events]


def test_a_name_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="did you mean 'curtain_left'"):
        resolve_plan(events=[CRASH], restraints=["curtain_lef"])
