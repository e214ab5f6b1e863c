"""Where tasks run: in this process, in worker processes, on a cluster. One small protocol.

An executor is given a job once and yields ``(task, tables)`` as they finish, in any order. A task's
result never depends on where it ran.
"""

from __future__ import annotations

import os
import pickle
import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import lru_cache
from multiprocessing import current_process, get_context
from typing import Any, Protocol

import pyarrow as pa

from crashsense.campaign.evaluation import Job, Task, run_task
from crashsense.errors import CrashsenseError, InputError, MissingExtraError

Result = tuple[Task, dict[str, pa.Table]]

#: Times that a broken pool is built anew without a single task finished in between.
RESTARTS = 3

#: Environment variables that pin the threads of linear algebra libraries.
THREAD_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


class Executor(Protocol):
    """Runs the tasks of a job."""

    def run(self, job: Job, tasks: Sequence[Task]) -> Iterator[Result]:
        """Yield every task with its tables, in any order."""
        ...


class InProcess:
    """Runs tasks one after the other in this process."""

    def run(self, job: Job, tasks: Sequence[Task]) -> Iterator[Result]:
        """Yield every task with its tables."""
        for task in tasks:
            yield task, run_task(job, task)


_worker_job: Job | None = None


def _start_worker(pickled: bytes) -> None:
    global _worker_job
    import signal

    # Ctrl-C reaches the whole process group; the parent decides, the workers finish or are ended.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _worker_job = pickle.loads(pickled)


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for ever for its next task."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait as wait_for

    parent = parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


def _run_in_worker(task: Task) -> Result:
    if _worker_job is None:
        raise CrashsenseError("a worker was started without its job")
    return task, run_task(_worker_job, task)


@contextmanager
def _pinned_threads() -> Iterator[None]:
    """One thread a worker for linear algebra: workers already fill the cores."""
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


class Processes:
    """Runs tasks in worker processes; the task of a killed worker is run again."""

    def __init__(self, workers: int) -> None:
        if getattr(current_process(), "_inheriting", False):
            raise CrashsenseError(
                "a worker process began to evaluate while it was starting: put the call of "
                "evaluate in your script under  if __name__ == '__main__':"
            )
        self.workers = workers

    def run(self, job: Job, tasks: Sequence[Task]) -> Iterator[Result]:
        """Yield every task with its tables, as they finish."""
        pickled = _pickled(job)
        left = dict.fromkeys(tasks)
        fruitless = 0
        while left:
            before = len(left)
            try:
                for task, tables in self._one_pool(pickled, list(left)):
                    del left[task]
                    yield task, tables
            except BrokenProcessPool as error:
                fruitless = fruitless + 1 if len(left) == before else 0
                if fruitless >= RESTARTS:
                    raise CrashsenseError(
                        f"worker processes die before they finish anything ({error}); perhaps the "
                        "memory is short: use fewer workers"
                    ) from error

    def _one_pool(self, pickled: bytes, tasks: Sequence[Task]) -> Iterator[Result]:
        with _pinned_threads():
            pool = ProcessPoolExecutor(
                max_workers=min(self.workers, len(tasks)),
                mp_context=get_context("spawn"),
                initializer=_start_worker,
                initargs=(pickled,),
            )
            waiting = list(reversed(tasks))
            running: set[Future[Result]] = set()
            try:
                while waiting or running:
                    while waiting and len(running) < 2 * self.workers:
                        running.add(pool.submit(_run_in_worker, waiting.pop()))
                    finished, running = wait(running, return_when=FIRST_COMPLETED)
                    for future in finished:
                        yield future.result()
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                for process in list((getattr(pool, "_processes", None) or {}).values()):
                    process.terminate()
                raise
            pool.shutdown(wait=True)


def _pickled(job: Job) -> bytes:
    try:
        return pickle.dumps(job)
    except Exception as error:
        raise InputError(
            f"the plan cannot be sent to worker processes ({error}); use one worker, or define "
            "rules and events in an importable module"
        ) from error


class Cluster:
    """Runs tasks on a dask cluster, by address or by a client that is already there."""

    def __init__(self, address_or_client: Any, *, timeout_s: float = 5.0) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            raise MissingExtraError(
                "a cluster needs the extra 'cluster': pip install '.[cluster]'"
            ) from error
        self._own = isinstance(address_or_client, str)
        if self._own:
            try:
                self.client = Client(address_or_client, timeout=timeout_s)
            except Exception as error:  # whatever answers there may not speak the protocol
                raise InputError(
                    f"--cluster: cannot reach {address_or_client!r} within {timeout_s:g} s "
                    f"({type(error).__name__}); expected the address of a running scheduler"
                ) from error
        else:
            self.client = address_or_client

    @property
    def workers(self) -> int:
        """Number of worker threads of the cluster now."""
        return max(1, sum(self.client.nthreads().values()))

    def run(self, job: Job, tasks: Sequence[Task]) -> Iterator[Result]:
        """Yield every task with its tables, as they finish."""
        from distributed import as_completed

        shared = self.client.scatter(_pickled(job), broadcast=True, hash=False)
        waiting: Iterable[Task] = iter(tasks)
        first = [task for _, task in zip(range(2 * self.workers), waiting, strict=False)]
        futures = as_completed(
            [self.client.submit(_run_on_cluster, shared, task, pure=False) for task in first]
        )
        try:
            for future in futures:
                yield future.result()
                following = next(iter(waiting), None)
                if following is not None:
                    futures.add(self.client.submit(_run_on_cluster, shared, following, pure=False))
        finally:
            if self._own:
                self.client.close()


@lru_cache(maxsize=2)
def _cluster_job(pickled: bytes) -> Job:
    job: Job = pickle.loads(pickled)
    return job


def _run_on_cluster(pickled: bytes, task: Task) -> Result:
    return task, run_task(_cluster_job(pickled), task)
