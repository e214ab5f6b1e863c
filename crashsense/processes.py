"""Worker processes: how many there may be, and how they start; threads of linear algebra.

Where the system has a fork server, workers are forked from one process that has imported and
compiled once. It imports beside its caller: :func:`begun` starts it as soon as workers are sure to
be wanted, and they are there when the plan is read.
"""

from __future__ import annotations

import os
import signal
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from multiprocessing.context import BaseContext

#: Environment variables that pin the threads of linear algebra libraries.
THREAD_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)

#: Modules that the server imports, by engine: what tasks need, and kernels loaded and run once.
#: Names only, so that a command begins it before it imports anything itself. The last module of
#: each also designs the filters of the shipped sensors and reads the shipped cars.
WARM = {
    "numpy": ("crashsense.campaign.warm", "crashsense.campaign.warm_numpy"),
    "fast": ("crashsense.campaign.warm", "crashsense.campaign.warm_compiled"),
}

#: Time after which a process that works apart is given up [s]: a hundred times what loops take.
APART_SECONDS = 600

#: Descriptors of files that a process closes: more than a worker ever has.
_MOST_FILES = 4096

Answer = TypeVar("Answer")

_started = False
_at_hand: ContextVar[bool] = ContextVar("crashsense_processes_at_hand", default=False)


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


def context(engine: str) -> BaseContext:
    """Return how workers of an engine start.

    Where the system has no fork server each worker imports for itself.
    """
    from multiprocessing import get_context

    if not forks():
        return get_context("spawn")
    found = get_context("forkserver")
    if not _started:  # what has been imported stays so
        found.set_forkserver_preload(list(WARM[engine]))
    return found


def forks() -> bool:
    """True where workers are forked."""
    from multiprocessing import get_all_start_methods

    return "forkserver" in get_all_start_methods()


@contextmanager
def begun(engine: str) -> Iterator[None]:
    """Start the fork server now; within the block workers are at hand: little work is shared too.

    Not by itself: a worker imports the caller's main module, which only a program that is made for
    it stands (the command line is).
    """
    global _started
    if not forks():
        yield
        return
    if not _started:
        context(engine)
        from multiprocessing.forkserver import ensure_running

        with pinned_threads():
            ensure_running()
        _started = True
    token = _at_hand.set(True)
    try:
        yield
    finally:
        _at_hand.reset(token)


def at_hand() -> bool:
    """Say whether workers start at once (:func:`begun`)."""
    return _at_hand.get()


def asked(engine: str, question: Callable[..., Answer], *arguments: Any, **named: Any) -> Answer:
    """Return what a worker of an engine answers: a function of a module, called there."""
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(1, mp_context=context(engine)) as pool:
        return pool.submit(question, *arguments, **named).result()


def apart(work: Callable[[], object], *, held: int = -1, most_s: int = APART_SECONDS) -> int:
    """Do something in a process that is forked from this one and then ends; return its number.

    For a compiler, whose memory is not given back. Of what this process has open the other one
    keeps the file *held* alone, so that nobody waits for it in place of this one. It reports no
    errors, and ends after *most_s* seconds at the latest (0: whenever it is done), so that it does
    not hold that file for ever.

    Raises
    ------
    OSError
        If no process can be had.
    """
    with warnings.catch_warnings():
        # Of threads that may be in the middle of something: those of a worker only wait.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child:
        return child
    try:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(most_s)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for standard in range(3):
            os.dup2(nowhere, standard)
        os.closerange(3, max(held, 3))
        os.closerange(max(held, 2) + 1, _MOST_FILES)
        work()
    finally:
        os._exit(0)


def pin_threads() -> None:
    """One thread for linear algebra from here on, unless the user has set a number of them.

    For a program, before it imports numpy: a library of linear algebra starts a thread for each
    core, and these wait for work at the cost of processor time. Nothing here gains from them, and
    a sum must not depend on the number of cores. Processes that are started later inherit it: the
    user's own rule computes with one thread, as it does in a worker.
    """
    if not any(name in os.environ for name in THREAD_VARIABLES):
        os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))


@contextmanager
def pinned_threads() -> Iterator[None]:
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
