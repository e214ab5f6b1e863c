"""Campaigns: cost per evaluation and peak memory over draws, two processes against one.

Run:   python tests/benchmarks/bench_campaign.py            draws 10 to 10,000; one, two workers
       python tests/benchmarks/bench_campaign.py --quick    the same to 1,000 draws
       python tests/benchmarks/bench_campaign.py --million  one million evaluations, and report

An evaluation is one draw of one event through one sensor set and one algorithm (seven restraints).
Every measurement is a process of its own, so that its peak memory is its own; with workers the peak
of the parent and of the largest worker are shown apart. "Before" is the memory with everything
imported and the plan resolved; the time of imports is outside. "More" is the cost per evaluation
beyond the row above, without what every run pays once. Figures belong to one machine; nothing here
is asserted.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from typing import Any

SCRIPT = """
import json, resource, sys, time
import crashsense
from crashsense.plan import resolve_plan

if __name__ == "__main__":
    task = json.loads(sys.argv[1])
    plan = resolve_plan(events=task["events"], draws=task["draws"], vary=task["vary"])
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    start = time.perf_counter()
    run = crashsense.evaluate(
        plan, out=task["out"], workers=task["workers"], engine=task["engine"]
    )
    seconds = time.perf_counter() - start
    report = None
    if task["report"]:
        from crashsense import reporting
        begin = time.perf_counter()
        reporting.write_report(run, run.folder)
        report = time.perf_counter() - begin
    peak = [resource.getrusage(who).ru_maxrss / 1024
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    print(json.dumps({"seconds": seconds, "evaluations": plan.evaluations, "peak": peak,
                      "before": before, "report": report}))
"""


def measure(
    *,
    draws: int,
    workers: int = 1,
    events: list[str],
    vary: str,
    engine: str = "numpy",
    report: bool = False,
) -> Any:
    """Run one campaign in a process and a folder of its own."""
    with tempfile.TemporaryDirectory() as place:
        script = os.path.join(place, "campaign.py")
        with open(script, "w", encoding="utf-8") as file:
            file.write(SCRIPT)
        task = {"draws": draws, "workers": workers, "events": events, "vary": vary}
        task["engine"] = engine
        task |= {"out": os.path.join(place, "run"), "report": report}
        environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        done = subprocess.run(
            [sys.executable, script, json.dumps(task)],
            capture_output=True,
            text=True,
            env=environment,
        )
        if done.returncode:
            raise SystemExit(done.stderr)
        size = sum(
            os.path.getsize(os.path.join(root, name))
            for root, _, names in os.walk(task["out"])
            for name in names
        )
        return {**json.loads(done.stdout.splitlines()[-1]), "disk": size / 1e6}


def show(title: str, got: Any, *, before: Any = None) -> None:
    """Print one line; *before*: the row above."""
    each = 1e6 * got["seconds"] / got["evaluations"]
    more = ""
    if before is not None:
        seconds = got["seconds"] - before["seconds"]
        more = f"{1e6 * seconds / (got['evaluations'] - before['evaluations']):.0f}"
    print(
        f"{title:30} {got['evaluations']:8} {got['seconds']:8.2f} s {each:8.0f} us each"
        f"{more:>6} more   before {got['before']:4.0f} MB, peak {got['peak'][0]:4.0f} MB, "
        f"worker {got['peak'][1]:4.0f} MB, disk {got['disk']:.1f} MB",
        flush=True,
    )


def main(arguments: list[str]) -> None:
    """Measure and print."""
    events = ["hammer_tunnel"]
    if "--million" in arguments:
        got = measure(draws=499_999, workers=2, events=events, vary="sensor", report=True)
        show("million, sensor tolerances", got)
        print(f"report written in {got['report']:.1f} s")
        return
    numbers = (10, 100, 1_000) if "--quick" in arguments else (10, 100, 1_000, 10_000)
    engines = [name for name in ("numpy", "fast") if name == "numpy" or find_spec("numba")]
    for engine in engines:
        for vary in ("sensor", "both"):
            last = None
            for draws in numbers:
                got = measure(draws=draws, events=events, vary=vary, engine=engine)
                show(f"{engine}, vary {vary}, {draws} draws", got, before=last)
                last = got
    rounds: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(3):
        for workers, times in rounds.items():
            got = measure(draws=numbers[-1], workers=workers, events=events, vary="both")
            times.append(got["seconds"])
    one, two = (statistics.median(times) for times in rounds.values())
    print(f"one process {one:.2f} s, two {two:.2f} s: {one / two:.2f} times (start included)")


if __name__ == "__main__":
    main(sys.argv[1:])
