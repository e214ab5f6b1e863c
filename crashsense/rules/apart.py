"""Foreign rules in separate processes: started on first use, kept warm, ended on time.

Whatever happens there - a crash, a hang, unbounded memory - reaches the caller only as a
:class:`~crashsense.errors.RuleError`.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import select
import signal as signals
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from crashsense.errors import RuleError, RuleTimeout
from crashsense.rules import worker

#: Longest time to start a process and load a rule [s].
START_S = 30.0

#: Most bytes of an answer's head: a foreign process may write what it likes.
_MOST_HEAD = 1_000_000

_LIVE: weakref.WeakSet[RuleProcess] = weakref.WeakSet()


class Died(RuleError):
    """The process of a rule ended during a request."""


class RuleProcess:
    """A running process of foreign rules. One request at a time; threads wait for each other.

    Parameters
    ----------
    kind : ``"c"`` or ``"python"``
    name : how messages name the rule ("C rule mine.so")
    memory_mb : how much memory it may take beyond what it starts with [MB]
    descriptors : files that it inherits
    """

    def __init__(
        self, kind: str, *, name: str, memory_mb: float, descriptors: Sequence[int] = ()
    ) -> None:
        self.name = name
        self.memory_mb = memory_mb
        self.owner = os.getpid()
        self.lock = threading.Lock()
        given = [str(os.getpid()), f"{memory_mb:g}", *map(str, descriptors)]
        self.process = subprocess.Popen(
            [sys.executable, "-P", worker.__file__, kind, *given],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
            pass_fds=tuple(descriptors),
            # The order of a set of texts must not differ from process to process.
            env={"PYTHONHASHSEED": "0", **os.environ},
        )
        _LIVE.add(self)

    @property
    def usable(self) -> bool:
        """True if it runs and was started by this process, not by the one this was forked from."""
        return self.owner == os.getpid() and self.process.poll() is None

    def close(self) -> None:
        """End the process."""
        if self.owner != os.getpid():
            return
        if self.process.poll() is None:
            with contextlib.suppress(OSError, AttributeError):
                os.killpg(self.process.pid, signals.SIGKILL)  # what it started goes with it
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    #: Kept by the class: when the interpreter ends, the module has lost its names.
    _whatever_it_raises = contextlib.suppress(Exception)

    def __del__(self) -> None:
        with self._whatever_it_raises:
            self.close()

    def ask(
        self, head: dict[str, Any], body: bytes = b"", *, timeout_s: float
    ) -> tuple[dict[str, Any], bytes]:
        """Send a request and return the answer.

        Raises
        ------
        RuleTimeout : no answer in time; the process is ended
        Died : it ended; the message says how
        RuleError : the reply is not a valid answer; the process is ended
        """
        with self.lock:
            deadline = time.monotonic() + timeout_s
            stdin, stdout = self.process.stdin, self.process.stdout
            if stdin is None or stdout is None:
                raise Died(f"{self.name}: its process has no streams")
            try:
                self._send(stdin.fileno(), worker.packed(head, body), deadline)
                begin = self._receive(stdout.fileno(), worker.BEGIN, deadline)
                sizes = worker.lengths(begin)
                if sizes[0] > _MOST_HEAD or sizes[1] > 1e6 * self.memory_mb:
                    raise ValueError("too long")
                answer = json.loads(self._receive(stdout.fileno(), sizes[0], deadline))
                return answer, self._receive(stdout.fileno(), sizes[1], deadline)
            except TimeoutError:
                self.close()
                raise RuleTimeout(
                    f"{self.name}: no answer within {timeout_s:g} s (it hangs)"
                ) from None
            except (EOFError, OSError):
                raise Died(f"{self.name}: its process died ({self._death()})") from None
            except ValueError:
                self.close()
                raise RuleError(f"{self.name}: its process answered with something else") from None
            except BaseException:
                self.close()  # interrupted amid an answer: the next one would be read from there
                raise

    def _death(self) -> str:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(timeout=2.0)
        code = self.process.poll()
        self.close()
        if code is not None and code < 0:
            with contextlib.suppress(ValueError):
                return signals.Signals(-code).name
        return f"exit code {code}"

    @staticmethod
    def _send(descriptor: int, data: bytes, deadline: float) -> None:
        os.set_blocking(descriptor, False)
        view = memoryview(data)
        while view:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([], [descriptor], [], left)[1]:
                raise TimeoutError
            view = view[os.write(descriptor, view[:65536]) :]

    @staticmethod
    def _receive(descriptor: int, count: int, deadline: float) -> bytes:
        parts = []
        while count:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([descriptor], [], [], left)[0]:
                raise TimeoutError
            data = os.read(descriptor, min(count, 1 << 20))
            if not data:
                raise EOFError
            parts.append(data)
            count -= len(data)
        return b"".join(parts)


@atexit.register
def end_all() -> None:
    """End every process that this one started."""
    for process in list(_LIVE):
        process.close()


def block_limit_s(timeout_ms: float, draws: int) -> float:
    """Return how long a block of draws may take [s] if one draw may take *timeout_ms*.

    A block is normally quicker than its draws one by one; otherwise it is evaluated draw by draw.

    >>> block_limit_s(2000.0, 1), block_limit_s(2000.0, 33)
    (2.0, 18.0)
    """
    return timeout_ms * 1e-3 * (1.0 + 0.25 * (draws - 1))


def short_name(file: str) -> str:
    """Return a file without its folders, for messages.

    >>> short_name("/home/me/mine.py:Mine")
    'mine.py:Mine'
    """
    return Path(file).name
