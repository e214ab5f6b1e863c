"""A made-up run of a few events, so that pages and summaries are tested without any physics."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from crashsense.event import RESTRAINTS
from crashsense.reporting.view import RunView
from crashsense.results.tally import Tally
from crashsense.results.views import DemandChart, EventView, SensedChannel, Trace, intervals

FIRE = {
    "wall_56_belted": 18.0,
    "wall_25_belted": 30.0,
    "centre_pole_29_belted": 54.0,
    "barrier_40_belted": 37.0,
}
QUIET = ("kerb_strike", "pothole", "hammer_sill", "cobbles")


def demand_of(event: str, algorithm: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times [ms], main demand and arming demand of a made-up rule."""
    times = np.arange(-10.0, 150.0, 0.5)
    slow = FIRE.get(event, 40.0) / (0.8 if algorithm == "guarded" else 1.15)
    if event == "centre_pole_29_belted":
        slow *= 1.3
    peak = 3.0 if event in FIRE else 1.4 if event == "hammer_sill" else 0.5
    main = np.clip(times / slow, 0.0, None) ** 2 if event in FIRE else None
    if main is None:
        main = peak * np.exp(-(((times - 30.0) / 9.0) ** 2))
    main = np.minimum(main, peak)
    arming = np.where(times > 3.0, 1.6, 0.0) if event in FIRE else np.full(times.size, 0.4)
    return times, main, arming


def make_rows(draws: int = 0) -> list[dict[str, object]]:
    """Verdict rows of the made-up run."""
    rows = []
    for event in (*FIRE, *QUIET):
        for algorithm in ("plain", "guarded"):
            times, main, arming = demand_of(event, algorithm)
            for restraint in RESTRAINTS:
                for draw in range(draws + 1):
                    stage_1 = restraint == "front_airbag_stage_1"
                    required = FIRE.get(event)
                    expectation = "no_fire" if event in QUIET else "fire" if stage_1 else "open"
                    demand = (main if algorithm == "plain" else np.minimum(main, arming)) * stage_1
                    demand = demand * (1.0 + 0.02 * draw)
                    running = np.maximum.accumulate(demand)
                    hit = np.flatnonzero(running >= 1.0)
                    fire = float(times[hit[0]]) if hit.size else np.nan
                    at = np.nan
                    if expectation == "fire":
                        at = float(running[np.searchsorted(times, required, "right") - 1])
                        verdict = "missed" if not hit.size else "on_time"
                        verdict = "late" if hit.size and fire > required else verdict
                        margin = at - 1.0
                    elif expectation == "no_fire":
                        verdict = "inadvertent" if hit.size else "held"
                        margin = 1.0 - float(running[-1])
                    else:
                        verdict = "open_fired" if hit.size else "open_held"
                        margin = np.nan
                    held_by = None
                    if verdict == "held":
                        held_by = "main"
                        if stage_1 and algorithm == "guarded":
                            held_by = "arming" if main.max() >= 1.0 else "both"
                    rows.append(
                        {
                            "event": event,
                            "family": "frontal" if event in FIRE else "misuse",
                            "occurrence": event.removesuffix("_belted"),
                            "restraint": restraint,
                            "sensor_set": "standard",
                            "algorithm": algorithm,
                            "draw": draw,
                            "expectation": expectation,
                            "required_time_ms": required if expectation == "fire" else np.nan,
                            "fire_time_ms": fire,
                            "time_margin_ms": required - fire if expectation == "fire" else np.nan,
                            "max_demand": float(running[-1]),
                            "demand_at_required_time": at,
                            "demand_margin": margin,
                            "arming_time_ms": 3.5 if algorithm == "guarded" else np.nan,
                            "infeasible": False,
                            "waived": False,
                            "reason": None,
                            "held_by": held_by,
                            "path": "full",
                            "verdict": verdict,
                        }
                    )
    return rows


def make_event_view(event: str) -> EventView:
    """Traces of a made-up event: a noisy half-sine that clips at 50 g."""
    rng = np.random.default_rng(len(event))
    fine = np.arange(-10.0, 150.0, 0.1)
    pulse = np.where((fine > 0) & (fine < 90), -25.0 * np.sin(np.pi * fine / 90.0), 0.0)
    raw = pulse + np.where(fine > 0, 25.0, 0.0) * np.exp(-fine.clip(0) / 30.0) * rng.normal(
        size=fine.size
    )
    coarse = raw.clip(-50, 50)[::5]
    channels = [
        SensedChannel(
            "central_x",
            "standard",
            "g",
            Trace("raw", fine, raw),
            Trace("sensed", fine[::5] + 1.1, coarse),
            range_value=50.0,
            clipped_before_filter=int((np.abs(raw) > 50.0).sum()),
            beyond_ms=intervals(fine, np.abs(raw) > 50.0),
        )
    ]
    demands = []
    for algorithm in ("guarded", "plain"):
        times, main, arming = demand_of(event, algorithm)
        traces = [Trace("main", times, main)]
        total = main
        if algorithm == "guarded":
            traces.append(Trace("arming", times, arming))
            total = np.minimum(main, arming)
        traces.append(Trace("total", times, total))
        armed = algorithm == "plain"
        swept = Trace("swept", times, np.where(armed | (arming >= 1.0), main, 0.0))
        demands.append(
            DemandChart("standard", algorithm, "front_airbag_stage_1", traces, swept=swept)
        )
    return EventView(
        event,
        title=f"made-up {event}",
        family="frontal" if event in FIRE else "misuse",
        belted=True,
        channels=channels,
        demands=demands,
        facts={"speed": "56 km/h"} if event in FIRE else {},
    )


def make_view(draws: int = 0, folder: object = None) -> RunView:
    """The made-up run."""
    separation = [
        {
            "sensor_set": "standard",
            "algorithm": algorithm,
            "restraint": "front_airbag_stage_1",
            "c": 1.08,
            "c_event": "wall_56_belted",
            "m": 0.5 if algorithm == "guarded" else 1.4,
            "m_event": "hammer_sill",
            "ratio": 1.08 / (0.5 if algorithm == "guarded" else 1.4),
            "infeasible": [],
        }
        for algorithm in ("guarded", "plain")
    ]
    frame = pd.DataFrame(make_rows(draws))
    return RunView(
        nominal=frame[frame["draw"] == 0].reset_index(drop=True),
        tally=Tally().add(frame),
        gating={"plain": False, "guarded": True},
        separation=separation,
        seed=1,
        folder=folder,  # type: ignore[arg-type]
        event_view=make_event_view,
        provenance={"version": "0.2.0"},
        statistics=(lambda: Tally().add(frame).statistics()) if draws else None,
    )


@pytest.fixture
def view() -> RunView:
    """A nominal run."""
    return make_view()


@pytest.fixture
def drawn_view() -> RunView:
    """A run with ten draws."""
    return make_view(10)
