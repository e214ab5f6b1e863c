"""What a plan is made from: nothing stale is gone on with, nothing is passed over in silence."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.errors import InputError, RunFolderError
from crashsense.event import Event, Requirement
from crashsense.plan import resolve_plan
from crashsense.resources import folder as shipped_folder
from crashsense.results import open_run
from crashsense.rules import Algorithm, Rule, load_algorithm, rule_from_table
from crashsense.sensing import EcuSamples, load_sensor_set
from crashsense.synthesis import Recipe, load_events, load_recipes

KNOCK = "hammer_tunnel"

RULE = """
import numpy as np
from crashsense.rules import Rule

class Steady(Rule):
    requires = frozenset({"central_x"})

    def demand(self, samples):
        return np.full(samples.channels["central_x"].shape, LEVEL)
"""


@pytest.fixture
def knock() -> Event:
    """A library event without its recipe, as if made in Python."""
    return dataclasses.replace(resolve_plan(events=[KNOCK]).events[0], source=None)


def own_rule(folder: Path, level: str) -> Path:
    (folder / "steady.py").write_text(RULE.replace("LEVEL", level), encoding="utf-8")
    file = folder / "steady.toml"
    file.write_text(
        'name = "steady"\n[rules.front_airbag_stage_1]\nfamily = "python"\n'
        'file = "steady.py:Steady"\n',
        encoding="utf-8",
    )
    return file


def verdict(run: object, restraint: str = "front_airbag_stage_1") -> str:
    rows = run.verdicts  # type: ignore[attr-defined]
    return str(rows.loc[rows["restraint"] == restraint, "verdict"].iloc[0])


@pytest.mark.slow
def test_an_edited_rule_file_is_another_plan(tmp_path: Path) -> None:
    out = tmp_path / "run"
    file = own_rule(tmp_path, "0.5")
    assert verdict(evaluate(events=[KNOCK], algorithms=[str(file)], out=out)) == "held"
    own_rule(tmp_path, "2.0")
    with pytest.raises(RunFolderError, match=r"steady\.py differs.*--out"):
        evaluate(events=[KNOCK], algorithms=[str(file)], out=out)
    with pytest.raises(RunFolderError, match=r"inputs changed since the run.*steady\.py"):
        _ = open_run(out).plan
    beside = evaluate(events=[KNOCK], algorithms=[str(file)], out=out, or_next=True)
    assert beside.folder == tmp_path / "run-2"
    assert verdict(beside) == "inadvertent"
    again = evaluate(events=[KNOCK], algorithms=[str(file)], out=out, or_next=True)
    assert again.folder == tmp_path / "run-2"


def test_files_count_as_they_were_when_the_plan_was_resolved(tmp_path: Path, knock: Event) -> None:
    """A checksum taken later would be that of a rule that was never evaluated."""
    file = own_rule(tmp_path, "0.5")
    plan = resolve_plan(events=[knock], algorithms=[str(file)])
    own_rule(tmp_path, "2.0")
    later = resolve_plan(events=[knock], algorithms=[str(file)])
    differ = {key for key in plan.inputs if plan.inputs[key] != later.inputs[key]}
    assert differ == {"algorithm: steady: steady.py"}
    assert {f"event {KNOCK}: signals", f"event {KNOCK}: requirements"} < set(plan.inputs)
    assert len(plan.inputs) == len(set(plan.inputs)) == len(later.inputs)


class Counting(Rule):
    """A rule that keeps a visible state."""

    requires = frozenset({"central_x"})

    def __init__(self) -> None:
        self.asked = 0

    def __repr__(self) -> str:
        return f"Counting(asked={self.asked})"

    def demand(self, samples: EcuSamples) -> npt.NDArray[np.float64]:
        self.asked += 1
        return np.full(samples.channels["central_x"].shape, 0.5)


def test_a_rule_that_has_run_counts_as_it_was_when_the_plan_was_resolved(knock: Event) -> None:
    rule = Counting()
    own = Algorithm(name="own", rules={"front_airbag_stage_1": rule})
    asked: dict[str, Any] = {"events": [knock], "algorithms": [own]}
    plan, other = resolve_plan(**asked), resolve_plan(**asked)
    before = dict(other.inputs)
    evaluate(plan)
    assert rule.asked
    assert dict(plan.inputs) == before
    assert dict(resolve_plan(**asked).inputs) != before


def test_inputs_stand_in_the_order_of_the_plan(tmp_path: Path, knock: Event) -> None:
    """Of each event its files or signals, then what is asked of it; a rule, then its files."""
    file = own_rule(tmp_path, "0.5")
    events = ["wall_full_25", "hammer_rail", dataclasses.replace(knock, name="own")]
    keys = [*resolve_plan(events=events, algorithms=["plain", str(file)]).inputs]
    others = [key for key in keys if not key.startswith("vehicle: ")]
    assert others == [
        "event wall_full_25: wall_full_25.toml",
        "event wall_full_25: requirements",
        "event hammer_rail: hammer_rail.toml",
        "event hammer_rail: requirements",
        "event own: signals",
        "event own: requirements",
        *(key for key in others if key.startswith("sensor set: ")),
        "algorithm: plain",
        "algorithm: steady",
        "algorithm: steady: steady.py",
    ]


def test_another_requirement_of_an_event_made_in_python_is_another_plan(
    tmp_path: Path, knock: Event
) -> None:
    out = tmp_path / "run"
    evaluate(events=[knock], algorithms=["plain"], out=out)
    fire = Requirement("fire", required_s=0.03, basis="test")
    changed = dataclasses.replace(
        knock, requirements={**knock.requirements, "front_airbag_stage_1": fire}
    )
    with pytest.raises(RunFolderError, match=f"event {KNOCK}: requirements differs"):
        evaluate(events=[changed], algorithms=["plain"], out=out)


def test_a_reopened_plan_does_not_take_the_library_for_an_event_of_the_same_name(
    tmp_path: Path, knock: Event
) -> None:
    signals = {
        name: s.replaced(0.5 * s.samples, note="halved") for name, s in knock.signals.items()
    }
    evaluate(
        events=[dataclasses.replace(knock, signals=signals)],
        algorithms=["plain"],
        out=tmp_path / "run",
    )
    with pytest.raises(RunFolderError, match="inputs changed since the run"):
        _ = open_run(tmp_path / "run").plan


def test_a_resolved_plan_takes_no_overrides() -> None:
    plan = resolve_plan(events=[KNOCK], algorithms=["plain"])
    with pytest.raises(InputError) as error:
        evaluate(plan, draws=3, algorithms=[load_algorithm("guarded")])
    assert {fault.field for fault in error.value.faults} == {"draws", "algorithms"}
    assert "['guarded']" in str(error.value)
    assert evaluate(plan).plan is plan


@pytest.mark.parametrize("what", ["events", "sensor_sets", "algorithms"])
def test_an_empty_list_is_refused_by_name(what: str) -> None:
    with pytest.raises(InputError, match=rf"plan: {what}: got \[\]; expected one or more"):
        evaluate(**{"events": [KNOCK], what: []})


@pytest.mark.parametrize("key", ["channel", "belts", "expect"])
def test_words_for_records_are_refused_without_records(key: str) -> None:
    value = {"channel": "1", "belts": "belted", "expect": "fire"}[key]
    with pytest.raises(InputError, match=f"{key}: got '{value}'; expected nothing"):
        evaluate(events=[KNOCK], **{key: value})


def test_a_missing_part_makes_a_run_incomplete_and_is_made_again(tmp_path: Path) -> None:
    out = tmp_path / "run"
    first = evaluate(events=[KNOCK, "wall_full_25"], algorithms=["plain"], out=out)
    sorted((out / "verdicts.parquet").glob("*.parquet"))[0].unlink()
    with pytest.raises(RunFolderError, match=r"not complete \(1 parts are missing, part-0000"):
        open_run(out)
    again = evaluate(events=[KNOCK, "wall_full_25"], algorithms=["plain"], out=out)
    assert again.verdicts.equals(first.verdicts)
    assert open_run(out).summary()["rows"] == len(first.verdicts)


def test_a_resume_that_is_stopped_leaves_no_summary_of_the_former_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "run"
    evaluate(events=[KNOCK], algorithms=["plain"], out=out)
    next((out / "verdicts.parquet").glob("*.parquet")).unlink()
    monkeypatch.setattr("crashsense.campaign.running._Campaign.choose", _stop)
    with pytest.raises(KeyboardInterrupt):
        evaluate(events=[KNOCK], algorithms=["plain"], out=out)
    assert not (out / "summary.json").exists()


def _stop(*_: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["del\x7f", "sign \U0001f680"])
def test_a_path_with_rare_signs_is_read_back(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    file = own_rule(folder, "0.5")
    evaluate(events=[KNOCK], algorithms=[str(file)], out=folder / "run")
    assert open_run(folder / "run").plan.algorithms[0].name == "steady"


def test_files_of_ones_own_do_not_pass_for_shipped_ones(tmp_path: Path) -> None:
    algorithm = tmp_path / "guarded.toml"
    rules = '[rules.front_airbag_stage_1]\nfamily = "velocity_change"\nthreshold_m_s = 1.0\n'
    algorithm.write_text(f'name = "guarded"\n{rules}', encoding="utf-8")
    recipe = tmp_path / "knock.toml"
    shipped = next((shipped_folder("pulses") / "misuse").rglob(f"{KNOCK}.toml"))
    recipe.write_text(f"# mine\n{shipped.read_text(encoding='utf-8')}", encoding="utf-8")
    with pytest.raises(InputError) as error:
        evaluate(events=[str(recipe)], algorithms=[str(algorithm)])
    assert [Path(fault.file).name for fault in error.value.faults] == [
        "knock.toml",
        "guarded.toml",
    ]
    assert "a name of its own" in str(error.value)
    assert len(resolve_plan(events=[str(shipped)]).events) == 1


def test_a_set_without_a_sensor_judges_what_it_can() -> None:
    standard = load_sensor_set("standard")
    central = {name: s for name, s in standard.sensors.items() if name.startswith("central")}
    few = dataclasses.replace(standard, name="central_only", sensors=central)
    front = rule_from_table({"family": "velocity_change", "threshold_m_s": 2.0})
    side = rule_from_table({"family": "level", "channel": "side_left_y", "threshold_g": 20.0})
    both = Algorithm("both", rules={"front_airbag_stage_1": front, "side_airbag_left": side})
    run = evaluate(events=[KNOCK], sensor_sets=[few], algorithms=[both])
    assert verdict(run) == "held"
    assert verdict(run, "side_airbag_left") == "not_evaluated"
    reasons = run.verdicts.set_index("restraint")["reason"]
    assert reasons["side_airbag_left"] == "no sensor for side_left_y"
    assert any("central_only has no sensor for side_left_y" in note for note in run.plan.notes)
    blind = Algorithm("blind", rules={"side_airbag_left": side})
    with pytest.raises(InputError, match="blind can judge nothing without"):
        evaluate(events=[KNOCK], sensor_sets=[few], algorithms=[blind])


def test_numbers_beyond_the_tables_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert command(["evaluate", "--events", KNOCK, "--seed", str(2**63)]) == 2
    assert command(["evaluate", "--events", KNOCK, "--draws", "99999999999999999999"]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert [line.split(":")[1].strip() for line in lines] == ["seed", "draws"]
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_a_second_plan_in_the_same_place_gets_a_folder_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for draws in ("0", "2", "0"):
        words = ["evaluate", "--events", KNOCK, "--algorithm", "plain", "--draws", draws]
        assert command(words) in (0, 1)
    folders = sorted(p.name for p in tmp_path.iterdir())
    assert folders == ["crashsense-run", "crashsense-run-2"]
    assert "crashsense-run-2/report.html" in capsys.readouterr().out
    draws_of = [json.loads((tmp_path / f / "summary.json").read_text())["draws"] for f in folders]
    assert draws_of == [0, 2]


def test_bad_values_in_lists_are_faults_and_no_traceback(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    head = 'name = "own"\n[rules.front_airbag_stage_1]\nfamily = "velocity_change"\n'
    file.write_text(f"{head}threshold_m_s = []\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"threshold_m_s: got \[\]"):
        load_algorithm(file)


@pytest.mark.parametrize("value", ["nan", "inf", '"wide"', "true", "[]"])
def test_a_bad_range_is_a_fault_and_no_traceback(tmp_path: Path, value: str) -> None:
    file = tmp_path / "own.toml"
    file.write_text(f'name = "own"\n[parts.p]\nrange_g = {value}\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"parts\.p[.:] ?range_g: (got|expected)"):
        load_sensor_set(file)


def test_one_text_where_a_list_is_expected_means_one_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its letters are no names, and the star of a glob is not all of the library."""
    asked: list[str] = []
    monkeypatch.setattr(Recipe, "events", lambda self: asked.append(self.name) or [])
    load_events("wall*")
    wall = [r.name for r in load_recipes() if any(n.startswith("wall") for n in r.event_names)]
    assert asked == wall
    assert 1 < len(wall) < 40
    monkeypatch.undo()
    assert [event.name for event in load_events(KNOCK)] == [KNOCK]
    with pytest.raises(InputError, match="got 'hammer_tunel'; expected one of .*hammer_tunnel"):
        load_events("hammer_tunel")
    run = evaluate(events="wall_full_56*", sensor_sets="standard", algorithms="plain")
    assert set(run.verdicts["event"]) == {"wall_full_56"}


@pytest.mark.parametrize("wrong", ['algorithms = ["plian"]', "drows = 3", 'vary = "nothing"'])
def test_a_fault_is_said_before_signals_of_the_library_are_computed(
    wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def computed(recipe: Recipe) -> None:
        raise AssertionError(f"signals of {recipe.name} are computed")

    monkeypatch.setattr(Recipe, "nominal", computed)
    plan = tmp_path / "plan.toml"
    plan.write_text(f'events = ["wall_*"]\n{wrong}\n', encoding="utf-8")
    with pytest.raises(InputError, match=wrong.split()[-1].strip('[]"0123456789') or "drows"):
        resolve_plan(plan)
