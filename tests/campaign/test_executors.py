"""Where tasks run: what a cluster lacks is named, and nobody is left behind."""

from __future__ import annotations

import hashlib
import pickle
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pytest

import crashsense
from crashsense import cli, engine, processes
from crashsense.campaign import evaluation, executors, running, tasks
from crashsense.campaign.evaluation import Job
from crashsense.campaign.executors import Cluster, InProcess, Processes, _cluster_job
from crashsense.errors import InputError, RunFolderError
from crashsense.plan import resolve_plan
from crashsense.results import open_run
from crashsense.results.folder import RunFolder
from crashsense.results.tables import Task
from crashsense.trials import Conditions

#: One that must not fire and one that must, both quick to make.
EVENTS = ["hammer_tunnel", "rollover_kerb_25"]


@pytest.fixture
def empty_cluster() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=":0") as cluster:
        yield cluster


def test_a_cluster_without_workers_is_named(empty_cluster: Any) -> None:
    from distributed import Client

    address = empty_cluster.scheduler_address
    with pytest.raises(InputError, match=f"'{address}' has no workers after 0.2 s"):
        Cluster(address, timeout_s=0.2)
    with (
        Client(empty_cluster) as client,
        pytest.raises(InputError, match="the cluster of the client has no workers"),
    ):
        Cluster(client, timeout_s=0.2)


def test_nothing_is_written_for_a_cluster_without_workers(
    empty_cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(executors, "REACH_SECONDS", 0.2)
    with pytest.raises(InputError, match="expected at least one"):
        crashsense.evaluate(
            events=EVENTS, out=tmp_path / "run", cluster=empty_cluster.scheduler_address
        )
    assert not (tmp_path / "run").exists()


def test_an_address_where_nobody_listens_is_named() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="cannot reach 'tcp://127.0.0.1:9'"):
        Cluster("tcp://127.0.0.1:9", timeout_s=0.3)


LONG = {"events": EVENTS, "draws": 16, "seed": 3, "algorithms": ["plain"], "engine": "numpy"}


@pytest.mark.parametrize("workers", [0, 1001, 10**400])
def test_a_number_of_workers_that_nobody_means_is_refused(workers: int) -> None:
    with pytest.raises(InputError, match="workers: .*expected 1 to 1000"):
        crashsense.evaluate(events=EVENTS, workers=workers)


#: The same as words of the command line.
COMMAND = ["evaluate", "--engine", "numpy", "--draws", "16", "--seed", "3", "--algorithm", "plain"]
COMMAND += [word for name in EVENTS for word in ("--events", name)]


def once_written(folder: Path, then: Callable[[], Any]) -> threading.Thread:
    """Do something from aside as soon as a first part of a run is written."""

    def watch() -> None:
        end = time.monotonic() + 600.0
        while not list(folder.glob("verdicts.parquet/part-*")) and time.monotonic() < end:
            time.sleep(0.002)
        then()

    thread = threading.Thread(target=watch)
    thread.start()
    return thread


