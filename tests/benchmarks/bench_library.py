"""The whole shipped library with draws: by family and stage, and over workers.

Run:   python tests/benchmarks/bench_library.py [--draws 20] [--every 1]
       python tests/benchmarks/bench_goals.py --scaling 1,2,4,8,16 --draws 50

The first prints processor time by family and stage, in this process, and what a user waits for,
from start to page. The second adds the library once for each number of workers, each in a process
of its own (wall time, ratio to the first, efficiency, processor time of all processes), the start
of a worker, and a dask cluster of local processes. Figures belong to one machine; nothing is
asserted.
"""

from __future__ import annotations

import argparse
import ctypes
import importlib.util
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from crashsense import campaign, engine, processes
from crashsense.campaign import evaluation, running
from crashsense.plan import resolve_plan
from crashsense.results.folder import RunFolder
from crashsense.synthesis import load_events
from crashsense.trials import block, judge, lanes, signals
from crashsense.trials.judge import Judge
from crashsense.trials.lanes import SensorsInLanes

#: What a stage of the table is made of: where its function stands, and its name there. Sensors put
#: their codes into lanes inside of what asks the rules: the inner stage counts.
STAGES = {
    "signals": [(signals, "signal_block"), (evaluation, "make_beside")],
    "sensing": [
        *((block, "sense_block"), (block, "prepared")),
        *((SensorsInLanes, "prepare"), (lanes, "_fill")),
    ],
    "rules": [
        *((judge, "evaluate_rule"), (block, "judges_of")),
        *((block, "answers_in_lanes"), (block, "sensors_in_lanes"), (SensorsInLanes, "answers")),
    ],
    "scoring": [
        *((judge, "reached"), (judge, "judge"), (Judge, "heard"), (lanes, "spans_of")),
        *((block, "_required_of"), (evaluation, "verdict_columns")),
    ],
    "writing": [
        *((evaluation, "build_table"), (evaluation, "nominal_table"), (RunFolder, "save_parts")),
        (running._Campaign, "_finish"),
    ],
}

#: One run in a process of its own; workers are at hand before the clock starts.
ONE_RUN = """
import json, sys, time

if __name__ == "__main__":
    from crashsense import campaign, engine, processes

    name, _ = engine.choose({engine!r})
    from crashsense.plan import resolve_plan

    run = {{"workers": {workers}, "engine": name}}
    plan = resolve_plan(draws={draws})
    plan = resolve_plan(draws={draws}, events=plan.events[:: {every}])
    with processes.begun(name):
        campaign.evaluate(events=plan.events[:2], draws=1, out="before", **run)
        start = time.perf_counter()
        done = campaign.evaluate(plan, out="run", **run)
        seconds = time.perf_counter() - start
    rows = json.load(open("run/summary.json"))["rows"]
    own = [line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")]
    print(json.dumps([seconds, rows, done.engine, int(own[0]) / 1024]))
"""

#: What a user waits for, by stage, as the command line does it: time on the clock, and processor
#: time of this process alone, which no number of workers shortens. The server loads the kernels.
STAGES_OF_A_RUN = """
import json, sys, time

if __name__ == "__main__":
    marks = [("", time.perf_counter(), time.process_time())]
    def mark(name):
        marks.append((name, time.perf_counter(), time.process_time()))
    from crashsense import engine, processes
    begun = processes.begun("fast" if engine.installed() else "numpy")
    begun.__enter__()
    from crashsense import campaign, reporting
    from crashsense.synthesis.nominal_cache import in_processes
    mark("imports")
    from crashsense.plan import resolve_plan
    with in_processes():
        plan = resolve_plan(draws={draws})
    mark("events")
    def listen(done, total, **more):
        if done == total:
            mark("tasks")
    run = campaign.evaluate(plan, out="run", on_progress=listen)
    mark("tables")
    page = reporting.write_report(run, run.folder)
    mark("page")
    found = {{
        now[0]: [now[1] - before[1], now[2] - before[2]] for before, now in zip(marks, marks[1:])
    }}
    print(json.dumps([found, page.stat().st_size]))
"""

