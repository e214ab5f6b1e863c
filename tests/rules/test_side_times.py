"""Times of the side rules, tick by tick, against what their parameters say."""

from __future__ import annotations

import numpy as np
import pytest
from rules_support import RATE, G, samples

from crashsense.rules import rule_from_table

SIZE = 400


@pytest.mark.parametrize("hold_ms", [0.0, 0.5, 3.0, 10.0])
def test_agreement_of_the_other_element_lasts_as_long_as_it_is_held(hold_ms):
    """One tick above the plausibility: that tick and the hold time after it, to the tick."""
    other = np.zeros(SIZE)
    other[100] = 5.0 * G
    rule = rule_from_table(
        {"family": "side_velocity", "channel": "+side_left_y", "threshold_m_s": 0.1,
         "plausible": "+central_y", "plausible_g": 4.0, "plausible_window_ms": 0.5,
         "plausible_hold_ms": hold_ms}
    )  # fmt: skip
    given = samples(side_left_y=np.full(SIZE, 30.0 * G), central_y=other)
    demand = rule.demand(given)[0]
    held = np.flatnonzero(demand > 0.0)
    assert held.tolist() == list(range(100, 101 + round(hold_ms * 1e-3 * RATE)))
    assert demand[held] == pytest.approx(5.0 / 4.0)


def test_a_slope_needs_two_samples_and_takes_no_more_if_its_window_is_shorter():
    """A step of 1 % of the ambient pressure in one tick of 0.5 ms: 2 %/ms, at that tick alone."""
    ambient = 101_325.0
    step = np.where(np.arange(SIZE) >= 100, 0.01 * ambient, 0.0)
    for window_ms in (0.5, 1.0):
        rule = rule_from_table(
            {"family": "door_pressure_slope", "window_ms": window_ms, "threshold_percent_ms": 1.0}
        )
        demand = rule.demand(samples(door_left_pressure=step))[0]
        assert np.flatnonzero(demand > 1e-9).tolist() == [100]
        assert demand[100] == pytest.approx(2.0, rel=1e-3)
