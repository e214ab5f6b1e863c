"""One task: an occurrence, some draws, every sensor set and algorithm, from signals to rows.

Signals are computed once for the task and sensed once for each sensor set; the events of an
occurrence (belted, unbelted) and all algorithms share the samples.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense import engine
from crashsense.campaign.tables import CURVE_SCHEMA, TRACE_SCHEMA, VERDICT_SCHEMA, build_table
from crashsense.draws import PAGE
from crashsense.event import RESTRAINTS, Event, SignalBlock
from crashsense.rules import Algorithm, Rule
from crashsense.rules.checked import Evaluated, evaluate_rule
from crashsense.scoring import FAILURES, Scores, score
from crashsense.sensing import EcuSamples, Sensed, SensorSet, sense

FloatArray = npt.NDArray[np.float64]

#: Draws judged at once: a small block stays in the cache and uses whole pages of draws.
BLOCK = 2 * PAGE

#: Draws sensed at once where all share one pulse: it is filtered once for each filter setting.
SENSED_BLOCK = 8 * PAGE


@dataclass(frozen=True, eq=False)
class Job:
    """What every task of a run shares; sent to a worker once."""

    occurrences: tuple[tuple[Event, ...], ...]
    sensor_sets: tuple[SensorSet, ...]
    algorithms: tuple[Algorithm, ...]
    seed: int
    vary: str
    keep: tuple[str, ...] = ()
    path: str = "auto"
    engine: str = "numpy"


@dataclass(frozen=True, order=True)
class Task:
    """Draws *first* to *last* - 1 of one occurrence."""

    occurrence: int
    first: int
    last: int

    @property
    def name(self) -> str:
        """Name of the task's part in every table; final from the start."""
        return f"part-{self.occurrence:04d}-{self.first:09d}-{self.last:09d}"


def channels_of(algorithms: Sequence[Algorithm], sensor_set: SensorSet) -> list[str]:
    """Channels that any algorithm reads and the set has a sensor for, in the order of the set."""
    used = frozenset().union(*(algorithm.uses for algorithm in algorithms))
    return [name for name in sensor_set.sensors if name in used]


def signal_block(
    events: Sequence[Event], draws: Sequence[int], *, seed: int, vary: str
) -> SignalBlock:
    """Return the true signals of some draws: one row for all where the pulse does not vary."""
    source = events[0].source
    nominal_only = all(draw == 0 for draw in draws)  # no seed changes draw 0: the events carry it
    if source is not None and source.varies and vary in ("pulse", "both") and not nominal_only:
        return source.block(draws, seed=seed)
    required = {
        event.name: {
            restraint: np.array([np.nan if r.required_s is None else r.required_s])
            for restraint, r in event.requirements.items()
        }
        for event in events
    }
    signals = {
        name: signal.replaced(np.atleast_2d(signal.samples), note="repeated for every draw")
        for name, signal in events[0].signals.items()
    }
    return SignalBlock(draws=np.asarray(draws), signals=signals, required_s=required)


def sense_block(
    events: Sequence[Event],
    block: SignalBlock,
    draws: Sequence[int],
    *,
    job: Job,
    sensor_set: SensorSet,
    channels: Sequence[str] | None = None,
) -> Sensed:
    """Sense a block for the channels that the job's algorithms read."""
    wanted = channels_of(job.algorithms, sensor_set) if channels is None else list(channels)
    return sense(
        block.signals,
        sensor_set,
        draws=draws,
        seed=job.seed,
        occurrence=events[0].occurrence,
        context=events[0].context,
        channels=wanted,
        quiet=[name for name in events[0].quiet if name not in block.signals],
        vary=job.vary in ("sensor", "both"),
        path=job.path,
    )


def run_task(job: Job, task: Task) -> dict[str, pa.Table]:
    """Evaluate one task; return its part of every table."""
    with engine.using(job.engine):
        return _run_task(job, task)


