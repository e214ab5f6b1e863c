"""User-written rules in Python, from a file or module, run apart; installed families."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

from crashsense.errors import Fault, InputError
from crashsense.rules.amounts import Amount, only_threshold, thresholds_in
from crashsense.rules.contract import FloatArray, Rule, part_demand
from crashsense.rules.loading import load_rule
from crashsense.rules.parameters import Declared, parameter
from crashsense.rules.python_apart import Here, Host, There
from crashsense.rules.trust import check_code
from crashsense.sensing.samples import EcuSamples


def as_rule_class(found: object, *, where: str) -> type[Rule]:
    """Return the class of an installed family: it must be a declared rule family."""
    if isinstance(found, type) and issubclass(found, Rule):
        if not hasattr(found, "__dataclass_fields__"):
            expected = "a dataclass whose parameters are declared (see rules.parameters.parameter)"
            raise InputError([Fault(where, "class", found.__name__, expected)])
        return found
    raise InputError([Fault(where, "class", repr(found), "a subclass of Rule")])


@dataclass(frozen=True, eq=False)
class PythonRule(Declared):
    """A rule of your own, from a Python file or module.

    ``file`` is ``FILE.py:CLASS`` (relative to the algorithm's file) or ``MODULE:CLASS``; the class
    is a block-wise :class:`~crashsense.rules.Rule` or a per-sample one with ``reset`` and
    ``update``; ``parameters`` go to it by name. It runs in a separate process: an error, a crash, a
    hang (``timeout_ms`` for one draw) or more memory than ``memory_mb`` ends its own evaluation
    only. Its output is discarded. See :func:`rules_in_process` for rules that are trusted.
    """

    family: ClassVar[str] = "python"
    title: ClassVar[str] = "your own rule from a Python file or module"

    file: str = parameter("my_rule.py:MyRule", kind="text", text="FILE.py:CLASS or MODULE:CLASS")
    parameters: Mapping[str, Any] = field(
        default_factory=dict,
        kw_only=True,
        metadata={
            "parameter": parameter({}, kind="table", text="parameters by name").metadata[
                "parameter"
            ]
        },
    )
    timeout_ms: float = parameter(
        10000.0, unit="ms", above=True, high=1e7, text="longest time for one draw"
    )
    memory_mb: float = parameter(
        2000.0, unit="MB", low=50.0, high=1e6, text="most memory that it may take"
    )
    host: Host = field(init=False, repr=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        check_code(self.file)
        if _IN_PROCESS.get():
            host: Host = Here(load_rule(self.file, parameters=self.parameters))
        else:
            host = There(
                self.file,
                parameters=self.parameters,
                timeout_ms=self.timeout_ms,
                memory_mb=self.memory_mb,
            )
        object.__setattr__(self, "host", host)
        for name in ("scales", "monotone", "rates_hz"):
            object.__setattr__(self, name, getattr(host.card, name))

    def __reduce__(self) -> tuple[Any, ...]:
        # A class from a file cannot be pickled by name: the file is read again on the other side.
        names = ("file", "parameters", "timeout_ms", "memory_mb")
        given = {name: getattr(self, name) for name in names}
        return _rebuilt, (given, isinstance(self.host, Here))

    @classmethod
    def anchored(cls, arguments: dict[str, Any], *, folder: Path | None) -> dict[str, Any]:
        """Make a file relative to the folder of the algorithm absolute."""
        file = str(arguments.get("file", ""))
        path, separator, name = file.rpartition(":")
        if separator and path.endswith(".py") and folder is not None:
            arguments = {**arguments, "file": f"{(folder / path).resolve()}:{name}"}
        return arguments

    @property
    def source(self) -> str:
        """The source file of the class; empty if unknown."""
        return self.host.card.source

    @property
    def requires(self) -> frozenset[str]:
        """Channels that the rule requires."""
        return self.host.card.requires

    @property
    def uses(self) -> frozenset[str]:
        """Channels that the rule uses."""
        return self.host.card.uses

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Channels that the rule reads in this block."""
        return self.host.active(samples)

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """What its main rule and its arming read: arming counts as for a built-in rule."""
        return self.host.armed_by(samples)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the demand of the rule."""
        return self.host.demand(samples)

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the demand of the rule by branch: arming counts as for a built-in rule."""
        return self.host.branch_demands(samples)

    def at_scale(self, factor: float) -> Rule | None:
        """Its parameters ``threshold...``, given or left at their defaults, times *factor*."""
        known = {**self.host.card.thresholds, **thresholds_in(self.parameters)}
        if not known:
            return None
        raised = {name: value * factor for name, value in known.items()}
        with rules_in_process(isinstance(self.host, Here)):
            try:
                return replace(self, parameters={**self.parameters, **raised})
            except InputError:  # an attribute, and no parameter of this name
                return None

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """The criterion over the only parameter or attribute ``threshold...``, if it scales."""
        found = only_threshold({**self.host.card.thresholds, **self.parameters})
        if not self.scales or found is None:
            return ()
        threshold, unit = found
        demand = float(part_demand(self, samples)[0, at])
        return (Amount("criterion", demand * threshold, threshold, unit),)


def _rebuilt(given: dict[str, Any], in_process: bool) -> PythonRule:
    with rules_in_process(in_process):
        return PythonRule(**given)


_IN_PROCESS: ContextVar[bool] = ContextVar("crashsense_rules_in_process", default=False)


@contextmanager
def rules_in_process(chosen: bool = True) -> Iterator[None]:
    """Build Python rules for this process within the ``with`` block: faster, but not isolated.

    A rule that ends the program, hangs, takes all memory or changes the working folder then affects
    the whole evaluation. Rules built outside the block are not changed.
    """
    token = _IN_PROCESS.set(chosen)
    try:
        yield
    finally:
        _IN_PROCESS.reset(token)
