"""Requirements of one's own: which entry counts, times in draws, waivers, tables, faults."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from crashsense.campaign import evaluate
from crashsense.errors import InputError
from crashsense.plan import resolve_plan
from crashsense.plan.requirements import read_requirements

WALLS = ["wall_full_20", "wall_full_25"]
WAIVER = {
    "why": "no sensor in the middle of the prototype",
    "by": "restraint systems",
    "on": "2030-02-01",
    "until": "2035-12-31",
}


def plan_file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def resolved(tmp_path: Path, text: str):
    head = 'events = ["wall_full_20*", "wall_full_25"]\nalgorithms = ["plain"]\n'
    return resolve_plan(plan_file(tmp_path, head + text))


def test_a_name_counts_before_a_glob_and_a_glob_before_a_family(tmp_path) -> None:
    plan = resolved(
        tmp_path,
        """
        [requirements.frontal]
        curtain_left = "no_fire (programme)"
        front_airbag_stage_1 = "open"
        [requirements."wall_full_2*"]
        front_airbag_stage_1 = "fire by 33 ms (agreed)"
        [requirements.wall_full_25]
        front_airbag_stage_1 = "fire by 31 ms (agreed later)"
        """,
    )
    asked = {event.name: event.requirements for event in plan.events}
    assert asked["wall_full_25"]["front_airbag_stage_1"].required_s == pytest.approx(0.031)
    assert asked["wall_full_25"]["front_airbag_stage_1"].basis == "agreed later"
    assert asked["wall_full_20_belted"]["front_airbag_stage_1"].required_s == pytest.approx(0.033)
    assert {r["curtain_left"].expectation for r in asked.values()} == {"no_fire"}
    # The plan of a run carries what was asked, so that the table may go.
    again = tomllib.loads(plan.to_toml())["requirements"]
    assert again["wall_full_25"]["front_airbag_stage_1"]["required_time_ms"] == 31.0


def test_a_stated_time_is_the_same_in_every_draw_and_others_follow_the_recipe(tmp_path) -> None:
    asked = {"wall_full_25": {"front_airbag_stage_1": "fire by 31 ms (agreed)"}}
    rows = evaluate(
        events=["wall_full_25"], algorithms=["plain"], draws=3, requirements=asked
    ).verdicts
    times = rows[rows["restraint"] == "front_airbag_stage_1"]["required_time_ms"]
    assert times.tolist() == pytest.approx([31.0] * 4)
    others = rows[rows["restraint"] == "belt_pretensioner"]["required_time_ms"]
    assert others.nunique() == 4  # free flight of each draw


def test_fire_without_a_time_keeps_that_of_the_event_and_needs_one(tmp_path) -> None:
    plan = resolved(tmp_path, '[requirements.wall_full_25]\nfront_airbag_stage_1 = "fire"\n')
    (event,) = [e for e in plan.events if e.name == "wall_full_25"]
    assert event.requirements["front_airbag_stage_1"].required_s is not None
    with pytest.raises(InputError, match="a required time for 'fire'"):
        resolved(tmp_path, '[requirements.wall_full_25]\ncurtain_left = "fire"\n')


def test_a_waiver_shows_everywhere_and_a_failure_still_counts(tmp_path) -> None:
    asked = {"wall_full_25": {"front_airbag_stage_1": {"waiver": WAIVER}}}
    late = {
        "wall_full_25": {
            "front_airbag_stage_1": {
                **asked["wall_full_25"]["front_airbag_stage_1"],
                "expectation": "fire",
                "required_time_ms": 10.0,
            }
        }
    }
    out = tmp_path / "run"
    run = evaluate(events=["wall_full_25"], algorithms=["plain"], requirements=late, out=out)
    row = run.verdicts.set_index("restraint").loc["front_airbag_stage_1"]
    assert row["waived"]
    assert row["verdict"] in ("late", "missed")
    summary = json.loads((out / "summary.json").read_text())
    (waiver,) = summary["waivers"]
    assert {key: waiver[key] for key in WAIVER} == WAIVER
    assert summary["waived_failures"] == 1
    assert json.loads((out / "provenance.json").read_text())["waivers"] == summary["waivers"]
    from crashsense.reporting.page import write_report
    from crashsense.reporting.summary import compose
    from crashsense.reporting.view import view_of

    page = write_report(run, out).read_text(encoding="utf-8")
    for text in (page, " ".join(compose(view_of(run)).split())):
        assert WAIVER["why"] in text
        assert WAIVER["by"] in text
        assert WAIVER["on"] in text
    # A waiver alone leaves the expectation as it is.
    plan = resolve_plan(events=["wall_full_25"], algorithms=["plain"], requirements=asked)
    assert plan.events[0].requirements["front_airbag_stage_1"].expectation == "fire"


def test_a_table_asks_the_same_as_the_plan(tmp_path) -> None:
    table = tmp_path / "ours.csv"
    table.write_text(
        "event,restraint,expectation,required_time_ms,basis,waiver_why,waiver_by,waiver_on,"
        "waiver_until\n"
        "wall_full_25,front_airbag_stage_1,fire,31,agreed,,,,\n"
        f"wall_full_2*,belt_pretensioner,,,,{WAIVER['why']},{WAIVER['by']},{WAIVER['on']},"
        f"{WAIVER['until']}\n",
        encoding="utf-8",
    )
    read = read_requirements(str(table), base=Path(), file="plan")
    assert read == {
        "wall_full_25": {
            "front_airbag_stage_1": {
                "expectation": "fire",
                "required_time_ms": 31.0,
                "basis": "agreed",
            }
        },
        "wall_full_2*": {"belt_pretensioner": {"waiver": WAIVER}},
    }
    plan = resolved(tmp_path, 'requirements = "ours.csv"\n')
    assert plan.keys.requirements == read


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            '[requirements.wall_ful_25]\nfront_airbag_stage_1 = "open"',
            "did you mean 'wall_full_25'",
        ),
        ('[requirements.wall_full_25]\nfront_airbag = "open"', "front_airbag_stage_1"),
        (
            '[requirements.wall_full_25]\nfront_airbag_stage_1 = "fires"',
            "one of fire, no_fire, open",
        ),
        (
            '[requirements.wall_full_25]\nfront_airbag_stage_1 = { waiver = { why = "x" } }',
            "why, by",
        ),
        (
            "[requirements.wall_full_25]\nfront_airbag_stage_1 = "
            '{ expectation = "no_fire", required_time_ms = 3.0 }',
            "no time where the restraint need not fire",
        ),
        ('requirements = "nowhere.csv"', "nowhere.csv"),
    ],
)
def test_faults_are_told(tmp_path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        resolved(tmp_path, text)