def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two draws a part, every part sent alone, and a loss looked for at once."""
    monkeypatch.setattr(tasks, "BUNDLE_SECONDS", 0.0)
    monkeypatch.setattr(tasks, "draws_a_part", lambda job, index: 2)
    monkeypatch.setattr(executors, "LOOK_SECONDS", 0.2)
    monkeypatch.setattr(executors, "LOST_SECONDS", 1.0)


SCHEDULER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=1, threads_per_worker=1, processes=False, protocol="tcp://",
                      scheduler_port=int(sys.argv[1]), dashboard_address=":0") as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


def scheduler(script: Path, port: int = 0) -> tuple[Any, str]:
    """Start a cluster in a process apart; return it and the address of its scheduler."""
    script.write_text(SCHEDULER, encoding="utf-8")
    other = subprocess.Popen(
        [sys.executable, str(script), str(port)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert other.stdout is not None
    return other, other.stdout.readline().strip()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of the other side's threads, which end in mid-sentence
def test_a_lost_scheduler_is_one_line_and_the_same_command_continues(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed")
    small_pieces(monkeypatch)
    folder = tmp_path / "run"
    other, address = scheduler(tmp_path / "scheduler.py")
    command = [*COMMAND, "--out", str(folder), "--cluster", address]
    try:
        watch = once_written(folder, other.kill)
        assert cli.run(command) == 2
        watch.join()
    finally:
        other.kill()
        other.communicate()
    (line,) = lines_of(capsys.readouterr().err)
    assert "--cluster: the scheduler is lost" in line
    assert "the same command continues" in line
    kept = RunFolder(folder).parts()
    assert 0 < len(kept) < 18
    other, again = scheduler(tmp_path / "scheduler.py", int(address.rpartition(":")[2]))
    try:
        assert again == address
        assert cli.run(command) in (0, 1)
    finally:
        other.kill()
        other.communicate()
    assert open_run(folder).verdicts.equals(crashsense.evaluate(**LONG).verdicts)


def lines_of(told: str) -> list[str]:
    """What stays on the screen: a line of progress is written over."""
    shown = [line.rpartition("\r")[2].strip() for line in told.split("\n")]
    return [line for line in shown if line and not line.startswith("evaluat")]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_lost_workers_are_one_line_and_the_same_command_continues(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    distributed = pytest.importorskip("distributed")
    small_pieces(monkeypatch)
    folder = tmp_path / "run"
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0"
    ) as cluster:
        command = [*COMMAND, "--out", str(folder), "--cluster", cluster.scheduler_address]
        watch = once_written(folder, lambda: cluster.scale(0))
        assert cli.run(command) == 2
        watch.join()
        (line,) = lines_of(capsys.readouterr().err)
        assert re.search("workers are lost|no worker is left for 1 s", line)
        assert "the same command continues" in line
        assert 0 < len(RunFolder(folder).parts()) < 18
        cluster.scale(1)
        assert cli.run(command) in (0, 1)
    assert open_run(folder).verdicts.equals(crashsense.evaluate(**LONG).verdicts)


@pytest.mark.slow
def test_a_disk_that_fills_up_leaves_no_worker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tasks, "BUNDLE_SECONDS", 0.0)
    noted = RunFolder.note

    def full(folder: RunFolder, task: Any, sums: Any) -> None:
        if folder.checksums():
            raise RunFolderError("disk full")
        noted(folder, task, sums)

    monkeypatch.setattr(RunFolder, "note", full)
    plan = resolve_plan(events=EVENTS, draws=30, seed=3)
    with pytest.raises(RunFolderError, match="disk full") as caught:
        crashsense.evaluate(plan, out=tmp_path / "run", workers=2, chunk=5, engine="numpy")
    # Not only when the traceback, which holds the frames, is forgotten.
    assert caught.tb is not None
    assert active_children() == []


def test_short_plans_stay_here_and_long_ones_are_shared(monkeypatch: pytest.MonkeyPatch) -> None:
    measured: list[float] = []

    def engine_of(draws: int, *, cost: float = 0.0, workers: int | None = None) -> Any:
        plan = resolve_plan(events=EVENTS, draws=draws)
        job = Job(tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions())
        found = running._Campaign(plan, job, running.How(workers=workers))

        def seconds_a_draw() -> list[float]:
            measured.append(cost)
            return [cost] * len(job.occurrences)

        monkeypatch.setattr(found, "seconds_a_draw", seconds_a_draw)
        return found.choose(found.tasks())[0]

    monkeypatch.setattr(running, "cores", lambda: 4)
    assert isinstance(engine_of(10), InProcess)
    assert measured == []  # short however slow a draw is
    assert isinstance(engine_of(5000, cost=1e-4), InProcess)
    assert measured == [1e-4]
    long = engine_of(5000, cost=0.01)
    assert isinstance(long, Processes)
    assert long.workers == 4
    assert isinstance(engine_of(5000, cost=0.01, workers=1), InProcess)
    monkeypatch.setattr(running, "cores", lambda: 1)
    assert isinstance(engine_of(5000, cost=0.01), InProcess)


@pytest.mark.slow
def test_workers_write_what_they_made(tmp_path: Path) -> None:
    plan = resolve_plan(events=EVENTS, draws=9, seed=3)
    whole = crashsense.evaluate(plan, engine="numpy")
    folder = RunFolder(tmp_path / "run")
    job = Job(
        tuple(plan.occurrences()),
        plan.sensor_sets,
        plan.algorithms,
        Conditions(seed=3),
        nominal=True,
    )
    folder.path.mkdir()
    folder.write_manifest({"schema_version": 1})
    task = Task(0, 0, 10)
    seen = replace(job, folder=str(folder.path), mark=folder.mark)
    ((_, made),) = evaluation.run_and_write(seen, [task])
    assert isinstance(made, evaluation.Written)
    assert made.sums["verdicts"] == hashlib.sha256(folder.parts()[0].read_bytes()).hexdigest()
    # A worker on another machine has no such folder, or another one of that name.
    for unseen in (replace(seen, folder=str(tmp_path / "no")), replace(seen, mark="another")):
        ((_, tables),) = evaluation.run_and_write(unseen, [task])
        assert not isinstance(tables, evaluation.Written)
    run = crashsense.evaluate(plan, out=tmp_path / "whole", workers=2, chunk=4, engine="numpy")
    assert run.verdicts.equals(whole.verdicts)
    noted = RunFolder(tmp_path / "whole").checksums()
    assert all({"verdicts"} <= set(sums) for sums in noted.values())
    assert len(noted) == 3 * len(job.occurrences)


def test_a_finished_folder_measures_and_runs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = resolve_plan(events=EVENTS, draws=6)
    first = crashsense.evaluate(plan, out=tmp_path / "run", chunk=3, engine="numpy")
    again = {p: p.stat().st_mtime_ns for p in (tmp_path / "run").rglob("part-*")}

    def refuse(*_: Any, **__: Any) -> Any:
        raise AssertionError("a finished folder was computed again")

    monkeypatch.setattr(running, "run_task", refuse)
    monkeypatch.setattr(executors, "run_tasks", refuse)
    monkeypatch.setattr(executors, "run_and_write", refuse)
    second = crashsense.evaluate(plan, out=tmp_path / "run", workers=2, engine="numpy")
    assert second.verdicts.equals(first.verdicts)
    assert {p: p.stat().st_mtime_ns for p in again} == again


@pytest.mark.slow
def test_failures_so_far_count_what_is_in_the_folder(tmp_path: Path) -> None:
    plan = resolve_plan(
        events=["wall_full_40"], algorithms=["plain"], draws=20, seed=3, vary="sensor"
    )
    told: list[int] = []

    def note(done: int, total: int, *, failures: int, **_: Any) -> None:
        told.append(failures)

    folder = tmp_path / "run"
    crashsense.evaluate(plan, out=folder, chunk=5, engine="numpy", on_progress=note)
    everything = told[-1]
    assert everything > 0  # the plain algorithm is late at the wall
    parts = sorted(folder.glob("verdicts.parquet/part-*"))
    for part in parts[2:]:
        part.unlink()
    told.clear()
    crashsense.evaluate(plan, out=folder, engine="numpy", on_progress=note)
    assert told[0] > 0
    assert told[-1] == everything


def test_the_memory_pool_of_the_caller_is_given_back() -> None:
    pool = pa.default_memory_pool().backend_name
    used: list[str] = []
    crashsense.evaluate(
        events=["hammer_tunnel"],
        engine="numpy",
        on_progress=lambda *_, **__: used.append(pa.default_memory_pool().backend_name),
    )
    assert set(used) == {"system"}
    assert pa.default_memory_pool().backend_name == pool


def test_threads_of_a_cluster_worker_share_no_rule() -> None:
    """A rule written sample by sample keeps state while it runs."""
    plan = resolve_plan(events=["hammer_tunnel"], algorithms=["plain"])
    job = Job(tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions(vary="none"))
    packed = executors._packed_job(job)
    with ThreadPoolExecutor(2) as threads:
        both = threading.Barrier(2)

        def own(_: int) -> tuple[int, int]:
            both.wait(timeout=60)  # two threads, not one twice
            first = _cluster_job(packed)
            return id(first), id(_cluster_job(packed))

        (one, again), (other, _) = threads.map(own, range(2))
    assert one == again
    assert one != other


@pytest.mark.slow
@pytest.mark.parametrize("where", ["own", "cluster"])
def test_workers_read_one_occurrence_of_a_job_at_a_time(where: str, tmp_path: Path) -> None:
    plan = resolve_plan(events=EVENTS, draws=3)
    job = Job(tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions(seed=3))
    if where == "own":
        executors._write_job(job, tmp_path / "job")
        read = executors._read_job(tmp_path / "job")
    else:
        read = _cluster_job(executors._packed_job(job))
    assert len(read.occurrences) == len(job.occurrences)
    for place in (1, 0, 1):
        found = [event.name for event in read.occurrences[place]]
        assert found == [event.name for event in job.occurrences[place]]
        for made, kept in zip(
            evaluation.run_task(read, Task(place, 0, 3)).values(),
            evaluation.run_task(job, Task(place, 0, 3)).values(),
            strict=True,
        ):
            assert made.equals(kept)
    sizes = [len(pickle.dumps(events)) for events in job.occurrences]
    held = vars(read.occurrences)["_held"]
    assert len(pickle.dumps(held)) < 0.9 * sum(sizes)  # one of them


def test_workers_at_hand_take_short_plans_too(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = resolve_plan(events=EVENTS, draws=200)
    job = Job(tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions())
    found = running._Campaign(plan, job, running.How())
    monkeypatch.setattr(running, "cores", lambda: 4)
    monkeypatch.setattr(running, "SECONDS_A_SAMPLE", {"numpy": 1e-5})
    monkeypatch.setattr(found, "seconds_a_draw", lambda: pytest.fail("measured"))
    assert isinstance(found.choose(found.tasks())[0], InProcess)
    monkeypatch.setattr(running, "at_hand", lambda: True)
    executor, bundles = found.choose(found.tasks())
    assert isinstance(executor, Processes)
    assert sorted(task for bundle in bundles for task in bundle) == found.tasks()


@pytest.mark.parametrize("engine_name", ["numpy", "fast"])
def test_workers_of_a_cluster_do_not_wait_while_this_process_measures(
    engine_name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "run_task", lambda *_: pytest.fail("computed here"))
    plan = resolve_plan(events=EVENTS, draws=200)
    conditions = Conditions()
    occurrences = tuple(plan.occurrences())
    job = Job(occurrences, plan.sensor_sets, plan.algorithms, conditions, engine=engine_name)
    cluster: Any = SimpleNamespace(workers=2)
    found = running._Campaign(plan, job, running.How(executor=cluster))
    executor, bundles = found.choose(found.tasks())
    assert executor is cluster
    assert sorted(task for bundle in bundles for task in bundle) == found.tasks()


#: What a worker loads for its first tasks, beside what the server had loaded when it was forked.
FIRST_TASKS = """
import sys

