"""The calibration: fitted lines, numbers in the file, rows and report."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from crashsense.campaign import evaluate
from crashsense.rules import load_algorithm
from crashsense.rules.algorithm import algorithm_from_table, algorithm_from_toml
from crashsense.studies import calibration as study
from crashsense.studies.calibration_report import report
from crashsense.synthesis import load_events

EVENTS = ["wall_full_13", "wall_full_25", "undercarriage_40", "side_pole_90_29", "side_pole_90_10"]


@pytest.fixture(scope="module")
def cases():
    return study.sensed(load_events(EVENTS), draws=[0, 1])


def test_numbers_go_into_the_file_and_nothing_else_moves() -> None:
    text = study.guarded_text()
    free = study.Free("pressure_slope", "threshold_percent_ms", 0.0, 9.0)
    changed = study.with_values_in_text(text, {free: 1.234})
    before, after = tomllib.loads(text), tomllib.loads(changed)
    assert after["definitions"]["pressure_slope"]["threshold_percent_ms"] == 1.234
    after["definitions"]["pressure_slope"] = before["definitions"]["pressure_slope"]
    assert after == before
    assert changed.count("#") == text.count("#")
    with pytest.raises(KeyError, match="is not in the file"):
        study.with_values_in_text(text, {study.Free("pressure_slope", "nothing", 0, 1): 1.0})


def test_lines_go_into_the_file() -> None:
    text = study.guarded_text()
    line = [[0.0, 1.0], [10.0, 2.5]]
    changed = tomllib.loads(study.with_lines_in_text(text, {"map_wall_belted": line}))
    assert changed["definitions"]["map_wall_belted"]["line"] == line
    assert study.with_lines(tomllib.loads(text), {"map_wall_belted": line}) == changed


def test_every_searched_number_stands_in_the_file_within_its_range() -> None:
    definitions = tomllib.loads(study.guarded_text())["definitions"]
    for group in study.GROUPS:
        for free in group.free:
            assert free.low <= definitions[free.definition][free.key] <= free.high, free
    for line in study.LINES:
        assert len(definitions[line.definition]["line"]) == len(study.KNOTS_MS)


def test_fitted_lines_keep_must_not_events_below_their_limit_and_touch_it(cases) -> None:
    table = tomllib.loads(study.guarded_text())
    fitted = study.with_lines(table, study.fitted_lines(table, cases))
    table_of_branch = {
        "definitions": fitted["definitions"],
        "rules": {"front_airbag_stage_1": {"use": "wall_unbelted"}},
    }
    branch = algorithm_from_table(table_of_branch).rules["front_airbag_stage_1"]
    nominal, drawn = [], []
    for case in cases:
        if case.event.requirements["front_airbag_stage_1"].expectation == "no_fire":
            demand = branch.demand(case.samples).max(axis=-1)
            nominal.append(demand[0])
            drawn.append(demand[1])
    assert max(nominal) <= study.NO_FIRE_LIMIT + 1e-9
    assert max(drawn) <= study.DRAW_LIMIT + 1e-9
    # The lowest such line touches something.
    assert max(max(nominal) / study.NO_FIRE_LIMIT, max(drawn) / study.DRAW_LIMIT) > 0.99


def test_rows_agree_with_the_demand(cases) -> None:
    algorithm = load_algorithm("guarded")
    rows = {(row.event, row.restraint): row for row in study.rows_of(algorithm, cases)}
    case = next(c for c in cases if c.event.name == "side_pole_90_29")
    demand = algorithm.rules["side_airbag_left"].demand(case.samples)[0]
    fire_s = case.samples.times_s[0, np.argmax(demand >= 1.0)]
    row = rows["side_pole_90_29", "side_airbag_left"]
    assert row.expectation == "fire"
    assert row.margin_ms[0] == pytest.approx(6.0 - fire_s * 1e3)
    quiet = rows["side_pole_90_10", "side_airbag_left"]
    slow = next(c for c in cases if c.event.name == "side_pole_90_10")
    largest = algorithm.rules["side_airbag_left"].demand(slow.samples).max(axis=-1)
    np.testing.assert_array_equal(quiet.demand, largest)
    assert not any(row.expectation == "open" for row in rows.values())


def test_search_does_not_get_worse_and_is_repeatable(cases) -> None:
    text = study.guarded_text()
    group = study.GROUPS[1]
    side = [case.taken([0]) for case in cases]
    start = study.loss(algorithm_from_toml(text), side, group.restraints)
    found = [
        study.search(side, text=text, groups=[group], generations=1, population=2) for _ in range(2)
    ]
    assert found[0] == found[1]
    better = study.with_values(tomllib.loads(text), found[0])
    assert study.loss(algorithm_from_table(better), side, group.restraints) <= start + 0.02


def test_report_shows_what_is_not_met(cases) -> None:
    table = tomllib.loads(study.guarded_text())
    free = study.Free("pressure_slope", "threshold_percent_ms", 0.0, 99.0)
    deaf = algorithm_from_table(study.with_values(table, {free: 90.0}))
    text = report(study.rows_of(deaf, cases), text=study.guarded_text(), draws=1, seed=1)
    assert "## Not met at nominal" in text
    assert "| side_pole_90_29 | side_airbag_left | fire |" in text


def test_infeasible_is_what_scoring_says(cases) -> None:
    rule = load_algorithm("guarded").rules["side_airbag_left"]
    algorithm = replace(load_algorithm("guarded"), rules={"side_airbag_left": rule})
    case = next(c for c in cases if c.event.name == "side_pole_90_29")
    # The nominal draw samples at the contact; its word is dealt with 0.95 ms later.
    for required, infeasible in ((0.00094, True), (0.00095, False)):
        times = {**case.required_s[case.event.name], "side_airbag_left": np.array([required, 0.5])}
        changed = replace(case, required_s={case.event.name: times})
        judged = changed.judged_by([algorithm])
        assert judged.scores("side_airbag_left").infeasible.tolist() == [infeasible, False]
        assert study.rows_of(algorithm, [changed])[0].infeasible is infeasible
    # Hundreds of ticks before the contact are no chance to meet it.
    assert case.samples.start_s[0] < -0.04


def test_the_calibration_judges_as_a_campaign_does(cases) -> None:
    guarded = load_algorithm("guarded")
    run = evaluate(events=EVENTS, algorithms=[guarded], draws=1)
    judged = run.verdicts.set_index(["event", "restraint", "draw"])
    rows = study.rows_of(guarded, cases)
    assert len(rows) > 20
    for row in rows:
        stored = [judged.loc[(row.event, row.restraint, draw), "verdict"] for draw in (0, 1)]
        assert row.verdicts.tolist() == stored, (row.event, row.restraint)
