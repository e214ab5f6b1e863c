"""User-written rules in C: a shared library, run in a separate process.

A crash, a hang, unbounded memory or a value that is no demand ends the evaluation with a
:class:`~crashsense.errors.RuleError`, but not the campaign.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from crashsense.errors import Fault, InputError, RuleError
from crashsense.files import is_file
from crashsense.rules.apart import START_S, RuleProcess, block_limit_s, short_name
from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import read
from crashsense.rules.parameters import Declared, parameter, sense_parts
from crashsense.rules.trust import check_code
from crashsense.sensing.samples import EcuSamples

#: What a worker says where the library takes no such parameters.
REFUSED_PARAMETERS = "parameters that the library accepts (its init returned NULL)"


def _started(library: str, *, memory_mb: float) -> RuleProcess:
    return RuleProcess("c", name=f"C rule {short_name(library)}", memory_mb=memory_mb)


def probe(library: Path, *, memory_mb: float = 1000.0) -> tuple[int, bool]:
    """Return the channel count of a library and whether it has a trace; refuse unsuitable ones."""
    worker = _started(str(library), memory_mb=memory_mb)
    try:
        answer, _ = worker.ask({"library": str(library)}, timeout_s=START_S)
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
    """A user rule in a C shared library.

    The interface is declared in ``crashsense/rules/examples/crashsense_rule.h``. ``channels`` lists
    what a frame holds, each in its stated sense (all are required); ``parameters`` are passed to
    its init in order. It runs in a separate process: a crash, a hang (``timeout_ms`` for one draw),
    more memory than ``memory_mb`` or a value that is no demand ends its own evaluation only.
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
    memory_mb: float = parameter(
        1000.0, unit="MB", low=50.0, high=1e6, text="most memory that it may take"
    )
    has_trace: bool = field(init=False, repr=False, default=False)
    state: dict[str, RuleProcess] = field(init=False, repr=False, default_factory=dict)

    def further_faults(self) -> list[Fault]:
        """The library must exist, with the right interface version and number of channels."""
        where = f"rule {self.family}"
        path = Path(self.file)
        if not is_file(path):
            return [Fault(where, "file", self.file, "a C shared library that exists")]
        check_code(self.file)
        try:
            count, has_trace = probe(path.resolve(), memory_mb=self.memory_mb)
        except InputError as error:
            return list(error.faults)
        if count != len(self.channels):
            expected = f"{count} channels, as the library says"
            return [Fault(where, "channels", list(self.channels), expected)]
        object.__setattr__(self, "file", str(path.resolve()))
        object.__setattr__(self, "has_trace", has_trace)
        return []

    def __reduce__(self) -> tuple[Any, ...]:
        names = ("file", "channels", "parameters", "timeout_ms", "memory_mb")
        return _rebuilt, ({name: getattr(self, name) for name in names},)

    @classmethod
    def anchored(cls, arguments: dict[str, Any], *, folder: Path | None) -> dict[str, Any]:
        """Make a library path absolute that is relative to the folder of the algorithm."""
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
        worker = self._process()
        draws, size = samples.draws, samples.size
        request = {
            "library": self.file,
            "draws": draws,
            "size": size,
            "width": len(self.channels),
            "rate_hz": samples.rate_hz,
            "belted": int(samples.context.belted),
            "parameters": list(self.parameters),
            "trace": trace,
        }
        limit = block_limit_s(self.timeout_ms, draws)
        answer, body = worker.ask(request, frames.tobytes() + flags.tobytes(), timeout_s=limit)
        if "refused" in answer:
            raise RuleError(f"C rule {Path(self.file).name}: expected {answer['refused']}")
        if len(body) != 8 * draws * size * (1 + trace):
            raise RuleError(f"C rule {Path(self.file).name}: its answer is of the wrong length")
        numbers = np.frombuffer(body, dtype=np.float64)
        demand = numbers[: draws * size].reshape(draws, size).copy()
        traced = numbers[draws * size :].reshape(draws, size, trace).copy()
        return demand, traced

    def _process(self) -> RuleProcess:
        with _STARTING:
            worker = self.state.get("worker")
            if worker is None or not worker.usable:
                worker = self.state["worker"] = _started(self.file, memory_mb=self.memory_mb)
                # Starting the process takes its own time, on a busy machine seconds.
                worker.ask({"library": self.file}, timeout_s=START_S)
            return worker

    def _frames(self, samples: EcuSamples) -> tuple[FloatArray, Any]:
        pairs: Sequence[Any] = [read(samples, sense) for sense in self.channels]
        frames = np.stack([values for values, _ in pairs], axis=-1)
        flags = np.stack([valid for _, valid in pairs], axis=-1).astype(np.uint8)
        return np.ascontiguousarray(frames), np.ascontiguousarray(flags)


_STARTING = threading.Lock()


def _rebuilt(given: dict[str, Any]) -> CLibraryRule:
    return CLibraryRule(**given)