def found():
    kernels = sys.modules.get("crashsense.compiled.kernels")
    made = [one for one in vars(kernels).values() if hasattr(one, "stats")] if kernels else []
    return set(sys.modules), sum(len(one.signatures) for one in made)

def read():
    from crashsense.sensing.noise import noise_models
    from crashsense.synthesis.frontal.vehicle import _read
    from crashsense.synthesis.misuse.structure import load_structure
    from crashsense.synthesis.road.vehicle import load_ride
    asked = [one.cache_info() for one in (noise_models, _read, load_ride, load_structure)]
    return [one.misses for one in asked], [one.hits for one in asked]

def first_tasks(engine):
    forked = set(sys.modules)
    before, hits = read()
    from crashsense.campaign.evaluation import Job, run_task
    from crashsense.plan import resolve_plan
    from crashsense.plan.resolve import conditions_of
    from crashsense.results.tables import Task
    plan = resolve_plan(events=["wall_full_56", "hammer_tunnel", "pothole_40"], draws=8)
    rules = {name for name in set(sys.modules) - forked if name.startswith("crashsense.rules.")}
    conditions = conditions_of(plan.keys, path="auto")
    occurrences = tuple(plan.occurrences())
    job = Job(occurrences, plan.sensor_sets, plan.algorithms, conditions, engine=engine)
    modules, kernels = found()
    for place in range(len(occurrences)):
        run_task(job, Task(place, 0, 9))
    after, more = found()
    packages = {name.partition(".")[0] for name in after - modules}
    misses, more_hits = read()
    further = [now - then for now, then in zip(misses, before)]
    used = all(now > then for now, then in zip(more_hits, hits))
    return sorted(packages - sys.stdlib_module_names), more - kernels, further, used, rules

if __name__ == "__main__":
    from crashsense import processes
    with processes.context(sys.argv[1]).Pool(1) as pool:
        print(*pool.apply(first_tasks, (sys.argv[1],)))
"""


@pytest.mark.slow
@pytest.mark.skipif(not processes.forks(), reason="no fork server")
@pytest.mark.parametrize("engine_name", ["numpy", "fast"])
def test_a_worker_is_forked_with_all_that_its_first_tasks_need(
    engine_name: str, tmp_path: Path
) -> None:
    if engine_name == "fast" and not engine.installed():
        pytest.skip("needs numba (extra 'fast')")
    file = tmp_path / "first.py"
    file.write_text(FIRST_TASKS)
    command = [sys.executable, str(file), engine_name]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.stdout.strip() == "[] 0 [0, 0, 0, 0] True set()", done.stderr
