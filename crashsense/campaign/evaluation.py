"""One task: an occurrence, some draws, every sensor set and algorithm, from signals to rows.

Signals are computed once for the task and sensed once for each sensor set; the events of an
occurrence (belted, unbelted) and all algorithms share the samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense import engine
from crashsense.draws import PAGE
from crashsense.errors import RuleError
from crashsense.event import RESTRAINTS, Event, SignalBlock
from crashsense.results.tables import (
    CURVE_SCHEMA,
    TRACE_SCHEMA,
    VERDICT_SCHEMA,
    Coded,
    Task,
    build_table,
)
from crashsense.rules import Algorithm, Rule, reads_context, sharing
from crashsense.rules.checked import Evaluated, active_channels, evaluate_rule, rows
from crashsense.scoring import FAILURES, HELD_BY, VERDICTS, Reached, Scores, judge, reached
from crashsense.sensing import (
    ANY_OCCURRENCE,
    EcuSamples,
    NoiseBank,
    Sensed,
    SensorSet,
    sense_in_parts,
)

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Table -> what makes up its rows, as :func:`build_table` takes it.
Pieces = dict[str, list[Mapping[str, Any]]]

#: Noise that sensor sets or events share, per process.
_BANK = NoiseBank(most_bytes=64_000_000)

#: Draws judged at once: a small block stays in the cache and uses whole pages of draws.
BLOCK = 2 * PAGE

#: Draws prepared at once where all share one pulse: it is filtered once for each filter setting.
SENSED_BLOCK = 16 * PAGE


@dataclass(frozen=True, eq=False)
class Job:
    """What every task of a run shares; sent to a worker once."""

    occurrences: tuple[tuple[Event, ...], ...]
    sensor_sets: tuple[SensorSet, ...]
    algorithms: tuple[Algorithm, ...]
    seed: int
    vary: str
    sensor_draws: str = "own"
    keep: tuple[str, ...] = ()
    path: str = "auto"
    engine: str = "numpy"


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
    *,
    job: Job,
    sensor_set: SensorSet,
    channels: Sequence[str] | None = None,
) -> Iterator[Sensed]:
    """Sense a block for the channels that the job's algorithms read, :data:`BLOCK` draws a part."""
    wanted = channels_of(job.algorithms, sensor_set) if channels is None else list(channels)
    return sense_in_parts(
        block.signals,
        sensor_set,
        draws=block.draws,
        size=BLOCK,
        seed=job.seed,
        occurrence=ANY_OCCURRENCE if job.sensor_draws == "shared" else events[0].occurrence,
        context=events[0].context,
        channels=wanted,
        quiet=[name for name in events[0].quiet if name not in block.signals],
        vary=job.vary in ("sensor", "both"),
        path=job.path,
        bank=_BANK if len(job.sensor_sets) > 1 or job.sensor_draws == "shared" else None,
    )


def forget_noise() -> None:
    """Give back the memory of noise that was kept for other sensor sets and events."""
    _BANK.clear()


def run_task(job: Job, task: Task) -> dict[str, pa.Table]:
    """Evaluate one task; return its part of every table."""
    with engine.using(job.engine):
        return _run_task(job, task)


def _run_task(job: Job, task: Task) -> dict[str, pa.Table]:
    pieces: Pieces = {"verdicts": [], "fire_curves": [], "traces": []}
    events = job.occurrences[task.occurrence]
    source = events[0].source
    varies = source is not None and source.varies and job.vary in ("pulse", "both")
    asked = {s.name: _questions(job, events, s) for s in job.sensor_sets}
    for first, last in _blocks(task.first, task.last, size=BLOCK if varies else SENSED_BLOCK):
        draws = list(range(first, last))
        block = signal_block(events, draws, seed=job.seed, vary=job.vary)
        for sensor_set in job.sensor_sets:
            _judge_block(job, events, block, sensor_set, asked[sensor_set.name], pieces)
    for questions in asked.values():
        pieces["verdicts"].extend({"seed": job.seed, **q.row()} for q in questions)
    tables = {"verdicts": build_table(pieces["verdicts"], schema=VERDICT_SCHEMA)}
    if "fire_curves" in job.keep:
        tables["fire_curves"] = build_table(pieces["fire_curves"], schema=CURVE_SCHEMA)
    if {"traces_nominal", "traces_failed"} & set(job.keep):
        tables["traces"] = build_table(pieces["traces"], schema=TRACE_SCHEMA)
    return tables


