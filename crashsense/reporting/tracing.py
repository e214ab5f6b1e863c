"""From a plan to what the page draws of one event: a nominal evaluation with its traces kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.campaign.evaluation import (
    Job,
    channels_of,
    score_restraint,
    sense_block,
    signal_block,
)
from crashsense.channels import CHANNELS
from crashsense.errors import InputError, RuleError
from crashsense.event import RESTRAINTS, Event
from crashsense.reporting.view import DemandChart, EventView, SensedChannel, Trace
from crashsense.rules.checked import guarded
from crashsense.rules.contract import sharing
from crashsense.rules.sweep import swept_demand
from crashsense.rules.why import why
from crashsense.scoring import FAILURES

if TYPE_CHECKING:
    from crashsense.event import SignalBlock
    from crashsense.plan import Plan
    from crashsense.rules import Algorithm
    from crashsense.sensing import EcuSamples, Sensed, SensorSet

#: A channel whose true signal stays within this part of the sensor's range is not drawn.
QUIET_PART = 0.002

#: Sensor sets whose signals are drawn; more would bury the page.
MOST_SETS = 3


def tracer(plan: Plan) -> Callable[[str], EventView]:
    """Return a function that traces one event of the plan by name."""
    events = {event.name: event for event in plan.events}
    job = Job(
        occurrences=(),
        sensor_sets=tuple(plan.sensor_sets),
        algorithms=tuple(plan.algorithms),
        seed=plan.seed,
        vary=plan.vary,
        sensor_draws=plan.sensor_draws,
    )

    def view(name: str) -> EventView:
        return trace_event(events[name], job=job)

    return view


def trace_event(event: Event, *, job: Job) -> EventView:
    """Evaluate the nominal draw of one event and keep what a page shows."""
    # The nominal draw is the same for every seed, and the plan has it already.
    if event.source is not None:
        block = event.source.nominal()
    else:
        block = signal_block([event], [0], seed=job.seed, vary=job.vary)
    channels: list[SensedChannel] = []
    quiet: list[str] = []
    demands: list[DemandChart] = []
    reasons: list[tuple[str, Sequence[str]]] = []
    for place, sensor_set in enumerate(job.sensor_sets):
        (sensed,) = sense_block([event], block, job=job, sensor_set=sensor_set)
        samples = replace(sensed.samples, context=event.context)
        if place < MOST_SETS:
            drawn, silent = _channels(event, block, sensed, sensor_set=sensor_set, job=job)
            channels += drawn
            quiet += [name for name in silent if name not in quiet]
        with sharing():
            for algorithm in job.algorithms:
                charts, found = _demands(
                    event, block, sensed, samples, sensor_set=sensor_set, algorithm=algorithm
                )
                demands += charts
                name = algorithm.name
                name += f" / {sensor_set.name}" if len(job.sensor_sets) > 1 else ""
                reasons += [(f"Why: {name}, {restraint}", lines) for restraint, lines in found]
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
    )


def _channels(
    event: Event, block: SignalBlock, sensed: Sensed, *, sensor_set: SensorSet, job: Job
) -> tuple[list[SensedChannel], list[str]]:
    drawn, quiet = [], []
    samples = sensed.samples
    for name in channels_of(job.algorithms, sensor_set):
        signal = block.signals.get(name)
        if signal is None or name not in sensed.reports:
            continue
        scale = CHANNELS[name].file_scale
        sensor = sensor_set.sensor(name)
        raw = signal.samples[0]
        if float(np.abs(raw).max(initial=0.0)) < QUIET_PART * sensor.range:
            quiet.append(name)
            continue
        report = sensed.reports[name]
        drawn.append(
            SensedChannel(
                name,
                sensor_set.name,
                CHANNELS[name].file_unit.replace("deg_s", "deg/s").replace("kpa", "kPa"),
                Trace("true", 1e3 * signal.times_s, raw / scale),
                Trace("sensed", 1e3 * samples.times_s[0], samples.channels[name][0] / scale),
                range_value=min(sensor.range, sensor.front_end) / scale,
                clipped_before_filter=int(report.clipped_before_filter[0]),
                clipped_after_filter=int(report.clipped_after_filter[0]),
                clipped_codes=int(report.clipped_at_code[0]),
            )
        )
    return drawn, quiet


def _demands(
    event: Event,
    block: SignalBlock,
    sensed: Sensed,
    samples: EcuSamples,
    *,
    sensor_set: SensorSet,
    algorithm: Algorithm,
) -> tuple[list[DemandChart], list[tuple[str, Sequence[str]]]]:
    """Demand to draw of each restraint, and lines that explain it, by restraint.

    A rule that fails, here or in the campaign, gives a line that says so; it never ends the page.
    """
    charts: list[DemandChart] = []
    reasons: list[tuple[str, Sequence[str]]] = []
    times = 1e3 * samples.times_s[0]
    for restraint in RESTRAINTS:
        rule = algorithm.rules.get(restraint)
        row, branches = score_restraint(
            event,
            algorithm,
            restraint,
            samples=samples,
            sensed=sensed,
            sensor_set=sensor_set,
            required_s=block.required_s[event.name][restraint],
        )
        if rule is None or not branches:
            continue
        verdict = row["verdict"] if isinstance(row["verdict"], str) else row["verdict"][0]
        if verdict == "rule_error":
            reason = row["reason"] if isinstance(row["reason"], str) else row["reason"][0]
            reasons.append((restraint, [f"the rule failed: {reason}"]))
            continue
        swept = None
        scored = event.requirements[restraint].expectation != "open"
        try:
            with guarded(rule):
                swept = Trace("swept", times, swept_demand(rule, samples)[0]) if scored else None
        except (InputError, RuleError):
            swept = None
        charts.append(
            DemandChart(
                sensor_set.name,
                algorithm.name,
                restraint,
                [Trace(name, times, demand[0]) for name, demand in branches.items()],
                swept=swept,
            )
        )
        if verdict in FAILURES and algorithm.gate:
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
