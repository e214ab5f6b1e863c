"""One task of a run: trials of one occurrence with every sensor set and algorithm become rows."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa

from crashsense import engine
from crashsense.arrays import bound_memory
from crashsense.event import Event, SteppingSource
from crashsense.results.folder import RunFolder
from crashsense.results.nominal import nominal_table
from crashsense.results.tables import (
    CURVE_SCHEMA,
    DRAWN_SCHEMA,
    TRACE_SCHEMA,
    VERDICT_SCHEMA,
    Task,
)
from crashsense.rules import Algorithm, sharing
from crashsense.rules.checked import of_operations, patience
from crashsense.scoring import FAILURES
from crashsense.sensing import SensorSet
from crashsense.trials import Conditions, Trial, joined
from crashsense.trials.block import (
    BLOCK,
    BLOCK_SAMPLES,
    draws_made_at_once,
    samples_of,
    trials_in_steps,
)
from crashsense.trials.drawn import drawn_of
from crashsense.trials.rows import build_table, verdict_columns
from crashsense.trials.signals import Wanted, make_beside

Result = TypeVar("Result")

#: Table -> what makes up its rows, as :func:`build_table` takes it.
Pieces = dict[str, list[Mapping[str, Any]]]


@dataclass(frozen=True, eq=False)
class Job:
    """Data that all tasks of a run share; sent to a worker once."""

    occurrences: Sequence[tuple[Event, ...]]
    sensor_sets: tuple[SensorSet, ...]
    algorithms: tuple[Algorithm, ...]
    conditions: Conditions
    keep: tuple[str, ...] = ()
    engine: str = "numpy"
    #: whether to write the table of the nominal draw, which the page is made from
    nominal: bool = False
    #: run folder and its mark (:attr:`RunFolder.mark`): a process that can see it writes parts
    #: there
    folder: str = ""
    mark: str = ""

    @cached_property
    def of_families(self) -> bool:
        """True if every rule is made of the house's families, which cost little."""
        rules = (rule for algorithm in self.algorithms for rule in algorithm.rules.values())
        return all(map(of_operations, rules))


@dataclass(frozen=True)
class Written:
    """Parts of a task that are already in the run folder.

    ``sums``: table -> SHA-256; ``failures``: as :func:`count_failures` counts them.
    """

    sums: Mapping[str, str]
    failures: int


#: The outcome of a task: its tables, or where they were written.
Made = dict[str, pa.Table] | Written

#: Columns that the count of failures reads.
COUNTED = ["verdict", "algorithm", "draw"]


def run_and_write(job: Job, tasks: Iterable[Task]) -> Iterator[tuple[Task, Made]]:
    """Evaluate tasks; write their parts if the run folder can be seen, else yield the tables."""
    folder = RunFolder(job.folder)
    seen = bool(job.mark) and folder.mark == job.mark
    for task, tables in run_tasks(job, tasks):
        if seen:
            failures = count_failures(job, tables["verdicts"])
            yield task, Written(folder.save_parts(task, tables), failures)
        else:
            yield task, tables


def count_failures(job: Job, verdicts: pa.Table) -> int:
    """Count nominal requirements that gating algorithms do not meet, as the result counts them.

    Without a gating algorithm, those of all algorithms.
    """
    names = [a.name for a in job.algorithms if a.gate] or [a.name for a in job.algorithms]
    found = 0
    for batch in verdicts.select(COUNTED).to_batches():
        verdict, algorithm, draw = batch.columns
        found += sum(
            verdict[row].as_py() in FAILURES and algorithm[row].as_py() in names
            for row in np.flatnonzero(draw.to_numpy() == 0).tolist()
        )
    return found


#: Draws of tasks that are evaluated in step, all together, and how many tasks. With eight or
#: sixteen tasks it takes as long; what is prepared of each is in memory, and a run that is killed
#: has lost a whole group.
DRAWS_IN_STEP, TASKS_IN_STEP = 2**12, 4

#: Samples of the signals of tasks whose models march side by side, and how many tasks: six frontal
#: crashes of 20 draws. Of 80 draws a step takes a third longer than of 20, of 160 twice as long.
SAMPLES_BESIDE, TASKS_BESIDE = 2 * BLOCK_SAMPLES, 8


