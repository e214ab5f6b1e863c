"""Runs that are killed, run out of disk, are damaged and raced, and continue to the same table.

Round *r* of a soak follows from the seed and *r*: what is done to which file, and when after the
first part is written. Only what the system's clock decides differs from one soak to the next.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

import crashsense
from crashsense.errors import CrashsenseError
from crashsense.plan import resolve_plan
from crashsense.results import open_run

GIVEN: dict[str, Any] = {
    "events": ["hammer_tunnel", "rollover_kerb_25"],
    "draws": 24,
    "seed": 3,
    "algorithms": ["plain"],
    "keep": ["fire_curves"],
}

#: Longest that a process may take to write its first part, or to go once its parent has [s].
LONGEST_S = 180.0

#: What evaluates apart: arguments are the folder, workers, draws a part, largest file [bytes].
SCRIPT = f"""
import resource, sys
import crashsense
from crashsense.campaign import tasks
from crashsense.errors import CrashsenseError
if __name__ == "__main__":
    folder, workers, chunk, largest = sys.argv[1], *map(int, sys.argv[2:])
    if largest:
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest))
    tasks.BUNDLE_SECONDS = 0.0
    try:
        crashsense.evaluate(
            engine="numpy", out=folder, workers=workers, chunk=chunk, **{GIVEN!r}
        )
    except CrashsenseError as error:
        sys.exit(str(error))
