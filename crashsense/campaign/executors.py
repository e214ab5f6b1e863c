"""Where tasks run: in this process, in worker processes, on a cluster. One small protocol.

An executor takes a job once, and its tasks in bundles that are worth sending; it yields
``(task, tables)`` as they finish, in any order. A worker that can see the run folder writes the
tables there and returns their checksums, so that the parent is never the bottleneck. A task's
result never depends on where it ran. When the caller stops early, its generator is closed and every
worker ends.
"""

from __future__ import annotations

import os
import pickle
import threading
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from importlib import import_module
from io import BytesIO
from itertools import chain, islice
from multiprocessing import current_process
from pathlib import Path
from typing import IO, Any, Protocol

import pyarrow as pa

from crashsense import engine, processes
from crashsense.campaign.evaluation import Job, Made, run_and_write, run_tasks
from crashsense.campaign.tasks import Bundle, Bundles, Waiting, guesses_of
from crashsense.errors import CrashsenseError, InputError, MissingExtraError
from crashsense.event import Event
from crashsense.results.tables import Task
from crashsense.temporary import temporary_folder

Result = tuple[Task, Made]

#: What the tables and the page of a run need when its tasks are done: imported while they run.
LATER = ("pandas", "scipy.special", "jinja2")

#: Time within which a cluster must answer and have a worker [s].
REACH_SECONDS = 5.0

#: Seconds after which it is looked whether a cluster still has workers, and without any of them for
#: which a run is given up: workers that are restarted are waited for.
LOOK_SECONDS, LOST_SECONDS = 5.0, 60.0

_CONTINUES = "what was written is kept, and the same command continues (on any cluster, or here)"

#: Time that a worker has to end before it is killed [s].
END_SECONDS = 10.0

#: Number of times that a broken pool is rebuilt without any task finished in between.
RESTARTS = 3


class Executor(Protocol):
    """Runs the tasks of a job."""

    @property
    def workers(self) -> int:
        """How many bundles run at the same time."""
        ...

    def run(self, job: Job, bundles: Sequence[Bundle]) -> Generator[Result]:
        """Yield every task with its tables, in any order."""
        ...


class InProcess:
    """Runs tasks one after the other in this process."""

    workers = 1

    def run(self, job: Job, bundles: Sequence[Bundle]) -> Generator[Result]:
        """Yield every task with its tables."""
        yield from run_tasks(job, chain.from_iterable(bundles))


_worker_job: Job | None = None


def _start_worker(job_file: str, workers: int) -> None:
    global _worker_job
    import signal

    # Ctrl-C reaches the whole process group; the parent decides whether workers finish or end.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    pa.set_memory_pool(pa.system_memory_pool())  # as in campaign.tables.returned_memory
    _worker_job = _read_job(Path(job_file))
    with engine.using(_worker_job.engine):
        kernels: Any = engine.kernels()
    if kernels is not None:
        kernels.share_loops(workers)


