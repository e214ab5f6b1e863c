"""The nominal draw of a run as a page shows it, made from trials: for a page, and for its table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import InputError, RuleError
from crashsense.event import Event
from crashsense.plan.resolve import Plan, conditions_of
from crashsense.results.event_motion import motion_of, told_of
from crashsense.results.tables import NOMINAL_SCHEMA
from crashsense.results.views import (
    DemandChart,
    EventView,
    SensedChannel,
    Told,
    Trace,
    intervals,
    rows_of_view,
    time_window,
)
from crashsense.rules.checked import guarded
from crashsense.rules.contract import Rule, sharing
from crashsense.rules.sweep import swept_demand
from crashsense.rules.why import why
from crashsense.scoring import FAILURES
from crashsense.trials import Trial, run_trials

#: A channel whose true signal stays within this part of the sensor's range is not drawn.
QUIET_PART = 0.002

#: Sensor sets whose signals are drawn; more would bury the page.
MOST_SETS = 3


def computed_views(plan: Plan) -> Callable[[str], EventView]:
    """Return a function that senses one event of a plan anew: for a run that holds no traces."""
    events = {event.name: event for event in plan.events}
    conditions = conditions_of(plan.keys, path="auto")

    def view(name: str) -> EventView:
        trials = run_trials(
            [events[name]],
            [0],
            sensor_sets=plan.sensor_sets,
            algorithms=plan.algorithms,
            conditions=conditions,
        )
        return event_view(events[name], list(trials))

    return view


def event_view(event: Event, trials: Sequence[Trial]) -> EventView:
    """Return what a page shows of one event: of its nominal trials, one a sensor set."""
    channels: list[SensedChannel] = []
    quiet: list[str] = []
    demands: list[DemandChart] = []
    reasons: list[tuple[str, Sequence[str]]] = []
    told: list[Told] = []
    for place, trial in enumerate(trials):
        times = 1e3 * trial.times_s[0]
        if place < MOST_SETS:
            drawn, silent = _channels(trial, times)
            channels += drawn
            quiet += [name for name in silent if name not in quiet]
        with sharing():
            for one in trial.each():
                charts, found = _demands(one, times)
                demands += charts
                name = one.algorithm.name
                name += f" / {one.sensor_set.name}" if len(trials) > 1 else ""
                reasons += [(f"Why: {name}, {restraint}", lines) for restraint, lines in found]
                told += told_of(one)
    return EventView(
        event.name,
        title=event.title,
        family=event.family,
        belted=event.context.belted,
        channels=channels,
        quiet=quiet,
        demands=demands,
        reasons=reasons,
        not_before_ms={name: 1e3 * r.not_before_s for name, r in event.requirements.items()},
        facts=_facts(event.metadata),
        motion=motion_of(event),
        told=told,
        flying=[name for name, r in event.requirements.items() if r.free_travel_m and r.required_s],
    )


def _channels(trial: Trial, times: FloatArray) -> tuple[list[SensedChannel], list[str]]:
    """Channels to draw, and those that are too quiet to be drawn; *times* [ms] of the samples.

    Signals over the same time have one array of times.
    """
    drawn, quiet = [], []
    of_signals: dict[tuple[float, float, int], FloatArray] = {}
    for name, report in trial.reports.items():
        signal = trial.signals.get(name)
        if signal is None:
            continue
        scale = CHANNELS[name].file_scale
        sensor = trial.sensor_set.sensor(name)
        raw = signal.samples[0]
        if not (np.abs(raw) >= QUIET_PART * sensor.range).any():
            quiet.append(name)
            continue
        received = trial.samples.channels[name][0]
        limit = min(sensor.range, sensor.front_end)
        span = (signal.start_s, signal.rate_hz, signal.size)
        if span not in of_signals:
            of_signals[span] = 1e3 * signal.times_s
        own = of_signals[span]
        drawn.append(
            SensedChannel(
                name,
                trial.sensor_set.name,
                CHANNELS[name].file_unit.replace("deg_s", "deg/s").replace("kpa", "kPa"),
                Trace("true", own, raw / scale),
                Trace("sensed", times, received / scale),
                range_value=limit / scale,
                beyond_ms=intervals(own, np.abs(raw) > limit),
                clipped_before_filter=int(report.clipped_before_filter[0]),
                clipped_after_filter=int(report.clipped_after_filter[0]),
                clipped_codes=int(report.clipped_at_code[0]),
            )
        )
    return drawn, quiet


def _demands(
    trial: Trial, times: FloatArray
) -> tuple[list[DemandChart], list[tuple[str, Sequence[str]]]]:
    """Demand to draw of each restraint, and lines that explain it, by restraint.

    A rule that fails, here or in the campaign, gives a line that says so; it never ends the page.
    """
    charts: list[DemandChart] = []
    reasons: list[tuple[str, Sequence[str]]] = []
    samples = trial.samples
    drawn: dict[int, FloatArray] = {}  # restraints with one rule, and branches of it, share demand
    for restraint in trial.event.requirements:
        answer = trial.answer(restraint)
        if not answer.branches:
            continue
        if answer.errors:
            reasons.append((restraint, [f"the rule failed: {answer.errors[0]}"]))
            continue
        rule: Rule = trial.algorithm.rules[restraint]
        swept = None
        scored = trial.event.requirements[restraint].expectation != "open"
        try:
            with guarded(rule):
                swept = Trace("swept", times, swept_demand(rule, samples)[0]) if scored else None
        except (InputError, RuleError):
            swept = None
        charts.append(
            DemandChart(
                trial.sensor_set.name,
                trial.algorithm.name,
                restraint,
                [
                    Trace(name, times, drawn.setdefault(id(demand), demand[0]))
                    for name, demand in answer.branches.items()
                ],
                swept=swept,
            )
        )
        if trial.algorithm.gate and trial.verdicts(restraint)[0] in FAILURES:
            try:
                with guarded(rule):
                    reasons.append((restraint, why(rule, samples).lines()))
            except RuleError as error:
                reasons.append((restraint, [f"the rule failed: {error}"]))
    return charts, reasons


def _facts(metadata: Mapping[str, Any]) -> dict[str, str]:
    """What the recipe knows of the event, in words: speeds first, all in km/h."""
    found = {}
    parameters = metadata.get("parameters", {})
    for name, factor in (("speed_kmh", 1.0), ("speed_m_s", 3.6)):
        if isinstance(parameters.get(name), int | float):
            found["speed"] = f"{round(factor * parameters[name], 1):g} km/h"
            break
    for key in ("model", "matrix"):
        if metadata.get(key):
            found[{"matrix": "matrix row"}.get(key, key)] = str(metadata[key])
    return found


def nominal_table(occurrence: Sequence[Event], trials: Sequence[Trial]) -> pa.Table:
    """Return what a page draws of the events of an occurrence, from its nominal trials."""
    rows: list[dict[str, Any]] = []
    for event in occurrence:
        own = [replace(trial, events=(event,)) for trial in trials]
        view = event_view(event, own)
        window = time_window(_times_of(event, own), view)[:2]
        rows += ({"event": event.name, "draw": 0, **row} for row in rows_of_view(view, window))
    names = [(item.name, item.type) for item in NOMINAL_SCHEMA]
    columns = [_column([row.get(name) for row in rows], kind) for name, kind in names]
    return pa.table(columns, schema=NOMINAL_SCHEMA)


def _column(values: Sequence[Any], kind: pa.DataType) -> pa.Array:
    """A column of the table, lists of numbers joined first: taken one by one they are slow."""
    if not pa.types.is_list(kind):
        return pa.array(values, type=kind)
    there = [np.empty(0), *(value for value in values if value is not None)]
    ends = np.cumsum([0, *(0 if value is None else value.size for value in values)])
    nothing = np.array([value is None for value in values] + [False])
    numbers = np.concatenate(there).astype(kind.value_type.to_pandas_dtype(), copy=False)
    return pa.ListArray.from_arrays(pa.array(ends, mask=nothing, type=pa.int32()), numbers)


def _times_of(event: Event, trials: Sequence[Trial]) -> list[float]:
    """Required and fire times [ms] of what must fire, by every sensor set and algorithm."""
    fire = [name for name, r in event.requirements.items() if r.expectation == "fire"]
    return [
        1e3 * float(time)
        for trial in trials
        for one in trial.each()
        for restraint in fire
        for time in (one.required_s[event.name][restraint][0], one.scores(restraint).fire_s[0])
    ]