"""

KINDS = (
    "parent killed", "worker killed", "group killed", "interrupted", "disk full", "file too large",
    "bit flipped", "bit flipped", "bit flipped", "cut off", "removed", "two writers",
)  # fmt: skip


@dataclass
class Soak:
    """A soak in a folder; *done* counts what happened."""

    home: Path
    seed: int = 1
    done: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.home.mkdir(parents=True, exist_ok=True)
        self.script = self.home / "script.py"
        self.script.write_text(SCRIPT, encoding="utf-8")
        self.plan = resolve_plan(**GIVEN)
        self.expected = tables(crashsense.evaluate(self.plan, engine="numpy"))
        self.folder = self.home / "run"

    def run(self, seconds: float, *, say: Callable[[str], None] = lambda _: None) -> None:
        """Attack and resume until the time is over; an AssertionError names round and attack."""
        end, number = time.monotonic() + seconds, 0
        while time.monotonic() < end:
            draw = random.Random(f"{self.seed} {number}")
            kinds = draw.sample(KINDS, draw.choice((1, 1, 2, 3)))
            say(f"round {number}: {', '.join(kinds)}")
            try:
                self.attack(kinds, draw)
            except Exception as error:
                what = f"seed {self.seed}, round {number} ({', '.join(kinds)})"
                raise AssertionError(f"{what}: {type(error).__name__}: {error}") from error
            number += 1
        self.done["rounds"] = number

    def attack(self, kinds: list[str], draw: random.Random) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        disk = None
        try:
            for kind in kinds:
                if kind == "disk full" and disk is None:
                    disk = self.small_disk(draw)
                    kind = "disk full" if disk else "file too large"
                self.done[kind] += 1
                if kind in ("bit flipped", "cut off", "removed"):
                    self.damage(kind, draw)
                elif kind == "two writers":
                    self.two_writers(draw)
                else:
                    self.stop(kind, draw)
                if disk is not None:
                    command = ["mount", "-o", "remount,size=64m", str(disk)]
                    subprocess.run(command, check=True, capture_output=True)
            self.resume(draw)
        finally:
            if disk is not None:
                subprocess.run(["umount", "-l", str(disk)], check=True)

    def resume(self, draw: random.Random) -> None:
        """The same command ends in the same tables, and they are read back."""
        chunk, workers = draw.choice((1, 3, 5, 30)), draw.choice((1, 1, 1, 2))
        options: dict[str, Any] = {"engine": "numpy", "chunk": chunk, "workers": workers}
        try:
            run = crashsense.evaluate(self.plan, out=self.folder, **options)
        except CrashsenseError as error:
            # Only what says what the run is may be beyond repair, and the message names it.
            if not any(name in str(error) for name in ("manifest.json", "plan.toml")):
                raise
            self.done["refused by name"] += 1
            shutil.rmtree(self.folder)
            run = crashsense.evaluate(self.plan, out=self.folder, **options)
        self.compare(tables(run), "after resuming")
        self.compare(tables(open_run(self.folder)), "read back")
        self.done["resumed to the same tables"] += 1

    def compare(self, found: dict[str, pd.DataFrame], when: str) -> None:
        for name, table in self.expected.items():
            if not found[name].equals(table):
                raise AssertionError(f"{when} {name} differs")

    def start(self, draw: random.Random, *, workers: int = 2, largest: int = 0) -> Any:
        words = [str(self.folder), str(workers), str(draw.choice((1, 2, 5))), str(largest)]
        return subprocess.Popen(
            [sys.executable, str(self.script), *words], start_new_session=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def begun(self, process: Any, *, least: int) -> bool:
        """Wait until some parts are there; False if it ended before."""
        end = time.monotonic() + LONGEST_S
        while len(list(self.folder.glob("verdicts.parquet/part-*"))) < least:
            if process.poll() is not None:
                return False
            if time.monotonic() > end:
                raise AssertionError("nothing is written")
            time.sleep(0.005)
        return True

    def stop(self, kind: str, draw: random.Random) -> None:
        largest = draw.choice((300, 3000, 6000, 12000)) if kind == "file too large" else 0
        least, wait, victim = draw.randint(0, 6), draw.uniform(0.0, 0.3), draw.random()
        process = self.start(draw, largest=largest)
        try:
            if kind in ("disk full", "file too large") or not self.begun(process, least=least):
                told = process.communicate(timeout=LONGEST_S)[1]
                if process.returncode and "Traceback" in told:
                    raise AssertionError(told)
                return
            time.sleep(wait)
            workers = children(process.pid)
            if kind == "worker killed" and workers:
                quietly(os.kill, workers[int(victim * len(workers))], signal.SIGKILL)
                told = process.communicate(timeout=LONGEST_S)[1]
                if process.returncode:
                    raise AssertionError(told)
                return
            if kind == "group killed":
                quietly(os.killpg, process.pid, signal.SIGKILL)
            else:
                number = signal.SIGINT if kind == "interrupted" else signal.SIGKILL
                quietly(os.kill, process.pid, number)
            process.communicate(timeout=LONGEST_S)
            end = time.monotonic() + LONGEST_S
            while left := [worker for worker in workers if is_running(worker)]:
                if time.monotonic() > end:
                    raise AssertionError(f"workers outlive their parent: {left}")
                time.sleep(0.02)
        finally:
            quietly(os.killpg, process.pid, signal.SIGKILL)
            process.communicate()

    def two_writers(self, draw: random.Random) -> None:
        first = self.start(draw, workers=1)
        second = self.start(draw, workers=draw.choice((1, 2)))
        ended = [(p.communicate(timeout=LONGEST_S)[1], p.returncode) for p in (first, second)]
        if not any(code == 0 for _, code in ended):
            raise AssertionError(f"neither of two writers came to its end: {ended}")
        for told, code in ended:
            if code and ("Traceback" in told or "number" not in told):
                raise AssertionError(told)

    def damage(self, kind: str, draw: random.Random) -> None:
        """Damage one file of a complete run: it is noticed, or nothing reads otherwise."""
        run = crashsense.evaluate(self.plan, out=self.folder, engine="numpy", chunk=5)
        before = run.summary()
        files = sorted(p for p in self.folder.rglob("*") if p.is_file() and p.stat().st_size)
        path, share = draw.choice(files), draw.random()
        content = bytearray(path.read_bytes())
        at = int(share * len(content))
        if kind == "removed":
            path.unlink()
        elif kind == "cut off":
            path.write_bytes(content[:at])
        else:
            content[at] ^= 1 << draw.randrange(8)
            path.write_bytes(content)
        try:
            found = open_run(self.folder)
            self.compare(tables(found), f"{path.name} {kind}, and without a word")
            if found.summary() != before:
                raise AssertionError(f"{path.name} {kind}: another summary, without a word")
            self.done["harmless"] += 1
        except CrashsenseError as error:
            if self.folder.name not in str(error):
                raise AssertionError(f"{path.name} {kind}: says only {error}") from error
            self.done["noticed"] += 1

    def small_disk(self, draw: random.Random) -> Path | None:
        """Put a small file system where the run is written, if that is permitted."""
        self.folder.mkdir(exist_ok=True)
        if any(self.folder.iterdir()):
            return None
        size = f"size={draw.choice((32, 64, 128, 192))}k"
        command = ["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(self.folder)]
        permitted = shutil.which("mount") is not None
        if permitted and subprocess.run(command, capture_output=True).returncode == 0:
            return self.folder
        self.folder.rmdir()
        return None


def tables(run: Any) -> dict[str, pd.DataFrame]:
    """Verdicts and fire curves of a run, rows in one order."""
    curves = pd.concat(list(run.parts("fire_curves")))
    key = ["event", "restraint", "branch", "draw", "time_ms"]
    order = [name for name in key if name in curves.columns]
    return {
        "verdicts": run.verdicts,
        "fire_curves": curves.sort_values(order, ignore_index=True),
    }


def children(process: int) -> list[int]:
    """Return the processes that a process started."""
    try:
        return [
            int(n) for n in Path(f"/proc/{process}/task/{process}/children").read_text().split()
        ]
    except OSError:
        return []


def is_running(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def quietly(kill: Callable[[int, int], None], process: int, number: int) -> None:
    """Send a signal to what may have gone."""
    try:
        kill(process, number)
    except ProcessLookupError:
        return
