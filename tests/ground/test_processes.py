"""Worker processes: their start, and that it leaves the caller as it was."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from functools import partial
from multiprocessing import get_all_start_methods
from pathlib import Path
from select import select

import pytest

from crashsense import processes
from crashsense.temporary import locked

STARTED_EARLY = """
import os, sys, time
from crashsense import processes

def loaded(names):
    return os.environ["OMP_NUM_THREADS"], [name in sys.modules for name in names]

if __name__ == "__main__":
    os.environ["OMP_NUM_THREADS"] = "7"
    with processes.begun("numpy"):
        assert processes.at_hand()
        assert "numpy" not in sys.modules  # it imports there, not here
        assert os.environ["OMP_NUM_THREADS"] == "7"
        pool = processes.context("numpy").Pool(1)
    assert not processes.at_hand()
    with pool:
        print(pool.apply(loaded, (["numpy", "crashsense.campaign.evaluation"],)))
"""


@pytest.mark.skipif("forkserver" not in get_all_start_methods(), reason="no fork server here")
def test_the_server_imports_for_all_workers_and_with_one_thread(tmp_path):
    script = tmp_path / "early.py"
    script.write_text(STARTED_EARLY)
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True)
    assert done.stdout == "('1', [True, True])\n", done.stderr


@pytest.mark.skipif(not processes.forks(), reason="no fork server here")
def test_what_runs_apart_keeps_one_lock_and_nothing_else_open(tmp_path: Path) -> None:
    """Who reads what this process writes does not wait for the other one."""
    before, lock = os.pipe(), tmp_path / "lock"
    held = locked(lock, os.O_CREAT)
    assert held is not None
    behind = os.pipe()
    child = processes.apart(partial(time.sleep, 600.0), held=held)
    try:
        os.close(held)
        for read, write in (before, behind):
            os.close(write)
            assert select([read], [], [], 30.0)[0]
            assert os.read(read, 1) == b""
            os.close(read)
        assert os.waitpid(child, os.WNOHANG) == (0, 0)
        assert locked(lock) is None
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    held = locked(lock)
    assert held is not None
    os.close(held)


@pytest.mark.skipif(not processes.forks(), reason="no fork server here")
def test_who_reads_a_command_does_not_wait_for_what_runs_apart() -> None:
    code = (
        "import time; from functools import partial; from crashsense import processes\n"
        "print(processes.apart(partial(time.sleep, 600.0)), flush=True)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    os.kill(int(done.stdout), signal.SIGKILL)  # it is still there


@pytest.mark.skipif(not processes.forks(), reason="no fork server here")
def test_what_runs_apart_ends_in_time() -> None:
    child = processes.apart(partial(time.sleep, 600.0), most_s=1)
    assert os.WTERMSIG(os.waitpid(child, 0)[1]) == signal.SIGALRM


def test_threads_are_pinned_for_workers_alone(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    with processes.pinned_threads():
        assert {os.environ[name] for name in processes.THREAD_VARIABLES} == {"1"}
    assert os.environ["OMP_NUM_THREADS"] == "3"
    assert "MKL_NUM_THREADS" not in os.environ


def without_variables(monkeypatch) -> None:
    for name in processes.THREAD_VARIABLES:
        monkeypatch.setenv(name, "")  # noted, so that it is put back
        monkeypatch.delenv(name)


def test_a_program_pins_threads_where_the_user_has_not(monkeypatch):
    without_variables(monkeypatch)
    processes.pin_threads()
    assert {os.environ[name] for name in processes.THREAD_VARIABLES} == {"1"}


@pytest.mark.parametrize("name", processes.THREAD_VARIABLES)
def test_the_number_of_threads_is_the_users(name, monkeypatch):
    without_variables(monkeypatch)
    monkeypatch.setenv(name, "5")
    processes.pin_threads()
    assert {one: os.environ.get(one) for one in processes.THREAD_VARIABLES} == {
        one: "5" if one == name else None for one in processes.THREAD_VARIABLES
    }


PINNED_EARLY = """
import atexit, os, sys
from crashsense.processes import THREAD_VARIABLES

for name in THREAD_VARIABLES:
    os.environ.pop(name, None)

def told():
    print({os.environ.get(name) for name in THREAD_VARIABLES}, "numpy" in sys.modules)

atexit.register(told)
from crashsense.cli import main
assert "numpy" not in sys.modules
main(["safety", "limits"])
"""


def test_the_command_line_pins_them_before_numpy_is_imported():
    done = subprocess.run([sys.executable, "-c", PINNED_EARLY], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "{'1'} False", done.stderr


def test_a_core_there_is_at_least():
    assert processes.cores() >= 1
