"""A user's Python rule as the rest of the package sees it: in this process or in a separate one.

:class:`There` asks a process (:mod:`crashsense.rules.python_worker`) and passes samples through
shared memory. Processes are kept warm; rules of one file share one.
"""

from __future__ import annotations

import itertools
import mmap
import os
import pickle
import sys
import tempfile
import threading
import weakref
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.errors import Fault, InputError, RuleError
from crashsense.rules.apart import START_S, RuleProcess, block_limit_s, short_name
from crashsense.rules.checked import check_branches
from crashsense.rules.contract import FloatArray, Rule
from crashsense.rules.locked import locked_samples
from crashsense.rules.python_worker import NAME, card_of
from crashsense.sensing.samples import EcuSamples

Array = npt.NDArray[Any]

#: Processes that are kept although no rule uses them: the next rule of the file starts at once.
_KEPT = 4


@dataclass(frozen=True)
class Card:
    """What is known about a rule without evaluating it."""

    requires: frozenset[str]
    uses: frozenset[str]
    scales: bool
    monotone: bool
    rates_hz: tuple[float, ...] | None
    thresholds: Mapping[str, float] = field(default_factory=dict)
    source: str = ""
    asked_active: bool = False
    asked_arming: bool = False

    @classmethod
    def of(cls, given: Mapping[str, Any]) -> Card:
        """Return the card as it was sent."""
        rates = given["rates_hz"]
        return cls(
            requires=frozenset(given["requires"]),
            uses=frozenset(given["uses"]),
            scales=given["scales"],
            monotone=given["monotone"],
            rates_hz=None if rates is None else tuple(rates),
            thresholds=given["thresholds"],
            source=given["source"],
            asked_active=given["asked_active"],
            asked_arming=given["asked_arming"],
        )


class Host(ABC):
    """Where a Python rule runs."""

    card: Card

    @abstractmethod
    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return demand by branch."""

    @abstractmethod
    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand."""

    @abstractmethod
    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Return what it reads in this block."""

    @abstractmethod
    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Return what its main rule and its arming read."""


class Here(Host):
    """A rule in this process: as fast as a built-in one, but not isolated.

    Any kernel of the package that it calls runs in numpy, as in a separate process: its rows are
    the same bit for bit wherever it runs, and whatever the engine.
    """

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.card = Card.of(card_of(rule))

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return demand by branch."""
        with engine.using("numpy"):
            found = self.rule.branch_demands(locked_samples(samples))
        checked = check_branches(found, name=NAME, samples=samples)
        return {key: values.copy() for key, values in checked.items()}

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand."""
        with engine.using("numpy"):
            demand = self.rule.demand(locked_samples(samples))
        branches = {"total": demand, "main": demand}
        return check_branches(branches, name=NAME, samples=samples)["total"].copy()

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Return what it reads in this block."""
        with engine.using("numpy"):
            return frozenset(self.rule.active(locked_samples(samples)))

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Return what its main rule and its arming read."""
        with engine.using("numpy"):
            return self.rule.armed_by(locked_samples(samples))


class There(Host):
    """A rule in a separate process; a process that ended is restarted for the next request."""

    def __init__(
        self, place: str, *, parameters: Mapping[str, Any], timeout_ms: float, memory_mb: float
    ) -> None:
        self.place = place
        self.parameters = dict(parameters)
        self.timeout_ms = timeout_ms
        self.memory_mb = memory_mb
        self.number = next(_NUMBERS)
        self.process, self.card = self._load()

    def _load(self) -> tuple[PythonProcess, Card]:
        """Load the rule into a process; return both the process and its card."""
        process = PythonProcess.of(self.place, memory_mb=self.memory_mb)
        try:
            body = pickle.dumps((self.parameters, self.place))
            head = {"do": "load", "rule": self.number, "path": sys.path}
            answer, _ = process.ask(head, body, timeout_s=START_S)
        except RuleError as error:
            said = str(error).removeprefix(f"{process.name}: ")
            expected = f"Python code that loads ({said})"
            raise InputError([Fault(self.place, "", None, expected)]) from None
        if "faults" in answer:
            raise InputError([Fault(*fault) for fault in answer["faults"]])
        if "card" not in answer:
            process.close()
            expected = f"Python code that loads ({answer.get('error', 'no answer')})"
            raise InputError([Fault(self.place, "", None, expected)])
        return process, Card.of(answer["card"])

    def _ask(self, do: str, samples: EcuSamples) -> tuple[dict[str, Any], bytes]:
        if not self.process.usable:
            try:
                self.process, _ = self._load()
            except InputError as error:  # it could be loaded before
                raise RuleError(f"{NAME}: {error}") from None
        process = self.process
        answer, body = process.ask_about(
            {"do": do, "rule": self.number},
            samples,
            timeout_s=block_limit_s(self.timeout_ms, samples.draws),
        )
        if answer.get("end"):
            process.close()
        if "error" in answer:
            raise RuleError(str(answer["error"]))
        return answer, body

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return demand by branch."""
        answer, body = self._ask("branches", samples)
        names = [str(name) for name in answer["branches"]]
        count = samples.draws * samples.size
        if len(body) != 8 * count * len(names):
            raise RuleError(f"{NAME}: its answer is of the wrong length")
        numbers = np.frombuffer(body, dtype=np.float64).reshape(len(names), samples.draws, -1)
        return {name: numbers[place].copy() for place, name in enumerate(names)}

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand."""
        _, body = self._ask("demand", samples)
        if len(body) != 8 * samples.draws * samples.size:
            raise RuleError(f"{NAME}: its answer is of the wrong length")
        return np.frombuffer(body, dtype=np.float64).reshape(samples.draws, samples.size).copy()

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Return what it reads in this block."""
        if not self.card.asked_active:
            return self.card.uses
        return frozenset(self._ask("active", samples)[0]["active"])

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Return what its main rule and its arming read."""
        if not self.card.asked_arming:
            return None
        pair = self._ask("armed_by", samples)[0]["armed_by"]
        return None if pair is None else (frozenset(pair[0]), frozenset(pair[1]))

    def __del__(self) -> None:
        # Not asked for now: the process may be busy, and a finaliser must not wait.
        process = getattr(self, "process", None)
        if process is not None:
            process.unneeded.append(self.number)


