"""Rules asked about a few draws at a time, for scores alone, give what whole blocks give."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest

from crashsense import engine
from crashsense.rules import Rule, load_algorithm
from crashsense.sensing import load_sensor_set
from crashsense.synthesis import load_events
from crashsense.trials import Conditions, judge, run_trials

#: Draws of every call of :class:`Noted`, since it was last cleared.
CALLS: list[int] = []


@dataclass(frozen=True)
class Noted(Rule):
    """Level of one channel; fails in every draw whose first sample is negative."""

    own_process = False

    @property
    def requires(self):
        return frozenset({"central_x"})

    def demand(self, samples):
        CALLS.append(samples.draws)
        values = samples.channels["central_x"]
        if (values[:, 0] < 0.0).any():
            raise ValueError("negative at first")
        return np.abs(values) / (100.0 if samples.context.belted else 150.0)


class NotedApart(Noted):
    """The same, as if it computed in a separate process."""

    own_process = True


def rows(rule: Rule, *, scores_only: bool) -> pd.DataFrame:
    """Rows of 40 draws of an event, belted and not, judged by a rule beside built-in ones."""
    guarded = load_algorithm("guarded")
    own = replace(guarded, name="own", rules={**guarded.rules, "belt_pretensioner": rule})
    (event,) = load_events(["odb_40_40"])
    unbelted = replace(event, name="unbelted", context=replace(event.context, belted=False))
    CALLS.clear()
    trials = run_trials(
        [event, unbelted],
        range(1, 41),
        sensor_sets=[load_sensor_set("standard")],
        algorithms=[own, guarded],
        conditions=Conditions(vary="sensor"),
        scores_only=scores_only,
    )
    with engine.using("numpy"):
        return pd.concat([one.rows for one in trials], ignore_index=True)


@pytest.mark.slow
def test_pieces_of_draws_change_no_row_and_a_failing_draw_fails_alone(monkeypatch) -> None:
    whole = rows(Noted(), scores_only=False)
    assert CALLS[0] == 40
    monkeypatch.setattr(judge, "PIECE_SAMPLES", 7 * 1000)
    light = rows(Noted(), scores_only=True)
    assert 1 < max(CALLS) < 40
    pd.testing.assert_frame_equal(light, whole, check_exact=True)
    of_rule = whole[(whole["algorithm"] == "own") & (whole["restraint"] == "belt_pretensioner")]
    assert 0 < (of_rule["verdict"] == "rule_error").sum() < len(of_rule)
    fired = of_rule.groupby("event")["max_demand"].mean()
    assert fired["odb_40_40"] > fired["unbelted"]


@pytest.mark.slow
def test_a_rule_in_a_separate_process_is_asked_about_the_whole_block(monkeypatch) -> None:
    monkeypatch.setattr(judge, "PIECE_SAMPLES", 7 * 1000)
    light = rows(NotedApart(), scores_only=True)
    assert CALLS[0] == 40
    pd.testing.assert_frame_equal(light, rows(NotedApart(), scores_only=False), check_exact=True)
