"""Tasks that are evaluated in step have the tables that each has by itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pyarrow as pa
import pytest
from pulses_by_hand import pulse

from crashsense import engine
from crashsense.campaign import evaluation
from crashsense.campaign.evaluation import (
    DRAWS_IN_STEP,
    TASKS_BESIDE,
    TASKS_IN_STEP,
    Job,
    run_task,
    run_tasks,
)
from crashsense.campaign.tasks import split
from crashsense.event import Event
from crashsense.plan import resolve_plan
from crashsense.results.tables import Task
from crashsense.rules import Algorithm, Rule, load_algorithm
from crashsense.sensing import load_sensor_set
from crashsense.synthesis import load_events
from crashsense.trials import Conditions, block
from crashsense.trials.block import samples_of


def job(*events: Event, conditions: Any = None, **more: Any) -> Job:
    plan = resolve_plan(events=list(events), algorithms=["plain"])
    found = Job(
        tuple(plan.occurrences()),
        plan.sensor_sets,
        plan.algorithms,
        conditions or Conditions(vary="sensor"),
        engine=engine.choose(None)[0],
    )
    return replace(found, **more)


EVENTS = tuple(pulse(f"hand_{n}", 4.0 + n, fire=n > 1) for n in range(4))


@pytest.mark.parametrize(
    ("conditions", "more"),
    [
        ({}, {}),
        ({"sensor_draws": "shared"}, {}),
        ({"path": "full"}, {}),
        ({}, {"nominal": True}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("short", [True, False])
def test_tables_are_those_of_each_task_by_itself(
    conditions: dict[str, str],
    more: dict[str, Any],
    short: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if not short:  # no event is: each is prepared when its kernels are about to run
        monkeypatch.setattr(block, "_SHORT", 0)
    one = job(*EVENTS[:2], conditions=Conditions(vary="sensor", **conditions), **more)
    tasks = split(one, draws=40, chunk=25)
    groups = groups_of(one, tasks, monkeypatch)
    together = dict(run_tasks(one, tasks))
    assert groups == [tasks]
    assert list(together) == tasks
    for task, tables in together.items():
        alone = run_task(one, task)
        assert tables.keys() == alone.keys()
        assert all(tables[name].equals(alone[name]) for name in tables)
    assert len({table.to_pandas().to_csv() for table in verdicts_of(together)}) == len(tasks)


def verdicts_of(found: dict[Task, dict[str, pa.Table]]) -> list[pa.Table]:
    return [tables["verdicts"] for tables in found.values()]


def groups_of(
    one: Job, tasks: list[Task], monkeypatch: pytest.MonkeyPatch, *, run: bool = True
) -> list[list[Task]]:
    """Groups of tasks as they are evaluated, filled in while they are."""
    groups: list[list[Task]] = []
    tables_of = evaluation._tables_of

    def noted(one: Job, some: list[Task]) -> list[Any]:
        if len(some) > 1 or not run:
            groups.append(list(some))
        return tables_of(one, some) if run else [{} for _ in some]

    monkeypatch.setattr(evaluation, "_tables_of", noted)
    return groups


class Own(Rule):
    """A rule of a user."""

    requires = frozenset({"central_x"})

    def demand(self, samples: Any) -> Any:
        return abs(samples.channels["central_x"])


@pytest.mark.parametrize(
    ("more", "sizes"),
    [
        ({}, [2, 2, 1]),
        ({"conditions": Conditions()}, [1] * 5),  # pulses may vary: their signals take memory
        ({"keep": ("drawn",)}, [1] * 5),
        ({"algorithms": (Algorithm("own", rules={"curtain_left": Own()}),)}, [1] * 5),
        # Sets share the noise of an event, which other events would displace.
        ({"sensor_sets": tuple(replace(load_sensor_set(), name=n) for n in "ab")}, [1] * 5),
    ],
)
def test_short_tasks_of_built_in_rules_go_in_step(
    more: dict[str, Any], sizes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = job(EVENTS[0], algorithms=(load_algorithm("plain"),))
    one = replace(one, **more)
    each = DRAWS_IN_STEP // 2
    tasks = [Task(0, first, first + each) for first in range(1, 5 * each, each)]
    assert grouped(one, tasks, monkeypatch) == sizes


@pytest.mark.slow
def test_models_that_march_side_by_side_give_the_tables_of_each_task_by_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Blocks of different draws in step: signals of all are made before any is sensed."""
    names = ("wall_full_13_hard", "bumper_barrier_10", "underride_10")
    one = job(*load_events(names), conditions=Conditions(), engine="numpy", nominal=True)
    tasks = [Task(0, 0, 5), Task(1, 0, 9), Task(1, 9, 12), Task(2, 0, 2)]
    alone = [run_task(one, task) for task in tasks]
    monkeypatch.setattr(evaluation, "SAMPLES_BESIDE", 18 * samples_of(one.occurrences[0][0]))
    beside: list[int] = []
    make = evaluation.make_beside
    monkeypatch.setattr(
        evaluation, "make_beside", lambda wanted: (beside.append(len(wanted)), make(wanted))
    )
    groups = groups_of(one, tasks, monkeypatch)
    together = dict(run_tasks(one, tasks))
    assert groups == [tasks[:3]]
    assert beside[0] == 3
    for task, tables in zip(tasks, alone, strict=True):
        assert tables.keys() == together[task].keys()
        assert all(tables[name].equals(together[task][name]) for name in tables)


