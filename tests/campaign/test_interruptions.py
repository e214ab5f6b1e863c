"""Nothing written is lost: killed workers and parents, a full disk, a second writer, damage."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import cache
from multiprocessing import active_children
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

import crashsense
from crashsense.campaign import tasks
from crashsense.errors import RunFolderError
from crashsense.plan import Plan, resolve_plan
from crashsense.results import open_run
from crashsense.results.folder import CHECKSUMS, FolderLock

#: One that must not fire and one that must, both quick to make.
EVENTS = ["hammer_tunnel", "rollover_kerb_25"]
DRAWS = 30
SETTINGS: dict[str, Any] = {"engine": "numpy", "chunk": 5}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return resolve_plan(events=EVENTS, draws=DRAWS, algorithms=["guarded"], seed=3)


@pytest.fixture(scope="module")
def whole(plan: Plan) -> pd.DataFrame:
    return crashsense.evaluate(plan, engine="numpy").verdicts


def parts_of(folder: Path) -> list[Path]:
    return sorted((folder / "verdicts.parquet").glob("part-*.parquet"))


@pytest.mark.slow
def test_the_task_of_a_killed_worker_is_run_again(
    plan: Plan, whole: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tasks, "BUNDLE_SECONDS", 0.0)  # every task travels alone
    killed: list[int] = []

    def kill(done: int, total: int, **_: object) -> None:
        if done and len(killed) < 2:
            victim = random.Random(len(killed)).choice(
                [c for c in active_children() if c.pid is not None and c.pid not in killed]
            )
            assert victim.pid is not None
            os.kill(victim.pid, signal.SIGKILL)
            killed.append(victim.pid)

    run = crashsense.evaluate(plan, workers=2, on_progress=kill, **SETTINGS)
    assert len(killed) == 2
    assert run.verdicts.equals(whole)


SCRIPT = """
import sys
import crashsense
from crashsense.campaign import tasks
if __name__ == "__main__":
    tasks.BUNDLE_SECONDS = 0.0
    crashsense.evaluate(events={events!r}, draws={draws}, algorithms=["guarded"], seed=3,
        engine="numpy", chunk=5, workers=2, out=sys.argv[1])
