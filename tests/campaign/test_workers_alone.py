"""Pieces of worker processes and clusters, each by itself: no process and no cluster is started."""

from __future__ import annotations

import concurrent.futures
import os
import signal
import sys
import threading
from collections.abc import Callable
from concurrent.futures.process import BrokenProcessPool
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pytest

from crashsense.campaign import evaluation, executors, warm_sensors
from crashsense.campaign.evaluation import Job
from crashsense.campaign.executors import Cluster, Processes
from crashsense.campaign.tasks import Bundles
from crashsense.errors import CrashsenseError, InputError
from crashsense.results.folder import RunFolder
from crashsense.results.tables import DRAWN_SCHEMA, SCHEMA_VERSION, Task
from crashsense.synthesis.model import SHIPPED
from crashsense.trials import Conditions

TASK = Task(0, 0, 1)


def job(**more: Any) -> Job:
    occurrences: Any = (("wall", "wall_unbelted"), ("kerb",), ("pole" * 1000,))
    return Job(occurrences, (), (), Conditions(seed=3), **more)


def test_a_job_is_read_as_it_was_written(tmp_path: Path) -> None:
    made = job(keep=("drawn",), folder="run", mark="mine")
    executors._write_job(made, tmp_path / "job")
    read = executors._read_job(tmp_path / "job")
    for place in (2, 0, 1, 1, 0):
        assert read.occurrences[place] == made.occurrences[place]
    assert len(read.occurrences) == len(made.occurrences)
    assert (read.keep, read.folder, read.mark) == (("drawn",), "run", "mine")
    assert read.conditions == made.conditions


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    table = pa.Table.from_pylist([], schema=DRAWN_SCHEMA)
    monkeypatch.setattr(
        evaluation, "run_tasks", lambda job, tasks: [(task, {"verdicts": table}) for task in tasks]
    )
    monkeypatch.setattr(evaluation, "count_failures", lambda job, table: 5)


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize(
    ("marked", "written"), [("own", True), ("another", False), ("", False), ("gone", False)]
)
def test_parts_are_written_only_into_the_folder_that_the_job_means(
    marked: str, written: bool, tmp_path: Path
) -> None:
    """A folder of the same name on another machine is another one; without a mark there is none."""
    folder = RunFolder(tmp_path)
    folder.write_manifest({"schema_version": SCHEMA_VERSION})
    mark = folder.mark if marked in ("own", "gone") else marked
    if marked in ("", "gone"):
        (tmp_path / "manifest.json").unlink()
    assert (folder.mark == mark) == (marked in ("own", ""))
    ((_, made),) = evaluation.run_and_write(job(folder=str(tmp_path), mark=mark), [TASK])
    assert isinstance(made, evaluation.Written) == written
    assert folder.part("verdicts", TASK).exists() == written
    if isinstance(made, evaluation.Written):
        assert made.failures == 5
        assert set(made.sums) == {"verdicts"}


@pytest.fixture
def as_worker(monkeypatch: pytest.MonkeyPatch) -> Any:
    """What a worker sets for its whole process is set back."""
    before, pool = signal.getsignal(signal.SIGINT), pa.default_memory_pool()
    monkeypatch.setattr(executors, "_worker_job", None)
    yield
    signal.signal(signal.SIGINT, before)
    pa.set_memory_pool(pool)


@pytest.mark.usefixtures("as_worker")
def test_what_waits_for_the_parent_never_keeps_a_worker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that has done its work ends although its parent lives on."""
    executors._write_job(job(), tmp_path / "job")
    waiting, parent_ends = threading.Event(), threading.Event()
    seen: list[threading.Thread] = []
    shared: list[int] = []
    kernels = SimpleNamespace(share_loops=shared.append)
    monkeypatch.setattr(executors.engine, "kernels", lambda: kernels)

    def wait() -> None:
        seen.append(threading.current_thread())
        waiting.set()
        parent_ends.wait(60.0)

    monkeypatch.setattr(executors, "_end_with_parent", wait)
    executors._start_worker(str(tmp_path / "job"), 2)
    assert waiting.wait(60.0)
    assert seen[0] is not threading.current_thread()
    assert seen[0].daemon  # threads that are none are waited for at the end of a process
    assert executors._worker_job is not None
    assert executors._worker_job.occurrences[1] == ("kerb",)
    assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    assert shared == [2]
    parent_ends.set()
    seen[0].join(60.0)


def test_a_worker_ends_when_its_parent_does_and_nobody_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("multiprocessing.parent_process", lambda: None)
    executors._end_with_parent()  # a process that was not started as a worker
    ended: list[int] = []
    read, write = os.pipe()
    os.close(write)  # ready at once: the parent is gone
    parent = SimpleNamespace(sentinel=read)
    monkeypatch.setattr("multiprocessing.parent_process", lambda: parent)
    monkeypatch.setattr(os, "_exit", ended.append)
    executors._end_with_parent()
    os.close(read)
    assert ended == [1]


def test_the_fork_server_loads_every_module_of_models(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    monkeypatch.setattr("crashsense.synthesis.model.find_model", asked.append)
    monkeypatch.delitem(sys.modules, "crashsense.campaign.warm", raising=False)
    import_module("crashsense.campaign.warm")
    assert all(set(names) & set(asked) for names in SHIPPED.values())


@pytest.mark.parametrize("failing", ["load_sensor_set", "design_filters", "load_vehicle"])
def test_what_cannot_be_made_ready_ends_no_fork_server(
    failing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The task that needs it says why; if the server ended, the run would only be interrupted."""
    failed: list[str] = []

    def refuse(*_: Any) -> None:
        failed.append(failing)
        raise ValueError("damaged on purpose")

    monkeypatch.setattr(warm_sensors, failing, refuse)
    warm_sensors.make_ready("numpy")
    assert failed


