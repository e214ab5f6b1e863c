"""Separation: which threshold scales work, by definition and by trying them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from crashsense.scoring import score, separation

RATE_HZ = 1000.0


def row(event: str, demand: list[float], expectation: str, **changes: Any) -> dict[str, Any]:
    """A row of a verdict table from a demand series whose sample i is finished at i ms."""
    values = np.array([demand], dtype=np.float64)
    required = np.array([changes.pop("required_s", 0.002 if expectation == "fire" else np.nan)])
    got = score(
        {"total": values, "main": values},
        start_s=np.zeros(1),
        rate_hz=RATE_HZ,
        expectation=expectation,
        required_s=required,
        **changes,
    )
    return {
        "event": event,
        "sensor_set": "s",
        "algorithm": "a",
        "restraint": "front_airbag_stage_1",
        "expectation": expectation,
        "verdict": got.verdict[0],
        "infeasible": got.infeasible[0],
        "max_demand": got.max_demand[0],
        "demand_before_allowed": got.demand_before_allowed[0],
        "demand_margin": got.demand_margin[0],
    }


def test_least_must_fire_and_largest_must_not() -> None:
    (found,) = separation(
        pd.DataFrame(
            [
                row("wall", [0, 1.5, 2.5, 9.0], "fire"),
                row("pole", [0, 0.5, 1.25, 9.0], "fire"),
                row("kerb", [0, 0.5, 0.25, 0.75], "no_fire"),
                row("pothole", [0, 0.25, 0.25, 0.5], "no_fire"),
                row("grey", [0, 5.0, 5.0, 5.0], "open"),
            ]
        )
    )
    assert (found.c, found.c_event) == (1.25, "pole")
    assert (found.m, found.m_event) == (0.75, "kerb")
    assert found.ratio == pytest.approx(1.25 / 0.75)
    assert found.as_dict()["ratio"] == found.ratio


@pytest.mark.parametrize("scale", [0.5, 0.75, 0.8, 1.0, 1.25, 1.3])
def test_a_scale_works_exactly_between_m_and_c(scale: float) -> None:
    series = {"wall": [0, 1.5, 2.5], "pole": [0, 0.5, 1.25], "kerb": [0, 0.75, 0.5]}
    kinds = {"wall": "fire", "pole": "fire", "kerb": "no_fire"}
    (found,) = separation(pd.DataFrame([row(n, d, kinds[n]) for n, d in series.items()]))
    assert found.c is not None
    assert found.m is not None
    scaled = [row(n, [v / scale for v in d], kinds[n]) for n, d in series.items()]
    works = all(r["verdict"] in ("on_time", "held") for r in scaled)
    assert works == (found.m < scale <= found.c)


def test_empty_sets_are_none_and_no_ratio() -> None:
    (only_fire,) = separation(pd.DataFrame([row("wall", [0, 2.0], "fire")]))
    assert (only_fire.c, only_fire.m, only_fire.ratio) == (2.0, None, None)
    assert (only_fire.m_event, only_fire.m_early) == ("", False)
    (only_no,) = separation(pd.DataFrame([row("kerb", [0, 0.5], "no_fire")]))
    assert (only_no.c, only_no.m, only_no.ratio) == (None, 0.5, None)
    assert separation(pd.DataFrame([row("grey", [0, 0.5], "open")])) == []
    assert separation(pd.DataFrame([row("wall", [0, 2.0], "fire")]).iloc[:0]) == []


def test_a_silent_must_not_event_gives_m_zero_and_no_ratio() -> None:
    (found,) = separation(
        pd.DataFrame([row("wall", [0, 2.0], "fire"), row("kerb", [0, 0], "no_fire")])
    )
    assert (found.m, found.ratio) == (0.0, None)


def test_infeasible_rows_stay_outside_and_are_named() -> None:
    (found,) = separation(
        pd.DataFrame(
            [
                row("wall", [0, 2.0], "fire"),
                row("steep", [0, 0.1], "fire", required_s=-0.004),
                row("kerb", [0, 0.5], "no_fire"),
            ]
        )
    )
    assert found.c == 2.0
    assert found.infeasible == ("steep",)


def test_demand_before_the_allowed_time_counts_as_must_not() -> None:
    (found,) = separation(
        pd.DataFrame(
            [
                row("two hits", [0.9, 0.2, 2.0], "fire", not_before_s=0.001),
                row("kerb", [0, 0.5], "no_fire"),
            ]
        )
    )
    assert (found.m, found.m_event, found.m_early) == (0.9, "two hits", True)
    assert (found.must_fire, found.must_not) == (1, 1)
    assert found.ratio == pytest.approx(2.0 / 0.9)
    assert found.c == 2.0


def test_crashes_alone_give_a_bound_and_no_ratio() -> None:
    """Noise before the contact bounds k from below; it says nothing on how crashes stand apart."""
    noisy = row("wall", [0.01, 0.2, 2.0], "fire", not_before_s=0.001)
    (found,) = separation(pd.DataFrame([noisy]))
    assert (found.c, found.m, found.m_early, found.must_not) == (2.0, 0.01, True, 0)
    assert found.ratio is None
    given = found.as_dict()
    assert (given["must_fire"], given["must_not"], given["m_early"]) == (1, 0, True)


def test_rows_not_judged_and_rule_errors_stay_outside() -> None:
    rows = [row("wall", [0, 2.0], "fire"), row("kerb", [0, 0.5], "no_fire")]
    rows.append({**row("broken", [0, 0.1], "fire"), "verdict": "rule_error"})
    rows.append({**row("absent", [0, 3.0], "no_fire"), "verdict": "not_evaluated"})
    (found,) = separation(pd.DataFrame(rows))
    assert (found.c, found.m) == (2.0, 0.5)