#: How long until a worker has done its first task, and what that cost it.
WORKER = """
import json, time
from crashsense import processes

def first_task(event):
    from crashsense import campaign, engine
    before = time.process_time()
    name = engine.choose(None)[0]
    campaign.evaluate(events=[event], draws=0, engine=name, workers=1)
    first = time.process_time()
    campaign.evaluate(events=[event], draws=0, engine=name, workers=1)
    return before, first - before - (time.process_time() - first)

if __name__ == "__main__":
    from crashsense import engine
    name = "fast" if engine.installed() else "numpy"
    start = time.perf_counter()
    with processes.begun(name), processes.context(name).Pool(1) as pool:
        pool.apply(int)
        server = time.perf_counter() - start
    start = time.perf_counter()
    with processes.context(name).Pool(1) as pool:
        pool.apply(int)
        worker = time.perf_counter() - start
        own, first = pool.apply(first_task, ("wall_full_56",))
    print(json.dumps([server, worker, own + first]))
"""


#: One worker here against local processes of a dask cluster, which are there before.
CLUSTER = """
import json, time

if __name__ == "__main__":
    import warnings
    warnings.simplefilter("ignore")
    from distributed import Client, LocalCluster
    from crashsense import campaign
    from crashsense.plan import resolve_plan

    plan = resolve_plan(draws={draws})
    plan = resolve_plan(draws={draws}, events=plan.events[:: {every}])
    taken = []
    with LocalCluster(n_workers={workers}, threads_per_worker=1, dashboard_address=':0') as cluster:
        own = {{"workers": {workers}}}
        there = {{"cluster": cluster.scheduler_address}}
        # A cluster stays: filters designed, kernels loaded.
        for k, run in enumerate(({{"workers": 1}}, own, there)):
            campaign.evaluate(events=plan.events, draws=20, out=f"before-{{k}}", **run)
        for run in ({{"workers": 1}}, own, there, own, there):
            start = time.perf_counter()
            campaign.evaluate(plan, out=f"run-{{len(taken)}}", **run)
            taken.append(time.perf_counter() - start)
    alone, *turns = taken
    print(json.dumps([alone, min(turns[::2]), min(turns[1::2])]))
"""


# --- by family and stage -------------------------------------------------------------------------