@pytest.mark.parametrize(
    ("conditions", "engine_name", "sizes"),
    [
        (Conditions(), "numpy", [2, 1]),
        (Conditions(vary="pulse"), "numpy", [2, 1]),
        (Conditions(vary="sensor"), "numpy", [3]),  # short
        (Conditions(), "fast", [1, 1, 1]),
    ],
)
def test_numpy_marches_as_many_events_as_their_signals_allow(
    conditions: Conditions, engine_name: str, sizes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    events = load_events(["hammer_tunnel"])
    one = job(*events, conditions=conditions, engine=engine_name)
    monkeypatch.setattr(evaluation, "SAMPLES_BESIDE", 16 * samples_of(events[0]))
    assert grouped(one, [Task(0, 1, 9), Task(0, 9, 17), Task(0, 17, 18)], monkeypatch) == sizes


def test_a_task_of_a_users_rule_or_source_goes_alone_with_numpy(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A rule that takes too long is given up for its own task, and not for those beside it."""
    tasks = [Task(0, 1, 2), Task(0, 2, 3)]
    events = load_events(["hammer_tunnel"])
    one = job(*events, conditions=Conditions(), engine="numpy")
    assert grouped(one, tasks, monkeypatch) == [2]
    own = (*one.algorithms, Algorithm("own", rules={"curtain_left": Own()}))
    assert grouped(replace(one, algorithms=own), tasks, monkeypatch) == [1, 1]
    still = replace(one, occurrences=((replace(events[0], source=Source(events[0])),),))
    assert grouped(still, tasks, monkeypatch) == [1, 1]


class Source:
    """A user's source, which makes its draws in one go."""

    varies = True

    def __init__(self, event: Event) -> None:
        self.event = event

    def block(self, draws: Any, *, seed: int) -> Any:
        source = self.event.source
        assert source is not None
        return source.block(draws, seed=seed)


def test_no_more_than_a_few_tasks_go_in_step(monkeypatch: pytest.MonkeyPatch) -> None:
    one = job(EVENTS[0], algorithms=(load_algorithm("plain"),))
    tasks = [Task(0, first, first + 1) for first in range(1, 2 * TASKS_IN_STEP + 2)]
    assert grouped(one, tasks, monkeypatch) == [TASKS_IN_STEP, TASKS_IN_STEP, 1]
    one = job(*load_events(["hammer_tunnel"]), conditions=Conditions(), engine="numpy")
    tasks = [Task(0, first, first + 1) for first in range(1, TASKS_BESIDE + 2)]
    assert grouped(one, tasks, monkeypatch) == [TASKS_BESIDE, 1]


def grouped(one: Job, tasks: list[Task], monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many tasks each group has; all come out, in their order."""
    groups = groups_of(one, tasks, monkeypatch, run=False)
    assert [task for task, _ in run_tasks(one, iter(tasks))] == tasks
    assert [task for group in groups for task in group] == tasks
    return [len(group) for group in groups]


@pytest.mark.skipif(not engine.installed(), reason="needs numba (extra fast)")
def test_all_short_tasks_are_prepared_before_the_first_kernel_runs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from crashsense.trials import lanes

    order: list[str] = []
    for place, name, what in (
        (lanes.SensorsInLanes, "prepare", "prepared"),
        (lanes, "reached_in_lanes", "kernels"),
        (evaluation, "build_table", "rows"),
    ):
        real = getattr(place, name)

        def noted(*given: Any, _real: Any = real, _what: str = what, **more: Any) -> Any:
            order.append(_what)
            return _real(*given, **more)

        monkeypatch.setattr(place, name, noted)
    one = job(*EVENTS[:3])
    list(run_tasks(one, [Task(place, 1, 9) for place in range(3)]))
    assert order == ["prepared"] * 3 + ["kernels"] * 3 + ["rows"] * 3