def run_tasks(job: Job, tasks: Iterable[Task]) -> Iterator[tuple[Task, dict[str, pa.Table]]]:
    """Evaluate tasks; yield each with its part of every table.

    Short tasks that follow each other are evaluated in step (:func:`trials_in_steps`): what
    surrounds the kernels then takes half the time or less, and models march side by side.
    """
    group: list[Task] = []
    samples = 0.0
    for task in tasks:
        more = _samples_beside(job, task)
        beside = samples + more <= SAMPLES_BESIDE and len(group) < TASKS_BESIDE
        if group and not (beside or _in_step(job, [*group, task])):
            yield from zip(group, _tables_of(job, group), strict=True)
            group, samples = [], 0.0
        group.append(task)
        samples += more
    if group:
        yield from zip(group, _tables_of(job, group), strict=True)


def _in_step(job: Job, tasks: Sequence[Task]) -> bool:
    """True where tasks cost little beside what surrounds them, and no rule of a user is asked.

    The noise that several sensor sets share would be gone before the next set asks for it.
    """
    draws = sum(one.last - one.first for one in tasks)
    if draws > DRAWS_IN_STEP or len(tasks) > TASKS_IN_STEP:
        return False
    alone = len(job.sensor_sets) == 1 and job.conditions.vary in ("sensor", "none")
    return alone and job.of_families and not job.keep


def _samples_beside(job: Job, task: Task) -> float:
    """Samples of the signals that are made at once; infinite where none are made side by side.

    A user's rule is asked by each task alone: one that takes too long is given up for a task.
    """
    if job.engine != "numpy" or not job.of_families:
        return inf
    event = job.occurrences[task.occurrence][0]
    if not (job.conditions.varies_pulse(event) and isinstance(event.source, SteppingSource)):
        return inf
    return min(task.last - task.first, draws_made_at_once(event)) * samples_of(event)


def run_task(job: Job, task: Task) -> dict[str, pa.Table]:
    """Evaluate one task; return its part of every table."""
    (tables,) = _tables_of(job, [task])
    return tables


def _tables_of(job: Job, tasks: Sequence[Task]) -> list[dict[str, pa.Table]]:
    """Evaluate tasks in step; return their parts of every table."""
    with engine.using(job.engine), patience():
        tables: list[Any] = _side_by_side([_run_task(job, task) for task in tasks])
    # Fewer draws leave little, and asking takes their time. Where draws share a pulse the next task
    # takes what this one leaves: given back, it would cost a fifth to a third of an evaluation.
    for task in tasks:
        if task.last - task.first <= BLOCK:
            continue
        if job.conditions.varies_pulse(job.occurrences[task.occurrence][0]):
            bound_memory()
    return tables


def _side_by_side(works: Sequence[Generator[Wanted | None, None, Result]]) -> list[Result]:
    """Let each work take its next step in turn, until all have ended; return their results.

    Signals that they want before their next step are made for all of them.

    >>> def counting(name):
    ...     for number in (1, 2):
    ...         print(name, number)
    ...         yield
    ...     return name.upper()
    >>> _side_by_side([counting("a"), counting("b")])
    a 1
    b 1
    a 2
    b 2
    ['A', 'B']
    """
    found: dict[int, Result] = {}
    while len(found) < len(works):
        wanted: list[Wanted] = []
        for place, work in enumerate(works):
            if place not in found:
                try:
                    between = next(work)
                except StopIteration as end:
                    found[place] = end.value
                else:
                    wanted += [between] if between is not None else []
        make_beside(wanted)
    return [found[place] for place in range(len(works))]


