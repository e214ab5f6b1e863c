"""The algebra of rules, each operator against its meaning, and sweeping against re-running."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import ClassVar

import numpy as np
import pytest
from families import noisy_pulses, tables
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.errors import InputError
from crashsense.event import Context
from crashsense.rules import composition as op
from crashsense.rules import reads_context, rule_from_table, same_element, sharing
from crashsense.rules.adaptation import LoweredBy, RaisedBy, Staged
from crashsense.rules.checked import rows
from crashsense.rules.conformance import block
from crashsense.rules.contract import Rule
from crashsense.rules.seats import SeatOccupied
from crashsense.rules.sweep import (
    default_leaves,
    leaves,
    rescaled,
    swept_demand,
    with_leaves,
)
from crashsense.rules.velocity import VelocityChange

RATE = 2000.0
NAMES = ("central_x", "central_y", "central_z", "upfront_left_x")


@dataclass(frozen=True)
class Raw(Rule):
    """Demand is the channel itself: an algebra needs values that one can choose."""

    scales: ClassVar[bool] = True

    channel: str

    @property
    def requires(self) -> frozenset[str]:
        return frozenset({self.channel})

    def demand(self, samples):
        values, valid = samples.channels[self.channel], samples.valid[self.channel]
        return np.where(valid, np.maximum(values, 0.0), 0.0)


A, B, C, U = (Raw(name) for name in NAMES)
OPEN = Raw("rear_seat_crossmember_x")


def made(seed: int, size: int = 60, draws: int = 2):
    source = np.random.default_rng(seed)
    return block({name: source.gamma(1.0, 0.8, size=(draws, size)) for name in NAMES}, rate_hz=RATE)


seeds = st.integers(0, 10_000)


def same(one: Rule, other: Rule, samples) -> None:
    np.testing.assert_array_equal(one.demand(samples), other.demand(samples))


@given(seeds)
@settings(max_examples=15, deadline=None)
def test_laws(seed: int) -> None:
    x = made(seed)
    same(A & B, B & A, x)
    same(A | B, B | A, x)
    same(A & A, A, x)
    same(A | A, A, x)
    same((A & B) & C, A & (B & C), x)
    same((A | B) | C, A | (B | C), x)
    same(A & (A | B), A, x)
    same(A | (A & B), A, x)
    same(A & (B | C), (A & B) | (A & C), x)
    same(A | (B & C), (A | B) & (A | C), x)
    same(op.AtLeast((A, B, C), count=1), op.AnyOf((A, B, C)), x)
    same(op.AtLeast((A, B, C), count=3), op.AllOf((A, B, C)), x)
    same(op.AtLeast((A, B, C), count=2), (A & B) | (A & C) | (B & C), x)
    held = lambda rule, ms: op.Held(rule=rule, hold_ms=ms)  # noqa: E731
    delayed = lambda rule, ms: op.Delayed(rule=rule, delay_ms=ms)  # noqa: E731
    scaled = lambda rule, k: op.Scaled(rule=rule, factor=k)  # noqa: E731
    same(held(A | B, 5.0), held(A, 5.0) | held(B, 5.0), x)
    same(held(held(A, 2.0), 3.0), held(A, 5.0), x)
    same(delayed(delayed(A, 2.0), 3.0), delayed(A, 5.0), x)
    same(delayed(A & B, 2.0), delayed(A, 2.0) & delayed(B, 2.0), x)
    same(held(delayed(A, 2.0), 3.0), delayed(held(A, 3.0), 2.0), x)
    same(op.Debounced(rule=A & B, count=3),
         op.Debounced(rule=A, count=3) & op.Debounced(rule=B, count=3), x)  # fmt: skip
    same(scaled(A | B, 2.0), scaled(A, 2.0) | scaled(B, 2.0), x)
    same(scaled(scaled(A, 2.0), 4.0), scaled(A, 8.0), x)
    same(op.Armed(main=A, arming=B, hold_ms=0.0), A & B, x)
    same(op.Armed(main=A, arming=B, hold_ms=4.0), A & held(B, 4.0), x)


def test_operators_on_numbers() -> None:
    x = block({"central_x": np.array([[0.2, 1.5, 0.3, 1.1, 1.2, 1.3, 0.0, 0.0]]),
               "central_y": np.array([[0.0, 0.0, 1.0, 0.9, 1.0, 1.0, 1.0, 0.0]])},
              rate_hz=1000.0)  # fmt: skip

    def out(rule: Rule) -> list[float]:
        return rule.demand(x)[0].tolist()

    assert out(op.Held(rule=A, hold_ms=2.0)) == [0.2, 1.5, 1.5, 1.5, 1.2, 1.3, 1.3, 1.3]
    assert out(op.Delayed(rule=A, delay_ms=2.0)) == [0, 0, 0.2, 1.5, 0.3, 1.1, 1.2, 1.3]
    assert out(op.Debounced(rule=A, count=3)) == [0, 0, 0.2, 0.3, 0.3, 1.1, 0, 0]
    assert out(op.Gated(rule=A, gate=B)) == [0, 0, 0.3, 0, 1.2, 1.3, 0, 0]
    assert out(op.ResetAfterQuiet(rule=A, activity=B, quiet_ms=2.0)) == [
        0.2, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5,
    ]  # fmt: skip
    assert out(op.ResetAfterQuiet(rule=A, activity=B, quiet_ms=1.0)) == [
        0.2, 1.5, 1.5, 1.1, 1.2, 1.3, 1.3, 0.0,
    ]  # fmt: skip
    assert out(LoweredBy(rule=A, measure=B, to=0.5, box_ms=1.0)) == [
        0.2, 1.5, 0.6, 2.2, 2.4, 2.6, 0.0, 0.0,
    ]  # fmt: skip
    np.testing.assert_allclose(
        out(RaisedBy(rule=B, measure=A, gain=1.0, maximum=1.25, hold_ms=0.0)),
        [0, 0, 1.0, 0.9 / 1.1, 1 / 1.2, 1 / 1.25, 1.0, 0],
    )
    np.testing.assert_allclose(
        out(Staged(rule=B, measure=A, stages=((0.3, 0.5), (1.2, 0.25)), hold_ms=0.0)),
        [0, 0, 2.0, 1.8, 4.0, 4.0, 1.0, 0],
    )


@pytest.mark.parametrize(
    "rule",
    [
        LoweredBy(rule=A, measure=U, to=0.4, box_ms=5.0),
        RaisedBy(rule=A, measure=U, gain=0.7, maximum=1.9, hold_ms=3.0),
        Staged(rule=A, measure=U, stages=((0.5, 0.8), (1.5, 0.5)), hold_ms=3.0),
    ],
)
def test_a_measure_is_part_of_the_reason_where_it_moves_the_threshold(rule) -> None:
    x = made(1)
    factor = rule.factor(U.demand(x), x)[0]
    alone = {"rule"}
    seen = set()
    for at in np.flatnonzero(A.demand(x)[0] > 0.0).tolist():
        moved = factor[at] != 1.0
        assert rule.deciding(x, at) == (alone | {"measure"} if moved else alone)
        assert rule.threshold_factor(x, at) == factor[at]
        seen.add(moved)
    assert any(seen)  # the measure moves the threshold somewhere


@pytest.mark.parametrize("draws", [1, 3])
def test_a_gate_below_a_sweep_is_compared_with_1_in_every_draw(draws: int) -> None:
    x = made(5, draws=draws)
    rule = COMPOSITIONS["gated_by_a_moved_threshold"]
    swept = swept_demand(rule, x, sweep={"gate.rule"})
    opened = rule.gate.demand(x)
    np.testing.assert_allclose(swept, np.where(A.demand(x) >= 1.0, opened, 0.0))


def test_belt_switch_and_branches() -> None:
    x = made(1)
    rule = op.BeltSwitch(belted=op.Armed(main=A, arming=B, hold_ms=3.0), unbelted=C)
    branches = rule.branch_demands(x)
    assert sorted(branches) == ["arming", "main", "total"]
    np.testing.assert_array_equal(branches["main"], A.demand(x))
    np.testing.assert_array_equal(
        branches["total"], np.minimum(branches["main"], branches["arming"])
    )
    unbelted = replace(x, context=Context(belted=False))
    np.testing.assert_array_equal(rule.demand(unbelted), C.demand(x))
    assert sorted(rule.branch_demands(unbelted)) == ["main", "total"]


def test_an_empty_seat_gives_no_demand() -> None:
    x = made(1)
    rule = SeatOccupied(rule=op.Armed(main=A, arming=B, hold_ms=3.0))
    same(rule, rule.rule, x)
    empty = replace(x, context=Context(passenger_seat_occupied=False))
    branches = rule.branch_demands(empty)
    assert sorted(branches) == ["arming", "main", "total"]
    assert not any(demand.any() for demand in branches.values())
    assert not rule.demand(empty).any()
    same(replace(rule, seat="driver"), rule.rule, empty)
    assert rule.unused("rule", empty, 0) == "the passenger seat is empty"
    with pytest.raises(InputError, match="seat: got 'back'"):
        SeatOccupied(rule=A, seat="back")


def test_missing_channels() -> None:
    x = made(2)
    absent = Raw("central_safing_x")
    assert op.Optional(rule=absent).requires == frozenset()
    same(A | op.Optional(rule=absent), A, x)
    fallback = op.Fallback(rule=absent, otherwise=B)
    assert fallback.requires == {"central_y"}
    assert fallback.uses == {"central_y", "central_safing_x"}
    same(fallback, B, x)
    # A sensor that fails on the way hands over at that sample.
    channels = {**x.channels, "central_z": x.channels["central_z"].copy()}
    valid = {**x.valid, "central_z": x.valid["central_z"].copy()}
    channels["central_z"][:, 30:] = np.nan
    valid["central_z"][:, 30:] = False
    failing = replace(x, channels=channels, valid=valid)
    found = op.Fallback(rule=C, otherwise=B).demand(failing)
    np.testing.assert_array_equal(found[:, :30], C.demand(x)[:, :30])
    np.testing.assert_array_equal(found[:, 30:], B.demand(x)[:, 30:])


def test_branches_of_a_fallback_are_those_of_the_rule_that_judges_at_the_sample() -> None:
    x = made(3)
    valid = {**x.valid, "central_z": x.valid["central_z"].copy()}
    valid["central_z"][0, 20:] = False
    valid["central_z"][1, 50:] = False
    partly = replace(x, valid=valid)
    never = replace(x, valid={**x.valid, "central_z": np.zeros_like(valid["central_z"])})
    armed, other = (op.Armed(main=C, arming=rule, hold_ms=3.0) for rule in (A, B))
    at = valid["central_z"]
    for first, second in ((armed, other), (armed, B), (C, B), (C, other)):
        rule = op.Fallback(rule=first, otherwise=second)
        if "central_z" not in rule.rule.requires:
            continue
        judged, left = first.branch_demands(partly), second.branch_demands(partly)
        found = rule.branch_demands(partly)
        total = np.where(at, judged["total"], left["total"])
        np.testing.assert_array_equal(found["total"], total)
        np.testing.assert_array_equal(rule.demand(partly), total)
        if judged.keys() == left.keys():
            assert found.keys() == judged.keys()
            for name, demand in found.items():
                np.testing.assert_array_equal(demand, np.where(at, judged[name], left[name]))
        else:  # which branch decides cannot be said: all of it is the main rule
            assert found.keys() == {"total", "main"}
            np.testing.assert_array_equal(found["main"], total)
        for whole, one in ((x, first), (never, second)):
            wanted, found = one.branch_demands(whole), rule.branch_demands(whole)
            assert found.keys() == wanted.keys()
            for name, demand in found.items():
                np.testing.assert_array_equal(demand, wanted[name])


def test_a_gate_is_open_at_1_and_then_both_are_the_reason() -> None:
    gates = np.array([[0.0, np.nextafter(1.0, 0.0), 1.0, np.nextafter(1.0, 2.0)]])
    x = block({"central_x": np.full((1, 4), 2.0), "central_y": gates}, rate_hz=RATE)
    rule = op.Gated(rule=A, gate=B)
    assert rule.demand(x).tolist() == [[0.0, 0.0, 2.0, 2.0]]
    found = [rule.deciding(x, at) for at in range(4)]
    assert found == [{"gate"}, {"gate"}, {"rule", "gate"}, {"rule", "gate"}]


def test_arming_from_the_same_element_is_seen() -> None:
    x = made(3)
    arming = op.Fallback(rule=Raw("central_safing_x"), otherwise=A)
    assert same_element(op.Armed(main=A, arming=arming), x)
    assert not same_element(op.Armed(main=A, arming=B), x)
    assert not same_element(A, x)
    there = block(
        {**{n: x.channels[n] for n in NAMES}, "central_safing_x": x.channels["central_y"]},
        rate_hz=RATE,
    )
    assert not same_element(op.Armed(main=A, arming=arming), there)


COMPOSITIONS = {
    "leaf": A,
    "all": A & B & C,
    "any": A | (B & C),
    "vote": op.AtLeast((A, B, C), count=2),
    "armed": op.Armed(main=A | C, arming=B, hold_ms=5.0),
    "held": op.Held(rule=A & B, hold_ms=4.0) & C,
    "delayed": op.Delayed(rule=A | B, delay_ms=2.0) & C,
    "debounced": op.Debounced(rule=A | B, count=2) | C,
    "scaled": op.Scaled(rule=A & B, factor=1.7) | C,
    "gated": op.Gated(rule=A | B, gate=C),
    "lowered": LoweredBy(rule=A | B, measure=U, to=0.4, box_ms=5.0) & C,
    "raised": RaisedBy(rule=A & B, measure=U, gain=0.7, maximum=1.9, hold_ms=3.0) | C,
    "staged": Staged(rule=A, measure=U, stages=((0.5, 0.8), (1.5, 0.5)), hold_ms=3.0),
    "scaled_below_lowered": LoweredBy(
        rule=op.Scaled(rule=A & B, factor=0.6), measure=U, to=0.5, box_ms=2.0
    ),
    "gated_by_a_moved_threshold": op.Gated(
        rule=A, gate=LoweredBy(rule=B, measure=U, to=0.4, box_ms=5.0)
    ),
    "reset": op.ResetAfterQuiet(rule=A & B, activity=U, quiet_ms=2.0),
}


@pytest.mark.parametrize("name", COMPOSITIONS)
@given(seed=seeds)
@settings(max_examples=12, deadline=None)
def test_sweep_against_running_again(name: str, seed: int) -> None:
    rule = COMPOSITIONS[name]
    x = made(seed)
    source = np.random.default_rng(seed)
    sweepable = [p for p in leaves(rule) if not {"measure", "activity"} & set(p.split("."))]
    count = int(source.integers(1, len(sweepable) + 1))
    chosen = set(source.permutation(sweepable)[:count].tolist())
    swept = swept_demand(rule, x, sweep=chosen)
    scales = np.sort(source.uniform(0.2, 3.0, size=8))
    highest = np.maximum.accumulate(swept, axis=-1)
    for scale in scales:
        again = rescaled(rule, float(scale), sweep=chosen).demand(x)
        for draw in range(x.draws):
            over = np.flatnonzero(again[draw] >= 1.0)
            expected = int(over[0]) if over.size else -1
            near_step = np.min(np.abs(swept[draw] - scale)) < 1e-12 * scale
            reached = np.flatnonzero(highest[draw] >= scale)
            found = int(reached[0]) if reached.size else -1
            assert found == expected or near_step


def test_a_sweep_leaves_arming_and_measures_alone_by_default() -> None:
    rule = op.Armed(main=LoweredBy(rule=A, measure=U, to=0.5), arming=B)
    assert default_leaves(rule) == {"main.rule"}
    assert sorted(leaves(rule)) == ["arming", "main.measure", "main.rule"]


def test_what_cannot_be_swept_says_so() -> None:
    x = made(4)
    adapted = LoweredBy(rule=op.Held(rule=A & B, hold_ms=2.0), measure=U, to=0.5)
    with pytest.raises(InputError, match="re-run at every scale"):
        swept_demand(adapted, x, sweep={"rule.rule.of[0]"})
    with pytest.raises(InputError, match="re-run at every scale: its demand moves a threshold"):
        swept_demand(adapted, x, sweep={"measure"})
    with pytest.raises(InputError, match=r"did you mean 'of"):
        swept_demand(A & B, x, sweep={"of[9]"})
    fixed = rule_from_table({"family": "velocity_change_fixed_point"})
    with pytest.raises(InputError, match="a rule that scales, or a re-run"):
        swept_demand(fixed, x)


def test_replacing_leaves_keeps_the_composition() -> None:
    x = made(5)
    for rule in COMPOSITIONS.values():
        same(with_leaves(rule, lambda path, leaf: leaf), rule, x)


def test_demand_of_a_criterion_scales_with_its_threshold() -> None:
    source = np.random.default_rng(6)
    x = block({"central_x": 100 * source.standard_normal((3, 300))}, rate_hz=RATE)
    for table, names in (
        ({"family": "velocity_change", "threshold_m_s": 1.5, "leak_g": 2.0}, ["threshold_m_s"]),
        ({"family": "predicted_displacement"}, ["travel_mm", "guard_m_s"]),
        ({"family": "energy"}, ["threshold_g2_ms"]),
        ({"family": "band_energy"}, ["threshold_g"]),
    ):
        rule = rule_from_table(table)
        scaled = replace(rule, **{name: 1.7 * getattr(rule, name) for name in names})
        np.testing.assert_allclose(scaled.demand(x), rule.demand(x) / 1.7, rtol=1e-12)


def test_faults_of_operators() -> None:
    with pytest.raises(InputError, match="count: got 3; expected at most 2"):
        op.AtLeast((A, B), count=3)
    with pytest.raises(InputError, match="one rule or more"):
        op.AllOf(())
    with pytest.raises(InputError, match="got 'x'; expected a rule"):
        op.Held(rule="x")
    with pytest.raises(InputError, match=r"stages\[1\].*a level above 1"):
        Staged(rule=A, measure=B, stages=((1.0, 0.5), (0.5, 0.4)))


def test_shared_parts_are_computed_once_and_give_the_same() -> None:
    calls = []

    @dataclass(frozen=True)
    class Counting(Raw):
        def demand(self, samples):
            calls.append(self.channel)
            return Raw.demand(self, samples)

    x = made(7)
    part = Counting("central_x")
    rules = [op.Held(rule=part, hold_ms=2.0) & B, part | C, op.Armed(main=part, arming=part)]
    alone = [rule.demand(x) for rule in rules]
    assert len(calls) == 4
    calls.clear()
    with sharing():
        together = [rule.demand(x) for rule in rules]
    assert calls == ["central_x"]
    for one, other in zip(alone, together, strict=True):
        np.testing.assert_array_equal(one, other)
    assert rules[0].demand(made(8)).shape == x.valid["central_x"].shape
    assert len(calls) == 2  # outside the block nothing is kept


def test_a_sweep_counts_a_leaf_exactly_at_its_threshold() -> None:
    x = block({"central_x": np.array([[0.5, 2.0]]), "central_y": np.array([[1.0, 1.0]])},
              rate_hz=RATE)  # fmt: skip
    swept = swept_demand(A & B, x, sweep={"of[0]"})
    assert swept.tolist() == [[0.5, 2.0]]


def test_a_rule_of_ones_own_is_taken_to_read_the_context_unless_it_says_otherwise() -> None:
    @dataclass(frozen=True)
    class BeltedOnly(VelocityChange):
        def demand(self, samples):
            return VelocityChange.demand(self, samples) * (1.0 if samples.context.belted else 3.0)

    @dataclass(frozen=True)
    class Says(BeltedOnly):
        context_free = True

    criterion = VelocityChange()
    assert not reads_context(criterion)
    assert not reads_context(op.Armed(main=criterion, arming=criterion, hold_ms=3.0))
    assert reads_context(SeatOccupied(rule=criterion))
    assert reads_context(op.BeltSwitch(belted=criterion, unbelted=criterion))
    assert reads_context(BeltedOnly())
    assert reads_context(op.AllOf((VelocityChange(), BeltedOnly())))
    assert not reads_context(Says())


@pytest.mark.parametrize("name", tables())
def test_a_rule_says_whether_it_reads_the_context(name: str) -> None:
    """Demand in all states of belts and seats: rows of one state stand for all if it does not."""
    rule = rule_from_table(tables()[name])
    samples = rows(noisy_pulses(), [3, 7])
    flags = [item.name for item in fields(Context) if item.type == "bool"]
    assert len(flags) > 1
    states = [replace(Context(), **{flag: told}) for flag in flags for told in (True, False)]
    first, *others = (rule.demand(replace(samples, context=state)) for state in states)
    differs = any(not np.array_equal(first, other) for other in others)
    assert reads_context(rule) == differs