def _run_task(job: Job, task: Task) -> dict[str, pa.Table]:
    pieces: dict[str, list[Mapping[str, Any]]] = {"verdicts": [], "fire_curves": [], "traces": []}
    events = job.occurrences[task.occurrence]
    source = events[0].source
    varies = source is not None and source.varies and job.vary in ("pulse", "both")
    for first, last in _blocks(task.first, task.last, size=BLOCK if varies else SENSED_BLOCK):
        draws = list(range(first, last))
        block = signal_block(events, draws, seed=job.seed, vary=job.vary)
        for sensor_set in job.sensor_sets:
            sensed = sense_block(events, block, draws, job=job, sensor_set=sensor_set)
            for start, end in _blocks(first, last, size=BLOCK):
                part = sensed.part(slice(start - first, end - first))
                required = {
                    event: {
                        r: v if v.size == 1 else v[start - first : end - first]
                        for r, v in by.items()
                    }
                    for event, by in block.required_s.items()
                }
                shared: dict[int, Evaluated] = {}
                for event in events:
                    _evaluate_event(job, event, required, sensor_set, part, pieces, shared)
        del block, sensed, part, shared  # or the next block would stand in memory beside this one
    tables = {"verdicts": build_table(pieces["verdicts"], schema=VERDICT_SCHEMA)}
    if "fire_curves" in job.keep:
        tables["fire_curves"] = build_table(pieces["fire_curves"], schema=CURVE_SCHEMA)
    if {"traces_nominal", "traces_failed"} & set(job.keep):
        tables["traces"] = build_table(pieces["traces"], schema=TRACE_SCHEMA)
    return tables


