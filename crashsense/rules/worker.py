"""Process that runs foreign rules; a script, so that it starts fast and imports little.

``python -P worker.py KIND PARENT MEMORY_MB [DESCRIPTOR]``: KIND is ``c`` or ``python``. A message
is a head (JSON) and a body (bytes), each preceded by its length; requests arrive on standard input,
answers go to standard output. The rule sees neither: its standard input is empty, and its output is
discarded.

The process never outlives the one that started it: where the system supports it (Linux) it is ended
with its parent; everywhere the end of standard input ends it, whatever the rule is doing.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import queue
import struct
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any, BinaryIO

_LENGTH = struct.Struct("<QQ")
_SET_PARENT_DEATH_SIGNAL = 1
_KILLED = 9

Message = tuple[dict[str, Any], bytes]
Answer = Callable[[dict[str, Any], bytes], Message]


def packed(head: dict[str, Any], body: bytes) -> bytes:
    """Return a message as bytes."""
    text = json.dumps(head, default=str).encode()
    return _LENGTH.pack(len(text), len(body)) + text + body


def lengths(data: bytes) -> tuple[int, int]:
    """Return the lengths of head and body that a message begins with."""
    return _LENGTH.unpack(data)


#: Bytes that a message begins with.
BEGIN = _LENGTH.size


def end_with(parent: int) -> None:
    """Ask the system to end this process with its parent."""
    with contextlib.suppress(OSError, AttributeError):
        import ctypes

        ctypes.CDLL(None).prctl(_SET_PARENT_DEATH_SIGNAL, _KILLED, 0, 0, 0)
    if os.name == "posix" and os.getppid() != parent:  # it ended meanwhile
        os._exit(1)


def limit_memory(memory_mb: float) -> None:
    """Limit how much more memory this process may take than it has now; write no core file."""
    try:
        import resource
    except ImportError:  # not on every system
        return
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        now = pages * resource.getpagesize()
    except (OSError, ValueError):
        now = 0
    with contextlib.suppress(OSError, ValueError):
        most = now + int(memory_mb * 1e6)
        resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _read(stream: BinaryIO, requests: queue.SimpleQueue[Message]) -> None:
    """Pass requests on; end the process with the stream, even in the middle of a rule."""

    def exactly(count: int) -> bytes:
        data = stream.read(count)
        if len(data) < count:
            os._exit(1)
        return data

    while True:
        head, body = lengths(exactly(BEGIN))
        requests.put((json.loads(exactly(head)), exactly(body)))


def _module(name: str) -> ModuleType:
    """Load a neighbouring module by file: its package would import the numeric stack."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    if spec is None or spec.loader is None:
        raise ImportError(name)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main() -> None:
    """Answer requests until the parent is gone."""
    kind, parent, memory_mb = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    end_with(parent)
    if hasattr(os, "setsid"):
        with contextlib.suppress(OSError):  # no Ctrl-C of the terminal: the parent decides
            os.setsid()
    stdin, stdout = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 0)
    os.dup2(nothing, 1)
    requests: queue.SimpleQueue[Message] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(stdin, requests), daemon=True, name="requests").start()
    answer: Answer | None = None
    while True:
        head, body = requests.get()
        if answer is None:  # the first request says where the package is
            if kind == "c":
                answer = _module("c_worker").answer
            else:
                sys.path[:] = head["path"]
                from crashsense.rules.python_worker import Rules

                answer = Rules(None if len(sys.argv) < 5 else int(sys.argv[4])).answer
            limit_memory(memory_mb)
        stdout.write(packed(*answer(head, body)))
        stdout.flush()


if __name__ == "__main__":
    main()
