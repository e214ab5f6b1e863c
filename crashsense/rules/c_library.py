"""Your own rule in C: a shared library, run in a process of its own.

A crash, a hang or a value that is no demand ends the evaluation with a
:class:`~crashsense.errors.RuleError`, and not the campaign.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal as signals
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from crashsense.errors import Fault, InputError, RuleError
from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import read
from crashsense.rules.parameters import Declared, parameter, sense_parts
from crashsense.sensing.samples import EcuSamples

#: What a worker says where the library takes no such parameters.
REFUSED_PARAMETERS = "parameters that the library accepts (its init returned NULL)"

#: Longest time to start a worker process and load the library [s].
_START_S = 20.0

_WORKER = Path(__file__).with_name("c_worker.py")


class Worker:
    """A running worker process and its two streams."""

    def __init__(self, library: str) -> None:
        self.library = library
        self.process = subprocess.Popen(
            [sys.executable, "-I", str(_WORKER)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
        )

    def close(self) -> None:
        """End the process."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def __del__(self) -> None:
        with contextlib.suppress(Exception):
            self.close()

    def ask(
        self, request: dict[str, Any], payload: bytes = b"", *, timeout_s: float
    ) -> tuple[dict[str, Any], bytes]:
        """Send a request and return the answer; a worker that dies or stalls raises RuleError."""
        name = Path(self.library).name
        deadline = time.monotonic() + timeout_s
        head = json.dumps({"library": self.library, **request}).encode() + b"\n"
        stdin, stdout = self.process.stdin, self.process.stdout
        if stdin is None or stdout is None:
            raise RuleError(f"C rule {name}: its process has no streams")
        try:
            os.set_blocking(stdin.fileno(), False)
            self._send(stdin.fileno(), head + payload, deadline)
            line = b""
            while not line.endswith(b"\n"):
                line += self._receive(stdout.fileno(), 1, deadline)
            answer = json.loads(line)
            body = b""
            wanted = 8 * (answer["count"] + answer["traced"])
            while len(body) < wanted:
                body += self._receive(stdout.fileno(), wanted - len(body), deadline)
        except TimeoutError:
            self.close()
            raise RuleError(f"C rule {name}: no answer within {timeout_s:g} s (it hangs)") from None
        except (BrokenPipeError, EOFError, ConnectionError):
            self.close()
            raise RuleError(f"C rule {name}: its process died ({self._death()})") from None
        return answer, body

    def _death(self) -> str:
        code = self.process.returncode
        if code is not None and code < 0:
            with contextlib.suppress(ValueError):
                return signals.Signals(-code).name
        return f"exit code {code}"

    @staticmethod
    def _send(descriptor: int, data: bytes, deadline: float) -> None:
        view = memoryview(data)
        while view:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([], [descriptor], [], left)[1]:
                raise TimeoutError
            view = view[os.write(descriptor, view[:65536]) :]

    @staticmethod
    def _receive(descriptor: int, count: int, deadline: float) -> bytes:
        left = deadline - time.monotonic()
        if left <= 0 or not select.select([descriptor], [], [], left)[0]:
            raise TimeoutError
        data = os.read(descriptor, min(count, 1 << 20))
        if not data:
            raise EOFError
        return data


def probe(library: Path) -> tuple[int, bool]:
    """Return the channel count of a library and whether it has a trace; refuse a wrong one."""
    worker = Worker(str(library))
    try:
        answer, _ = worker.ask({}, timeout_s=_START_S)
    except RuleError as error:
        expected = f"a C library that loads ({error})"
        raise InputError([Fault(str(library), "file", library.name, expected)]) from error
    finally:
        worker.close()
    if "refused" in answer:
        raise InputError([Fault(str(library), "file", library.name, answer["refused"])])
    return int(answer["channels"]), bool(answer["trace"])


