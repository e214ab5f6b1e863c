"""A process of foreign rules as its parent sees it: it may say, and leave unread, what it likes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from crashsense.errors import RuleError, RuleTimeout
from crashsense.rules import apart, worker
from crashsense.rules.apart import Died, RuleProcess

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes and signals of POSIX systems")

#: Stands for the worker: its kind is what it does. Head and body are preceded by their lengths.
OTHER = """\
import os, struct, sys, time
what, _, size = sys.argv[1].partition(" ")
if what == "answer":  # lengths that are told, head, body
    head, body = (int(part) for part in size.split())
    sys.stdout.buffer.write(struct.pack("<QQ", head, body))
    if head <= 1_000_000 and body <= 2_000_000:
        sys.stdout.buffer.write(b"{}".ljust(head) + bytes(body))
    sys.stdout.flush()
elif what == "text":
    sys.stdout.buffer.write(struct.pack("<QQ", 5, 0) + b"hello")
    sys.stdout.flush()
elif what == "reads":
    time.sleep(0.05)  # the pipe is full meanwhile
    head, body = struct.unpack("<QQ", sys.stdin.buffer.read(16))
    got = sys.stdin.buffer.read(head + body)
    sys.stdout.buffer.write(struct.pack("<QQ", 2, body) + b"{}" + got[head:])
    sys.stdout.flush()
elif what == "ends":
    os._exit(int(size))
elif what == "killed":
    os.kill(os.getpid(), int(size))
time.sleep(60.0)
"""

LIMIT = 2_000_000  # bytes: 2 MB


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator:
    (tmp_path / "other.py").write_text(OTHER)
    monkeypatch.setattr(apart.worker, "__file__", str(tmp_path / "other.py"))
    started = []

    def one(kind: str) -> RuleProcess:
        started.append(RuleProcess(kind, name="Mine", memory_mb=LIMIT / 1e6))
        return started[-1]

    yield one
    for process in started:
        process.close()


@pytest.mark.parametrize(("head", "body"), [(1_000_000, 0), (2, LIMIT)])
def test_an_answer_as_long_as_it_may_be_is_read(start, head: int, body: int) -> None:
    process = start(f"answer {head} {body}")
    assert process.ask({}, timeout_s=60.0) == ({}, bytes(body))
    assert process.usable


@pytest.mark.parametrize(
    "kind", ["answer 1000001 0", f"answer 2 {LIMIT + 1}", "answer 0 0", "text"]
)
def test_a_longer_one_or_one_that_is_none_is_not_waited_for(start, kind: str) -> None:
    process = start(kind)
    with pytest.raises(RuleError, match="^Mine: its process answered with something else$"):
        process.ask({}, timeout_s=60.0)
    assert not process.usable


def test_a_process_that_reads_slowly_gets_all(start) -> None:
    body = bytes(range(256)) * 4000  # a pipe holds 64 kB
    assert start("reads").ask({"do": "it"}, body, timeout_s=60.0) == ({}, body)


@pytest.mark.parametrize("size", [0, 1_000_000])
def test_one_that_reads_or_answers_nothing_hangs(start, size: int) -> None:
    process = start("sleeps")
    with pytest.raises(RuleTimeout, match=r"^Mine: no answer within 0.2 s \(it hangs\)$"):
        process.ask({}, bytes(size), timeout_s=0.2)
    assert not process.usable


@pytest.mark.parametrize(
    ("kind", "how"),
    [("ends 3", "exit code 3"), ("ends 0", "exit code 0"), ("killed 11", "SIGSEGV")],
)
def test_how_a_process_ended_is_told(start, kind: str, how: str) -> None:
    process = start(kind)
    with pytest.raises(Died, match=rf"^Mine: its process died \({how}\)$"):
        process.ask({}, timeout_s=60.0)
    assert not process.usable


def test_a_message_begins_with_the_lengths_of_its_parts() -> None:
    head, body = {"rule": 3, "path": Path("/a")}, b"\x00\xff"
    data = worker.packed(head, body)
    sizes = worker.lengths(data[: worker.BEGIN])
    assert json.loads(data[worker.BEGIN : worker.BEGIN + sizes[0]]) == {"rule": 3, "path": "/a"}
    assert data[worker.BEGIN + sizes[0] :] == body
    assert sizes[1] == len(body)


#: Loads the worker by its file, as it runs; *BODY* is what is tried.
ALONE = f"""\
import ctypes, importlib.util, os, resource
spec = importlib.util.spec_from_file_location("worker", {worker.__file__!r})
worker = importlib.util.module_from_spec(spec)
spec.loader.exec_module(worker)
BODY
"""


def alone(body: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-S", "-E", "-c", ALONE.replace("BODY", body)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="prctl is a call of Linux")
def test_the_system_ends_it_with_its_parent() -> None:
    """linux/prctl.h: PR_GET_PDEATHSIG is 2; signal(7): SIGKILL is 9."""
    found = alone(
        "worker.end_with(os.getppid())\n"
        "signal = ctypes.c_int()\n"
        "ctypes.CDLL(None).prctl(2, ctypes.byref(signal), 0, 0, 0)\n"
        "print(signal.value)"
    )
    assert (found.stdout, found.returncode) == ("9\n", 0)
    gone = alone("worker.end_with(os.getpid())\nprint('runs')")  # its parent is another
    assert (gone.stdout, gone.returncode) == ("", 1)


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="no file says what it takes")
def test_it_may_take_so_much_more_memory_than_it_has_and_leaves_no_core() -> None:
    found = alone(
        "pages = int(open('/proc/self/statm').read().split()[0])\n"
        "worker.limit_memory(1000.0)\n"
        "print(pages * resource.getpagesize(), *resource.getrlimit(resource.RLIMIT_AS))\n"
        "print(*resource.getrlimit(resource.RLIMIT_CORE))"
    )
    taken, soft, hard, *core = map(int, found.stdout.split())
    assert core == [0, 0]
    assert soft == hard
    assert soft - taken == pytest.approx(1e9, abs=2e7)