"""


def _children(process: int) -> list[int]:
    path = Path(f"/proc/{process}/task/{process}/children")
    return [int(number) for number in path.read_text().split()]


def _is_running(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="children are read from /proc")
@pytest.mark.slow
def test_a_killed_parent_leaves_no_workers_and_a_run_that_continues(
    plan: Plan, whole: pd.DataFrame, tmp_path: Path
) -> None:
    folder, script = tmp_path / "run", tmp_path / "script.py"
    script.write_text(SCRIPT.format(events=EVENTS, draws=DRAWS))
    for least in (1, 5):  # killed twice, at different points
        parent = subprocess.Popen([sys.executable, str(script), str(folder)])
        deadline = time.monotonic() + 600.0
        while len(parts_of(folder)) < least and parent.poll() is None:
            assert time.monotonic() < deadline, "nothing was written"
            time.sleep(0.005)
        workers = _children(parent.pid) if parent.poll() is None else []
        parent.kill()
        parent.wait()
        deadline = time.monotonic() + 45.0
        while any(_is_running(worker) for worker in workers):
            assert time.monotonic() < deadline, "workers outlive their parent"
            time.sleep(0.05)
    kept = {path: path.stat().st_mtime_ns for path in parts_of(folder)}
    assert kept
    assert crashsense.evaluate(plan, out=folder, **SETTINGS).verdicts.equals(whole)
    assert {path: path.stat().st_mtime_ns for path in kept} == kept


@pytest.mark.slow
def test_ctrl_c_ends_cleanly_and_the_run_continues(
    plan: Plan, whole: pd.DataFrame, tmp_path: Path
) -> None:
    folder = tmp_path / "run"

    def stop(done: int, total: int, **_: object) -> None:
        if done >= 20:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        crashsense.evaluate(plan, out=folder, on_progress=stop, **SETTINGS)
    assert 0 < len(parts_of(folder)) < 2 * DRAWS // 5
    assert "stopped: KeyboardInterrupt" in (folder / "run.log").read_text()
    assert not list(folder.rglob(".*"))
    assert crashsense.evaluate(plan, out=folder, **SETTINGS).verdicts.equals(whole)


def test_a_second_writer_is_refused_with_the_reason(plan: Plan, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with FolderLock(folder), pytest.raises(RunFolderError, match=f"number {os.getpid()}"):
        crashsense.evaluate(plan, out=folder, **SETTINGS)
    assert not parts_of(folder)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=96k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("mounting a small file system is not permitted here")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.slow
def test_a_full_disk_loses_nothing(plan: Plan, whole: pd.DataFrame, small_disk: Path) -> None:
    folder = small_disk / "run"
    with pytest.raises(RunFolderError, match="what was already written is kept"):
        crashsense.evaluate(plan, out=folder, **SETTINGS)
    kept = {path: path.stat().st_mtime_ns for path in parts_of(folder)}
    assert kept
    larger = ["mount", "-o", "remount,size=8m", str(small_disk)]
    subprocess.run(larger, check=True, capture_output=True)
    assert crashsense.evaluate(plan, out=folder, **SETTINGS).verdicts.equals(whole)
    assert {path: path.stat().st_mtime_ns for path in kept} == kept


@cache
def undisturbed() -> Any:
    """The run that every disturbed one has to equal, in memory; pulses would be made each time."""
    plan = resolve_plan(
        events=["hammer_tunnel"],
        draws=6,
        vary="sensor",
        algorithms=["plain"],
        keep=["fire_curves"],
    )
    return crashsense.evaluate(plan, engine="numpy")


class Resume(RuleBasedStateMachine):
    """Any damage in any order, and the same command ends in the same table."""

    @initialize()
    def begin(self) -> None:
        self.expected = undisturbed()
        self.plan = self.expected.plan
        self.place = tempfile.TemporaryDirectory()
        self.folder = Path(self.place.name) / "run"
        self.has_checksums = False
        with pytest.raises(KeyboardInterrupt):
            self.run_to(5)

    def teardown(self) -> None:
        if hasattr(self, "place"):
            try:
                self.finish()
            finally:
                self.place.cleanup()

    def run_to(self, limit: int | None) -> Any:
        def stop(done: int, total: int, **_: object) -> None:
            if limit is not None and done >= limit:
                raise KeyboardInterrupt

        self.has_checksums = True
        return crashsense.evaluate(
            self.plan, out=self.folder, chunk=1, engine="numpy", on_progress=stop
        )

    @precondition(lambda self: (self.folder / "plan.toml").is_file())
    @rule()
    def lose_the_plan(self) -> None:
        (self.folder / "plan.toml").unlink()

    def files(self) -> list[Path]:
        return sorted(self.folder.glob("*.parquet/part-*.parquet"))

    @rule(limit=st.integers(0, 6))
    def interrupt(self, limit: int) -> None:
        # Nothing left to do: the run ends by itself.
        try:
            self.run_to(limit)
        except KeyboardInterrupt:
            assert self.folder.is_dir()

    @precondition(lambda self: self.files())
    @rule(which=st.integers(0, 99))
    def remove(self, which: int) -> None:
        self.files()[which % len(self.files())].unlink()

    @precondition(lambda self: self.files())
    @rule(which=st.integers(0, 99), share=st.floats(0.0, 0.99))
    def cut(self, which: int, share: float) -> None:
        path = self.files()[which % len(self.files())]
        content = path.read_bytes()
        path.write_bytes(content[: int(share * len(content))])

    @precondition(lambda self: self.files() and self.has_checksums)
    @rule(which=st.integers(0, 99), share=st.floats(0.0, 0.99), bit=st.integers(0, 7))
    def flip_a_bit(self, which: int, share: float, bit: int) -> None:
        path = self.files()[which % len(self.files())]
        content = bytearray(path.read_bytes())
        if content:
            content[int(share * len(content))] ^= 1 << bit
            path.write_bytes(content)

    @precondition(lambda self: (self.folder / CHECKSUMS).is_file())
    @rule(share=st.floats(0.0, 1.0))
    def cut_the_checksums(self, share: float) -> None:
        path = self.folder / CHECKSUMS
        content = path.read_bytes()
        path.write_bytes(content[: int(share * len(content))])
        self.has_checksums = False

    @rule()
    def finish(self) -> None:
        run = self.run_to(None)
        assert run.verdicts.equals(self.expected.verdicts)
        assert open_run(self.folder).verdicts.equals(self.expected.verdicts)
        curves = [pd.concat(list(r.parts("fire_curves"))) for r in (run, self.expected)]
        key = ["restraint", "branch", "draw", "time_ms"]
        ours, theirs = (c.sort_values(key, ignore_index=True) for c in curves)
        assert ours.equals(theirs)


TestResume = pytest.mark.slow(Resume.TestCase)
TestResume.settings = settings(
    max_examples=5, stateful_step_count=6, deadline=None, derandomize=True
)