@dataclass(frozen=True, eq=False)
class CLibraryRule(Declared):
    """A rule of your own in a C shared library.

    The interface stands in ``crashsense/rules/examples/crashsense_rule.h``. ``channels`` says what
    a frame holds, in the sense stated (all of them are required); ``parameters`` go to its init in
    order. It runs in a process of its own: crash, hang (``timeout_ms`` for each draw) or a value
    that is no demand ends its own evaluation only.
    """

    family: ClassVar[str] = "c_library"
    title: ClassVar[str] = "your own rule from a C shared library"
    scales: ClassVar[bool] = False  # type: ignore[misc]
    monotone: ClassVar[bool] = False  # type: ignore[misc]

    file: str = parameter("my_rule.so", kind="text", text="the library")
    channels: tuple[str, ...] = parameter(
        ("-central_x",), kind="channels", text="channels of a frame, in their sense"
    )
    parameters: tuple[float, ...] = parameter((), kind="numbers", text="parameters of init")
    timeout_ms: float = parameter(
        2000.0, unit="ms", above=True, high=1e6, text="longest time for one draw"
    )
    has_trace: bool = field(init=False, repr=False, default=False)
    state: dict[str, Worker] = field(init=False, repr=False, default_factory=dict)

    def further_faults(self) -> list[Fault]:
        """The library must be there, of the right version, for so many channels."""
        where = f"rule {self.family}"
        path = Path(self.file)
        if not path.is_file():
            return [Fault(where, "file", self.file, "a C shared library that exists")]
        try:
            count, has_trace = probe(path.resolve())
        except InputError as error:
            return list(error.faults)
        if count != len(self.channels):
            expected = f"{count} channels, as the library says"
            return [Fault(where, "channels", list(self.channels), expected)]
        object.__setattr__(self, "file", str(path.resolve()))
        object.__setattr__(self, "has_trace", has_trace)
        return []

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuilt, (self.file, self.channels, self.parameters, self.timeout_ms)

    @classmethod
    def anchored(cls, arguments: dict[str, Any], *, folder: Path | None) -> dict[str, Any]:
        """Make a library relative to the folder of the algorithm absolute."""
        if folder is not None and "file" in arguments:
            arguments = {**arguments, "file": str((folder / str(arguments["file"])).resolve())}
        return arguments

    @property
    def requires(self) -> frozenset[str]:
        """The channels of a frame."""
        return frozenset(sense_parts(sense)[1] for sense in self.channels)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand as the library computes it."""
        return self.evaluated(samples, trace=0)[0]

    def trace(self, samples: EcuSamples, *, capacity: int = 8) -> FloatArray:
        """Return inner values, shape (draws, samples, capacity), NaN where it writes none."""
        if not self.has_trace:
            raise RuleError(f"C rule {Path(self.file).name}: it has no crashsense_rule_trace")
        return self.evaluated(samples, trace=capacity)[1]

    def evaluated(self, samples: EcuSamples, *, trace: int) -> tuple[FloatArray, FloatArray]:
        """Run the block in the worker; return demand and trace."""
        frames, flags = self._frames(samples)
        worker = self.state.get("worker")
        if worker is None or worker.process.poll() is not None:
            worker = self.state["worker"] = Worker(self.file)
            # Starting the process takes its own time, on a busy machine seconds.
            worker.ask({}, timeout_s=_START_S)
        draws, size = samples.draws, samples.size
        request = {
            "draws": draws,
            "size": size,
            "width": len(self.channels),
            "rate_hz": samples.rate_hz,
            "belted": int(samples.context.belted),
            "parameters": list(self.parameters),
            "trace": trace,
        }
        limit = draws * self.timeout_ms * 1e-3
        answer, body = worker.ask(request, frames.tobytes() + flags.tobytes(), timeout_s=limit)
        if "refused" in answer:
            raise RuleError(f"C rule {Path(self.file).name}: expected {answer['refused']}")
        numbers = np.frombuffer(body, dtype=np.float64)
        demand = numbers[: draws * size].reshape(draws, size).copy()
        traced = numbers[draws * size :].reshape(draws, size, trace).copy()
        return demand, traced

    def _frames(self, samples: EcuSamples) -> tuple[FloatArray, Any]:
        pairs: Sequence[Any] = [read(samples, sense) for sense in self.channels]
        frames = np.stack([values for values, _ in pairs], axis=-1)
        flags = np.stack([valid for _, valid in pairs], axis=-1).astype(np.uint8)
        return np.ascontiguousarray(frames), np.ascontiguousarray(flags)


def _rebuilt(
    file: str, channels: tuple[str, ...], parameters: tuple[float, ...], timeout_ms: float
) -> CLibraryRule:
    return CLibraryRule(file=file, channels=channels, parameters=parameters, timeout_ms=timeout_ms)
