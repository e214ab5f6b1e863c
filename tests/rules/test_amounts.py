"""Criteria against their thresholds, in the unit of the trade."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from rules_support import G, half_sine, samples

import crashsense.rules
from crashsense.rules import rule_families, rule_from_table
from crashsense.rules.amounts import pair_text
from crashsense.rules.composition import Composite
from crashsense.rules.conformance import rows, stimulus
from crashsense.rules.plugins import PythonRule, rules_in_process

EXAMPLES = Path(crashsense.rules.__file__).parent / "examples"

CRITERIA = sorted(
    name
    for name, family in rule_families().items()
    if not issubclass(family, Composite) and name not in ("python", "c_library")
)


@pytest.mark.parametrize("family", CRITERIA)
def test_demand_is_the_least_share_of_what_is_needed(family: str) -> None:
    rule = rule_from_table({"family": family})
    block = stimulus(rule).pulses
    seen = 0
    for draw in range(block.draws):
        one = rows(block, [draw])
        demand = rule.demand(one)[0]
        for tick in range(50, one.size, 37):
            if demand[tick] == 0.0:
                continue
            found = rule.amounts(one, tick)
            assert found
            assert all(item.unit for item in found)
            least = min(item.value / item.threshold for item in found)
            assert least == pytest.approx(demand[tick], rel=1e-9)
            seen += 1
    assert seen > 3


def test_a_guard_and_a_plausibility_stand_beside_the_criterion() -> None:
    x = samples(
        central_x=-half_sine(20 * G, 0.1), side_left_y=half_sine(20 * G, 0.1),
        central_y=half_sine(2 * G, 0.1),
    )  # fmt: skip
    tick = 150
    travel, guard = rule_from_table({"family": "displacement"}).amounts(x, tick)
    assert (travel.unit, guard.unit) == ("mm", "m/s")
    side = rule_from_table({"family": "side_velocity", "plausible": "+central_y"})
    own, other = side.amounts(x, tick)
    assert (own.unit, other.unit) == ("m/s", "g")
    assert "central_y" in other.name


def test_several_windows_name_the_one_that_counts() -> None:
    x = samples(central_x=-half_sine(20 * G, 0.1))
    rule = rule_from_table({"family": "window_velocity", "windows": [[5.0, 0.5], [30.0, 50.0]]})
    (amount,) = rule.amounts(x, 150)
    assert amount.name == "velocity change in 5 ms"
    assert amount.threshold == 0.5


@pytest.mark.slow
def test_a_rule_of_ones_own_tells_by_the_name_of_its_threshold(tmp_path: Path) -> None:
    x = samples(central_x=-half_sine(20 * G, 0.1))
    place = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
    for rule, threshold in (
        (PythonRule(file=place, parameters={"threshold_m_s": 2.5}), 2.5),
        (PythonRule(file=place), None),
    ):
        (amount,) = rule.amounts(x, 150)
        assert amount.unit == "m/s"
        assert threshold in (amount.threshold, None)
        assert amount.value / amount.threshold == pytest.approx(rule.demand(x)[0, 150])
    (tmp_path / "none.py").write_text(
        "class Plain:\n    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame): return 0.5\n"
    )
    assert PythonRule(file=f"{tmp_path}/none.py:Plain").amounts(x, 150) == ()


def test_a_rule_of_ones_own_that_scales_reached_its_demand_times_its_threshold() -> None:
    x = samples(central_x=-half_sine(20 * G, 0.1))
    with rules_in_process():
        place = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
        rule = PythonRule(file=place, parameters={"threshold_m_s": 2.5})
    (amount,) = rule.amounts(x, 150)
    demand = rule.demand(x)[0, 150]
    assert demand > 0.0
    assert (amount.unit, amount.threshold) == ("m/s", 2.5)
    assert amount.value == pytest.approx(2.5 * demand)


def test_rounding_never_hides_which_is_larger() -> None:
    assert pair_text(1.8, 1.8) == ("1.80", "1.80")
    source = np.random.default_rng(5)
    pairs = np.stack([source.uniform(0.0, 200.0, 200), np.full(200, 6.0)], axis=-1)
    pairs = np.concatenate([pairs, [[6.0 - 1e-7, 6.0], [120.0 + 1e-6, 120.0]]])
    for value, threshold in pairs:
        left, right = (float(text) for text in pair_text(float(value), float(threshold)))
        assert np.sign(left - right) == np.sign(value - threshold)
