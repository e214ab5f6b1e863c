"""Why did it fire: the branch, the time and the inputs."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest
from rules_support import G, samples, square

from crashsense.event import Context
from crashsense.rules import Rule, rule_from_table
from crashsense.rules.amounts import Amount
from crashsense.rules.composition import AllOf, AnyOf
from crashsense.rules.sweep import swept_demand
from crashsense.rules.velocity import VelocityChange
from crashsense.rules.why import why, why_not_by

RULE = rule_from_table(
    {
        "family": "armed",
        "hold_ms": 20.0,
        "main": {
            "family": "any_of",
            "of": [
                {"family": "velocity_change", "threshold_m_s": 1.0},
                {"family": "window_velocity", "window_ms": 5.0, "threshold_m_s": 4.0},
            ],
        },
        "arming": {"family": "level", "channel": "-central_safing_x", "threshold_g": 3.0,
                   "window_ms": 0.5},
    }
)  # fmt: skip


def test_the_deciding_branch_and_its_inputs() -> None:
    x = samples(central_x=-square(20 * G, 0.1), central_safing_x=-square(10 * G, 0.1))
    found = why(RULE, x)
    assert found.fired
    assert found.tick == int(np.argmax(RULE.demand(x)[0] >= 1.0))
    assert found.time_s == x.times_s[0, found.tick]
    assert [branch.path for branch in found.deciding] == ["main.of[0]"]
    branch = found.deciding[0]
    assert branch.first_tick == found.tick
    assert [item.channel for item in branch.inputs] == ["central_x"]
    assert branch.inputs[0].value == pytest.approx(-20 * G)
    text = "\n".join(found.lines())
    assert "central_x -20 g" in text
    assert "arming: level demand 3.333, reached 1 at" in text


def test_arming_that_holds_back_is_named() -> None:
    x = samples(central_x=-square(20 * G, 0.1), central_safing_x=-square(2 * G, 0.1))
    found = why(RULE, x)
    assert not found.fired
    assert [branch.path for branch in found.deciding] == ["arming"]
    assert "did not fire" in found.lines()[0]


def test_a_missing_channel_is_named() -> None:
    rule = rule_from_table(
        {
            "family": "fallback",
            "rule": {"family": "level", "channel": "-central_safing_x"},
            "otherwise": {"family": "level", "channel": "-central_x"},
        }
    )
    found = why(rule, samples(central_x=-square(20 * G, 0.1)))
    assert [branch.path for branch in found.deciding] == ["otherwise"]
    assert any("central_safing_x not valid" in line for line in found.lines())


DEEP = rule_from_table(
    {
        "family": "any_of",
        "of": [
            {"family": "velocity_change", "threshold_m_s": 6.0},
            {"family": "window_velocity", "window_ms": 5.0, "threshold_m_s": 9.0},
        ],
    }
)


def test_what_was_short_at_a_time_stands_in_its_unit() -> None:
    # 10 g from time zero: V = a t, 3.9 of 6 m/s after 40 ms.
    x = samples(central_x=-square(10 * G, 0.1))
    found = why_not_by(DEEP, x, by_s=0.04)
    assert found is not None
    (nearest,) = found.deciding
    (amount,) = nearest.amounts
    velocity = nearest.demand * 6.0
    assert nearest.path == "of[0]"
    assert (amount.value, amount.threshold, amount.unit) == (pytest.approx(velocity), 6.0, "m/s")
    assert found.time_s <= 0.04 + 1e-9
    assert found.tick == np.flatnonzero(x.times_s[0] <= 0.04 + 1e-9)[-1]
    first = found.short_lines()[0]
    assert f"of[0]: velocity change {velocity:.1f} of 6.0 m/s" in first
    assert f"short by {6.0 - velocity:.3g} m/s" in first


def test_nothing_was_near_where_demand_was_zero() -> None:
    x = samples(central_x=np.zeros(200))
    assert why_not_by(DEEP, x, by_s=1.0) is None
    x = samples(central_x=-square(10 * G, 0.1))
    assert why_not_by(DEEP, x, by_s=float(x.times_s[0, 0]) - 0.001) is None


def test_the_branch_of_the_other_belt_state_is_one_line() -> None:
    switch = rule_from_table(
        {"family": "belt_switch", "belted": {"family": "velocity_change"}, "unbelted":
         {"family": "all_of", "of": [{"family": "jerk"}, {"family": "energy"}]}}
    )  # fmt: skip
    lines = why(switch, samples(central_x=-square(20 * G, 0.1))).lines()
    assert [line.strip() for line in lines if "unbelted" in line] == [
        "unbelted: all_of does not count: the event is belted"
    ]
    assert not [line for line in lines if "jerk" in line or "energy" in line]


def test_a_held_branch_is_shown_at_the_sample_that_was_held() -> None:
    pulse = -square(20 * G, 0.1)
    safing = np.zeros_like(pulse)
    first = int(np.flatnonzero(pulse)[0])
    safing[..., first : first + 4] = -10 * G
    rule = rule_from_table(
        {"family": "armed", "hold_ms": 60.0, "main": {"family": "velocity_change"},
         "arming": {"family": "level", "threshold_g": 3.0, "window_ms": 0.5}}
    )  # fmt: skip
    found = why(rule, samples(central_x=pulse, central_safing_x=safing))
    arming = found.root.parts[1]
    assert arming.tick < found.tick
    assert arming.amounts[0].value == pytest.approx(10.0)
    assert arming.inputs[0].value == pytest.approx(-10 * G)


def test_a_moved_threshold_is_shown_as_it_was_compared() -> None:
    plain = {"family": "velocity_change", "threshold_m_s": 2.0}
    x = samples(central_x=-square(20 * G, 0.1))
    for table, factor in (
        ({"family": "scaled", "factor": 0.5, "rule": plain}, 2.0),
        ({"family": "raised_by", "gain": 100.0, "maximum": 3.0, "rule": plain,
          "measure": {"family": "level", "channel": "-central_x", "threshold_g": 1.0}}, 3.0),
    ):  # fmt: skip
        found = why(rule_from_table(table), x, tick=x.size // 2)
        amount = found.root.parts[0].amounts[0]
        assert amount.threshold == pytest.approx(2.0 * factor)
        assert amount.value / amount.threshold == pytest.approx(found.demand)
        assert f"threshold x {factor:g} by" in str(amount)


def test_lines_are_indented_by_their_depth_below_the_rule() -> None:
    x = samples(central_x=-square(20 * G, 0.1), central_safing_x=-square(10 * G, 0.1))
    found = why(RULE, x)
    branches = list(found.root.walk())
    assert {depth for depth, _ in branches} == {0, 1, 2}
    for line, (depth, branch) in zip(found.lines()[1:], branches, strict=True):
        text = line[2:].lstrip(" ")
        assert len(line[2:]) - len(text) == 2 * depth
        assert text.startswith(f"{branch.role}: {branch.family} demand")
        assert (line[0] == "*") == branch.decides


def test_readings_are_rows_of_a_table() -> None:
    """Name, amount, threshold, share, unit and time of every criterion that counts."""
    x = samples(central_x=-square(20 * G, 0.1), central_safing_x=-square(10 * G, 0.1))
    found = why(RULE, x)
    velocity, window, arming = found.readings
    assert (velocity.criterion, velocity.unit, velocity.threshold) == (
        "velocity change", "m/s", 1.0,
    )  # fmt: skip
    assert velocity.amount == pytest.approx(20 * G * (found.tick - 99) / 2000.0)
    assert velocity.share == velocity.amount / velocity.threshold
    assert velocity.time_s == found.time_s
    assert velocity.decides
    assert not window.decides
    assert window.criterion == "velocity change in 5 ms"
    assert (arming.criterion, arming.path) == ("mean acceleration", "arming")


def test_a_reading_without_an_amount_is_its_demand() -> None:
    class Mine(Rule):
        requires = frozenset({"central_x"})

        def demand(self, samples):
            return np.full((samples.draws, samples.size), 0.25)

    (reading,) = why(Mine(), samples(central_x=np.zeros(50))).readings
    assert (reading.amount, reading.threshold, reading.unit) == (0.25, 1.0, "-")
    assert reading.criterion == "criterion"


def test_a_branch_that_does_not_count_gives_no_reading_and_a_measure_says_so() -> None:
    rule = rule_from_table(
        {"family": "belt_switch", "unbelted": {"family": "energy"}, "belted":
         {"family": "raised_by", "rule": {"family": "jerk"}, "measure": {"family": "variance"}}}
    )  # fmt: skip
    found = why(rule, samples(central_x=-square(20 * G, 0.1))).readings
    assert [(item.criterion, item.moves) for item in found] == [
        ("jerk", False), ("standard deviation of acceleration", True),
    ]  # fmt: skip


class Halved(AllOf):
    """A user-written operator: half the least; it says itself what that means."""

    scales = True

    def combine(self, demands, samples):
        return 0.5 * super().combine(demands, samples)

    def combine_swept(self, sweep, level):
        return super().combine_swept(sweep, 2.0 * level)

    def threshold_factor(self, samples, at):
        return 2.0


def test_an_operator_of_ones_own_is_explained_and_swept_by_its_own_methods() -> None:
    rule = Halved((VelocityChange(threshold_m_s=2.0), VelocityChange(threshold_m_s=1.0)))
    x = samples(central_x=-square(20 * G, 0.1))
    found = why(rule, x)
    first = found.readings[0]
    assert (first.threshold, first.share) == (4.0, pytest.approx(found.demand))
    np.testing.assert_array_equal(swept_demand(rule, x), rule.demand(x))


@pytest.mark.parametrize("upper", ["all_of", "any_of"])
@pytest.mark.parametrize("lower", ["all_of", "any_of"])
def test_the_nearest_is_the_criterion_that_makes_the_value(upper: str, lower: str) -> None:
    """Of the least or the largest: the first criterion whose demand is that of the whole."""
    parts = [
        {"family": "level", "channel": f"|central_{axis}|", "threshold_g": 500.0} for axis in "xyz"
    ]
    rule = rule_from_table({"family": upper, "of": [parts[0], {"family": lower, "of": parts[1:]}]})
    noise = np.random.default_rng(1).normal(0.0, 10 * G, (3, 60))
    x = samples(central_x=noise[0], central_y=noise[1], central_z=noise[2])
    seen = set()
    for tick in range(5, 60):
        root = why(rule, x, tick=tick).root
        leaves = [branch for _, branch in root.walk() if not branch.parts]
        wanted = next(leaf for leaf in leaves if leaf.demand == root.demand)
        assert root.nearest == wanted
        seen.add(wanted.path)
    assert seen == {"of[0]", "of[1].of[0]", "of[1].of[1]"}


def test_a_rule_that_does_not_count_is_not_the_nearest() -> None:
    rule = rule_from_table({"family": "seat_occupied", "rule": {"family": "level"}})
    nobody = Context(driver_seat_occupied=False, passenger_seat_occupied=False)
    root = why(rule, replace(samples(central_x=-square(20 * G, 0.1)), context=nobody)).root
    assert root.parts[0].matters
    assert root.parts[0].unused
    assert root.nearest == root


class Raw(Rule):
    """Demand is the channel itself."""

    requires: ClassVar[frozenset[str]] = frozenset()

    def __init__(self, channel: str) -> None:
        self.requires = frozenset({channel})
        self.channel = channel

    def demand(self, samples):
        return np.where(samples.valid[self.channel], samples.channels[self.channel], 0.0)


A, B, C = (Raw(f"central_{axis}") for axis in "xyz")
STEPS = np.random.default_rng(7).choice([0.0, 0.25, 0.75, 1.0, 1.25], (40, 3, 12))
STEPS[:20] *= 0.75  # nothing reaches 1


@pytest.mark.parametrize("pulse", STEPS)
def test_firing_and_first_reaching_1_are_at_the_first_sample_with_1_or_more(pulse) -> None:
    rule = AllOf((A, AnyOf((B, C))))
    x = samples(central_x=pulse[0], central_y=pulse[1], central_z=pulse[2])
    rows = {"": rule.demand(x)[0], "of[0]": pulse[0], "of[1].of[0]": pulse[1],
            "of[1]": np.maximum(pulse[1], pulse[2]), "of[1].of[1]": pulse[2]}  # fmt: skip
    found = why(rule, x)
    over = [tick for tick in range(12) if rows[""][tick] >= 1.0]
    largest = rows[""].tolist().index(max(rows[""]))
    assert (found.fired, found.tick) == (bool(over), over[0] if over else largest)
    for tick in (found.tick, 0, 5, 11):
        root = why(rule, x, tick=tick).root
        assert (root.decides, root.matters, root.moves) == (True, True, False)
        for _, branch in root.walk():
            row = rows[branch.path]
            first = [k for k in range(tick + 1) if row[k] >= 1.0][:1]
            assert (branch.tick, branch.demand) == (tick, row[tick])
            assert branch.first_tick == (first[0] if first else None)
            assert branch.first_s == (x.times_s[0, first[0]] if first else None)
            told = f"reached 1 at {1e3 * branch.first_s:.2f} ms" if first else "below 1 so far"
            inputs = "" if branch.parts else f" [{branch.inputs[0]}]"
            line = f"demand {row[tick]:.4g}, {told}{inputs}"
            assert branch.line(at=tick) == f"{branch.role}: {branch.family} {line}"
            late = f" at {1e3 * branch.time_s:.2f} ms, "
            assert branch.line(at=tick + 1) == branch.line(at=tick).replace(", ", late, 1)


def test_short_lines_leave_out_what_lies_below_a_branch_that_does_not_decide() -> None:
    rule = AllOf((A, AnyOf((B, C))))
    x = samples(central_x=np.full(5, 0.25), central_y=np.full(5, 0.5), central_z=np.full(5, 0.75))
    found = why(rule, x)
    long, short = found.lines()[1:], found.short_lines()
    assert [line.split(":")[0] for line in long] == [
        "* rule", "*   of[0]", "    of[1]", "      of[0]", "      of[1]",
    ]  # fmt: skip
    assert short[0] == "nearest: of[0]: demand 0.25 of 1 (25.0 %)"
    assert short[1:] == [
        long[0], long[1], f"{long[2]}; nearest there: Raw, demand 0.75 of 1",
    ]  # fmt: skip
    other = samples(central_x=np.ones(5), central_y=np.full(5, 0.5), central_z=np.full(5, 0.75))
    found = why(rule, other)
    assert found.short_lines()[0] == "nearest: of[1].of[1]: demand 0.75 of 1 (75.0 %)"
    assert found.short_lines()[1:] == found.lines()[1:]


@pytest.mark.parametrize(("level", "guard", "missing"), [
    (8.0, 1.0, "short by 0.5 mm"), (8.0, 4.0, "short by 0.5 mm and 2 m/s"),
    (6.0, 4.0, "short by 2 m/s"), (7.5, 2.0, None),
])  # fmt: skip
def test_what_is_missing_is_what_lacks_anything(level, guard, missing) -> None:
    class Two(Rule):
        requires = frozenset({"central_x"})

        def demand(self, samples):
            return np.full((1, samples.size), min(7.5 / level, 2.0 / guard))

        def amounts(self, samples, at):
            return Amount("travel", 7.5, level, "mm"), Amount("guard", 2.0, guard, "m/s")

    first = why(Two(), samples(central_x=np.zeros(9)), tick=4).short_lines()[0]
    assert first.partition(" %)")[2] == ("" if missing is None else f", {missing}")


def test_an_input_is_told_as_it_was_received_or_as_not_valid() -> None:
    class Three(Raw):
        uses = frozenset({"central_x", "central_y", "central_z"})

    rule = Three("central_x")
    x = samples(central_x=np.full(5, 3.0 * G), central_y=np.full(5, np.nan))
    tables = {t: dict(getattr(x, t)) for t in ("channels", "valid", "codes")}
    for table in tables.values():
        del table["central_z"]  # a sensor set without such a channel
    one, other, none = why(rule, replace(x, **tables)).root.inputs
    assert (one.channel, one.value, one.unit, one.valid) == ("central_x", 3.0 * G, "m/s^2", True)
    assert one.code == x.codes["central_x"][0, 0]
    assert str(one) == f"central_x 3 g (code {one.code})"
    assert [(item.valid, str(item)) for item in (other, none)] == [
        (False, "central_y not valid"), (False, "central_z not valid"),
    ]  # fmt: skip
    assert none.code is None