class Client:
    """A cluster's client made by hand."""

    def __init__(self, threads: int = 1, *, status: str = "running") -> None:
        self.threads = threads
        self.status = status

    def wait_for_workers(self, number: int, timeout: float) -> None:
        if number > self.threads:
            raise TimeoutError

    def nthreads(self) -> dict[str, int]:
        return {f"worker {k}": 1 for k in range(self.threads)}


def test_one_worker_is_a_cluster_and_none_is_not() -> None:
    pytest.importorskip("distributed")
    assert Cluster(Client(1)).workers == 1
    assert Cluster(Client(3)).workers == 3
    with pytest.raises(InputError, match="has no workers"):
        Cluster(Client(0))


def test_a_scheduler_answers_while_it_runs_even_without_workers() -> None:
    pytest.importorskip("distributed")
    cluster = Cluster(Client(1))
    cluster.client.threads = 0
    assert cluster._answers()
    cluster.client.nthreads = lambda: None
    assert not cluster._answers()
    cluster.client.nthreads = lambda: 1 / 0
    assert not cluster._answers()
    assert not Cluster(Client(1, status="closed"))._answers()


@pytest.fixture
def waited(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Cluster, list[int]]]:
    """A cluster whose workers come and go, by how many there are at each look."""
    distributed = pytest.importorskip("distributed")

    def made(*threads: int, then: set[str]) -> tuple[Cluster, list[int]]:
        looks = list(threads)
        cluster = Cluster(Client(1))

        def wait(running: object, *, timeout: float, return_when: str) -> Any:
            assert (timeout, return_when) == (executors.LOOK_SECONDS, "FIRST_COMPLETED")
            if not looks:
                return SimpleNamespace(done=then)
            cluster.client.threads = looks.pop(0)
            raise TimeoutError

        monkeypatch.setattr(distributed, "wait", wait)
        return cluster, looks

    return made


def test_a_cluster_is_given_up_once_it_was_without_workers_for_a_minute(
    waited: Callable[..., tuple[Cluster, list[int]]],
) -> None:
    most = round(executors.LOST_SECONDS / executors.LOOK_SECONDS)
    gone = [0] * (most - 1)
    cluster, _ = waited(*gone, 2, *gone, 1, *gone, then={"a"})
    assert cluster._finished({"a", "b"}) == {"a"}
    cluster, left = waited(*gone, 2, *gone, 0, 0, then={"a"})
    with pytest.raises(CrashsenseError, match="no worker is left for 60 s"):
        cluster._finished({"a", "b"})
    assert left == [0]


#: What bundles of three events take [s].
TOOK = (1.0, 9.0, 4.0)


class Future:
    """A bundle on a cluster that is done as soon as it is waited for."""

    def __init__(self, bundle: Any, *, fails: bool, seconds: float) -> None:
        self.bundle = bundle
        self.seconds = seconds
        self.status = "error" if fails else "finished"

    def exception(self) -> Exception:
        assert self.status == "error"
        return ValueError(f"{self.bundle} failed")

    def result(self) -> tuple[list[Any], float]:
        assert self.status == "finished"
        return [(task, None) for task in self.bundle], self.seconds


class Loop:
    """Bundles of a cluster that are done one at a time; the named one fails."""

    def __init__(self, fails: Task | None = None, *, threads: int = 2) -> None:
        self.fails = fails
        self.submitted: list[Any] = []
        self.most = 0
        self.cancelled: list[Any] = []
        self.threads = threads
        self.status = "running"

    wait_for_workers, nthreads = Client.wait_for_workers, Client.nthreads

    def scatter(self, content: bytes, **_: Any) -> bytes:
        return content

    def submit(self, call: object, shared: bytes, bundle: Any, **_: Any) -> Any:
        self.submitted.append(bundle)
        return Future(bundle, fails=self.fails in bundle, seconds=TOOK[bundle[0].occurrence % 3])

    def cancel(self, futures: list[Any]) -> None:
        self.cancelled = [future.bundle for future in futures]


