"""Fire curves against the verdict rows; worker processes that end before they finish anything."""

from __future__ import annotations

from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pulses_by_hand import pulse

from crashsense.campaign import evaluate, evaluation, executors
from crashsense.campaign.evaluation import Job, run_task
from crashsense.errors import CrashsenseError
from crashsense.plan import resolve_plan
from crashsense.results.tables import Task
from crashsense.rules import algorithm_from_toml
from crashsense.trials import Conditions, trial


def test_a_fire_curve_is_the_running_maximum_of_its_row(tmp_path: Path) -> None:
    """It rises only, ends at the largest demand, and reaches 1 when the restraint fires."""
    run = evaluate(
        events=["hammer_tunnel", "wall_full_25"], draws=2, keep=["fire_curves"],
        algorithms=["plain"], out=tmp_path / "run", workers=1,
    )  # fmt: skip
    curves = pd.read_parquet(tmp_path / "run" / "fire_curves.parquet")
    key = ["event", "restraint", "draw"]
    seen = 0
    for (event, restraint, draw), curve in curves[curves["branch"] == "main"].groupby(key):
        rows = run.verdicts
        row = rows[
            (rows["event"] == event) & (rows["restraint"] == restraint) & (rows["draw"] == draw)
        ].iloc[0]
        demand, times = curve["demand"].to_numpy(), curve["time_ms"].to_numpy()
        assert np.all(np.diff(demand) > 0.0)
        assert np.all(np.diff(times) > 0.0)
        assert demand[-1] == row["max_demand"]
        if np.isfinite(row["fire_time_ms"]):
            assert times[np.argmax(demand >= 1.0)] == pytest.approx(row["fire_time_ms"], abs=1e-9)
        seen += 1
    assert seen > 10


#: Bundles of one task.
BUNDLES = [(Task(number, 0, 1),) for number in range(3 * executors.RESTARTS)]


class _Breaks(executors.Processes):
    """Breaks after so many bundles each time that it is asked to go on."""

    def __init__(self, bundles: int) -> None:
        super().__init__(2)
        self.at_a_time = bundles
        self.pools = 0

    def _one_pool(self, job, job_file, bundles):
        self.pools += 1
        for bundle in bundles[: self.at_a_time]:
            yield bundle, [(bundle[0], None)]
        raise BrokenProcessPool("gone")


def test_workers_that_finish_nothing_are_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(executors, "_write_job", lambda job, file: None)
    broken = _Breaks(0)
    with pytest.raises(CrashsenseError, match="worker processes end before they finish anything"):
        list(broken.run(SimpleNamespace(), BUNDLES[:2]))
    assert broken.pools == executors.RESTARTS


def test_workers_that_finish_something_each_time_are_started_as_often_as_needed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(executors, "_write_job", lambda job, file: None)
    slow = _Breaks(1)
    done = [task for task, _ in slow.run(SimpleNamespace(), BUNDLES)]
    assert done == [task for (task,) in BUNDLES]
    assert slow.pools == len(BUNDLES)


def test_any_bundle_that_is_finished_lets_workers_be_started_again() -> None:
    """Given up are those that finish nothing so many times in a row, and no others."""

    class Sometimes(executors.Processes):
        """One more bundle with every *every*-th pool."""

        def __init__(self, every: int) -> None:
            super().__init__(2)
            self.every = every
            self.pools = 0

        def _one_pool(self, job, job_file, bundles):
            self.pools += 1
            if self.pools % self.every == 0:
                yield bundles[0], [(bundles[0][0], None)]
            raise BrokenProcessPool("gone")

    job = Job((), (), (), Conditions())
    bundles = BUNDLES[:4]
    patient = Sometimes(executors.RESTARTS)
    assert [task for task, _ in patient.run(job, bundles)] == [task for (task,) in bundles]
    assert patient.pools == 4 * executors.RESTARTS
    lost = Sometimes(executors.RESTARTS + 1)
    with pytest.raises(CrashsenseError, match="before they finish anything"):
        list(lost.run(job, bundles))
    assert lost.pools == executors.RESTARTS


def test_kept_traces_are_demand_and_clock_of_the_trial() -> None:
    event = pulse("hand", 6.0, fire=True)
    algorithm = algorithm_from_toml(
        'name = "one"\n[rules.front_airbag_stage_1]\nfamily = "velocity_change"\n'
    )
    plan = resolve_plan(events=[event], algorithms=[algorithm])
    job = Job(
        tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions(),
        keep=("traces_nominal",),
    )  # fmt: skip
    traces = run_task(job, Task(0, 0, 3))["traces"].to_pandas()
    assert set(traces["draw"]) == {0}
    one = trial(event, algorithm=algorithm, engine="numpy")
    for branch, demand in one.answer("front_airbag_stage_1").branches.items():
        own = traces[traces["trace"] == f"demand_{branch}"]
        np.testing.assert_array_equal(own["time_ms"], 1e3 * one.times_s[0])
        np.testing.assert_array_equal(own["value"], demand[0])


def test_an_ended_pool_leaves_no_worker_behind() -> None:
    told = []

    class Child:
        def __init__(self, deaf: bool) -> None:
            self.deaf = deaf

        def terminate(self) -> None:
            told.append("terminate")

        def join(self, timeout: float | None = None) -> None:
            told.append("join")

        def is_alive(self) -> bool:
            return self.deaf

        def kill(self) -> None:
            told.append("kill")

    pool = SimpleNamespace(
        _processes={1: Child(deaf=False), 2: Child(deaf=True)},
        shutdown=lambda *, wait, cancel_futures: told.append((wait, cancel_futures)),
    )
    executors._end(pool)
    assert told == [
        "terminate", "terminate", (False, True), "join", "join", "kill", "join",
    ]  # fmt: skip
    executors._end(SimpleNamespace(_processes=None, shutdown=pool.shutdown))


@pytest.mark.parametrize(
    ("more", "first", "light"),
    [
        ({}, 0, [True]),
        ({}, 1, [True]),
        ({"nominal": True}, 0, [False, True]),  # traces of the nominal draw, scores of the rest
        ({"nominal": True}, 1, [True]),
        ({"keep": ("drawn",)}, 1, [False]),
        ({"keep": ("drawn",), "nominal": True}, 0, [False, False]),
    ],
)
def test_samples_are_held_where_something_is_made_of_them(
    more: dict[str, object], first: int, light: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = resolve_plan(events=[pulse("hand", 6.0, fire=True)], algorithms=["plain"], draws=3)
    job = Job(tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions(), **more)
    asked, in_steps = [], evaluation.trials_in_steps

    def noted(events, draws, *, scores_only, **how):  # type: ignore[no-untyped-def]
        asked.append(scores_only)
        return in_steps(events, draws, scores_only=scores_only, **how)

    monkeypatch.setattr(evaluation, "trials_in_steps", noted)
    tables = run_task(job, Task(0, first, 4))
    assert asked == light
    assert ("drawn" in tables) == ("keep" in more)
