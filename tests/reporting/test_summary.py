"""The text summary: counts, margins, single points, what the exit code means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from crashsense.reporting import text_summary
from crashsense.reporting.scales import scale_words
from crashsense.reporting.summary import (
    NOMINAL_ONLY,
    compose,
    held_by_arming_only,
    worst_margins,
)
from crashsense.reporting.view import RunView
from crashsense.resources import CAUTION
from crashsense.results.tally import (
    Tally,
    Totals,
    counts,
    failing_in_draws,
    one_line,
)


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
        "max_demand": 0.5,
        "time_margin_ms": np.nan,
        "fire_time_ms": np.nan,
        "held_by": None,
        "waived": False,
        "reason": None,
    }
    return {**base, **changes}


def summary_of(rows: list[dict[str, object]] | pd.DataFrame, **given: object) -> str:
    frame = pd.DataFrame(rows)
    known = {"separation": [], "seed": 1, "folder": None, "gating": {"a": True}, **given}
    return compose(RunView(frame[frame["draw"] == 0], tally=Tally().add(frame), **known))


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
    assert (Tally().add(frame).exit_code({"a": True}) == 0) is met
    assert Tally().add(frame).exit_code({"a": False}) == 0


def test_what_was_not_judged_counts_neither_way_but_alone_it_meets_nothing():
    unjudged = row("not_evaluated", "fire", demand_margin=np.nan)
    frame = pd.DataFrame([row("on_time", "fire"), unjudged])
    assert Tally().add(frame).exit_code({"a": True}) == 0
    assert Tally().add(pd.DataFrame([unjudged])).exit_code({"a": True}) == 1


def test_a_failing_draw_counts():
    frame = pd.DataFrame([row("on_time", "fire"), row("late", "fire", draw=7)])
    assert Tally().add(frame).exit_code({"a": True}) == 1


def test_counts_add_up(view):
    table = counts(view.nominal)
    verdict_columns = table.drop(columns=["met", "not_met", "idle"])
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
    assert "Not met at nominal and fails in draws: 4 event x restraint" in text
    # Four must-fire rows of 32 fail in the nominal draw and in each of ten others.
    assert (
        "RESULT: 4 of 32 requirements not met by guarded at nominal; 4 of 32 fail in some of "
        "10 draws.\nExit code 1: a result, not an error."
    ) in text
    assert drawn_view.tally.exit_code(drawn_view.gating) == 1
    assert len(lines) < 36
    assert lines[2].startswith("guarded: 4 of 4 must-fire requirements late, in 4 events; none of")


def test_zero_failures_are_not_zero_probability():
    frame = pd.DataFrame([row("held", "no_fire", draw=k) for k in range(61)])
    text = summary_of(frame, gating={"a": True})
    # Exact binomial bound for 0 of 60 at 95 %: 1 - 0.05 ** (1 / 60) = 0.0487 (computed).
    assert "up to 4.9 %" in text
    assert (
        "RESULT: every judged requirement met by a in this model, at nominal and in 60 draws.\n"
        "Exit code 0."
    ) in text


def test_no_gate_and_nothing_judged_are_said_plainly():
    frame = pd.DataFrame([row("not_evaluated", "fire", demand_margin=np.nan)])
    assert "no gating algorithm" in summary_of(frame, gating={"a": False})
    assert "could judge no requirement at all" in summary_of(frame, gating={"a": True})


@pytest.mark.parametrize(
    ("c", "m", "words"),
    [
        (1.2, 0.9, "all met at k = 1"),
        (2.0, 1.3, "k in 1.30 to 2.00"),
        (0.9, 1.3, "no k (hammer above pole)"),
        (0.9, 0.9, "no k (hammer as high as pole)"),
    ],
)
def test_separation_in_words(view, c, m, words):
    entry = {**view.separation[0], "c": c, "m": m, "c_event": "pole", "m_event": "hammer"}
    text = text_summary(replace(view, separation=[entry]))
    assert [line for line in text.splitlines() if line.endswith(words)]


def test_a_waived_failure_still_counts_and_shows():
    rows = [row("held", "no_fire"), row("late", "fire", waived=True, demand_margin=-0.1)]
    frame = pd.DataFrame(rows)
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
    for name in ("rows", "draws", "nominal", "random", "counts", "counts_drawn", "errors"):
        assert getattr(parts, name) == getattr(whole, name), name
    assert parts.statistics().equals(whole.statistics())
    assert parts.over_draws(draws=6) == whole.over_draws(draws=6)
    # By hand: the nominal draw is met; of draws 1 to 6 four fail (1, 2, 3 and 5), one of them
    # waived, and one is not judged.
    assert whole.nominal[("s", "a")] == Totals(required=1)
    assert whole.random[("s", "a")] == Totals(required=6, unjudged=1, failed=4, waived=1)
    assert whole.failures(("s", "a")) == {("e0", "r"): 1, ("e1", "r"): 1, ("e2", "r"): 2}
    assert whole.draws == 6


def test_the_nominal_draw_enters_no_statistic():
    rows = [row("late", "fire", event="always", draw=k) for k in range(9)]
    rows += [row("late" if k == 0 else "on_time", "fire", event="once", draw=k) for k in range(9)]
    rows += [row("held", "no_fire", event="never", draw=k) for k in range(9)]
    text = summary_of(rows)
    assert "Verdicts over 8 draws  inadvertent  missed  late  on time  held" in text
    assert "a                                0       0     8        8     8" in text
    assert "No failure in draws: 2 of 3" in text
    assert "RESULT: 2 of 3 requirements not met by a at nominal; 1 of 3 fail in some of 8" in text


def failing_only_in_draws() -> list[dict[str, object]]:
    kinds = {
        "kerb": ("held", "no_fire", ["inadvertent"] * 2),
        "pole": ("on_time", "fire", ["late"] * 3 + ["missed"]),
        "wall": ("late", "fire", ["late"] * 5),
        "road": ("held", "no_fire", []),
    }
    rows = []
    for event, (met, expectation, failing) in kinds.items():
        drawn = [*failing, *[met] * (6 - len(failing))]
        rows += [row(v, expectation, event=event, draw=k) for k, v in enumerate([met, *drawn])]
    return rows


def test_what_is_met_at_nominal_and_fails_in_draws_is_named():
    lines = summary_of(failing_only_in_draws()).splitlines()
    at = lines.index("Met at nominal, fails in draws: 2 event x restraint, the worst:")
    # What fires although it must not comes first, though it fails less often.
    assert lines[at + 1 : at + 4] == [
        "  kerb: r  inadvertent in 2 of 6",
        "  pole: r  4 of 6: missed 1, late 3",
        "Not met at nominal and fails in draws: 1 event x restraint",
    ]
    assert any(line.split() == ["a", "2", "1", "9", "2", "10"] for line in lines)


def test_a_requirement_is_counted_over_the_draws_in_which_it_was_judged():
    rows = [row("on_time", "fire", draw=k) for k in range(3)]
    rows += [row("late", "fire", draw=3), row("not_evaluated", "fire", draw=4)]
    frame = pd.DataFrame(rows)
    (found,) = failing_in_draws(frame[frame["draw"] == 0], Tally().add(frame), ("s", "a"))
    assert (found.failed, found.draws, found.words) == (1, 3, "late in 1 of 3")


def test_whole_draws_stand_on_the_terminal():
    whole = {"sensor_set": "s", "algorithm": "a", "all_met": 1, "draws": 6, "mean_failures": 1.83}
    text = summary_of(failing_only_in_draws(), whole_draws=[whole])
    assert "All met by a in 1 of 6 draws; a draw fails 1.83 requirements on average" in text


def test_a_run_without_draws_says_what_it_does_not_show(view, drawn_view):
    assert f"{NOMINAL_ONLY}." in text_summary(view).splitlines()
    assert NOMINAL_ONLY not in text_summary(drawn_view)


def test_only_a_fitted_algorithm_is_said_to_be_fitted(view):
    sentence = "guarded was fitted to these events: its verdicts there are no independent evidence."
    fitted = replace(view, fitted_to={"guarded": "these events"})
    assert f"Note: {sentence}" in text_summary(fitted).splitlines()
    assert "fitted" not in text_summary(view)
    # One that does not decide needs no such word.
    assert "fitted" not in text_summary(replace(view, fitted_to={"plain": "these events"}))


def test_what_was_never_excited_is_counted():
    rows = [row("held", "no_fire", event=f"e{k}", max_demand=0.0) for k in range(3)]
    rows += [row("held", "no_fire", event="kerb", max_demand=0.4)]
    rows += [row("open_held", "open", event="grey", max_demand=0.0)]
    assert "Never challenged (demand stayed 0): 3 of 4 by a" in summary_of(rows)
    assert "Never challenged" not in summary_of(rows[3:])


def two_sets() -> list[dict[str, object]]:
    failing = {("narrow", "mine"), ("wide", "mine"), ("narrow", "guarded")}
    return [
        row(
            "late" if (sensors, name) in failing else "on_time",
            "fire",
            sensor_set=sensors,
            algorithm=name,
            demand_margin=-0.2 if (sensors, name) in failing else 0.2,
        )
        for sensors in ("narrow", "wide")
        for name in ("guarded", "mine", "plain")
    ]


def test_several_sets_and_algorithms_are_told_apart():
    entry = {"restraint": "r", "c": 0.8, "m": 0.5, "c_event": "e", "m_event": "f", "ratio": 1.6}
    entries = [
        {**entry, "sensor_set": s, "algorithm": a, "infeasible": []}
        for s in ("narrow", "wide")
        for a in ("guarded", "mine", "plain")
    ]
    text = summary_of(
        two_sets(),
        gating={"plain": False, "mine": True, "guarded": True},
        sensor_sets=["wide", "narrow"],
        separation=entries,
    )
    lines = text.splitlines()
    results = [line for line in lines if line.startswith("RESULT")]
    # One line each, in the order asked for, and one algorithm's failure is not another's.
    assert results == [
        "RESULT: 1 of 1 requirements not met by mine / wide.",
        "RESULT: 1 of 1 requirements not met by mine / narrow.",
        "RESULT: every judged requirement met by guarded / wide in this model.",
        "RESULT: 1 of 1 requirements not met by guarded / narrow.",
    ]
    assert lines[lines.index(results[-1]) + 1] == "Exit code 1: a result, not an error."
    heads = [line.split(":")[0] for line in lines if line.startswith("Separation")]
    assert heads == [
        "Separation, nominal, mine / wide",
        "Separation, nominal, mine / narrow",
        "Separation, nominal, guarded / wide",
        "Separation, nominal, guarded / narrow",
    ]
    margins = [line.split("  ")[-1] for line in lines if line.startswith("  e: r  ")]
    assert len(margins) == len(set(margins)) == 4


def test_a_set_with_which_nothing_could_be_judged_meets_nothing():
    rows = [row("on_time", "fire"), row("not_evaluated", "fire", sensor_set="other")]
    frame = pd.DataFrame(rows)
    assert Tally().add(frame).exit_code({"a": True}) == 1
    text = summary_of(frame)
    assert "RESULT: a / other could judge no requirement at all." in text


def test_rule_errors_cannot_be_overlooked():
    rows = [
        row("rule_error", "fire", event="wall", reason="Mine: boom at 3\nsecond line", draw=k)
        for k in range(3)
    ]
    rows += [row("rule_error", "fire", event="pole", reason="Mine: boom at 17\nsecond line")]
    rows += [row("rule_error", "open", event="grey", reason="Mine: other")]
    rows += [row("on_time", "fire", event=f"e{k}") for k in range(2)]
    text = summary_of(rows)
    lines = text.splitlines()
    # Messages that differ in numbers only are one; the first is told.
    words = "a: Mine: boom at 17 second line (first: pole, r, nominal)"
    assert f"2 RULE ERRORS, 2 more in draws: {words}" in lines
    assert "1 RULE ERROR: a: Mine: other (first: grey, r, nominal)" in lines
    assert lines.index(f"2 RULE ERRORS, 2 more in draws: {words}") < 8
    assert (
        "RESULT: 2 of 4 requirements not met by a at nominal, 2 of them because THE RULE FAILED; "
        "1 of 4 fail in some of 2 draws (THE RULE FAILED in 2 verdicts); THE RULE FAILED also "
        "where nothing is required"
    ) in text


def test_a_long_message_is_cut():
    assert one_line("x" * 200) == "x" * 157 + "..."
    assert one_line(float("nan")) == "no message"


def test_rule_errors_where_nothing_is_required_show_beside_a_met_result():
    rows = [row("on_time", "fire"), row("rule_error", "open", event="grey", reason="boom")]
    text = summary_of(rows)
    assert "met by a in this model; THE RULE FAILED also where nothing is required (exit" in text


def test_a_restraint_without_a_rule_is_named_and_is_no_worst_margin():
    rows = [
        row("missed", "fire", restraint="curtain_left", demand_margin=-1.0),
        row("on_time", "fire", restraint="curtain_right", demand_margin=0.3),
    ]
    entry = {"sensor_set": "s", "algorithm": "a", "restraint": "curtain_left", "infeasible": []}
    entry |= {"c": 0.0, "m": 0.0, "c_event": "wall", "m_event": "pole", "ratio": None}
    text = summary_of(rows, rules={"a": ["curtain_right"]}, separation=[entry])
    lines = text.splitlines()
    assert "; 1 requirements to fire missed for that" in " ".join(text.split())
    assert [line for line in lines if line.split() == ["curtain_left", "-", "-", "-", "no", "rule"]]
    assert "e: curtain_left" not in text
    assert "e: curtain_right" in text
    # Rules unknown: nothing is left out.
    assert "e: curtain_left" in summary_of(rows)


def test_a_restraint_that_nothing_asks_for_is_named(view):
    text = " ".join(text_summary(view).split())
    assert (
        "without a judged requirement: front_airbag_stage_2, belt_pretensioner, side_airbag_left, "
        "side_airbag_right, curtain_left, curtain_right "
    ) in text


ENTRY = {"c": 1.2, "m": 0.9, "c_event": "pole", "m_event": "kerb", "infeasible": []}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"c": 3.0, "m": 3.0, "c_event": "wall", "m_event": "wall", "m_early": True},
         "no k (wall before it may fire as high as wall)"),
        ({"c": 0.0, "m": 0.0}, "no k (pole stays at 0 until the required time)"),
        ({"c": None, "m": 0.0}, "never required in this run"),
        ({"c": None, "infeasible": ["steep"]}, "no required time can be met; k above 0.90"),
        ({"m": None}, "never forbidden in this run; k up to 1.20"),
        ({"m": 0.01, "m_event": "pole", "m_early": True, "must_not": 0, "c": 0.8},
         "never forbidden in this run; m: pole before it may fire; k in 0.01 to 0.80"),
        ({"infeasible": ["steep"]}, "all met at k = 1; 1 infeasible, not counted"),
    ],
)  # fmt: skip
def test_scales_in_words_that_are_true(changes, words):
    assert scale_words({**ENTRY, **changes}) == words


def test_separation_says_where_the_rule_failed(view):
    broken = view.nominal.copy()
    own = (broken["algorithm"] == "guarded") & (broken["restraint"] == "front_airbag_stage_1")
    broken.loc[own & (broken["expectation"] == "fire"), "verdict"] = "rule_error"
    entry = {**view.separation[0], "c": None, "c_event": "", "ratio": None, "m": 4.91}
    text = text_summary(
        replace(view, nominal=broken, tally=Tally().add(broken), separation=[entry])
    )
    assert "the rule failed where it must fire (4 rows); no k is known to work" in text
    assert "never required" not in text
    # Nothing left to judge: the restraint is not passed off as never asked for.
    other = {**entry, "restraint": "curtain_left"}
    text = text_summary(
        replace(view, nominal=broken, tally=Tally().add(broken), separation=[other])
    )
    assert "without a judged requirement: front_airbag_stage_1 (the rule failed)," in text


def test_a_failed_rule_elsewhere_changes_no_other_words(view):
    broken = view.nominal.copy()
    broken.loc[broken["algorithm"] == "plain", "verdict"] = "rule_error"
    shown = replace(view, nominal=broken, tally=Tally().add(broken))
    assert "all met at k = 1" in text_summary(shown)