def _run_task(job: Job, task: Task) -> Generator[Wanted | None, None, dict[str, pa.Table]]:
    """Evaluate one task; yield between its steps, return its part of every table."""
    pieces: Pieces = {"verdicts": [], "fire_curves": [], "traces": [], "drawn": []}
    scored: dict[str, list[Trial]] = {sensor_set.name: [] for sensor_set in job.sensor_sets}
    events, draws = job.occurrences[task.occurrence], range(task.first, task.last)

    def trials_of(numbers: range, *, whole: bool = False) -> Iterator[Trial | Wanted | None]:
        """Trials of some draws, taken into what makes up the tables; others between steps."""
        for trial in trials_in_steps(
            events,
            numbers,
            sensor_sets=job.sensor_sets,
            algorithms=job.algorithms,
            conditions=job.conditions,
            scores_only=not job.keep and not whole,
        ):
            if isinstance(trial, Trial):
                if job.keep:
                    _keep(job.keep, trial, pieces)
                scored[trial.sensor_set.name].append(trial.scores_only())
            yield trial
            del trial  # its signals, before those of the next draws are made

    tables = {}
    if job.nominal and task.first == 0:  # the nominal draw by itself: what a page draws of it
        # A page asks for the demand that the verdicts were made of; of several sensor sets one
        # after the other is in memory.
        with sharing() if len(job.sensor_sets) == 1 else nullcontext():
            nominal = trials_of(draws[:1], whole=True)
            tables["nominal"] = nominal_table(events, [t for t in nominal if isinstance(t, Trial)])
        draws = draws[1:]
    for trial in trials_of(draws):
        if not isinstance(trial, Trial):
            yield trial
    yield None
    for trials in scored.values():
        pieces["verdicts"].extend(verdict_columns(joined(trials)))
    tables["verdicts"] = build_table(pieces["verdicts"], schema=VERDICT_SCHEMA)
    if "fire_curves" in job.keep:
        tables["fire_curves"] = build_table(pieces["fire_curves"], schema=CURVE_SCHEMA)
    if {"traces_nominal", "traces_failed"} & set(job.keep):
        tables["traces"] = build_table(pieces["traces"], schema=TRACE_SCHEMA)
    if "drawn" in job.keep:
        tables["drawn"] = build_table(pieces["drawn"], schema=DRAWN_SCHEMA)
    return tables


def _keep(keep: Sequence[str], trial: Trial, pieces: Pieces) -> None:
    """Add the data kept besides the verdicts: drawn values, steps of demand, and traces."""
    if "drawn" in keep:
        pieces["drawn"].extend(_drawn(trial))
    for one in trial.each():
        for restraint in one.event.requirements:
            if not one.answer(restraint).branches:
                continue
            if "fire_curves" in keep:
                pieces["fire_curves"].extend(_curves(one, restraint))
            wanted = np.zeros(one.draws.size, dtype=bool)
            if "traces_nominal" in keep:
                wanted |= one.draws == 0
            if "traces_failed" in keep:
                wanted |= np.isin(one.verdicts(restraint).astype(str), FAILURES)
            pieces["traces"].extend(_traces(one, restraint, np.flatnonzero(wanted).tolist()))


def _drawn(trial: Trial) -> list[Mapping[str, Any]]:
    about = {"occurrence": trial.events[0].occurrence, "sensor_set": trial.sensor_set.name}
    return [
        {**about, "draw": trial.draws, "quantity": quantity, "value": values}
        for quantity, values in drawn_of(trial).items()
    ]


def _identity(trial: Trial, restraint: str) -> dict[str, str]:
    return {
        "event": trial.event.name,
        "sensor_set": trial.sensor_set.name,
        "algorithm": trial.algorithm.name,
        "restraint": restraint,
    }


def _curves(trial: Trial, restraint: str) -> list[Mapping[str, Any]]:
    """Steps of the running maximum of demand: where it rises, and to which value."""
    out: list[Mapping[str, Any]] = []
    for branch, demand in trial.answer(restraint).branches.items():
        level = np.maximum.accumulate(demand, axis=-1)
        rises = np.diff(level, axis=-1, prepend=0.0) > 0.0
        row, tick = np.nonzero(rises)
        out.append(
            {
                **_identity(trial, restraint),
                "branch": branch,
                "draw": trial.draws[row],
                "time_ms": 1e3 * (trial.start_s[row] + tick / trial.rate_hz),
                "demand": level[row, tick],
            }
        )
    return out


def _traces(trial: Trial, restraint: str, rows: Sequence[int]) -> list[Mapping[str, Any]]:
    times = trial.times_s if rows else np.empty((0, 0))
    return [
        {
            **_identity(trial, restraint),
            "draw": np.full(times.shape[-1], trial.draws[row]),
            "trace": f"demand_{branch}",
            "time_ms": 1e3 * times[row],
            "value": demand[row],
        }
        for row in rows
        for branch, demand in trial.answer(restraint).branches.items()
    ]