@contextmanager
def stages_timed() -> Iterator[dict[str, float]]:
    """Processor time by stage of what runs inside; a stage inside another counts there alone."""
    spent: dict[str, float] = defaultdict(float)
    running: list[str] = []
    since = time.process_time()

    def turn() -> None:
        nonlocal since
        now = time.process_time()
        spent[running[-1] if running else "rest"] += now - since
        since = now

    def timed(stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            turn()
            running.append(stage)
            try:
                found = function(*arguments, **options)
                # A generator does its work when it is asked, between other stages.
                return stepped(stage, found) if isinstance(found, Iterator) else found
            finally:
                turn()
                running.pop()

        return call

    def stepped(stage: str, steps: Iterator[Any]) -> Iterator[Any]:
        while True:
            turn()
            running.append(stage)
            try:
                step = next(steps)
            except StopIteration:
                return
            finally:
                turn()
                running.pop()
            yield step

    before = [(home, n, getattr(home, n)) for parts in STAGES.values() for home, n in parts]
    for stage, parts in STAGES.items():
        for home, name in parts:
            setattr(home, name, timed(stage, getattr(home, name)))
    try:
        yield spent
    finally:
        turn()
        for home, name, function in before:
            setattr(home, name, function)


def by_family(*, draws: int, every: int, engine_name: str) -> dict[str, dict[str, float]]:
    """Processor time of an event and draw by family and stage [ms]."""
    with engine.using(engine_name):
        events = load_events()[::every]
    found = {}
    for family in dict.fromkeys(event.family for event in events):
        own = [event for event in events if event.family == family]
        plan = resolve_plan(events=own, draws=draws)
        run: Any = {"workers": 1, "engine": engine_name}
        campaign.evaluate(events=own, draws=1, **run)  # filters designed, tables of models made
        with tempfile.TemporaryDirectory() as folder, stages_timed() as spent:
            campaign.evaluate(plan, out=Path(folder) / "run", **run)
        count = len(own) * (draws + 1)
        found[family] = {name: 1e3 * seconds / count for name, seconds in spent.items()}
        found[family]["all"] = sum(found[family].values())
        found[family]["events"] = len(own)
    return found


# --- over workers --------------------------------------------------------------------------------


def children_seconds() -> float:
    """Processor time of all descendants that have ended and been waited for."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def adopt_orphans() -> bool:
    """Let what our children leave behind become our own: workers of a fork server are counted."""
    try:
        return bool(ctypes.CDLL(None).prctl(36, 1, 0, 0, 0) == 0)
    except (OSError, AttributeError):
        return False


def children() -> set[int]:
    """Processes that are our own children, adopted ones among them."""
    return {int(one) for one in Path("/proc/thread-self/children").read_text().split()}


def wait_for_more_than(known: set[int]) -> float:
    """Wait until no child is left but those *known*, as a fork server of our own that stays.

    Returns the peak memory of the largest that was waited for here, or by one of them [MB]: of
    workers, which their server waits for, and of the server.
    """
    largest = 0
    while more := children() - known:
        _, _, used = os.wait4(more.pop(), 0)
        largest = max(largest, used.ru_maxrss)
    return largest / 1024


def in_own_process(code: str) -> Any:
    """Run a script in an empty folder; return what its last line says."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "whole.py"
        file.write_text(code, encoding="utf-8")
        run: Any = {"capture_output": True, "text": True, "cwd": folder, "env": environment}
        done = subprocess.run([sys.executable, str(file)], **run)
    if done.returncode:
        raise SystemExit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def one_run(workers: int, *, draws: int, every: int, engine_name: str) -> dict[str, Any]:
    """One run in a process of its own."""
    before, known = children_seconds(), children()
    code = ONE_RUN.format(every=every, draws=draws, workers=workers, engine=engine_name)
    seconds, rows, used, peak = in_own_process(code)
    worker = wait_for_more_than(known)
    return {
        "workers": workers,
        "seconds": round(seconds, 2),
        "processor_seconds": round(children_seconds() - before, 2),
        "rows": rows,
        "engine": used,
        "parent_mb": round(peak),
        "worker_mb": round(worker),
    }


def scaling(
    workers: list[int], *, draws: int, every: int = 1, engine_name: str | None = None
) -> dict[str, Any]:
    """The library once for each number of workers, and what each gains over the first."""
    name, _ = engine.choose(engine_name)
    counted = adopt_orphans()
    # Nominal signals cached, kernels compiled, disk warm.
    one_run(workers[-1], draws=0, every=1, engine_name=name)
    runs: list[dict[str, Any]] = []
    for number in workers:
        run = one_run(number, draws=draws, every=every, engine_name=name)
        first = runs[0] if runs else run
        run["gain"] = round(first["seconds"] / run["seconds"], 2)
        run["efficiency"] = round(run["gain"] * first["workers"] / number, 2)
        run["processor_ratio"] = round(run["processor_seconds"] / first["processor_seconds"], 2)
        runs.append(run)
        print(f"{number} workers: {run['seconds']} s", file=sys.stderr, flush=True)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    server, worker, first_task = in_own_process(WORKER)
    return {
        "machine": f"{platform.machine()}, {processes.cores()} cores",
        "draws": draws,
        "workers_counted": counted,
        "largest_process_mb": round(peak),
        "fork_server_ready_s": round(server, 2),
        "worker_forked_s": round(worker, 3),
        "worker_first_task_processor_s": round(first_task, 2),
        "runs": runs,
    }


def stages_of_a_run(draws: int) -> dict[str, Any]:
    """Seconds of the shipped library from start to page, by stage, and the size of the page.

    Of a stage: on the clock, and processor time of the command's own process (``own``).
    """
    stages, size = in_own_process(STAGES_OF_A_RUN.format(draws=draws))
    clock, own = ({name: round(pair[kind], 2) for name, pair in stages.items()} for kind in (0, 1))
    found: dict[str, Any] = {**clock, "all": round(sum(clock.values()), 2)}
    return {**found, "page_mb": round(size / 1e6, 2), "own": {**own, "all": sum(own.values())}}


def cluster_gain(workers: int, *, draws: int, every: int) -> dict[str, float] | None:
    """Local processes of a dask cluster against one worker and as many of our own, by turns.

    None without distributed. Each the better of two runs, on a cluster that has run before.
    """
    if importlib.util.find_spec("distributed") is None:
        return None
    code = CLUSTER.format(workers=workers, draws=draws, every=every)
    alone, own, shared = in_own_process(code)
    gain = alone / shared
    return {
        "workers": workers,
        "gain": round(gain, 2),
        "gain_of_processes": round(alone / own, 2),
        "efficiency": round(gain / workers, 2),
    }


# --- printing ------------------------------------------------------------------------------------


def print_families(table: dict[str, dict[str, float]], *, engine_name: str, draws: int) -> None:
    """Processor time by family and stage."""
    columns = ["events", *STAGES, "rest", "all"]
    print(f"processor time of an event and draw [ms], engine {engine_name}, {draws} draws")
    print(f"{'':12}" + "".join(f"{column:>9}" for column in columns))
    for family, row in table.items():
        print(f"{family:12}" + "".join(f"{row.get(column, 0.0):9.2f}" for column in columns))


def print_scaling(found: dict[str, Any]) -> None:
    """What workers gain, and what one costs."""
    runs = found["runs"]
    print(f"\nlibrary, {found['draws']} draws, workers at hand; {found['machine']}")
    print(
        f"{'workers':>8}{'s':>9}{'gain':>7}{'effic.':>8}{'cpu s':>9}{'cpu ratio':>10}"
        f"{'MB':>6}{'worker':>8}"
    )
    for run in runs:
        print(
            f"{run['workers']:8}{run['seconds']:9.2f}{run['gain']:7.2f}{run['efficiency']:8.2f}"
            f"{run['processor_seconds']:9.2f}{run['processor_ratio']:10.2f}{run['parent_mb']:6}{run['worker_mb']:8}"
        )
    print(
        f"fork server ready in {found['fork_server_ready_s']} s (beside the caller's imports); "
        f"a worker forked in {found['worker_forked_s']} s, its first task costs "
        f"{found['worker_first_task_processor_s']} s more than the second; largest process "
        f"{found['largest_process_mb']} MB"
    )


def print_stages(found: dict[int, dict[str, Any]]) -> None:
    """What a user waits for."""
    print("\nshipped library from start to page [s]; own: processor time of the command itself")
    names = [name for name in next(iter(found.values())) if name != "own"]
    print(f"{'draws':>12}" + "".join(f"{name:>9}" for name in names))
    for draws, row in found.items():
        print(f"{draws:12}" + "".join(f"{row[name]:9.2f}" for name in names))
        print(f"{'own':>12}" + "".join(f"{row['own'].get(name, 0.0):9.2f}" for name in names[:-1]))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=20)
    parser.add_argument("--every", type=int, default=1, help="take every n-th event")
    parser.add_argument("--engine", choices=engine.ENGINES)
    options = parser.parse_args()
    name, _ = engine.choose(options.engine)
    table = by_family(draws=options.draws, every=options.every, engine_name=name)
    print_families(table, engine_name=name, draws=options.draws)
    print_stages({draws: stages_of_a_run(draws) for draws in (0, 20)})


if __name__ == "__main__":
    main()
