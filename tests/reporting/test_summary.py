"""The text summary: counts, margins, single points, what the exit code means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from crashsense.reporting import run_meets_requirements, text_summary
from crashsense.reporting.summary import (
    Tally,
    compose,
    counts,
    held_by_arming_only,
    requirements_met,
    worst_margins,
)
from crashsense.resources import CAUTION


def row(verdict: str, expectation: str, **changes: object) -> dict[str, object]:
    base = {
        "event": "e",
        "restraint": "r",
        "sensor_set": "s",
        "algorithm": "a",
        "draw": 0,
        "expectation": expectation,
        "verdict": verdict,
        "demand_margin": 0.5,
        "held_by": None,
        "waived": False,
    }
    return {**base, **changes}


def summary_of(frame: pd.DataFrame, **given: object) -> str:
    nominal = frame[frame["draw"] == 0]
    known = {"separation": [], "seed": 1, "folder": None, **given}
    return compose(nominal, tally=Tally().add(frame), **known)


@pytest.mark.parametrize(
    ("verdict", "expectation", "met"),
    [
        ("on_time", "fire", True),
        ("late", "fire", False),
        ("missed", "fire", False),
        ("early", "fire", False),
        ("rule_error", "fire", False),
        ("held", "no_fire", True),
        ("inadvertent", "no_fire", False),
        ("rule_error", "no_fire", False),
        ("open_fired", "open", True),
        ("open_held", "open", True),
    ],
)
def test_each_verdict_meets_or_fails(verdict, expectation, met):
    frame = pd.DataFrame([row("on_time", "fire"), row(verdict, expectation)])
    assert requirements_met(Tally().add(frame), gating={"a": True}) is met
    assert requirements_met(Tally().add(frame), gating={"a": False}) is True


def test_what_was_not_judged_counts_neither_way_but_alone_it_meets_nothing():
    unjudged = row("not_evaluated", "fire", demand_margin=np.nan)
    frame = pd.DataFrame([row("on_time", "fire"), unjudged])
    assert requirements_met(Tally().add(frame), gating={"a": True})
    assert not requirements_met(Tally().add(pd.DataFrame([unjudged])), gating={"a": True})


def test_a_failing_draw_counts():
    frame = pd.DataFrame([row("on_time", "fire"), row("late", "fire", draw=7)])
    assert not requirements_met(Tally().add(frame), gating={"a": True})


def test_counts_add_up(view):
    table = counts(view.nominal)
    verdict_columns = table.drop(columns=["met", "not_met"])
    required = view.nominal["expectation"].isin(["fire", "no_fire"])
    for key, own in view.nominal[required].groupby(["sensor_set", "algorithm"]):
        assert table.loc[key, "met"] + table.loc[key, "not_met"] == len(own)
    assert verdict_columns.to_numpy().sum() == len(view.nominal)
    assert len(table) == 2


def test_worst_margins_come_first(view):
    rows = worst_margins(view.nominal, most=4)
    assert rows["demand_margin"].is_monotonic_increasing
    assert rows["demand_margin"].iloc[0] == view.nominal["demand_margin"].min()
    assert len(rows) == 4


def test_single_point_protection_is_found(view):
    rows = held_by_arming_only(view.nominal)
    assert list(zip(rows["event"], rows["algorithm"], strict=True)) == [("hammer_sill", "guarded")]


def test_the_summary_says_it_all(drawn_view):
    text = text_summary(drawn_view)
    lines = text.splitlines()
    assert lines[0] == f"CAUTION: {CAUTION}"
    assert "8 events, sensors: standard; nominal and 10 draws, seed 1" in lines
    assert "plain (for comparison)" in text
    assert "1.08  0.50  2.16  all met at k = 1" in text
    assert "Held by arming only (single-point protection)" in text
    assert "barrier_40_belted: front_airbag_stage_1  10 of 10" in text
    # Four must-fire rows fail in the nominal draw and in each of ten others.
    assert "RESULT: 44 of 352 requirements not met by guarded over all draws" in text
    assert "(exit code 1: a result, not an error)" in text
    assert not run_meets_requirements(drawn_view)
    assert len(lines) < 36
    assert max(map(len, lines[1:])) <= 110


def test_zero_failures_are_not_zero_probability():
    frame = pd.DataFrame([row("held", "no_fire", draw=k) for k in range(61)])
    frame["family"], frame["time_margin_ms"] = "misuse", np.nan
    text = summary_of(frame, gating={"a": True})
    # Exact binomial bound for 0 of 60 at 95 %: 1 - 0.05 ** (1 / 60) = 0.0487 (computed).
    assert "up to 4.9 %" in text
    assert "RESULT: every judged requirement met by a in this model (exit code 0)." in text


def test_no_gate_and_nothing_judged_are_said_plainly():
    frame = pd.DataFrame([row("not_evaluated", "fire", demand_margin=np.nan)])
    frame["time_margin_ms"] = np.nan
    assert "no gating algorithm" in summary_of(frame, gating={"a": False})
    assert "could judge no requirement at all" in summary_of(frame, gating={"a": True})


@pytest.mark.parametrize(
    ("c", "m", "words"),
    [
        (1.2, 0.9, "all met at k = 1"),
        (2.0, 1.3, "k in 1.30 to 2.00"),
        (0.9, 1.3, "no k (hammer above pole)"),
        (0.9, 0.9, "no k (hammer above pole)"),
    ],
)
def test_separation_in_words(view, c, m, words):
    entry = {**view.separation[0], "c": c, "m": m, "c_event": "pole", "m_event": "hammer"}
    text = text_summary(replace(view, separation=[entry]))
    assert [line for line in text.splitlines() if line.endswith(words)]


def test_separation_without_one_side_is_left_out(view):
    entry = {**view.separation[0], "c": None}
    assert "Separation" not in text_summary(replace(view, separation=[entry]))


def test_a_waived_failure_still_counts_and_shows():
    rows = [row("held", "no_fire"), row("late", "fire", waived=True, demand_margin=-0.1)]
    frame = pd.DataFrame(rows)
    frame["time_margin_ms"] = -1.0
    text = summary_of(frame, gating={"a": True})
    assert "RESULT: 1 of 2 requirements not met by a; 1 of them waived (exit code 1" in text


def test_a_tally_by_parts_is_the_tally_of_the_whole():
    rows = [
        row(verdict, "fire", draw=draw, event=f"e{draw % 3}", waived=draw == 5)
        for draw, verdict in enumerate(["on_time", "late", "missed", "late", "on_time", "late"])
    ]
    frame = pd.DataFrame([*rows, row("not_evaluated", "no_fire", draw=6)])
    whole, parts = Tally().add(frame), Tally()
    for size in (slice(0, 1), slice(1, 4), slice(4, None)):
        parts.add(frame[size])
    assert parts == whole
    # By hand: draws 1, 2, 3 and 5 fail, one of them waived; one row of seven is not judged.
    total = whole.totals["a"]
    assert (total.required, total.failed, total.waived, total.unjudged) == (7, 4, 1, 1)
    assert whole.failures[("e2", "r", "s", "a")] == 2
    assert whole.draws == 6
