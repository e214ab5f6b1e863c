"""The whole shipped library with draws: by family and stage, and over workers.

Run:   python tests/benchmarks/bench_library.py [--draws 20] [--every 1]
       python tests/benchmarks/bench_goals.py --scaling 1,2,4,8,16 --draws 50

The first prints processor time by family and stage, in this process, and the stages of a nominal
run. The second runs the library once for each number of workers, each in a process of its own, and
prints JSON: wall time, ratio to the first, efficiency, processor time of all processes, largest
process. Figures belong to one machine; nothing is asserted.
"""

from __future__ import annotations

import argparse
import ctypes
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

import bench_evaluate

from crashsense import campaign, engine
from crashsense.campaign import evaluation
from crashsense.results.folder import RunFolder
from crashsense.synthesis import load_events
from crashsense.trials import block, judge
from crashsense.trials.trial import Trial

#: What a stage of the table is made of: where its function stands, and its name there.
STAGES = {
    "signals": [(block, "signal_block")],
    "sensing": [(block, "sense_block")],
    "rules": [(judge, "evaluate_rule")],
    "scoring": [(judge, "reached"), (judge, "judge"), (Trial, "columns")],
    "writing": [(evaluation, "build_table"), (RunFolder, "write_parts")],
}

ONE_RUN = """
import json, sys, time

if __name__ == "__main__":
    from crashsense import campaign
    from crashsense.synthesis import load_events

    events = load_events()[:: {every}]
    start = time.perf_counter()
    run = campaign.evaluate(events=events, draws={draws}, workers={workers}, out="run")
    seconds = time.perf_counter() - start
    rows = json.load(open("run/summary.json"))["rows"]
    print(json.dumps([seconds, rows, run.engine]))
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
        run: Any = {"events": own, "workers": 1, "engine": engine_name}
        campaign.evaluate(draws=1, **run)  # filters designed, tables of models made
        with tempfile.TemporaryDirectory() as folder, stages_timed() as spent:
            campaign.evaluate(draws=draws, out=Path(folder) / "run", **run)
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


def wait_for_all() -> None:
    """Wait until no descendant is left."""
    while True:
        try:
            os.waitpid(-1, 0)
        except ChildProcessError:
            return


def one_run(workers: int, *, draws: int, every: int) -> dict[str, float]:
    """One run in a process of its own."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "whole.py"
        file.write_text(ONE_RUN.format(every=every, draws=draws, workers=workers), encoding="utf-8")
        before, start = children_seconds(), time.perf_counter()
        run: Any = {"capture_output": True, "text": True, "cwd": folder, "env": environment}
        done = subprocess.run([sys.executable, str(file)], **run)
        whole = time.perf_counter() - start
        wait_for_all()
    if done.returncode:
        raise SystemExit(done.stderr)
    seconds, rows, used = json.loads(done.stdout.splitlines()[-1])
    return {
        "workers": workers,
        "seconds": round(seconds, 2),
        "start_to_end": round(whole, 2),
        "processor_seconds": round(children_seconds() - before, 2),
        "rows": rows,
        "engine": used,
    }


def scaling(workers: list[int], *, draws: int, every: int = 1) -> dict[str, Any]:
    """The library once for each number of workers, and what each gains over the first."""
    counted = adopt_orphans()
    one_run(workers[0], draws=0, every=1)  # nominal signals cached, kernels compiled
    short = {n: one_run(n, draws=1, every=40) for n in (1, 2)}
    runs = []
    for number in workers:
        run = one_run(number, draws=draws, every=every)
        first = runs[0] if runs else run
        run["gain"] = round(first["seconds"] / run["seconds"], 2)
        run["efficiency"] = round(run["gain"] * first["workers"] / number, 2)
        run["processor_ratio"] = round(run["processor_seconds"] / first["processor_seconds"], 2)
        runs.append(run)
        print(f"{number} workers: {run['seconds']} s", file=sys.stderr, flush=True)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "draws": draws,
        "workers_counted": counted,
        "two_workers_started_s": round(
            short[2]["processor_seconds"] - short[1]["processor_seconds"], 2
        ),
        "largest_process_mb": round(peak),
        "runs": runs,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=20)
    parser.add_argument("--every", type=int, default=1, help="take every n-th event")
    parser.add_argument("--engine", choices=engine.ENGINES)
    options = parser.parse_args()
    name, _ = engine.choose(options.engine)
    table = by_family(draws=options.draws, every=options.every, engine_name=name)
    columns = ["events", *STAGES, "rest", "all"]
    print(f"processor time of an event and draw [ms], engine {name}, {options.draws} draws")
    print(f"{'':12}" + "".join(f"{column:>9}" for column in columns))
    for family, row in table.items():
        print(f"{family:12}" + "".join(f"{row.get(column, 0.0):9.2f}" for column in columns))
    with tempfile.TemporaryDirectory() as folder:
        code = bench_evaluate.STAGES.format(
            imports=bench_evaluate.IMPORTS, out=str(Path(folder) / "run")
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    print(f"nominal run by stage [s]: {done.stdout.strip() or done.stderr[-400:]}")


if __name__ == "__main__":
    main()
