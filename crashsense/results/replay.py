"""A run folder read back: its plan, and any single evaluation of it, bit for bit.

What senses and judges is imported where an evaluation is run again: a page is written without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense import engine
from crashsense.errors import MissingExtraError
from crashsense.results.provenance import versions
from crashsense.verdict_schema import PlainRow

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.plan import Plan
    from crashsense.results.run import Run
    from crashsense.results.stored_plan import EvaluationInputs
    from crashsense.trials import Trial

#: Floats of one engine and of another agree to this, relative and absolute.
ENGINES_AGREE_TO = 1e-9


@dataclass(frozen=True, eq=False, repr=False)
class Replay:
    """One evaluation run again.

    ``trial``: everything on the way to the rows, one draw; ``rows``: its verdict rows (seven
    restraints); ``differences``: columns in which they differ from what the run has stored, empty
    if all are the same: bit for bit (``exact``) where the engine is that of the run, or where they
    turn out so, and floats to 1e-9 elsewhere (small work as well). ``engine``: what computed here,
    ``run_engine``: what made the run; ``notes``: what else has changed since then, one line each.
    """

    trial: Trial
    differences: tuple[str, ...]
    engine: str = "numpy"
    run_engine: str = "numpy"
    notes: tuple[str, ...] = ()
    exact: bool = True

    @property
    def rows(self) -> pd.DataFrame:
        """The verdict rows, sorted by restraint."""
        return self.trial.rows

    @property
    def plain_rows(self) -> list[PlainRow]:
        """The same rows as plain values, null as None; pandas is not needed."""
        from crashsense.trials.rows import plain_rows

        return plain_rows(self.trial)

    def __repr__(self) -> str:
        found = f"differs in {', '.join(self.differences)}" if self.differences else "as stored"
        return f"<Replay, {found}: {self.trial!r}>"

    def _repr_html_(self) -> str:
        return self.trial._repr_html_()


def _differences(
    now: Sequence[PlainRow], stored: Sequence[PlainRow], *, exact: bool
) -> tuple[str, ...]:
    """Names of the columns that are not the same; floats bit for bit, or to 1e-9."""
    if len(now) != len(stored):
        return (f"{len(stored)} rows stored, {len(now)} now",)
    pairs = list(zip(now, stored, strict=True))
    return tuple(
        name
        for name in (now[0] if now else ())
        if not all(_same(one[name], other[name], exact=exact) for one, other in pairs)
    )


def _same(now: Any, stored: Any, *, exact: bool) -> bool:
    if exact or not isinstance(now, float) or not isinstance(stored, float):
        return bool(now == stored)
    return bool(np.isclose(now, stored, rtol=ENGINES_AGREE_TO, atol=ENGINES_AGREE_TO))


def _engine_for(wanted: str) -> tuple[str, str]:
    """The engine of the run if it is available, else numpy, and why."""
    if wanted == "numpy":
        return wanted, ""
    try:
        return engine.choose(wanted)
    except MissingExtraError:
        return "numpy", "numba is not installed"


def replay(
    run: Run,
    event: str,
    *,
    draw: int = 0,
    sensor_set: str | None = None,
    algorithm: str | None = None,
    trust: bool = False,
) -> Replay:
    """Run one evaluation of a run again and return its rows and traces, bit for bit.

    Of a run read back from its folder only this event is synthesised. Where the engine of the run
    is not available here, and within :func:`crashsense.engine.for_small_work`, numpy computes, and
    rows that are not the same bit for bit are compared to 1e-9.

    Parameters
    ----------
    run : a :class:`Run`, in memory or opened from a folder
    event : name of an event of the run
    draw : 0 (nominal) to the number of draws of the run
    sensor_set, algorithm : names; None takes the last of the plan
    trust : run rules in Python or C from a run folder although this user has not evaluated them on
        this machine

    Raises
    ------
    InputError : a name or draw that the run does not have
    RunFolderError : inputs changed since the run, and it holds no copy of them; or code that is not
        trusted
    """
    from crashsense.results.stored_plan import StoredPlan

    small = engine.is_small()
    chosen, why = ("numpy", "") if small else _engine_for(run.engine)
    with nullcontext() if small else engine.using(chosen):
        names: dict[str, Any] = {"sensor_set": sensor_set, "algorithm": algorithm}
        if run.is_resolved or run.folder is None:
            asked = _from_plan(run.plan, event, draw=draw, **names)
        else:
            asked = StoredPlan(run.folder, trust=trust or run.trust).asked(
                event, draw=draw, **names
            )
        found = _replayed(run, asked, draw=draw, computed_by=chosen)
    notes = list(asked.notes)
    if chosen != run.engine and not small:
        notes.append(
            f"the run was made by engine {run.engine}, this is engine {chosen}"
            + (f" ({why})" if why else "")
        )
    if found.differences and run.folder is not None:
        notes += _changes_since(run.folder, chosen)
    return replace(found, notes=tuple(notes))


def _changes_since(folder: Path, computed_by: str) -> list[str]:
    """What else may explain a difference: another program, other packages."""
    from crashsense.plan.inputs import code_digest
    from crashsense.results.folder import RunFolder

    identity = RunFolder(folder).manifest()["identity"]
    before, now = identity["versions"], versions(computed_by)
    changes = [
        f"{name} was {before[name]}, now {now[name]}"
        for name in before
        if name in now and before[name] != now[name]
    ]
    if identity["code"] != code_digest():
        changes.append("the program has changed since the run")
    return changes


def _from_plan(
    plan: Plan, event: str, *, draw: int, sensor_set: str | None, algorithm: str | None
) -> EvaluationInputs:
    """Inputs of one evaluation, from a resolved plan."""
    from crashsense.results.stored_plan import EvaluationInputs, check_draw, check_event, pick

    check_draw(draw, draws=plan.draws)
    check_event(event, known=[e.name for e in plan.events])
    events = next(g for g in plan.occurrences() if any(e.name == event for e in g))
    set_names, rule_names = (
        [i.name for i in items] for items in (plan.sensor_sets, plan.algorithms)
    )
    return EvaluationInputs(
        events=events,
        event=next(e for e in events if e.name == event),
        sensors=pick(plan.sensor_sets, sensor_set, kind="sensor_set", names=set_names),
        algorithms=plan.algorithms,
        rules=pick(plan.algorithms, algorithm, kind="algorithm", names=rule_names),
        keys=plan.keys,
    )


def _replayed(run: Run, asked: EvaluationInputs, *, draw: int, computed_by: str) -> Replay:
    from crashsense.plan.resolve import conditions_of
    from crashsense.trials import run_trials
    from crashsense.trials.rows import plain_rows

    (found,) = run_trials(
        asked.events,
        [draw],
        sensor_sets=[asked.sensors],
        algorithms=asked.algorithms,  # they decide which channels are sensed
        conditions=conditions_of(asked.keys, path=run.path),
    )
    trial = found.of(event=asked.event.name, algorithm=asked.rules.name)
    chosen = (trial.sensor_set.name, trial.algorithm.name)
    stored = [
        row
        for row in run.plain_rows(trial.event.name, draw=draw)
        if (row["sensor_set"], row["algorithm"]) == chosen
    ]
    now = plain_rows(trial)
    differences = _differences(now, stored, exact=True)
    exact = not differences or (computed_by == run.engine and not engine.is_small())
    return Replay(
        trial=trial,
        differences=differences if exact else _differences(now, stored, exact=False),
        engine=computed_by,
        run_engine=run.engine,
        exact=exact,
    )
