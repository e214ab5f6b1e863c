"""A run folder read back: its plan, and any single evaluation of it, bit for bit."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense import engine
from crashsense.campaign.evaluation import (
    Job,
    score_restraint,
    sense_block,
    signal_block,
)
from crashsense.campaign.plan import Plan, PlanFile, resolve_plan
from crashsense.campaign.tables import KEY, VERDICT_SCHEMA, build_table
from crashsense.errors import Fault, InputError, RunFolderError, nearest, unknown_name
from crashsense.event import RESTRAINTS, Event
from crashsense.rules import Algorithm
from crashsense.sensing import EcuSamples, Sensed, SensorSet
from crashsense.signal import Signal

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.campaign.run import Run


def plan_of(folder: Path) -> Plan:
    """Resolve the plan of a run folder again; inputs that changed since are refused by name."""
    from crashsense.campaign.folder import RunFolder

    identity = RunFolder(folder).manifest()["identity"]
    data = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    plan = resolve_plan(PlanFile.model_validate(data))
    before = identity["inputs"]
    changed = [key for key in {**before, **plan.inputs} if before.get(key) != plan.inputs.get(key)]
    if changed:
        raise RunFolderError(
            f"{folder}: inputs changed since the run ({'; '.join(sorted(changed)[:4])}); "
            "evaluate again"
        )
    return plan


@dataclass(frozen=True, eq=False)
class Replay:
    """One evaluation run again: the same rows, and everything on the way to them.

    ``rows``: the verdict rows (seven restraints); ``differences``: columns in which they differ
    from what the run has stored, empty if all are the same bit for bit; ``signals``: channel ->
    true signal of the draw; ``sensed``: what the chain did; ``samples``: what the rules saw;
    ``demands``: restraint -> branch -> demand (samples,); ``times_s``: finish time of each
    sample [s].
    """

    event: Event
    draw: int
    sensor_set: SensorSet
    algorithm: Algorithm
    rows: pd.DataFrame
    differences: tuple[str, ...]
    signals: Mapping[str, Signal]
    sensed: Sensed
    samples: EcuSamples
    demands: Mapping[str, Mapping[str, np.ndarray]]
    times_s: np.ndarray


def _pick(items: tuple[Any, ...], name: str | None, *, kind: str) -> Any:
    if name is None:
        return items[-1]
    for item in items:
        if item.name == name:
            return item
    raise unknown_name(kind, name, [item.name for item in items])


def _differences(now: pd.DataFrame, stored: pd.DataFrame) -> tuple[str, ...]:
    """Names of the columns that are not the same bit for bit."""
    if len(now) != len(stored):
        return (f"{len(stored)} rows stored, {len(now)} now",)
    return tuple(name for name in now.columns if not now[name].equals(stored[name]))


def replay(
    run: Run,
    event: str,
    *,
    draw: int = 0,
    sensor_set: str | None = None,
    algorithm: str | None = None,
) -> Replay:
    """Run one evaluation of a run again and return its rows and traces, bit for bit.

    Parameters
    ----------
    run : a :class:`Run`, in memory or opened from a folder
    event : name of an event of the run
    draw : 0 (nominal) to the number of draws of the run
    sensor_set, algorithm : names; None takes the last of the plan
    """
    plan = run.plan
    if not 0 <= draw <= plan.draws:
        raise InputError(
            [Fault("replay", "draw", draw, f"0 to {plan.draws}, the draws of the run")]
        )
    group = [g for g in plan.occurrences() if any(e.name == event for e in g)]
    if not group:
        known = nearest(event, [e.name for e in plan.events])
        raise InputError([Fault("replay", "event", event, known)])
    events = group[0]
    chosen = next(e for e in events if e.name == event)
    sensors = _pick(plan.sensor_sets, sensor_set, kind="sensor_set")
    rules = _pick(plan.algorithms, algorithm, kind="algorithm")
    job = Job(
        occurrences=(events,),
        sensor_sets=(sensors,),
        algorithms=plan.algorithms,
        seed=plan.seed,
        vary=plan.vary,
        sensor_draws=plan.sensor_draws,
        path=run.path,
        engine=run.engine,
    )
    with engine.using(run.engine):
        return _replayed(run, job, chosen, draw=draw, sensors=sensors, rules=rules)


def _replayed(
    run: Run, job: Job, chosen: Event, *, draw: int, sensors: SensorSet, rules: Algorithm
) -> Replay:
    events = job.occurrences[0]
    block = signal_block(events, [draw], seed=job.seed, vary=job.vary)
    (sensed,) = sense_block(events, block, job=job, sensor_set=sensors)
    samples = replace(sensed.samples, context=chosen.context)
    pieces = []
    demands = {}
    for restraint in RESTRAINTS:
        row, branches = score_restraint(
            chosen,
            rules,
            restraint,
            samples=samples,
            sensed=sensed,
            sensor_set=sensors,
            required_s=block.required_s[chosen.name][restraint],
        )
        pieces.append({"seed": job.seed, **row})
        demands[restraint] = {name: demand[0] for name, demand in branches.items()}
    frame = build_table(pieces, schema=VERDICT_SCHEMA).to_pandas()
    frame = frame.sort_values(list(KEY), ignore_index=True)
    stored = run.rows(chosen.name, draw=draw)
    stored = stored[(stored["sensor_set"] == sensors.name) & (stored["algorithm"] == rules.name)]
    return Replay(
        event=chosen,
        draw=draw,
        sensor_set=sensors,
        algorithm=rules,
        rows=frame,
        differences=_differences(frame, stored.reset_index(drop=True)),
        signals={
            name: signal.replaced(signal.samples[0], note=f"draw {draw}")
            for name, signal in block.signals.items()
        },
        sensed=sensed,
        samples=samples,
        demands=demands,
        times_s=samples.times_s[0],
    )
