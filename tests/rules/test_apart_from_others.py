"""No rule changes what another is given: every broken rule of the suite beside a shipped one."""

from __future__ import annotations

import contextlib

import numpy as np
import pandas as pd
import pytest
from broken_rules import BROKEN, Slow

from crashsense import evaluate
from crashsense.rules import Algorithm, Rule, load_algorithm, rule_from_table
from crashsense.rules.composition import AllOf
from crashsense.rules.velocity import VelocityChange

#: Sensors alone are drawn: pulses would be made anew for every rule, and rules do not see them.
GIVEN = {"events": ["wall_full_25", "hammer_tunnel"], "draws": 3, "vary": "sensor"}
EVENTS = GIVEN["events"]


class Replacing(Rule):
    """Puts a smoothed channel in place of the one that it was given: a natural slip."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        smooth = np.cumsum(samples.channels["central_x"], axis=-1) / 100.0
        samples.channels["central_x"] = smooth
        return np.abs(smooth)


class Lifting(Rule):
    """Lifts the write flag and scales in place."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        values = samples.channels["central_x"]
        values.setflags(write=True)
        values *= 0.5
        return np.abs(values)


class LiftingBase(Rule):
    """The same by way of what the array is a view on."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        values = samples.channels["central_x"]
        owner = values if values.base is None else values.base
        owner.setflags(write=True)
        owner *= 0.5
        return np.abs(values)


class Invalidating(Rule):
    """Calls a sensor failed."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        samples.valid["central_x"][:] = False
        return np.zeros((samples.draws, samples.size))


class Dropping(Rule):
    """Takes a channel away when it is asked what it reads."""

    requires = frozenset({"central_x"})

    def active(self, samples):
        samples.channels.pop("central_safing_x")
        return self.uses

    def demand(self, samples):
        return np.zeros((samples.draws, samples.size))


class Shifting(Rule):
    """Moves the clock."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        samples.start_s[:] += 1.0
        return np.zeros((samples.draws, samples.size))


class Doubling(AllOf):
    """An operator that doubles the demand of its child in place; others share that child."""

    def combine(self, demands, samples):
        for demand in demands.values():
            demand *= 2.0
        return super().combine(demands, samples)


class Reusing(Rule):
    """Hands out one buffer again and again."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        if not hasattr(self, "kept") or self.kept.shape != (samples.draws, samples.size):
            self.kept = np.zeros((samples.draws, samples.size))
        self.kept += 0.1
        return self.kept


MISCHIEF = [Replacing, Lifting, LiftingBase, Invalidating, Dropping, Shifting, Reusing]
WRITERS = [Replacing, Lifting, LiftingBase, Invalidating, Dropping, Shifting]


def of_guarded(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["algorithm"] == "guarded"].reset_index(drop=True)


@pytest.fixture(scope="module")
def alone() -> pd.DataFrame:
    return of_guarded(evaluate(**GIVEN, algorithms=["guarded"]).verdicts)


def beside(rule: Rule, **given: object) -> pd.DataFrame:
    """Rows of guarded and of an algorithm with this rule, which is evaluated first."""
    own = Algorithm("own", rules={"front_airbag_stage_1": rule})
    return evaluate(**GIVEN, algorithms=[own, load_algorithm("guarded")], **given).verdicts


FAULTY = sorted({broken for broken, _, _ in BROKEN} - {Slow}, key=lambda kind: kind.__name__)


@pytest.mark.quick(4)
@pytest.mark.parametrize("kind", [*FAULTY, *MISCHIEF], ids=lambda kind: kind.__name__)
def test_guarded_keeps_its_rows_beside_a_broken_rule(kind: type[Rule], alone: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(of_guarded(beside(kind())), alone, check_exact=True)


@pytest.mark.quick(2)
@pytest.mark.parametrize("kind", WRITERS, ids=lambda kind: kind.__name__)
def test_what_writes_to_its_samples_fails_alone(kind: type[Rule]) -> None:
    rows = beside(kind())
    mine = rows[(rows["algorithm"] == "own") & (rows["restraint"] == "front_airbag_stage_1")]
    assert set(mine["verdict"]) == {"rule_error"}
    others = rows[rows["algorithm"] == "guarded"]
    assert "rule_error" not in set(others["verdict"])


def test_a_demand_that_is_shared_cannot_be_changed_by_an_operator() -> None:
    shared = VelocityChange(threshold_m_s=1.5)
    rules = {"front_airbag_stage_1": Doubling((shared,)), "belt_pretensioner": AllOf((shared,))}
    rows = evaluate(events=EVENTS, algorithms=[Algorithm("own", rules=rules)]).verdicts
    plain = Algorithm("own", rules={"belt_pretensioner": AllOf((shared,))})
    expected = evaluate(events=EVENTS, algorithms=[plain]).verdicts
    columns = ["event", "fire_time_ms", "max_demand"]
    belts = [
        table[table["restraint"] == "belt_pretensioner"][columns].reset_index(drop=True)
        for table in (rows, expected)
    ]
    pd.testing.assert_frame_equal(*belts, check_exact=True)


def test_an_explanation_shows_what_was_measured() -> None:
    from rules_support import samples, square

    from crashsense.rules.why import why

    class Quiet(Replacing):
        def demand(self, samples):
            with contextlib.suppress(TypeError):
                samples.channels["central_x"] = samples.channels["central_x"] * 0.0
            return np.full((samples.draws, samples.size), 0.5)

    plain = rule_from_table({"family": "velocity_change"})
    x = samples(central_x=-square(200.0, 0.1))
    (first, second) = why(Quiet() | plain, x).root.parts
    assert first.inputs[0].value == second.inputs[0].value == pytest.approx(-200.0)
