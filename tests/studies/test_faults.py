"""The matrix of single faults: a rule whose weak point is known, and nothing else is blamed."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.errors import InputError
from crashsense.plan import Plan, resolve_plan
from crashsense.results import open_run, replay
from crashsense.rules import Algorithm, Rule, rule_from_table
from crashsense.sensing.channel_faults import CHANNEL_FAULTS
from crashsense.studies.faults import effect, fault_figure, fault_sentence, study_faults

STAGE_1 = "front_airbag_stage_1"
CRASH, QUIET = "wall_full_40", "hammer_tunnel"


def level(channel: str) -> Rule:
    return rule_from_table({"family": "level", "channel": f"-{channel}", "threshold_g": 15.0})


@pytest.fixture(scope="module")
def plan() -> Plan:
    """One rule that believes one sensor, and one in which two must agree."""
    believing = level("central_x")
    agreeing = level("central_x") & level("upfront_left_x")
    return resolve_plan(
        events=[CRASH, QUIET],
        algorithms=[
            Algorithm("believing", rules={STAGE_1: believing}),
            Algorithm("agreeing", rules={STAGE_1: agreeing}),
        ],
    )


@pytest.fixture(scope="module")
def table(plan: Plan) -> pd.DataFrame:
    return study_faults(plan, kinds=["lost", "saturated", "saturated_negative"]).table


def harm(table: pd.DataFrame, algorithm: str, event: str) -> dict[str, str]:
    rows = table[(table["algorithm"] == algorithm) & (table["event"] == event)]
    return {
        str(fault): str(found)
        for fault, found in zip(rows["fault"], rows["effect"], strict=True)
        if found != "none"
    }


def test_a_rule_that_believes_one_sensor_fires_when_that_sensor_says_so(
    table: pd.DataFrame,
) -> None:
    assert harm(table, "believing", QUIET) == {"central_x:saturated_negative": "inadvertent"}
    assert harm(table, "agreeing", QUIET) == {}


def test_what_must_agree_is_missed_when_either_is_silent(table: pd.DataFrame) -> None:
    believing, agreeing = (harm(table, name, CRASH) for name in ("believing", "agreeing"))
    assert not {fault for fault in believing if fault.startswith("upfront")}
    for channel in ("central_x", "upfront_left_x"):
        assert agreeing[f"{channel}:saturated"] == "missed"


def test_a_fault_that_begins_after_the_decision_changes_nothing(plan: Plan) -> None:
    found = study_faults(plan, from_s=[0.2], kinds=["lost", "stuck"])
    crash = found.table[found.table["event"] == CRASH]
    assert set(crash["effect"]) == {"none"}
    assert set(crash["from_ms"]) == {200.0}


def test_matrix_sentence_and_figure_say_the_same(plan: Plan) -> None:
    found = study_faults(plan, channels=["central_x"])
    assert set(found.matrix["kind"]) <= set(CHANNEL_FAULTS)
    row = found.matrix.set_index("fault").loc["central_x:saturated_negative"]
    assert row["gravest"] == "inadvertent"
    assert row["first_event"] == QUIET
    assert "inadvertent deployment" in fault_sentence(found)
    assert fault_figure(found).axes
    harmful = found.harmful(accepted=["missed", "late"])
    assert set(harmful["effect"]) == {"early", "inadvertent"}  # early: before the crash asks it


def test_draws_are_counted_beside_the_nominal_one() -> None:
    own = resolve_plan(
        events=[QUIET], algorithms=["guarded"], draws=4, vary="sensor", sensor_sets=["standard"]
    )
    found = study_faults(own, channels=["central_x"], kinds=["late_word"])
    assert set(found.table["draws"]) == {4}
    assert int(found.table["draws_harmed"].sum()) == 0


def test_unknown_names_are_refused(plan: Plan) -> None:
    with pytest.raises(InputError, match="central_x"):
        study_faults(plan, channels=["central_q"])
    with pytest.raises(InputError, match="stuck"):
        study_faults(plan, kinds=["stuk"])


def test_effect_of_open_and_failing_requirements() -> None:
    assert effect("open_fired", "open_held") == "open, held"
    assert effect("late", "missed") == "fails anyway"
    assert effect("on_time", "not_evaluated") == "not_evaluated"


# -- the same faults as a key of a plan ----------------------------------------------------------


def test_a_plan_holds_faults_and_its_run_can_be_replayed(tmp_path: Path) -> None:
    out = tmp_path / "run"
    run = evaluate(events=[CRASH], algorithms=["guarded"], faults=["central_x:lost:5"], out=out)
    rows = run.verdicts.set_index("restraint")
    assert rows.loc[STAGE_1, "verdict"] == "missed"
    assert any("central_x:lost:5" in note for note in run.summary()["notes"])
    again = replay(open_run(out), CRASH)
    assert again.differences == ()
    good = evaluate(events=[CRASH], algorithms=["guarded"]).verdicts.set_index("restraint")
    assert good.loc[STAGE_1, "verdict"] == "on_time"


@pytest.mark.parametrize(
    ("fault", "expected"),
    [("central_x:los", "did you mean 'lost'"), ("central_x", "CHANNEL:KIND")],
)
def test_a_plan_refuses_what_is_no_fault(fault: str, expected: str) -> None:
    with pytest.raises(InputError, match=expected):
        resolve_plan(events=[QUIET], faults=[fault])


def test_a_plan_refuses_the_same_fault_twice() -> None:
    with pytest.raises(InputError, match="each fault once"):
        resolve_plan(events=[QUIET], faults=["central_x:lost", "central_x:lost"])


@pytest.mark.slow
def test_command_writes_its_files_and_is_a_gate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["study", "faults", "--events", CRASH, "--sensor", "central_x"]
    out = ["--out", str(tmp_path / "a" / "b")]
    assert command([*arguments, "--kind", "lost", *out]) == 1
    assert "missed deployment" in capsys.readouterr().out
    names = {path.name for path in (tmp_path / "a" / "b").iterdir()}
    assert {"faults.csv", "faults.parquet", "faults.svg", "faults_matrix.csv"} <= names
    assert command([*arguments, "--kind", "lost", "--accept", "missed", *out]) == 0
    assert command([*arguments, "--kind", "late_word", *out]) == 0
