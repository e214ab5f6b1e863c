"""What a rule's answer holds of each draw, against the draws one by one."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pulses_by_hand import pulse

from crashsense.event import Order, Requirement
from crashsense.rules import Algorithm, Rule, rule_from_table
from crashsense.rules.checked import rows
from crashsense.rules.conformance import block
from crashsense.scoring import Reached, judge, judge_order
from crashsense.sensing import load_sensor_set
from crashsense.trials.judge import (
    Answer,
    Judge,
    at_sensors,
    in_order,
    release_rules,
    valid_channels,
)
from crashsense.trials.rows import order_columns

STAGE_1 = "front_airbag_stage_1"
RATE = 2000.0
NAMES = ("central_x", "central_safing_x", "central_y")


def blocks(present: list[list[bool]]):
    """A block of 20 samples of which a draw has the channels that it is said to have."""
    source = np.random.default_rng(7)
    values = {name: source.normal(size=(len(present), 20)) for name in NAMES}
    for draw, there in enumerate(present):
        for name, is_there in zip(NAMES, there, strict=True):
            if not is_there:
                values[name][draw] = np.nan
            elif draw % 2:
                values[name][draw, :10] = np.nan  # lost for a time: it is there
    return block(values, rate_hz=RATE)


present_in = st.lists(st.lists(st.booleans(), min_size=3, max_size=3), min_size=1, max_size=6)


@given(present_in)
def test_draws_are_grouped_by_the_channels_that_they_have(present):
    samples = blocks(present)
    seen = set()
    for pattern, draws in valid_channels(samples):
        assert draws.size
        for draw in draws.tolist():
            assert pattern == tuple(bool(v[draw].any()) for v in samples.valid.values())
            seen.add(draw)
    groups = valid_channels(samples)
    assert sum(draws.size for _, draws in groups) == len(seen) == len(present)
    assert len({pattern for pattern, _ in groups}) == len(groups)


def test_where_nothing_is_lost_all_draws_are_one_group():
    samples = blocks([[True] * 3] * 3)
    whole = replace(samples, valid={n: np.ones_like(v) for n, v in samples.valid.items()})
    ((pattern, draws),) = valid_channels(whole)
    assert pattern == (True,) * len(samples.valid)
    assert draws.tolist() == [0, 1, 2]


FALLBACK = rule_from_table(
    {
        "family": "fallback",
        "rule": {"family": "level", "channel": "-central_safing_x"},
        "otherwise": {
            "family": "any_of",
            "of": [{"family": "level", "channel": "-central_x"},
                   {"family": "level", "channel": "+central_y"}],
        },
    }
)  # fmt: skip


def judged(rule: Rule | None, **requirement: float) -> Judge:
    event = pulse("hand", 6.0, fire=True)
    event = replace(event, quiet=frozenset({"central_safing_x", "central_y"}))
    asked = replace(event.requirements[STAGE_1], **requirement)
    event = replace(event, requirements={**event.requirements, STAGE_1: asked})
    sensors = load_sensor_set("standard")
    # Later than all others, so that the shortest transport says which channels were read.
    late = replace(sensors.sensors["central_safing_x"], slot_start_s=3e-3)
    sensors = replace(sensors, sensors={**sensors.sensors, "central_safing_x": late})
    rules = {} if rule is None else {STAGE_1: rule}
    return Judge(
        event, Algorithm("one", rules=rules or {"curtain_left": FALLBACK}), STAGE_1, sensors
    )


@pytest.mark.parametrize("order", [1, -1])
def test_delay_and_cut_samples_are_those_of_the_channels_that_a_draw_reads(order):
    """A rule that falls back reads other channels where one is missing, draw by draw."""
    present = [[True, True, True], [True, False, True], [True, True, True], [True, False, True]]
    samples = blocks(present[::order])
    one = judged(FALLBACK)
    cut = {name: np.arange(4) + 10 ** (k + 1) for k, name in enumerate(NAMES)}
    found = one.heard(samples, cut, required_s=np.full(4, 0.1), valid=valid_channels(samples))
    differ = set()
    for draw in range(4):
        active = FALLBACK.active(rows(samples, [draw]))
        delays = [one.sensor_set.transport_s(name) for name in active]
        assert found.delay_s[draw] == min(delays)
        assert found.clipped[draw] == sum(cut[name][draw] for name in active)
        differ.add((found.delay_s[draw], len(active)))
    assert len(differ) == 2
    assert found.found is not None
    assert found.errors == {}


BY_BELT = rule_from_table(
    {
        "family": "belt_switch",
        "belted": {"family": "level", "channel": "-central_safing_x"},
        "unbelted": {"family": "level", "channel": "-central_x"},
    }
)


def test_what_a_rule_reads_is_found_once_for_a_context_and_the_channels_there():
    one = judged(BY_BELT)
    belted = blocks([[True] * 3] * 2)
    unbelted = replace(belted, context=replace(belted.context, belted=False))
    found = [
        one.heard(samples, {}, required_s=np.full(2, 0.1), valid=valid_channels(samples)).delay_s
        for samples in (belted, unbelted, belted)
    ]
    wanted = [one.sensor_set.transport_s(name) for name in ("central_safing_x", "central_x")]
    assert [delay[0] for delay in found] == [wanted[0], wanted[1], wanted[0]]
    assert wanted[0] != wanted[1]
    kept = at_sensors(BY_BELT, one.sensor_set)
    assert kept is at_sensors(BY_BELT, one.sensor_set)
    release_rules()
    assert kept is not at_sensors(BY_BELT, one.sensor_set)


class Failing(type(FALLBACK)):  # type: ignore[misc]
    """Fails where the safing channel is missing."""

    def active(self, samples):
        if not samples.valid["central_safing_x"].any():
            raise ZeroDivisionError("on purpose")
        return super().active(samples)


def test_a_rule_that_fails_when_asked_what_it_reads_fails_in_those_draws_alone():
    rule = Failing(**{field.name: getattr(FALLBACK, field.name) for field in fields(FALLBACK)})
    samples = blocks([[True, True, True], [True, False, True], [True, False, True]])
    one = judged(rule)
    found = one.heard(samples, {}, required_s=np.full(3, 0.1), valid=valid_channels(samples))
    assert sorted(found.errors) == [1, 2]
    assert all("on purpose" in text for text in found.errors.values())
    # What it would have read is unknown: all that it may read counts.
    shortest = min(one.sensor_set.transport_s(name) for name in rule.uses)
    assert found.delay_s[1:].tolist() == [shortest] * 2
    # Of a rule of the user nothing is kept: what it says of itself may change.
    assert at_sensors(rule, one.sensor_set) is not at_sensors(rule, one.sensor_set)


def test_what_cannot_be_asked_says_why_and_reaches_nothing():
    samples = blocks([[True] * 3] * 2)
    valid = valid_channels(samples)
    for rule, reason in (
        (None, "one has no rule for it"),
        (rule_from_table({"family": "level", "channel": "+side_left_y"}), "side_left_y absent"),
    ):
        one = judged(rule)
        assert not one.asked
        found = one.heard(samples, {}, required_s=np.full(2, 0.1), valid=valid)
        assert reason in found.reason
        assert found.found is None
        assert found.delay_s.tolist() == found.clipped.tolist() == [0, 0]


def answer(ticks: list[int], *, errors: dict[int, str], found: bool = True) -> Answer:
    size = len(ticks)
    source = np.random.default_rng(size)
    reached = Reached(
        fire=np.array(ticks), main=np.array(ticks), arming=np.full(size, -2),
        **{name: source.uniform(0.0, 2.0, size) for name in
           ("max_demand", "at_required", "before_allowed", "in_time")},
    )  # fmt: skip
    return Answer(
        source.uniform(0.01, 0.1, size), source.uniform(0.0, 0.002, size),
        source.integers(0, 9, size), reached if found else None,
        "" if found else "no sensor for it", {k: v for k, v in errors.items() if k < size},
        {"total": source.uniform(0.0, 2.0, (size, 5))} if found else {},
    )  # fmt: skip


ticks_of = st.lists(st.integers(-1, 60), min_size=1, max_size=5)


def same(one: Answer, other: Answer) -> None:
    for name in ("required_s", "delay_s", "clipped"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert (one.reason, dict(one.errors)) == (other.reason, dict(other.errors))
    assert one.branches.keys() == other.branches.keys()
    for name, demand in one.branches.items():
        np.testing.assert_array_equal(demand, other.branches[name])
    assert (one.found is None) == (other.found is None)
    for item in fields(Reached):
        if one.found is not None and other.found is not None:
            np.testing.assert_array_equal(
                getattr(one.found, item.name), getattr(other.found, item.name)
            )


@given(st.lists(ticks_of, min_size=1, max_size=3), st.booleans())
def test_answers_that_are_joined_and_taken_apart_are_what_they_were(parts, found):
    errors = {0: "boo", 3: "bah"}
    answers = [answer(ticks, errors=errors, found=found) for ticks in parts]
    whole = Answer.joined(answers)
    first = 0
    for part in answers:
        size = part.required_s.size
        same(whole.taken(range(first, first + size)), part)
        first += size
    assert whole.required_s.size == first
    backwards = list(range(first))[::-1]
    same(whole.taken(backwards).taken(backwards), whole)


@given(ticks_of, ticks_of, st.sampled_from([{}, {0: "boo"}, {1: "bah"}]), st.booleans())
def test_an_order_is_that_of_fire_times_draw_by_draw(mine, other, errors, most):
    size = min(len(mine), len(other))
    start_s = np.linspace(-0.05, -0.0495, size)
    one = answer(mine[:size], errors={})
    two = answer(other[:size], errors=errors)
    order = Order(STAGE_1, basis="test", least_s=0.002, most_s=0.010 if most else None)
    found = in_order(order, one, two, start_s=start_s, rate_hz=RATE)
    for draw in range(size):
        times = [
            start_s[draw] + ticks[draw] / RATE if ticks[draw] >= 0 else np.nan
            for ticks in (mine, other)
        ]
        if draw in two.errors:
            times[1] = np.nan
        np.testing.assert_array_equal([found.fire_s[draw], found.other_s[draw]], times)
        alone = judge_order(
            np.array(times[:1]), np.array(times[1:]), least_s=order.least_s, most_s=order.most_s
        )
        failed = draw in two.errors
        verdict = "not_evaluated" if failed else alone.verdict[0]
        assert found.scores.verdict[draw] == verdict
        margin = np.nan if failed else alone.margin_s[0]
        np.testing.assert_array_equal(found.scores.margin_s[draw], margin)
        told = found.reason(draw)
        delay = 1e3 * (times[0] - times[1])
        expected = {
            "not_evaluated": f"the rule of {STAGE_1} failed",
            "alone": f"{STAGE_1} never fires",
            "out_of_order": f"{-delay:.2f} ms before {STAGE_1}",
            "too_soon": f"{delay:.2f} ms after {STAGE_1}, at least 2 ms is asked",
            "too_late": f"{delay:.2f} ms after {STAGE_1}, at most 10 ms is asked",
        }
        assert told == expected.get(verdict, "")


def test_an_order_with_a_restraint_that_is_not_judged_is_not_judged():
    one, two = answer([5, 6], errors={}), answer([1, 2], errors={}, found=False)
    order = Order(STAGE_1, basis="test")
    for mine, other, who in ((one, two, STAGE_1), (two, one, "the restraint")):
        found = in_order(order, mine, other, start_s=np.zeros(2), rate_hz=RATE)
        assert found.scores.verdict.tolist() == ["not_evaluated"] * 2
        assert found.reason(1) == f"{who} not evaluated: no sensor for it"
        columns = order_columns(found)
        assert columns["reason"].tolist() == [found.reason(at) for at in range(2)]
        assert columns["infeasible"] is False


def test_an_answer_is_scored_against_its_requirement_and_as_nothing_where_none_could_be_had():
    requirement = Requirement(
        "fire", required_s=0.03, origin_s=0.004, not_before_s=0.002, basis="test"
    )
    start_s = np.full(3, -0.05)
    for found in (True, False):
        one = answer([120, -1, 160], errors={}, found=found)
        scores = one.scores(requirement, start_s=start_s, rate_hz=RATE)
        wanted = judge(
            one.found or Reached.nothing(3), start_s=start_s, rate_hz=RATE, expectation="fire",
            required_s=one.required_s, origin_s=0.004, not_before_s=0.002,
            chain_delay_s=one.delay_s,
        )  # fmt: skip
        for item in fields(type(scores)):
            np.testing.assert_array_equal(getattr(scores, item.name), getattr(wanted, item.name))
        times = one.fire_s(start_s=start_s, rate_hz=RATE)
        expected = [0.01, np.nan, 0.03] if found else [np.nan] * 3
        np.testing.assert_allclose(times, expected, rtol=0, atol=1e-12)
