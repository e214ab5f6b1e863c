"""Whether demand scales with the thresholds: what says so does, and nothing says so by accident."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.errors import InputError, RuleError
from crashsense.rules import Algorithm, Rule, rate_faults, rule_families, rule_from_table
from crashsense.rules import composition as op
from crashsense.rules.adaptation import LoweredBy, RaisedBy, Staged
from crashsense.rules.conformance import stimulus
from crashsense.rules.parameters import Criterion
from crashsense.rules.sweep import swept_demand, with_leaves
from crashsense.rules.velocity import VelocityChange
from crashsense.rules.window import WindowVelocity

#: Parameters of criteria that are thresholds, beside those whose names begin with "threshold".
ALSO_THRESHOLDS = ("travel_mm", "guard_m_s", "plausible_g", "start_m_s", "then_g")


def raised(_: str, leaf: Rule, scale: float) -> Rule:
    """The criterion with every threshold times *scale*."""
    changes: dict[str, Any] = {}
    for item in fields(leaf):  # type: ignore[arg-type]
        value = getattr(leaf, item.name)
        if item.name.startswith("threshold") or item.name in ALSO_THRESHOLDS:
            changes[item.name] = value * scale
        elif item.name == "windows" and value is not None:
            changes[item.name] = tuple((w, scale * t) for w, t in value)
        elif item.name == "line":
            # Over time only the threshold moves; in a plane the line moves away along every ray.
            over_time = leaf.family == "velocity_time_map"
            changes[item.name] = tuple((x if over_time else scale * x, scale * y) for x, y in value)
    assert changes, leaf
    return replace(leaf, **changes)  # type: ignore[type-var]


def at_scale(rule: Rule, scale: float) -> Rule:
    return with_leaves(rule, lambda path, leaf: raised(path, leaf, scale))


CRITERIA = [
    pytest.param(family(), id=name)
    for name, family in rule_families().items()
    if issubclass(family, Criterion) and family.scales
]
CRITERIA += [
    pytest.param(WindowVelocity(windows=((5.0, 0.8), (20.0, 1.6)), leak_g=0.5), id="windows"),
    pytest.param(
        rule_from_table({"family": "side_velocity", "plausible": "+central_y"}), id="plausible"
    ),
]


@pytest.mark.parametrize("rule", CRITERIA)
@pytest.mark.parametrize("scale", [0.7, 1.8])
def test_a_criterion_that_says_so_scales(rule: Rule, scale: float) -> None:
    given = stimulus(rule).pulses
    demand = rule.demand(given)
    assert demand.max() > 0.0
    np.testing.assert_allclose(
        at_scale(rule, scale).demand(given), demand / scale, rtol=1e-9, atol=1e-12
    )


@pytest.mark.parametrize("rule", CRITERIA)
def test_a_criterion_at_a_scale_has_every_threshold_there(rule: Rule) -> None:
    given = stimulus(rule).pulses
    found = rule.at_scale(1.8)
    assert found is not None
    wanted = at_scale(rule, 1.8).demand(given)
    np.testing.assert_allclose(found.demand(given), wanted, rtol=1e-12, atol=0.0)


VELOCITY = VelocityChange(threshold_m_s=1.0, leak_g=1.0)
WINDOW = WindowVelocity(window_ms=10.0, threshold_m_s=0.5)
SIDE = WindowVelocity(channel="+central_y", threshold_m_s=0.4)
LEAVES = st.sampled_from([VELOCITY, WINDOW, SIDE])


def composed(parts: st.SearchStrategy[Rule]) -> st.SearchStrategy[Rule]:
    """Every operator and adaptation over *parts*."""
    several = st.lists(parts, min_size=2, max_size=3).map(tuple)
    ms = st.sampled_from([0.0, 2.0, 15.0])
    return st.one_of(
        several.map(op.AllOf),
        several.map(op.AnyOf),
        several.map(lambda of: op.AtLeast(of, count=2)),
        st.builds(op.Held, rule=parts, hold_ms=ms),
        st.builds(op.Delayed, rule=parts, delay_ms=ms),
        st.builds(op.Debounced, rule=parts, count=st.integers(1, 5)),
        st.builds(op.Scaled, rule=parts, factor=st.sampled_from([0.4, 2.5])),
        st.builds(op.Gated, rule=parts, gate=parts),
        st.builds(op.ResetAfterQuiet, rule=parts, activity=parts),
        st.builds(op.BeltSwitch, belted=parts, unbelted=parts),
        st.builds(op.Optional, rule=parts),
        st.builds(op.Fallback, rule=parts, otherwise=parts),
        st.builds(op.Armed, main=parts, arming=parts, hold_ms=ms),
        st.builds(RaisedBy, rule=parts, measure=parts),
        st.builds(LoweredBy, rule=parts, measure=parts),
        st.builds(Staged, rule=parts, measure=parts),
    )


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.recursive(LEAVES, composed, max_leaves=6), st.sampled_from([0.6, 1.7, 3.0]))
def test_a_composition_that_says_so_scales(rule: Rule, scale: float) -> None:
    samples = stimulus(SIDE & WINDOW).pulses
    if rule.scales:
        np.testing.assert_allclose(
            at_scale(rule, scale).demand(samples),
            rule.demand(samples) / scale,
            rtol=1e-9,
            atol=1e-12,
        )


MOVED_BY_A_LEVEL = {
    "gated": op.Gated(rule=VELOCITY, gate=WINDOW),
    "raised_by": RaisedBy(rule=VELOCITY, measure=WINDOW),
    "lowered_by": LoweredBy(rule=VELOCITY, measure=WINDOW),
    "staged": Staged(rule=VELOCITY, measure=WINDOW),
    "reset_after_quiet": op.ResetAfterQuiet(rule=VELOCITY, activity=WINDOW, quiet_ms=5.0),
}


@pytest.mark.parametrize("name", MOVED_BY_A_LEVEL)
def test_what_a_level_moves_does_not_scale_and_does_not_say_so(name: str) -> None:
    rule = MOVED_BY_A_LEVEL[name]
    samples = stimulus(rule).pulses
    assert not np.allclose(at_scale(rule, 2.0).demand(samples), rule.demand(samples) / 2.0)
    assert not rule.scales
    assert not op.AnyOf((rule, WINDOW)).scales
    assert op.AnyOf((VELOCITY, WINDOW)).scales


class Squared(Rule):
    """A user-written rule whose demand goes with the square of its threshold."""

    requires = frozenset({"central_x"})

    def demand(self, samples):
        return VELOCITY.demand(samples) ** 2


@dataclass(frozen=True)
class SquaredToo(VelocityChange):
    """A user-written change to a built-in criterion."""

    def demand(self, samples):
        return VelocityChange.demand(self, samples) ** 2


class SaysSo(Squared):
    """Claims it."""

    scales = True


class Below(SaysSo):
    """Inherits the claim, which counts for nothing."""


def test_a_class_of_a_users_own_says_itself_that_it_scales() -> None:
    found = {cls.__name__: cls().scales for cls in (Squared, SquaredToo, SaysSo, Below)}
    assert found == {"Squared": False, "SquaredToo": False, "SaysSo": True, "Below": False}
    assert VelocityChange().scales


@pytest.mark.slow
def test_a_rule_from_a_file_says_itself_that_it_scales(tmp_path) -> None:
    text = (
        "from crashsense.rules import Rule\n"
        "class Mine(Rule):\n"
        "    requires = frozenset({'central_x'})\n"
        "    def demand(self, samples):\n"
        "        return abs(samples.channels['central_x'])\n"
        "class Told(Mine):\n"
        "    scales = True\n"
    )
    (tmp_path / "mine.py").write_text(text, encoding="utf-8")
    for name, scales in (("Mine", False), ("Told", True)):
        rule = rule_from_table({"family": "python", "file": f"{tmp_path / 'mine.py'}:{name}"})
        assert rule.scales is scales


@dataclass(frozen=True)
class Summed(op.AllOf):
    """A user-written composition: the sum of its parts."""

    def combine(self, demands, samples):
        return np.sum(list(demands.values()), axis=0)


@dataclass(frozen=True)
class Whole(Rule):
    """Has parts, and is no composition of the house."""

    children: ClassVar[Any] = {"rule": VELOCITY}
    requires: ClassVar[Any] = VELOCITY.requires

    def demand(self, samples):
        return VELOCITY.demand(samples) ** 2


@pytest.mark.parametrize(
    "rule",
    [Squared(), SquaredToo(), Squared() & VELOCITY, Summed((VELOCITY, WINDOW)), Whole()],
    ids=["block-wise", "changed criterion", "part", "composition", "with parts"],
)
def test_a_sweep_asks_for_a_re_run_of_what_does_not_say_that_it_scales(rule: Rule) -> None:
    with pytest.raises(InputError, match="re-run"):
        swept_demand(rule, stimulus(VELOCITY).pulses)


class TwoKilohertz(SaysSo):
    """Made for one tick."""

    rates_hz = (1000.0, 2000.0)

    def demand(self, samples):
        if samples.rate_hz not in self.rates_hz:
            raise RuleError("made for 1 and 2 kHz")
        return super().demand(samples)


def test_rules_that_are_not_made_for_a_tick_rate_are_named_wherever_they_stand() -> None:
    algorithm = Algorithm(
        "mine",
        rules={
            "front_airbag_stage_1": op.Held(rule=TwoKilohertz() & VELOCITY),
            "front_airbag_stage_2": VELOCITY,
        },
    )
    assert rate_faults(algorithm, rate_hz=2000.0) == []
    assert rate_faults(algorithm, rate_hz=1000.0 * (1.0 + 1e-12)) == []
    (fault,) = rate_faults(algorithm, rate_hz=4000.0)
    assert str(fault) == (
        "algorithm mine: rules.front_airbag_stage_1: got 4000.0; expected a tick of 1000 or"
        " 2000 Hz, for which TwoKilohertz is made"
    )
