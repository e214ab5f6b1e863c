"""Restraints in order, from the rules to the row: trial, run, page, words, own requirements."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from pulses_by_hand import pulse, pulse_in_order

import crashsense
from crashsense import engine
from crashsense.campaign import evaluate
from crashsense.cli.explain import explain as explain_command
from crashsense.errors import InputError
from crashsense.event import Order
from crashsense.plan import resolve_plan
from crashsense.reporting import text_summary
from crashsense.rules.algorithm import algorithm_from_toml
from crashsense.trials import trial

FIRST, SECOND = "front_airbag_stage_1", "front_airbag_stage_2"
PAIR = "front_airbag_stage_2_after_stage_1"


def by_velocity(name: str, first: float | None, second: float | None):
    """An algorithm whose stages fire at the given velocity changes [m/s]."""
    rules = [
        f'[rules.{restraint}]\nfamily = "velocity_change"\nthreshold_m_s = {threshold}\n'
        for restraint, threshold in ((FIRST, first), (SECOND, second))
        if threshold is not None
    ]
    return algorithm_from_toml(f'name = "{name}"\ngate = true\n' + "".join(rules))


# 6 m/s in 60 ms: 0.1 m/s a millisecond. Stage 1 at 3 m/s, that is at 30 ms and the delays.
@pytest.mark.parametrize(
    ("second", "asked", "verdict", "margin_ms"),
    [
        (3.5, {"most_s": 0.010}, "in_order", 5.0),
        (3.0, {"most_s": 0.010}, "in_order", 0.0),
        (5.0, {"most_s": 0.010}, "too_late", -10.0),
        (3.5, {"least_s": 0.010}, "too_soon", -5.0),
        (2.5, {}, "out_of_order", -5.0),
        (9.0, {}, "not_challenged", np.nan),
    ],
)
def test_rules_of_known_velocity(second, asked, verdict, margin_ms) -> None:
    found = trial(pulse_in_order("hand", 6.0, **asked), algorithm=by_velocity("two", 3.0, second))
    row = found.row(PAIR)
    assert (row["verdict"], row["expectation"]) == (verdict, "order")
    # A tick of 0.5 ms each way, and the offset that the sensor does not have at nominal.
    assert row["time_margin_ms"] == pytest.approx(margin_ms, abs=1.01, nan_ok=True)
    assert found.verdicts(PAIR).tolist() == [verdict]
    # The last moment that the longest delay allows; none is meant where none is stated.
    last = found.row(FIRST)["fire_time_ms"] + 1e3 * asked.get("most_s", np.nan)
    assert row["required_time_ms"] == pytest.approx(last, nan_ok=True)
    fired = found.row(SECOND)["fire_time_ms"]
    assert row["fire_time_ms"] == pytest.approx(fired, nan_ok=True)
    assert len(found.rows) == 8
    assert found.rows["restraint"].is_unique
    told = str(found.explain(PAIR))
    assert verdict in told
    assert "after front_airbag_stage_1" in told


def test_alone_and_what_cannot_be_judged() -> None:
    event = pulse_in_order("hand", 6.0)
    alone = trial(event, algorithm=by_velocity("second_alone", 20.0, 3.0))
    assert alone.row(PAIR)["verdict"] == "alone"
    assert alone.row(PAIR)["reason"] == "front_airbag_stage_1 never fires"
    # An algorithm that is not about one of both says nothing of their order.
    for name, first, second in (("first_only", 3.0, None), ("second_only", None, 3.0)):
        row = trial(event, algorithm=by_velocity(name, first, second)).row(PAIR)
        assert row["verdict"] == "not_evaluated"
        assert "has no rule for it" in row["reason"]
    blind = algorithm_from_toml(
        f'name = "blind"\n[rules.{FIRST}]\nfamily = "side_velocity"\nchannel = "+side_left_y"\n'
        f'threshold_m_s = 1.0\nwindow_ms = 6.0\n[rules.{SECOND}]\nfamily = "velocity_change"\n'
        "threshold_m_s = 3.0\n"
    )
    row = trial(event, algorithm=blind).row(PAIR)
    assert row["verdict"] == "not_evaluated"
    assert "side_left_y" in row["reason"]
    assert np.isnan(row["time_margin_ms"])


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("order") / "run"
    events = [
        pulse_in_order("kept", 6.0, most_s=0.010),
        pulse_in_order("broken", 5.0, least_s=0.030),
    ]
    return evaluate(
        events=[*events, pulse("no_order", 6.0, fire=True)],
        algorithms=[by_velocity("two", 2.0, 2.5)],
        draws=6,
        out=folder,
    )


def test_a_run_counts_it_in_every_draw(run) -> None:
    rows = run.verdicts[run.verdicts["expectation"] == "order"]
    assert rows.groupby("event").size().to_dict() == {"broken": 7, "kept": 7}
    assert set(rows.loc[rows["event"] == "broken", "verdict"]) == {"too_soon"}
    # Requirements: one to fire in each of three events, and two orders.
    pair = ("standard", "two")
    whole = run.tally.whole(pair)
    assert (whole.required, whole.failed) == (7 * 5, 7)
    assert run.exit_code == 1
    assert run.tally.failures(pair) == {("broken", PAIR): 6}
    (failed,) = run.summary()["over_draws"]["with_failure"]
    assert (failed["event"], failed["restraint"], failed["failed"]) == ("broken", PAIR, 6)
    statistics = run.statistics().set_index(["event", "restraint"])
    assert statistics.loc[("broken", PAIR), "n_too_soon"] == 6
    assert statistics.loc[("kept", PAIR), "p_failure"] == 0.0
    assert run.outcome().sentence.count("1 of 2 requirements on the order of stages failed") == 1


def test_what_a_reader_sees(run, tmp_path: Path) -> None:
    text = text_summary(run)
    assert "Order of restraints, nominal" in text
    assert f"{PAIR}: too soon in broken" in text
    page = run.report(tmp_path).read_text(encoding="utf-8")
    assert "front bag, stage 2 after stage 1" in page
    assert "Stages in order" in page
    assert "at least 30 ms is asked" in page
    table = (run.folder / "verdicts.csv").read_text()
    assert table.count(PAIR) == 14


def test_explain_answers_by_its_name() -> None:
    shown = CliRunner().invoke(explain_command, ["none", "none", "--restraint", "stage_2"])
    assert isinstance(shown.exception, InputError)


def test_both_engines_give_the_same(run) -> None:
    pytest.importorskip("numba")
    event = pulse_in_order("broken", 5.0, least_s=0.030)
    rule = by_velocity("two", 2.0, 2.5)
    with engine.using("numpy"):
        one = trial(event, algorithm=rule, draw=range(7), engine="numpy").rows
    two = trial(event, algorithm=rule, draw=range(7), engine="fast").rows
    columns = ["restraint", "verdict", "fire_time_ms", "time_margin_ms", "reason"]
    assert one[columns].equals(two[columns])


# -- own requirements ------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_plan_asks_for_an_order_by_table_and_by_csv(tmp_path: Path) -> None:
    asked = {"wall_full_25": {"belt_pretensioner": {"after": FIRST, "delay_ms": [0, 5]}}}
    (event,) = resolve_plan(events=["wall_full_25"], requirements=asked).events
    assert event.requirements["belt_pretensioner"].order == Order(
        FIRST, most_s=0.005, basis="as stated"
    )
    assert event.requirements["belt_pretensioner"].expectation == "fire"  # that stays
    table = tmp_path / "asked.csv"
    table.write_text(
        "event,restraint,after,delay_ms,order_basis\n"
        f"wall_full_4*,{SECOND},{FIRST},5 to 15,agreed\n"
        f"wall_full_32,{SECOND},none,,\n"
    )
    plan = resolve_plan(events=["wall_full_40", "wall_full_32"], requirements=str(table))
    found = {event.name: event.requirements[SECOND].order for event in plan.events}
    hard, soft = found["wall_full_40"], found["wall_full_32"]
    assert hard == Order(FIRST, least_s=0.005, most_s=0.015, basis="agreed")
    assert soft is None
    run = evaluate(plan, out=tmp_path / "run")
    assert (run.nominal["expectation"] == "order").sum() == len(plan.algorithms)
    again = crashsense.open_run(tmp_path / "run").plan.events
    assert {event.name: event.requirements[SECOND].order for event in again} == found


def test_a_waiver_covers_the_order_and_still_counts(tmp_path: Path) -> None:
    waiver = {"why": "prototype", "by": "team", "on": "2030-01-01", "until": "2035-01-01"}
    asked = {"broken": {SECOND: {"waiver": waiver}}}
    plan = resolve_plan(
        events=[pulse_in_order("broken", 5.0, least_s=0.030)],
        algorithms=[by_velocity("two", 2.0, 2.5)],
        requirements=asked,
    )
    run = evaluate(plan)
    row = run.nominal[run.nominal["expectation"] == "order"].iloc[0]
    assert bool(row["waived"])
    assert run.exit_code == 1
    assert json.loads(json.dumps(run.summary()))["waivers"][0]["restraint"] == SECOND


def test_all_faults_of_an_order_at_once() -> None:
    asked = {
        "wall_full_25": {SECOND: {"after": "stage_1"}, FIRST: {"delay_ms": [0, 5]}},
        "wall_full_40": {SECOND: {"after": FIRST, "delay_ms": [5, 0]}},
    }
    with pytest.raises(InputError) as caught:
        resolve_plan(events=["wall_full_25", "wall_full_40"], requirements=asked)
    assert len(caught.value.faults) == 3


def test_an_order_survives_export_and_reading(tmp_path: Path) -> None:
    from crashsense.records import read_record
    from crashsense.records.writing import write_signals

    (event,) = crashsense.load_events(["wall_full_32"])
    write_signals(event, tmp_path / "wall.csv")
    (again,) = read_record(tmp_path / "wall.csv")
    assert again.requirements[SECOND].order == event.requirements[SECOND].order