def _blocks(first: int, last: int, *, size: int) -> list[tuple[int, int]]:
    """Split draws first..last-1 at page borders; the nominal draw rides with the first block."""
    blocks = []
    while first < last:
        end = 1 + (max(first - 1, 0) // size + 1) * size
        blocks.append((first, min(end, last)))
        first = end
    return blocks


def _questions(job: Job, events: Sequence[Event], sensor_set: SensorSet) -> list[Question]:
    return [
        Question(event, algorithm, restraint, sensor_set)
        for event in events
        for algorithm in job.algorithms
        for restraint in RESTRAINTS
    ]


def _judge_block(
    job: Job,
    events: Sequence[Event],
    block: SignalBlock,
    sensor_set: SensorSet,
    questions: Sequence[Question],
    pieces: Pieces,
) -> None:
    """Sense draws and judge every event, algorithm and restraint, a small part at a time."""
    first = 0
    for sensed in sense_block(events, block, job=job, sensor_set=sensor_set):
        part = slice(first, first + sensed.samples.draws)
        first = part.stop
        # The events of an occurrence differ in context only: what does not read it is shared.
        samples = {event.name: replace(sensed.samples, context=event.context) for event in events}
        shared: dict[int, Evaluated] = {}
        there = there_by_draw(sensed.samples)
        with sharing():
            for question in questions:
                required = np.asarray(block.required_s[question.event.name][question.restraint])
                branches = question.look(
                    samples[question.event.name],
                    sensed,
                    required_s=required if required.size == 1 else required[part],
                    there_by_draw=there,
                    shared=shared,
                )
                if branches and job.keep:
                    _keep(job.keep, question, branches, sensed, pieces)


def _keep(
    keep: Sequence[str],
    question: Question,
    branches: Mapping[str, FloatArray],
    sensed: Sensed,
    pieces: Pieces,
) -> None:
    identity = question.identity
    if "fire_curves" in keep:
        pieces["fire_curves"].extend(_curves(identity, branches, sensed.samples, sensed.draws))
    wanted = np.flatnonzero(sensed.draws == 0).tolist() if "traces_nominal" in keep else []
    if "traces_failed" in keep:
        verdicts = question.last_verdicts()
        wanted += [i for i, verdict in enumerate(verdicts) if verdict in FAILURES]
    wanted = sorted(set(wanted))
    pieces["traces"].extend(_traces(identity, branches, sensed.samples, sensed.draws, wanted))


@dataclass(frozen=True, eq=False)
class _Part:
    """What a question keeps of the draws that it has looked at."""

    draws: npt.NDArray[np.int64]
    full: BoolArray
    required_s: FloatArray
    start_s: FloatArray
    delay_s: FloatArray


#: Which channels have a valid sample, and the draws of a part of which that holds.
ThereByDraw = list[tuple[tuple[bool, ...], npt.NDArray[np.int64]]]


def there_by_draw(samples: EcuSamples) -> ThereByDraw:
    """Group the draws of a part by the channels that are there."""
    if all(valid.all() for valid in samples.valid.values()):
        return [((True,) * len(samples.valid), np.arange(samples.draws))]
    table = np.stack([valid.any(axis=-1) for valid in samples.valid.values()], axis=-1)
    patterns, place = np.unique(table, axis=0, return_inverse=True)
    return [
        (tuple(bool(v) for v in pattern), np.flatnonzero(place.reshape(-1) == k))
        for k, pattern in enumerate(patterns)
    ]


class Question:
    """One restraint of one event: how an algorithm answers, draw by draw.

    :meth:`look` takes draws part by part, in order; :meth:`row` then gives the columns of all.
    """

    def __init__(
        self, event: Event, algorithm: Algorithm, restraint: str, sensor_set: SensorSet
    ) -> None:
        self.event, self.restraint, self.sensor_set = event, restraint, sensor_set
        self.rule = algorithm.rules.get(restraint)
        self.requirement = event.requirements[restraint]
        self.identity = {
            "event": event.name,
            "sensor_set": sensor_set.name,
            "algorithm": algorithm.name,
            "restraint": restraint,
        }
        self.missing: list[str] = []
        self.unseen: list[str] = []
        if self.rule is not None:
            self.missing = sorted(self.rule.requires - set(event.signals) - event.quiet)
            self.unseen = sorted(self.rule.requires - set(sensor_set.sensors))
        #: which channels are there -> what the rule then reads, its shortest transport [s], and an
        #: error of the rule
        self.reading: dict[tuple[bool, ...], tuple[list[str], float, str]] = {}
        self.rate_hz = 1.0
        self.parts: list[_Part] = []
        self.found: list[Reached] = []
        self.clipped: list[npt.NDArray[np.int64]] = []
        self.errors: dict[int, str] = {}

    def look(
        self,
        samples: EcuSamples,
        sensed: Sensed,
        *,
        required_s: FloatArray,
        there_by_draw: ThereByDraw,
        shared: dict[int, Evaluated] | None = None,
    ) -> dict[str, FloatArray]:
        """Answer for the next draws; return demand by branch, nothing where none can be had.

        *samples* are those of *sensed* in the event's context; *shared* keeps demand by rule, where
        the rule does not look at the context.
        """
        size = samples.draws
        required_s = np.broadcast_to(required_s, (size,))
        full = sensed.paths == "full"
        delay_s = np.zeros(size)
        part = _Part(sensed.draws, full, required_s, samples.start_s, delay_s)
        self.rate_hz = samples.rate_hz
        self.parts.append(part)
        if self.rule is None or self.missing or self.unseen:
            return {}
        clipped = np.zeros(size, dtype=np.int64)
        before = sum(part.draws.size for part in self.parts[:-1])
        for there, draws in there_by_draw:
            active, delay_s[draws], error = self._read(there, samples, draws)
            if error:
                self.errors |= {before + int(at): error for at in draws}
            for name in active:
                if name in sensed.reports:
                    clipped[draws] += sensed.reports[name].clipped_before_filter[draws]
        self.clipped.append(clipped)
        evaluated = _demand(self.rule, samples, shared)
        self.errors |= {before + at: text for at, text in evaluated.errors.items()}
        self.found.append(
            reached(
                evaluated.branches,
                start_s=samples.start_s,
                rate_hz=samples.rate_hz,
                required_s=required_s,
                not_before_s=self.requirement.not_before_s,
            )
        )
        return dict(evaluated.branches)

    def _read(
        self, there: tuple[bool, ...], samples: EcuSamples, draws: npt.NDArray[np.int64]
    ) -> tuple[list[str], float, str]:
        """Channels that the rule reads where these are there, and their shortest transport [s].

        A draw's own channels count, not those of its neighbours in a part. Last: how the rule
        failed when it was asked.
        """
        if there not in self.reading:
            assert self.rule is not None  # asked of rules only
            one = samples if draws.size == samples.draws else rows(samples, draws[:1].tolist())
            active, error = self.rule.uses, ""
            try:
                active = active_channels(self.rule, one)
            except RuleError as failed:
                error = str(failed)
            names = [name for name in self.sensor_set.sensors if name in active]
            delays = (self.sensor_set.transport_s(name) for name in names)
            self.reading[there] = (names, min(delays, default=0.0), error)
        return self.reading[there]

    def last_verdicts(self) -> npt.NDArray[np.object_]:
        """Verdicts of the part looked at last."""
        last = self.parts[-1]
        verdicts = self._scores(self.found[-1], last).verdict
        before = sum(part.draws.size for part in self.parts[:-1])
        for at in self.errors:
            if at >= before:
                verdicts[at - before] = "rule_error"
        return verdicts

    def _scores(self, found: Reached, part: _Part) -> Scores:
        return judge(
            found,
            start_s=part.start_s,
            rate_hz=self.rate_hz,
            expectation=self.requirement.expectation,
            required_s=part.required_s,
            origin_s=self.requirement.origin_s,
            not_before_s=self.requirement.not_before_s,
            chain_delay_s=part.delay_s,
        )

    def row(self) -> dict[str, Any]:
        """Columns of the verdict table, for all draws looked at."""

        whole = _Part(
            *(
                np.concatenate([getattr(part, item.name) for part in self.parts])
                for item in fields(_Part)
            )
        )
        required_s = whole.required_s
        row: dict[str, Any] = {
            **self.identity,
            "draw": whole.draws,
            "family": self.event.family,
            "occurrence": self.event.occurrence,
            "expectation": self.requirement.expectation,
            "waived": self.requirement.waiver is not None,
            "path": Coded(whole.full.astype(np.int8), ("fast", "full")),
            "clipped_before_filter": np.concatenate(self.clipped) if self.clipped else 0,
        }
        if self.missing or self.unseen:
            reasons = [f"{', '.join(self.missing)} absent from the event"] if self.missing else []
            reasons += [f"no sensor for {', '.join(self.unseen)}"] if self.unseen else []
            reason = "; ".join(reasons)
            row.update(dict.fromkeys(_SCORED, None))
            row.update(required_time_ms=1e3 * required_s, held_by=None, reason=reason)
            row.update(verdict="not_evaluated", infeasible=False)
            return row
        none = Reached.nothing(required_s.size)  # no rule: demand 0
        found = Reached.joined(self.found) if self.found else none
        row.update(_columns(self._scores(found, whole), required_s))
        if self.errors:
            _mark_errors(row, self.errors, size=required_s.size)
        return row


def score_restraint(
    event: Event,
    algorithm: Algorithm,
    restraint: str,
    *,
    samples: EcuSamples,
    sensed: Sensed,
    sensor_set: SensorSet,
    required_s: FloatArray,
) -> tuple[dict[str, Any], dict[str, FloatArray]]:
    """Score one restraint of one event over a block; return its columns and its demand branches."""
    question = Question(event, algorithm, restraint, sensor_set)
    branches = question.look(
        samples, sensed, required_s=required_s, there_by_draw=there_by_draw(samples)
    )
    if question.rule is None:
        zeros = np.zeros((samples.draws, samples.size))
        branches = {"total": zeros, "main": zeros}
    return question.row(), branches


_SCORED = (
    "fire_time_ms",
    "time_margin_ms",
    "max_demand",
    "demand_at_required_time",
    "demand_before_allowed",
    "demand_margin",
    "arming_time_ms",
)


def _demand(rule: Rule, samples: EcuSamples, shared: dict[int, Evaluated] | None) -> Evaluated:
    key = id(rule)
    if shared is not None and key in shared:
        return shared[key]
    evaluated = evaluate_rule(rule, samples)
    if shared is not None and not reads_context(rule):
        shared[key] = evaluated
    return evaluated


def _columns(scores: Scores, required: FloatArray) -> dict[str, Any]:
    return {
        "required_time_ms": 1e3 * required,
        "fire_time_ms": 1e3 * scores.fire_s,
        "time_margin_ms": 1e3 * scores.time_margin_s,
        "max_demand": scores.max_demand,
        "demand_at_required_time": scores.demand_at_required,
        "demand_before_allowed": scores.demand_before_allowed,
        "demand_margin": scores.demand_margin,
        "arming_time_ms": 1e3 * scores.arming_s,
        "held_by": Coded(scores.held_code, (None, *HELD_BY[1:])),
        "verdict": Coded(scores.verdict_code, VERDICTS),
        "infeasible": scores.infeasible,
        "reason": None,
    }


def _mark_errors(row: dict[str, Any], errors: Mapping[int, str], *, size: int) -> None:
    reasons = np.full(size, None, dtype=object)
    verdict, held = (row[name].codes.copy() for name in ("verdict", "held_by"))
    at = sorted(errors)
    reasons[at] = [errors[index] for index in at]
    verdict[at], held[at] = VERDICTS.index("rule_error"), 0
    for name in _SCORED:
        row[name] = np.array(row[name])
        row[name][at] = np.nan
    row.update(
        reason=reasons,
        verdict=Coded(verdict, VERDICTS),
        held_by=Coded(held, row["held_by"].names),
    )


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
