"""What a task needs of memory: no more with many draws than with some, and nothing afterwards.

Memory of arrays and of Python's objects, as ``tracemalloc`` counts it: the same on any machine.
"""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

import crashsense
from crashsense import arrays, engine
from crashsense.campaign import evaluation
from crashsense.campaign.evaluation import Job, run_task
from crashsense.plan import resolve_plan
from crashsense.plan.resolve import conditions_of
from crashsense.results.tables import Task
from crashsense.trials.block import BLOCK

ENGINES = ["numpy", pytest.param("fast", marks=pytest.mark.skipif(
    not engine.installed(), reason="needs numba (extra 'fast')"
))]  # fmt: skip

MB = 1_000_000


@pytest.fixture
def uncollected() -> Iterator[None]:
    """Without the garbage collector: what is not freed at once stays."""
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        tracemalloc.stop()
        gc.enable()


def job_of(name: str, *, engine_name: str, **keys: object) -> Job:
    """A job of one event of the library."""
    with engine.using(engine_name):
        plan = resolve_plan(events=[name], draws=1, **keys)
        return Job(
            occurrences=tuple(plan.occurrences()),
            sensor_sets=plan.sensor_sets,
            algorithms=plan.algorithms,
            conditions=conditions_of(plan.keys, path="auto"),
            keep=tuple(plan.keys.keep),
            engine=engine_name,
        )


def peak_of(job: Job, task: Task) -> int:
    """Most bytes that a task holds at once, beside what was there before."""
    tracemalloc.reset_peak()
    before = tracemalloc.get_traced_memory()[0]
    run_task(job, task)
    return tracemalloc.get_traced_memory()[1] - before


@pytest.mark.slow
@pytest.mark.parametrize("engine_name", ENGINES)
@pytest.mark.parametrize("keep", [[], ["traces_failed"]])
def test_a_task_leaves_no_signals_in_memory(
    engine_name: str, keep: list[str], uncollected: None
) -> None:
    job = job_of("hammer_tunnel", engine_name=engine_name, keep=keep)
    run_task(job, Task(0, 0, 2))  # filters are designed, kernels loaded
    tracemalloc.start()
    run_task(job, Task(0, 0, 9))
    assert tracemalloc.get_traced_memory()[0] < 0.3 * MB


@pytest.mark.slow
@pytest.mark.parametrize("engine_name", ENGINES)
def test_three_blocks_take_little_more_than_one(engine_name: str, uncollected: None) -> None:
    job = job_of("hammer_tunnel", engine_name=engine_name)
    run_task(job, Task(0, 0, 2))
    tracemalloc.start()
    one = peak_of(job, Task(0, 1, BLOCK + 1))
    three = peak_of(job, Task(0, 1, 3 * BLOCK + 1))
    assert one > 5 * MB
    assert three < one + 3 * MB


HEAP = """
import mmap
import numpy as np
from crashsense import arrays

def held():
    lines = open("/proc/self/status").read().splitlines()
    return 1024 * int(next(line.split()[1] for line in lines if line.startswith("RssAnon")))

def mapped(kind):
    made = mmap.mmap(-1, 128_000_000, flags=mmap.MAP_ANONYMOUS | kind)
    np.frombuffer(made, np.uint8)[:] = 1
    return made

# What is held once some arrays, which fit the gaps of the heap, are no longer used.
def left(count):
    some = [np.ones(1_000_000) for _ in range(count)]
    some.clear()
    return held() - before

arrays.reuse_memory()
before = held()
some = [np.ones(1_000_000) for _ in range(32)]
between = some[7::8]  # and one behind all the others: the heap cannot shrink
before += 32_000_000
some.clear()
found = [held() - before]
beside = mapped(mmap.MAP_PRIVATE)  # in use as long as the bound is looked at for the first time
arrays.bound_memory()
beside.close()
arrays.bound_memory()
found.append(held() - before)
# In use from now on: arrays of the heap, one that no gap has room for, and what processes share.
used = [*(np.ones(1_000_000) for _ in range(8)), np.ones(8_000_000)], mapped(mmap.MAP_SHARED)
before += 128_000_000
for count in (3, 15):
    found.append(left(count))
    arrays.bound_memory()
    found.append(held() - before)
print(*found)
"""