_NUMBERS = itertools.count(1)


#: Stands for a file that is closed.
_CLOSED = -1


class SharedMemory:
    """Anonymous memory that a child process can map; freed with its last user."""

    def __init__(self) -> None:
        if hasattr(os, "memfd_create"):
            self.descriptor = os.memfd_create("crashsense-samples")
        else:
            self.file = tempfile.TemporaryFile()  # noqa: SIM115  # closed with this object
            self.descriptor = self.file.fileno()
        self.map: mmap.mmap | None = None

    def written(self, arrays: list[Array]) -> list[int]:
        """Write arrays one after the other; return the offset of each."""
        offsets, size = [], 0
        for values in arrays:
            offsets.append(size)
            size += -(-values.nbytes // 64) * 64
        if self.map is None or len(self.map) < size:
            size = max(size, mmap.PAGESIZE)
            os.ftruncate(self.descriptor, size)
            if hasattr(os, "posix_fallocate"):
                # A full disk or memory is an error here, and would be a bus error below.
                os.posix_fallocate(self.descriptor, 0, size)
            self.map = mmap.mmap(self.descriptor, size)
        for values, offset in zip(arrays, offsets, strict=True):
            target = np.frombuffer(self.map, dtype=np.uint8, count=values.nbytes, offset=offset)
            target[:] = np.frombuffer(np.ascontiguousarray(values), dtype=np.uint8)
        return offsets

    def close(self) -> None:
        """Release the memory and its mapping."""
        if hasattr(self, "file"):
            self.file.close()
        elif self.descriptor != _CLOSED:
            os.close(self.descriptor)
        self.descriptor = _CLOSED


class PythonProcess(RuleProcess):
    """A process of the Python rules of one file or module."""

    def __init__(self, place: str, *, memory_mb: float) -> None:
        # Descriptors go to a child on POSIX systems only; elsewhere samples go with the request.
        self.memory = SharedMemory() if os.name == "posix" else None
        descriptors = [] if self.memory is None else [self.memory.descriptor]
        super().__init__(
            "python",
            name=f"Python rule {short_name(place)}",
            memory_mb=memory_mb,
            descriptors=descriptors,
        )
        self.filling = threading.Lock()
        self.unneeded: deque[int] = deque()

    @classmethod
    def of(cls, place: str, *, memory_mb: float) -> PythonProcess:
        """Return the process of a place that runs already, or a new one."""
        key = (os.getpid(), place, memory_mb)
        with _STARTING:
            found = _RUNNING.get(key)
            if found is None or not found.usable:
                found = _RUNNING[key] = cls(place, memory_mb=memory_mb)
            if found not in _WARM:
                _WARM.append(found)
            return found

    def ask_about(
        self, head: dict[str, Any], samples: EcuSamples, *, timeout_s: float
    ) -> tuple[dict[str, Any], bytes]:
        """Ask about a block."""
        named: list[tuple[str, str, Array]] = [("start", "start_s", samples.start_s)]
        for table in ("channels", "codes", "valid"):
            named += [(table, name, values) for name, values in getattr(samples, table).items()]
        arrays = [values for _, _, values in named]
        with self.filling:
            while self.unneeded:
                self.ask({"do": "drop", "rule": self.unneeded.popleft()}, timeout_s=START_S)
            inline = None
            if self.memory is not None:
                offsets = self.memory.written(arrays)
            else:
                inline = b"".join(values.tobytes() for values in arrays)
                offsets = list(itertools.accumulate((v.nbytes for v in arrays), initial=0))[:-1]
            layout = [
                (table, name, values.dtype.str, values.shape, offset)
                for (table, name, values), offset in zip(named, offsets, strict=True)
            ]
            body = pickle.dumps((samples.context, samples.rate_hz, layout, inline))
            return self.ask(head, body, timeout_s=timeout_s)

    def close(self) -> None:
        """End the process and release the shared memory."""
        super().close()
        if self.memory is not None:
            self.memory.close()


_STARTING = threading.Lock()
_RUNNING: weakref.WeakValueDictionary[tuple[int, str, float], PythonProcess] = (
    weakref.WeakValueDictionary()
)
_WARM: deque[PythonProcess] = deque(maxlen=_KEPT)
