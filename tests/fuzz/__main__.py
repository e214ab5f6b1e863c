"""Files changed at random, many a reader, over several processes.

    python tests/fuzz --inputs 100000 --processes 16
    python tests/fuzz --inputs 1 --first 4711 plan

Prints a line a reader: inputs, how many were read and refused, what went wrong (anything but an
answer or a fault; a process that ended; an input that took too long), the slowest input and its
number, the most memory that a process took beyond its start, and processor time. What went wrong
follows with its number: the second command reads it again. POSIX systems only. Exit code 1 if
anything went wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import signal
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

from fuzz.readers import LONGEST_S, READERS, SEED, Found, fuzz  # noqa: E402

#: Inputs that one process reads before another takes its place.
SLICE = 2500

#: Memory beyond its start that a process may take [bytes]: more is an error of the reader.
MOST_MEMORY = 2 << 30


@dataclass
class Child:
    """A process that reads some inputs of a reader."""

    reader: str
    first: int
    last: int
    home: Path
    number: int = -1
    since: float = 0.0

    def reads(self) -> int:
        """Return the input that it reads now, -1 before the first."""
        with contextlib.suppress(OSError, ValueError):
            return int((self.home / "now").read_text())
        return -1


def memory_kb() -> int:
    """Most memory of this process so far."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak // 1024 if sys.platform == "darwin" else peak


def start(child: Child) -> int:
    """Fork a process that reads the inputs of *child*, and return its number."""
    child.home.mkdir(parents=True)
    child.since = time.monotonic()
    number = os.fork()
    if number:
        return number
    code = 1
    try:
        tempfile.tempdir = str(child.home)  # what it leaves there goes with all the rest
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        now = os.open(child.home / "now", os.O_CREAT | os.O_WRONLY)
        if Path("/proc/self/statm").exists():
            size = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGESIZE")
            resource.setrlimit(resource.RLIMIT_AS, (size + MOST_MEMORY, size + MOST_MEMORY))
        before = memory_kb()
        found = fuzz(
            child.reader,
            child.home / "files",
            range(child.first, child.last),
            begins=lambda n: os.pwrite(now, f"{n:12d}".encode(), 0),
        )
        found.memory_mb = (memory_kb() - before) / 1024
        (child.home / "found.json").write_text(json.dumps(asdict(found)))
        code = 0
    finally:
        os._exit(code)


def result(child: Child, status: int, *, why: str = "") -> tuple[Found, Child | None]:
    """Return what a process found, and what is left to read if it ended before its time."""
    file = child.home / "found.json"
    if status == 0 and file.exists():
        return Found(**json.loads(file.read_text())), None
    at = child.reads()
    if at < 0:
        return Found(wrong=[f"{child.first}: the process ended ({why or status}) before it"]), None
    found = Found(inputs=at + 1 - child.first, wrong=[f"{at}: the process ended ({why or status})"])
    rest = Child(child.reader, at + 1, child.last, child.home.with_name(f"{child.home.name}r"))
    return found, rest if rest.first < rest.last else None


def work(todo: list[Child], processes: int) -> dict[str, Found]:
    """Let that many processes read what is to do; return what came of it by reader."""
    total: dict[str, Found] = {child.reader: Found() for child in todo}
    running: dict[int, Child] = {}

    def ended(number: int, status: int, why: str = "") -> None:
        child = running.pop(number)
        found, rest = result(child, status, why=why)
        total[child.reader].add(found)
        if rest is not None:
            todo.append(rest)

    try:
        while todo or running:
            while todo and len(running) < processes:
                child = todo.pop()
                running[start(child)] = child
            for number, child in list(running.items()):
                done, status = os.waitpid(number, os.WNOHANG)
                if done:
                    ended(number, os.waitstatus_to_exitcode(status))
                    continue
                if child.reads() != child.number:
                    child.number, child.since = child.reads(), time.monotonic()
                elif time.monotonic() - child.since > 3.0 * LONGEST_S:
                    os.kill(number, signal.SIGKILL)
                    os.waitpid(number, 0)
                    ended(number, -9, "took too long")
            time.sleep(0.02)
    finally:
        for number in running:
            os.kill(number, signal.SIGKILL)
            os.waitpid(number, 0)
    return total


def main() -> int:
    """Read, print a line a reader, say what went wrong."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("readers", nargs="*", metavar="READER", help=", ".join(READERS))
    parser.add_argument("--inputs", type=int, default=1000, help="inputs a reader")
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    given = parser.parse_args()
    names = given.readers or [name for name, reader in READERS.items() if reader.is_there]
    if unknown := sorted(set(names) - set(READERS)):
        parser.error(f"no reader {', '.join(unknown)}; there are {', '.join(READERS)}")
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as made:
        home = Path(made)
        os.environ["CRASHSENSE_CACHE"] = str(home / "cache")
        os.environ["CRASHSENSE_STATE"] = str(home / "state")
        # Each reader once here: what it loads and keeps is there for every process that follows.
        for name in names:
            fuzz(name, home / "once" / name, ())
        end = given.first + given.inputs
        todo = [
            Child(name, at, min(at + SLICE, end), home / name / str(at))
            for name in reversed(names)
            for at in range(given.first, end, SLICE)
        ]
        total = work(todo, given.processes)
    print(f"seed {SEED}, inputs {given.first} to {end - 1} of each reader")
    row = "{:20s} {:>8} {:>8} {:>8} {:>6} {:>10} {:>9} {:>10} {:>8}".format
    print(
        row(
            "reader",
            "inputs",
            "read",
            "refused",
            "wrong",
            "slowest s",
            "number",
            "memory MB",
            "cpu s",
        )
    )
    for name in names:
        f = total[name]
        print(
            row(
                name, f.inputs, f.read, f.refused, len(f.wrong), f"{f.slowest_s:.2f}", f.slowest,
                f"{f.memory_mb:.0f}", f"{f.processor_s:.1f}",
            )
        )  # fmt: skip
    wrong = [f"{name} {line}" for name in names for line in sorted(total[name].wrong)[:10]]
    print("\n".join([*wrong, f"{time.monotonic() - began:.0f} s, {given.processes} processes"]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
