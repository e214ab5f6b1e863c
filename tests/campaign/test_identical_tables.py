"""The same table bit for bit, however the plan is cut and wherever its tasks run."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

import crashsense
from crashsense.arrays import FloatArray
from crashsense.campaign import executors
from crashsense.campaign.evaluation import Job
from crashsense.campaign.tasks import (
    KEPT_SHARE,
    ROWS_A_PART,
    ROWS_OF_FAMILIES,
    ROWS_OF_SHARED_PULSE,
    bundled,
    draws_a_part,
    split,
)
from crashsense.event import RESTRAINTS
from crashsense.plan import Plan, resolve_plan
from crashsense.plan.resolve import conditions_of
from crashsense.results import Run
from crashsense.results.tables import Task
from crashsense.rules import Algorithm, Rule, rule_from_table
from crashsense.sensing import load_sensor_set
from crashsense.sensing.samples import EcuSamples
from crashsense.trials import Conditions
from crashsense.trials.block import BLOCK, SENSED_BLOCK

EVENTS = ["hammer_tunnel", "side_pole_75_32"]
DRAWS = 66
CHUNKS = (9, 30, 64)  # well below a page of draws, just below it, whole pages
SETTINGS: dict[str, Any] = {"engine": "numpy"}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return resolve_plan(events=EVENTS, draws=DRAWS, seed=3)


@pytest.fixture(scope="module")
def whole(plan: Plan) -> pd.DataFrame:
    return crashsense.evaluate(plan, **SETTINGS).verdicts


def job_of(plan: Plan, **changes: Any) -> Job:
    given = {"engine": "numpy", "keep": tuple(plan.keys.keep), **changes}
    return Job(
        tuple(plan.occurrences()),
        plan.sensor_sets,
        plan.algorithms,
        conditions_of(plan.keys, path="auto"),
        **given,
    )


@pytest.mark.quick(1)
@pytest.mark.parametrize("chunk", CHUNKS)
def test_one_worker(plan: Plan, whole: pd.DataFrame, chunk: int) -> None:
    assert crashsense.evaluate(plan, workers=1, chunk=chunk, **SETTINGS).verdicts.equals(whole)


@pytest.mark.slow
def test_worker_processes(plan: Plan, whole: pd.DataFrame) -> None:
    # All three cuts go through one pool: starting workers takes longer than what they do here.
    job, workers = job_of(plan), 3
    cuts = {chunk: split(job, draws=DRAWS, chunk=chunk) for chunk in CHUNKS}
    tasks = [task for cut in cuts.values() for task in cut]
    bundles = bundled(tasks, seconds_a_draw=[0.02] * len(job.occurrences), workers=workers)
    assert len(bundles) >= workers
    found = dict(executors.Processes(workers).run(job, bundles))
    for cut in cuts.values():
        tables = {"verdicts": [found[task]["verdicts"] for task in cut]}
        assert Run(plan=plan, folder=None, tables=tables).verdicts.equals(whole)


@pytest.mark.slow
def test_evaluate_with_processes(plan: Plan, whole: pd.DataFrame) -> None:
    assert crashsense.evaluate(plan, workers=2, chunk=30, **SETTINGS).verdicts.equals(whole)


@pytest.mark.slow
def test_a_cluster_of_worker_processes(plan: Plan, whole: pd.DataFrame) -> None:
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        for chunk in CHUNKS[:2]:
            run = crashsense.evaluate(plan, cluster=client, chunk=chunk, **SETTINGS)
            assert run.verdicts.equals(whole)
        by_address = crashsense.evaluate(plan, cluster=cluster.scheduler_address, **SETTINGS)
        assert by_address.verdicts.equals(whole)


def test_the_parts_depend_on_the_plan_alone(plan: Plan) -> None:
    for draws in (0, 1, 500, 100_000):
        for job in (job_of(plan), job_of(plan, keep=("traces_failed",))):
            tasks = split(job, draws=draws)
            assert tasks == sorted(tasks)
            for index, events in enumerate(job.occurrences):
                own = [task for task in tasks if task.occurrence == index]
                # Every draw once, and cut at borders of blocks: 1 + a multiple.
                assert [t.first for t in own[1:]] == [t.last for t in own[:-1]]
                assert (own[0].first, own[-1].last) == (0, draws + 1)
                assert all((t.last - 1) % BLOCK == 0 for t in own[:-1])
                size = draws_a_part(job, index)
                each = [len(RESTRAINTS) + len(event.orders) for event in events]
                rows = size * sum(each) * len(job.algorithms)
                assert rows <= ROWS_A_PART // (KEPT_SHARE if job.keep else 1)
                assert size % (BLOCK if job.keep else SENSED_BLOCK) == 0


class Own(Rule):
    """A rule as a user writes one: what a draw costs is not known."""

    requires = frozenset({"central_x"})

    def demand(self, samples: EcuSamples) -> FloatArray:
        return np.abs(samples.channels["central_x"]) / 400.0


def test_a_part_has_more_draws_where_they_share_a_pulse_and_most_of_families_alone() -> None:
    shared = resolve_plan(events=EVENTS[:1], draws=100_000, vary="sensor")
    found = []
    for rule in (shared.algorithms[0].rules["front_airbag_stage_1"], Own()):
        # Within a composition of the house as well.
        algorithm = Algorithm("one", rules={"front_airbag_stage_1": rule | rule})
        job = replace(job_of(shared), algorithms=(algorithm,))
        rows = len(RESTRAINTS) + len(job.occurrences[0][0].orders)
        found.append(draws_a_part(job, 0) * rows)
    for size, most in zip(found, (ROWS_OF_FAMILIES, ROWS_OF_SHARED_PULSE), strict=True):
        assert 0.8 * most < size <= most


def test_a_part_has_a_block_at_least(plan: Plan) -> None:
    job = job_of(plan)
    many = Job(job.occurrences, job.sensor_sets * 40, job.algorithms, Conditions())
    assert draws_a_part(many, 0) == BLOCK


def test_bundles_hold_every_task_once_and_the_longest_come_first() -> None:
    tasks = [Task(k // 7, k % 7, k % 7 + 1 + k % 3) for k in range(50)]
    for cost in (1e-6, 0.03, 0.2, 10.0):
        costs = [cost * (1 + k) for k in range(8)]  # later occurrences are longer

        def work(some: tuple[Task, ...], costs: list[float] = costs) -> float:
            return sum(costs[t.occurrence] * (t.last - t.first + 15 * (t.first == 0)) for t in some)

        for workers in (1, 2, 4, 100):
            bundles = bundled(tasks, seconds_a_draw=costs, workers=workers)
            assert sorted(task for bundle in bundles for task in bundle) == tasks
            assert [work(bundle) for bundle in bundles] == sorted(map(work, bundles), reverse=True)
            wanted = min(1.0, max(work(tuple(tasks)) / workers / 8, 0.05))
            assert sum(work(bundle) < wanted - 1e-9 for bundle in bundles) <= 1
            assert all(work(bundle[:-1]) < wanted for bundle in bundles)


def test_a_sensor_that_fails_in_some_draws_counts_by_draw():
    """What a rule falls back on is a matter of the draw, not of the draws beside it."""
    standard = load_sensor_set()
    lossy = replace(
        standard.sensor("upfront_left_x"), lost_frame_probability=1.0 - 1e-12, on_lost="flag"
    )
    lossy_set = replace(standard, sensors={**standard.sensors, "upfront_left_x": lossy})
    rule = rule_from_table(
        {
            "family": "fallback",
            "rule": {"family": "velocity_change", "channel": "-upfront_left_x"},
            "otherwise": {"family": "velocity_change", "channel": "-central_x"},
        }
    )
    options = {
        "events": ["wall_full_64"],
        "sensor_sets": [lossy_set],
        "algorithms": [Algorithm("falls_back", rules={"front_airbag_stage_1": rule})],
        "draws": 20,
        "vary": "sensor",  # pulses would be made anew for each of them
    }
    whole, single = (crashsense.evaluate(**options, **cut).verdicts for cut in ({}, {"chunk": 1}))
    assert whole.equals(single)
    rows = whole[whole["restraint"] == "front_airbag_stage_1"]
    # The nominal draw loses nothing and reads the upfront sensor, which clips most; the others read
    # the central one.
    nominal, *drawn = rows["clipped_before_filter"].tolist()
    assert nominal > 2 * max(drawn)
