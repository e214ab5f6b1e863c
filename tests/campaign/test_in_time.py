"""A restraint that fires in time is on time, however long the filter of its sensor is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crashsense.campaign import evaluate
from crashsense.event import Event
from crashsense.rules import Algorithm, rule_from_table
from crashsense.signal import Signal
from crashsense.synthesis import load_events

STAGE_1 = "front_airbag_stage_1"


def hard_event(required_s: float) -> Event:
    """A step of 60 g at the contact; stage 1 must fire by *required_s*."""
    base = load_events(["pole_centre_56"])[0]
    times = -0.06 + np.arange(2000) / 10_000.0
    hit = Signal(
        np.where(times >= 0.0, -600.0, 0.0),
        rate_hz=10_000.0,
        start_s=-0.06,
        unit="m/s^2",
        axis="x",
        location="central",
    )
    asked = replace(base.requirements[STAGE_1], required_s=required_s, origin_s=0.0)
    return replace(
        base,
        name="hard",
        signals={"central_x": hit},
        quiet=frozenset(),
        source=None,
        requirements={**base.requirements, STAGE_1: asked},
    )


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    ("required_ms", "verdict", "infeasible"),
    [(1.6, "on_time", False), (1.45, "on_time", False), (1.4, "late", False), (0.9, "late", True)],
)
def test_verdict_follows_the_clock(required_ms: float, verdict: str, infeasible: bool) -> None:
    level = {"family": "level", "channel": "-central_x", "threshold_g": 10.0, "window_ms": 0.5}
    algorithm = Algorithm("quick", rules={STAGE_1: rule_from_table(level)})
    table = evaluate(events=[hard_event(required_ms * 1e-3)], algorithms=[algorithm]).verdicts
    row = table[table["restraint"] == STAGE_1].iloc[0]
    assert row["fire_time_ms"] == pytest.approx(1.45)
    assert row["time_margin_ms"] == pytest.approx(required_ms - 1.45)
    assert (row["verdict"], bool(row["infeasible"])) == (verdict, infeasible)
