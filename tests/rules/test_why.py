"""Why did it fire: the branch, the time and the inputs."""

from __future__ import annotations

import numpy as np
import pytest
from rules_support import G, samples, square

from crashsense.rules import rule_from_table
from crashsense.rules.why import why

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
