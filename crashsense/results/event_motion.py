"""What a page shows of an event besides signals and demand: motion of the cabin, and the reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crashsense.errors import RuleError
from crashsense.event import Event
from crashsense.results.views import MotionView, Told, Trace
from crashsense.rules.checked import guarded
from crashsense.rules.contract import Rule
from crashsense.scoring import ORDER_FAILURES
from crashsense.signal import cumulative_trapezoid
from crashsense.trials import Trial


def told_of(trial: Trial) -> list[Told]:
    """Explain the restraint that matters most, of a gating algorithm; nothing if all is quiet."""
    if not trial.algorithm.gate:
        return []
    weights = {}
    for restraint in trial.event.requirements:
        answer = trial.answer(restraint)
        asked = trial.event.requirements[restraint].expectation != "open"
        if not asked or not answer.branches or answer.errors:
            continue
        scores = trial.scores(restraint)
        verdict, margin = str(scores.verdict[0]), float(scores.demand_margin[0])
        place = _GRAVEST.index(verdict) if verdict in _GRAVEST else len(_GRAVEST)
        weights[restraint] = (place, margin if margin == margin else np.inf)
    if not weights:
        return []
    return told_about(trial, min(weights, key=lambda name: weights[name]))


def told_about(trial: Trial, restraint: str) -> list[Told]:
    """Explain one restraint; nothing if its rule fails or it has none."""
    if restraint not in trial.algorithm.rules:
        return []
    rule: Rule = trial.algorithm.rules[restraint]
    try:
        with guarded(rule):
            found = trial.explain(restraint)
    except RuleError:
        return []
    near, cause = found.nearest, found.cause
    inputs = () if cause is None or not cause.deciding else cause.deciding[0].inputs
    names = [item.channel for item in inputs if item.channel in trial.signals]
    return [
        Told(
            trial.sensor_set.name,
            trial.algorithm.name,
            restraint,
            found.headline,
            "" if near is None else near.criterion,
            names[0] if names else "",
        ),
        *_orders_told(trial),
    ]


def _orders_told(trial: Trial) -> list[Told]:
    """A sentence on each two restraints that do not follow each other as they must."""
    return [
        Told(
            trial.sensor_set.name, trial.algorithm.name, name, trial.explain(name).headline, "", ""
        )
        for name in trial.event.orders
        if trial.verdicts(name)[0] in ORDER_FAILURES
    ]


#: Verdicts, the gravest first; what is not among them comes last.
_GRAVEST = ("inadvertent", "early", "missed", "late", "on_time", "held")

#: Free travel beyond this [mm] is not drawn.
MOST_TRAVEL_MM = 400.0


def motion_of(event: Event) -> MotionView | None:
    """Velocity of the cabin and travel of a free occupant.

    From the rigid-body motion if it is known, else from the motion at the central sensor.
    """
    moved = dict(event.cabin)
    source = "rigid-body motion of the cabin"
    if not moved:
        moved = {
            axis: event.signals[f"central_{axis}"]
            for axis in ("x", "y")
            if f"central_{axis}" in event.signals
        }
        source = "integral of central_"
    changes = {
        axis: cumulative_trapezoid(signal.samples, step_s=1.0 / signal.rate_hz)
        for axis, signal in moved.items()
    }
    if not changes:
        return None
    axis = max(changes, key=lambda name: float(np.abs(changes[name]).max(initial=0.0)))
    flying = [r for r in event.requirements.values() if r.free_travel_m and r.required_s]
    axis = "x" if flying and "x" in changes else axis
    signal = moved[axis]
    times = 1e3 * signal.times_s
    source += axis if source.endswith("_") else f", {axis}"
    found = MotionView(axis, source, Trace("velocity", times, 3.6 * changes[axis]))
    first = event.requirements["front_airbag_stage_1"]
    if axis != "x" or not (flying or event.family == "frontal"):
        return found
    rule = flying[0] if flying else first
    pulse = np.where(signal.times_s >= rule.origin_s - 1e-9, -signal.samples, 0.0)
    step = 1.0 / signal.rate_hz
    way = 1e3 * cumulative_trapezoid(cumulative_trapezoid(pulse, step_s=step), step_s=step)
    return replace(
        found,
        travel=Trace("travel", times, np.clip(way, -MOST_TRAVEL_MM, MOST_TRAVEL_MM)),
        origin_ms=1e3 * rule.origin_s,
        free_travel_mm=None if rule.free_travel_m is None else 1e3 * rule.free_travel_m,
        inflation_ms=None if rule.inflation_s is None else 1e3 * rule.inflation_s,
    )