def _blocks(first: int, last: int, *, size: int) -> list[tuple[int, int]]:
    """Split draws first..last-1 at page borders; draw 0 is a block of its own (it has no noise)."""
    blocks = []
    while first < last:
        end = 1 if first == 0 else 1 + ((first - 1) // size + 1) * size
        blocks.append((first, min(end, last)))
        first = end
    return blocks


def _evaluate_event(
    job: Job,
    event: Event,
    required_s: Mapping[str, Mapping[str, FloatArray]],
    sensor_set: SensorSet,
    sensed: Sensed,
    pieces: dict[str, list[Mapping[str, Any]]],
    shared: dict[int, Evaluated],
) -> None:
    samples = replace(sensed.samples, context=event.context)
    for algorithm in job.algorithms:
        for restraint in RESTRAINTS:
            rule = algorithm.rules.get(restraint)
            row, branches = score_restraint(
                event,
                restraint,
                rule,
                samples=samples,
                sensed=sensed,
                sensor_set=sensor_set,
                required_s=required_s[event.name][restraint],
                shared=shared,
            )
            identity = {
                "event": event.name,
                "sensor_set": sensor_set.name,
                "algorithm": algorithm.name,
                "restraint": restraint,
            }
            pieces["verdicts"].append(
                {**identity, "draw": np.asarray(sensed.draws), "seed": job.seed, **row}
            )
            if rule is None or not branches:
                continue
            if "fire_curves" in job.keep:
                pieces["fire_curves"].extend(_curves(identity, branches, samples, sensed.draws))
            wanted = _traced_rows(job.keep, row["verdict"], sensed.draws)
            pieces["traces"].extend(_traces(identity, branches, samples, sensed.draws, wanted))


def score_restraint(
    event: Event,
    restraint: str,
    rule: Rule | None,
    *,
    samples: EcuSamples,
    sensed: Sensed,
    sensor_set: SensorSet,
    required_s: FloatArray,
    shared: dict[int, Evaluated] | None = None,
) -> tuple[dict[str, Any], dict[str, FloatArray]]:
    """Score one restraint of one event over a block; return its columns and its demand branches.

    *shared* keeps demand by rule within a block, where the rule does not look at the context.
    """
    requirement = event.requirements[restraint]
    size = samples.draws
    row: dict[str, Any] = {
        "family": event.family,
        "occurrence": event.occurrence,
        "expectation": requirement.expectation,
        "waived": requirement.waiver is not None,
        "path": sensed.paths.astype(object),
        "clipped_before_filter": np.zeros(size, dtype=np.int64),
    }
    required = np.broadcast_to(np.asarray(required_s, dtype=np.float64), (size,))
    missing = [] if rule is None else sorted(rule.requires - set(event.signals) - event.quiet)
    if missing:
        empty = np.full(size, np.nan)
        columns = dict.fromkeys(_SCORED, empty)
        reason = f"{', '.join(missing)} absent from the event"
        row.update(columns, required_time_ms=1e3 * required, held_by=None, reason=reason)
        row.update(verdict="not_evaluated", infeasible=False)
        return row, {}
    evaluated = _demand(rule, samples, shared)
    branches = dict(evaluated.branches)
    delay = 0.0
    if rule is not None:
        active = [name for name in rule.active(samples) if name in sensor_set.sensors]
        delay = min((sensor_set.delay_s(name) for name in active), default=0.0)
        for name in active:
            if name in sensed.reports:
                row["clipped_before_filter"] = row["clipped_before_filter"] + np.broadcast_to(
                    sensed.reports[name].clipped_before_filter, (size,)
                )
    scores = score(
        branches,
        start_s=samples.start_s,
        rate_hz=samples.rate_hz,
        expectation=requirement.expectation,
        required_s=required,
        origin_s=requirement.origin_s,
        not_before_s=requirement.not_before_s,
        chain_delay_s=delay,
    )
    row.update(_columns(scores, required))
    if evaluated.errors:
        _mark_errors(row, evaluated.errors)
    return row, branches


_SCORED = (
    "fire_time_ms",
    "time_margin_ms",
    "max_demand",
    "demand_at_required_time",
    "demand_before_allowed",
    "demand_margin",
    "arming_time_ms",
)


def _demand(
    rule: Rule | None, samples: EcuSamples, shared: dict[int, Evaluated] | None
) -> Evaluated:
    if rule is None:
        zeros = np.zeros((samples.draws, samples.size))
        return Evaluated({"total": zeros, "main": zeros}, {})
    key = id(rule)
    if shared is not None and key in shared:
        return shared[key]
    evaluated = evaluate_rule(rule, samples)
    if shared is not None and not _reads_context(rule):
        shared[key] = evaluated
    return evaluated


def _reads_context(rule: Rule) -> bool:
    """True unless the rule and all its parts are known not to look at the context."""
    if not getattr(rule, "context_free", False):
        return True
    return any(_reads_context(child) for child in rule.children.values())


def _columns(scores: Scores, required: FloatArray) -> dict[str, Any]:
    held = scores.held_by.copy()
    held[held == ""] = None
    return {
        "required_time_ms": 1e3 * required,
        "fire_time_ms": 1e3 * scores.fire_s,
        "time_margin_ms": 1e3 * scores.time_margin_s,
        "max_demand": scores.max_demand,
        "demand_at_required_time": scores.demand_at_required,
        "demand_before_allowed": scores.demand_before_allowed,
        "demand_margin": scores.demand_margin,
        "arming_time_ms": 1e3 * scores.arming_s,
        "held_by": held,
        "verdict": scores.verdict,
        "infeasible": scores.infeasible,
        "reason": None,
    }


def _mark_errors(row: dict[str, Any], errors: Mapping[int, str]) -> None:
    size = len(row["verdict"])
    reasons = np.full(size, None, dtype=object)
    for index, text in errors.items():
        reasons[index] = text
        row["verdict"][index] = "rule_error"
        row["held_by"][index] = None
        for name in _SCORED:
            row[name] = np.array(row[name])
            row[name][index] = np.nan
    row["reason"] = reasons


def _curves(
    identity: Mapping[str, str],
    branches: Mapping[str, FloatArray],
    samples: EcuSamples,
    draws: npt.NDArray[np.int64],
) -> list[Mapping[str, Any]]:
    """Steps of the running maximum of demand: where it rises, and to what."""
    out: list[Mapping[str, Any]] = []
    for branch, demand in branches.items():
        level = np.maximum.accumulate(demand, axis=-1)
        rises = np.diff(level, axis=-1, prepend=0.0) > 0.0
        row, tick = np.nonzero(rises)
        out.append(
            {
                **identity,
                "branch": branch,
                "draw": draws[row],
                "time_ms": 1e3 * (samples.start_s[row] + tick / samples.rate_hz),
                "demand": level[row, tick],
            }
        )
    return out


def _traced_rows(keep: Sequence[str], verdicts: Any, draws: npt.NDArray[np.int64]) -> list[int]:
    wanted = set()
    if "traces_nominal" in keep:
        wanted |= {int(i) for i in np.flatnonzero(draws == 0)}
    if "traces_failed" in keep and not isinstance(verdicts, str):
        wanted |= {i for i, verdict in enumerate(verdicts) if verdict in FAILURES}
    return sorted(wanted)


def _traces(
    identity: Mapping[str, str],
    branches: Mapping[str, FloatArray],
    samples: EcuSamples,
    draws: npt.NDArray[np.int64],
    rows: Sequence[int],
) -> list[Mapping[str, Any]]:
    out: list[Mapping[str, Any]] = []
    times = samples.times_s
    for row in rows:
        for branch, demand in branches.items():
            out.append(
                {
                    **identity,
                    "draw": np.full(samples.size, draws[row]),
                    "trace": f"demand_{branch}",
                    "time_ms": 1e3 * times[row],
                    "value": demand[row],
                }
            )
    return out