def _end_with_parent() -> None:
    """End if the parent was killed: the worker would wait forever for its next task."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait as wait_for

    parent = parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


def _timed(job: Job, bundle: Bundle) -> tuple[list[Result], float]:
    """Run a bundle; return its tasks with what they made, and the processor time it took [s]."""
    start = time.thread_time()
    results = list(run_and_write(job, bundle))
    return results, time.thread_time() - start


def _run_in_worker(bundle: Bundle) -> tuple[list[Result], float]:
    if _worker_job is None:
        raise CrashsenseError("a worker process was started without its job")
    return _timed(_worker_job, bundle)


class Processes:
    """Runs tasks in worker processes; the task of a killed worker is run again."""

    def __init__(self, workers: int) -> None:
        if getattr(current_process(), "_inheriting", False):
            raise CrashsenseError(
                "a worker process began to evaluate while it was starting: put the call of "
                "evaluate in your script under  if __name__ == '__main__':"
            )
        self.workers = workers

    def run(self, job: Job, bundles: Sequence[Bundle]) -> Generator[Result]:
        """Yield every task with its tables, as they finish."""
        left = dict.fromkeys(bundles)
        fruitless = 0
        with temporary_folder() as folder:
            job_file = folder / "job.pickle"
            try:
                _write_job(job, job_file)
            except OSError as error:
                raise CrashsenseError(
                    f"{job_file}: cannot write what the workers need ({error.strerror or error})"
                ) from error
            while left:
                before = len(left)
                try:
                    to_do = Bundles(list(left), seconds_a_draw=guesses_of(bundles))
                    with closing(self._one_pool(job, str(job_file), to_do)) as finished:
                        for bundle, results in finished:
                            del left[bundle]
                            yield from results
                except BrokenProcessPool as error:
                    fruitless = fruitless + 1 if len(left) == before else 0
                    if fruitless >= RESTARTS:
                        raise CrashsenseError(
                            "worker processes end before they finish anything "
                            f"({error}); possibly out of memory: use fewer workers"
                        ) from error

    def _one_pool(
        self, job: Job, job_file: str, bundles: Sequence[Bundle]
    ) -> Generator[tuple[Bundle, list[Result]]]:
        with processes.pinned_threads():
            workers = min(self.workers, len(bundles))
            pool = ProcessPoolExecutor(
                max_workers=workers,
                mp_context=processes.context(job.engine),
                initializer=_start_worker,
                initargs=(job_file, workers),
            )
            waiting = Waiting(bundles)
            running: dict[Future[tuple[list[Result], float]], Bundle] = {}
            try:
                while waiting or running:
                    while waiting and len(running) < 2 * self.workers:
                        bundle = waiting.next()
                        running[pool.submit(_run_in_worker, bundle)] = bundle
                    for name in LATER:  # the first time; then there is nothing to do
                        import_module(name)
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        bundle = running.pop(future)
                        results, seconds = future.result()
                        waiting.took(bundle, seconds)
                        yield bundle, results
            except BaseException:
                _end(pool)
                raise
            pool.shutdown(wait=True)


def _end(pool: ProcessPoolExecutor) -> None:
    """End a pool and its workers at once, even during a task; return when they are gone."""
    # The pool forgets its processes as soon as it is shut down.
    children = list((getattr(pool, "_processes", None) or {}).values())
    for process in children:
        process.terminate()
    pool.shutdown(wait=False, cancel_futures=True)
    for process in children:
        process.join(END_SECONDS)
        if process.is_alive():
            process.kill()
            process.join()


class _KeptOccurrences(Sequence[tuple[Event, ...]]):
    """Occurrences as they were written, read one at a time: a worker never holds the library."""

    def __init__(self, opened: Callable[[], IO[bytes]], *, ends: Sequence[int]) -> None:
        self._opened = opened
        self._ends = ends
        self._held: tuple[int, tuple[Event, ...]] | None = None

    def __len__(self) -> int:
        return len(self._ends) - 1

    def __getitem__(self, index: Any) -> Any:
        if self._held is None or self._held[0] != index:
            with self._opened() as file:
                file.seek(self._ends[index])
                self._held = (index, pickle.load(file))
        return self._held[1]


def _write_job(job: Job, path: Path) -> None:
    """Write a job once for all workers of this machine."""
    with path.open("wb") as file:
        _put_job(job, file)


def _packed_job(job: Job) -> bytes:
    """As :func:`_write_job`, for workers of other machines."""
    file = BytesIO()
    _put_job(job, file)
    return file.getvalue()


def _put_job(job: Job, file: IO[bytes]) -> None:
    """Write the occurrences of a job one by one, then what they share."""
    ends = [0]
    for events in job.occurrences:
        file.write(_pickled(events))
        ends.append(file.tell())
    shared = _pickled((replace(job, occurrences=()), ends))
    file.write(shared)
    file.write(len(shared).to_bytes(8, "little"))


def _read_job(path: Path) -> Job:
    """Read what :func:`_write_job` wrote."""
    return _job_of(lambda: path.open("rb"))


def _job_of(opened: Callable[[], IO[bytes]]) -> Job:
    """Read a job from where it is kept."""
    with opened() as file:
        file.seek(-8, os.SEEK_END)
        size = int.from_bytes(file.read(8), "little")
        file.seek(-8 - size, os.SEEK_END)
        job, ends = pickle.loads(file.read(size))
    return replace(job, occurrences=_KeptOccurrences(opened, ends=ends))


def _pickled(content: Any) -> bytes:
    try:
        return pickle.dumps(content)
    except Exception as error:
        raise InputError(
            f"the plan cannot be sent to worker processes ({error}); use one worker, or define "
            "rules and events in an importable module"
        ) from error


class Cluster:
    """Runs tasks on a dask cluster, by address or by an existing client."""

    def __init__(self, address_or_client: Any, *, timeout_s: float | None = None) -> None:
        timeout_s = REACH_SECONDS if timeout_s is None else timeout_s
        try:
            from distributed import Client
        except ImportError as error:
            raise MissingExtraError(
                "a cluster needs the extra 'cluster': pip install '.[cluster]'"
            ) from error
        self._own = isinstance(address_or_client, str)
        where = repr(address_or_client) if self._own else "the cluster of the client"
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
        try:  # those that are just starting are waited for
            self.client.wait_for_workers(1, timeout=timeout_s)
        except TimeoutError:
            self.close()
            raise InputError(
                f"--cluster: {where} has no workers after {timeout_s:g} s; expected at least one "
                "(start it with: dask worker ADDRESS)"
            ) from None

    def close(self) -> None:
        """Close the client, if it was created here."""
        if self._own:
            with suppress(
                Exception
            ):  # its scheduler may be gone, so that there is nothing to close
                self.client.close(timeout=REACH_SECONDS)

    @property
    def workers(self) -> int:
        """Number of worker threads of the cluster now."""
        return max(1, sum(self.client.nthreads().values()))

    def run(self, job: Job, bundles: Sequence[Bundle]) -> Generator[Result]:
        """Yield every task with its tables, as they finish.

        Raises
        ------
        CrashsenseError : the scheduler is gone, or no worker is left for :data:`LOST_SECONDS`
        """
        waiting = Waiting(bundles)
        running: set[Any] = set()
        try:
            with self._named_losses():
                shared = self.client.scatter(_packed_job(job), broadcast=True, hash=False)
                count = 2 * self.workers
            while True:
                with self._named_losses():
                    for bundle in islice(waiting, count):
                        running.add(self.client.submit(_run_on_cluster, shared, bundle, pure=False))
                    if not running:
                        return
                    finished = self._finished(running)
                    errors = [f.exception() for f in finished if f.status == "error"]
                    results = [f.result() for f in finished if f.status != "error"]
                if errors:  # of a task, not of the cluster
                    raise _killed(errors[0])
                running -= finished
                count = len(finished)
                for result, seconds in results:
                    waiting.took([task for task, _ in result], seconds)
                for result, _ in results:
                    yield from result
        finally:
            with suppress(Exception):
                self.client.cancel(list(running))

    def _finished(self, running: set[Any]) -> set[Any]:
        """Wait until a future is done, as long as some worker may finish it."""
        from distributed import wait as wait_for

        left_s = LOST_SECONDS
        while True:
            try:
                done = wait_for(running, timeout=LOOK_SECONDS, return_when="FIRST_COMPLETED").done
                return set(done)
            except TimeoutError:
                if self.client.nthreads():
                    left_s = LOST_SECONDS
                    continue
                left_s -= LOOK_SECONDS
                if left_s <= 0.0:
                    raise CrashsenseError(
                        f"--cluster: no worker is left for {LOST_SECONDS:g} s; {_CONTINUES}"
                    ) from None

    @contextmanager
    def _named_losses(self) -> Iterator[None]:
        """Report what was lost if the cluster fails, rather than a task."""
        from concurrent.futures import CancelledError

        from distributed.comm import CommClosedError

        try:
            yield
        except CrashsenseError:
            raise
        except (CancelledError, CommClosedError, OSError, RuntimeError) as error:
            # A closed client says RuntimeError; one whose scheduler has gone cancels its futures,
            # and so does a scheduler whose workers took what they shared with them.
            reason = " ".join(f"{type(error).__name__}: {error}".split())[:120].rstrip(": ")
            lost = "its workers are lost" if self._answers() else "the scheduler is lost"
            raise CrashsenseError(f"--cluster: {lost} ({reason}); {_CONTINUES}") from None

    def _answers(self) -> bool:
        """True if the scheduler is still running."""
        try:
            return self.client.status == "running" and self.client.nthreads() is not None
        except Exception:
            return False


def _killed(error: Exception) -> Exception:
    """Return the error of a task; a message if its workers ended with it."""
    from distributed import KilledWorker

    if isinstance(error, KilledWorker):
        return CrashsenseError(
            f"--cluster: workers repeatedly end during one task; possibly out of memory; "
            f"{_CONTINUES}"
        )
    return error


#: The job of each thread: rules that run sample by sample keep state while they run.
_of_thread = threading.local()


def _cluster_job(packed: bytes) -> Job:
    if getattr(_of_thread, "packed", None) != packed:
        _of_thread.job, _of_thread.packed = _job_of(lambda: BytesIO(packed)), packed
    job: Job = _of_thread.job
    return job


def _run_on_cluster(packed: bytes, bundle: Bundle) -> tuple[list[Result], float]:
    return _timed(_cluster_job(packed), bundle)
