"""The benchmark of the whole library: stages are functions that exist, what it waits for ends."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from benchmarks import bench_library

from crashsense import campaign, engine
from crashsense.plan import resolve_plan

PARTS = [(stage, *part) for stage, parts in bench_library.STAGES.items() for part in parts]


@pytest.mark.parametrize(("stage", "home", "name"), PARTS)
def test_a_stage_is_timed_where_its_function_is_called(stage: str, home: object, name: str):
    assert callable(getattr(home, name))


@pytest.mark.parametrize("name", ["numpy", "fast"])
def test_stages_account_for_what_an_evaluation_with_draws_costs(name: str, tmp_path: Path):
    if name == "fast" and not engine.installed():
        pytest.skip("needs numba, which is not installed")
    plan = resolve_plan(events=["wall_full_56", "hammer_tunnel"], draws=64)
    run = {"workers": 1, "engine": name}
    # Filters designed, tables of models made; as in the table, the plan is read before the clock.
    campaign.evaluate(events=plan.events, draws=1, **run)
    with bench_library.stages_timed() as spent:
        campaign.evaluate(plan, out=tmp_path / "run", **run)
    assert set(spent) == {*bench_library.STAGES, "rest"}
    assert spent["rest"] < sum(spent.values()) / 3


ORPHANS = """
import subprocess, sys, time
from benchmarks import bench_library as bench

if bench.adopt_orphans():
    ours = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    known = bench.children()
    assert known == {ours.pid}, known
    start = time.monotonic()
    subprocess.run(["sh", "-c", "sleep 0.5 &"], check=True)
    bench.wait_for_more_than(known)
    print(time.monotonic() - start >= 0.5, ours.poll() is None)
    ours.kill()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="children are read from /proc")
def test_what_a_run_leaves_behind_is_waited_for_and_a_server_that_stays_is_not():
    tests = Path(__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-c", ORPHANS],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tests), *sys.path])},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stdout.split() == ["True", "True"], done.stderr