def environment_of(where: str) -> dict[str, str]:
    """Variables that a worker starts with, beside those that are set."""
    if where == "own":
        return {}
    pytest.importorskip("distributed")
    from dask import config

    set_there = config.get("distributed.nanny.pre-spawn-environ")
    return {name: str(value) for name, value in set_there.items()}


@pytest.mark.slow
@pytest.mark.skipif(arrays._heap() is None, reason="no glibc with mallinfo2")
@pytest.mark.parametrize("where", ["own", "cluster"])
def test_memory_that_is_kept_without_use_is_bounded(where: str) -> None:
    environment = {**os.environ, **environment_of(where)}
    command = [sys.executable, "-c", HEAP]
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    kept, bounded, few, still, many, again = map(int, done.stdout.split())
    assert min(kept, many) > 100 * MB  # as reuse_memory asks for
    assert max(bounded, again) < arrays.MOST_UNUSED + 8 * MB
    # The gaps are larger than the bound, but what is held in them without use is not.
    assert 20 * MB < few - bounded < arrays.MOST_UNUSED
    assert still > few - 2 * MB


def test_memory_that_cannot_be_counted_fails_no_task(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trimmed: list[int] = []
    state = SimpleNamespace(fordblks=arrays.MOST_UNUSED + 1, uordblks=0, hblkhd=0)
    monkeypatch.setattr(arrays, "_heap", lambda: (lambda: state, trimmed.append))
    monkeypatch.setattr(arrays, "_least_held", None)
    counts = tmp_path / "statm"
    monkeypatch.setattr(arrays, "_COUNTS", counts)
    arrays.bound_memory()
    counts.write_text("")
    arrays.bound_memory()
    assert trimmed == []
    counts.write_text("900 800 100 1 0 700 0")
    arrays.bound_memory()
    assert trimmed == [0]


THREAD = """
import resource, threading
import numpy as np
from crashsense import arrays

def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

def work():
    held = [np.ones(25_000) for _ in range(270)]  # 54 MB of the first 64 that a thread has
    before = faults()
    for _ in range(20):
        np.ones(1_750_000)
    print((faults() - before) * resource.getpagesize())

arrays.reuse_memory()
thread = threading.Thread(target=work)
thread.start()
thread.join()
"""


@pytest.mark.slow
@pytest.mark.skipif(arrays._heap() is None, reason="no glibc with mallinfo2")
def test_a_thread_keeps_the_memory_of_an_array_for_the_next_one() -> None:
    command = [sys.executable, "-c", THREAD]
    done = subprocess.run(command, capture_output=True, text=True)
    assert int(done.stdout) < 2 * 14 * MB  # of 20 arrays of 14 MB


@pytest.mark.parametrize(
    ("vary", "draws", "asked"), [("both", 70, 1), ("both", 9, 0), ("sensor", 70, 0)]
)
def test_memory_is_given_back_where_the_next_task_has_no_use_for_it(
    vary: str, draws: int, asked: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[bool] = []
    monkeypatch.setattr(evaluation, "bound_memory", lambda: calls.append(True))
    crashsense.evaluate(events=["hammer_tunnel"], draws=draws, vary=vary, workers=1)
    assert len(calls) == asked


LOADED = """
from crashsense import engine
from crashsense.compiled import kernels

engine.choose("fast", thorough=True)
made = [one for one in vars(kernels).values() if hasattr(one, "overloads")]
loaded = [one for one in made if sum(one.stats.cache_hits.values())]
libraries = [compiled.library for one in loaded for compiled in one.overloads.values()]
print(len(libraries), sum(one._shared_module is not None for one in libraries))
"""


@pytest.mark.slow
@pytest.mark.skipif(not engine.installed(), reason="needs numba (extra 'fast')")
def test_code_of_kernels_is_held_once() -> None:
    """Not also in the form that only a compiler reads: 34 MB, in every worker."""
    engine.choose("fast", thorough=True)  # kept, if they were not
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True)
    loaded, twice = map(int, done.stdout.split())
    assert loaded > 30
    assert twice == 0