@pytest.mark.parametrize("fails", [None, Task(4, 1, 2)])
def test_a_cluster_is_kept_busy_and_its_errors_are_those_of_the_task(
    fails: Task | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed")
    client = Loop(fails)

    def wait(running: set[Any], **_: Any) -> Any:
        client.most = max(client.most, len(running))
        return SimpleNamespace(done={max(running, key=lambda future: future.bundle)})

    monkeypatch.setattr(distributed, "wait", wait)
    bundles = [(Task(k, 1, 2),) for k in range(9)]
    finished = Cluster(client).run(job(), bundles)
    found = []
    if fails:
        with pytest.raises(ValueError, match="occurrence=4"):
            found += finished
        assert (fails,) in client.cancelled
        return
    found = [task for task, _ in finished]
    assert sorted(found) == [task for (task,) in bundles]
    assert client.most == 2 * 2  # as many again as run wait for them
    assert client.cancelled == []


#: Two bundles of each event, which were guessed to take the same; and the order in which they are
#: begun if two are sent ahead and each is done before the next: the others of an event are known by
#: its first, and those of which nothing is known come before.
EQUAL = [(Task(k, first, first + 1),) for k in range(3) for first in (1, 2)]
IN_ORDER = [0, 1, 2, 1, 2, 0]


def test_a_cluster_takes_bundles_in_the_order_of_what_was_measured(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    distributed = pytest.importorskip("distributed")
    client = Loop(threads=1)

    def wait(running: set[Any], **_: Any) -> Any:
        first = min(running, key=lambda future: client.submitted.index(future.bundle))
        return SimpleNamespace(done={first})

    monkeypatch.setattr(distributed, "wait", wait)
    assert len(list(Cluster(client).run(job(), EQUAL))) == len(EQUAL)
    assert [bundle[0].occurrence for bundle in client.submitted] == IN_ORDER


class Pool:
    """Worker processes made by hand: each bundle is done as soon as it is waited for."""

    def __init__(self) -> None:
        self.submitted: list[Any] = []
        self.breaks = False

    def __call__(self, *, max_workers: int, **_: Any) -> Pool:
        return self

    def submit(self, call: object, bundle: Any) -> concurrent.futures.Future[Any]:
        future: concurrent.futures.Future[Any] = concurrent.futures.Future()
        if self.breaks:
            future.set_exception(BrokenProcessPool("on purpose"))
        else:
            future.set_result(([(task, None) for task in bundle], TOOK[bundle[0].occurrence]))
        self.submitted.append(bundle)
        return future

    def shutdown(self, **_: Any) -> None:
        self.breaks = False


@pytest.fixture
def pool(monkeypatch: pytest.MonkeyPatch) -> Pool:
    made = Pool()
    monkeypatch.setattr(executors, "ProcessPoolExecutor", made)
    monkeypatch.setattr(executors.processes, "context", lambda engine: None)
    monkeypatch.setattr(
        executors, "wait", lambda running, **_: SimpleNamespace(done=list(running)[:1])
    )
    return made


def test_processes_take_bundles_in_the_order_of_what_was_measured(pool: Pool) -> None:
    finished = list(Processes(1).run(job(), EQUAL))
    assert sorted(task for task, _ in finished) == [task for (task,) in EQUAL]
    assert [bundle[0].occurrence for bundle in pool.submitted] == IN_ORDER


def test_when_a_pool_breaks_the_next_one_knows_what_was_guessed(pool: Pool) -> None:
    pool.breaks = True
    bundles = Bundles(EQUAL, seconds_a_draw=[1.0, 1.0, 5.0])
    finished = list(Processes(1).run(job(), bundles))
    assert sorted(task for task, _ in finished) == [task for (task,) in EQUAL]
    begun = [bundle[0].occurrence for bundle in pool.submitted]
    # Without guesses an event of which nothing is known would be the second.
    assert begun[:2] == begun[2:4] == [2, 2]


def test_what_a_bundle_takes_is_the_time_of_its_tasks(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [3.0]

    def run(_: Job, tasks: Any) -> Any:
        for task in tasks:
            clock[0] += 1.25
            yield task, None

    monkeypatch.setattr(executors, "run_and_write", run)
    monkeypatch.setattr(executors.time, "thread_time", lambda: clock[0])
    results, seconds = executors._timed(job(), (TASK, TASK))
    assert [task for task, _ in results] == [TASK, TASK]
    assert seconds == 2.5
