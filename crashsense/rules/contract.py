"""The rule contract: a causal map from control-unit samples to a demand series."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS
from crashsense.rules.amounts import Amount
from crashsense.rules.locked import locked
from crashsense.sensing.samples import EcuSamples
from crashsense.values import Shown

#: Sign -> the operator that it makes of several rules (see ``Rule.__init_subclass__``).
_SIGNS: dict[str, Callable[[tuple[Rule, ...]], Rule]] = {}


class NotWritten(Exception):  # noqa: N818  (no fault: the rule is computed in another way)
    """A rule that cannot be written as operations (:mod:`crashsense.rules.program`)."""


class Rule(ABC):
    """A causal decision criterion, or a composition of criteria.

    ``demand`` is dimensionless, >= 0: criterion divided by its threshold. The restraint fires at
    the first sample with demand >= 1. It never latches: after demand passes 1 it continues as if
    nothing had fired. Demand at sample n depends on samples 0..n only.

    Where a channel is not valid (absent or failed sensor: NaN, valid False) a criterion that reads
    it has demand 0. ``a & b`` is :class:`~crashsense.rules.composition.AllOf` (minimum), ``a | b``
    is :class:`~crashsense.rules.composition.AnyOf` (maximum).

    ``requires`` and ``demand`` make a rule. The other methods say what demand means, for
    explanations, sweeps and arming; their defaults are right for a criterion over one threshold.

    Attributes
    ----------
    requires : channels without which the rule cannot judge (the restraint is ``not_evaluated``)
    uses : all channels that the rule reads, required ones included
    scales : True if demand with every threshold of the rule and its parts times k is demand / k,
        so that one evaluation serves every scale; otherwise a sweep re-runs the rule. A class of a
        user's own must say so itself: what it inherits counts for nothing
    monotone : True if a larger threshold never gives a larger demand
    rates_hz : tick rates that the rule is made for; None means any
    context_free : True if the rule itself never looks at the context (its parts may)
    criterion : name of its criterion in an explanation; empty: the name of its family
    unswept : roles of the children whose thresholds a sweep leaves alone unless they are named
    """

    scales: bool = True
    monotone: bool = True
    rates_hz: tuple[float, ...] | None = None
    context_free: bool = False
    criterion: ClassVar[str] = ""
    unswept: ClassVar[frozenset[str]] = frozenset()

    def __init_subclass__(cls, *, sign: str = "", **options: Any) -> None:
        super().__init_subclass__(**options)
        if sign:
            _SIGNS[sign] = cls
        # Another demand may not scale although its base does: the class must say so itself.
        if "scales" not in vars(cls) and not _of_the_house(cls):
            cls.scales = False

    @property
    @abstractmethod
    def requires(self) -> frozenset[str]:
        """Channels without which the rule cannot judge."""

    @property
    def uses(self) -> frozenset[str]:
        """All channels that the rule reads."""
        return self.requires

    @property
    def children(self) -> Mapping[str, Rule]:
        """The rules that this one is composed of, by role; empty for a criterion."""
        return {}

    @property
    def parts_of_a_user(self) -> bool:
        """True if one of the rules that this one is composed of is not built in."""
        return any(map(of_a_user, self.children.values()))

    @property
    def parts_read_context(self) -> bool:
        """True if one of the rules that this one is composed of looks at the context."""
        return any(map(reads_context, self.children.values()))

    @abstractmethod
    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand, float64 of shape (draws, samples)."""

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return demand by branch, computed once.

        Keys ``"total"`` and ``"main"``, and ``"arming"`` if the rule is armed; total is the
        minimum of main and arming.
        """
        total = self.demand(samples)
        return {"total": total, "main": total}

    def write(self, writer: Any) -> int:
        """Write the demand as operations, and return the number of its line.

        *writer* is a :class:`~crashsense.rules.program.Writer`. The kernel then runs them over
        draws side by side; what it gives is ``demand``. Only families of the house are asked.
        Raises NotWritten where there is no way to say it.
        """
        raise NotWritten

    def write_branches(self, writer: Any) -> tuple[int, int, int]:
        """Write total, main and arming demand, as :meth:`branch_demands`; -1: no arming."""
        total: int = writer.part(self)
        return total, total, -1

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Channels that the rule reads in this block, after fallbacks on what is not valid."""
        return self.uses

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Channels that the main rule and its arming read in this block; None: it has no arming."""
        inner = getattr(self, "inner", None)  # a user-written rule that wraps another
        return inner.armed_by(samples) if isinstance(inner, Rule) else None

    @property
    def called(self) -> str:
        """Readable name of the criterion."""
        name = self.criterion or str(getattr(self, "family", ""))
        return name.replace("_", " ") or "criterion"

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """Return what the criterion reached at a sample of a block of one draw, and what it needs.

        Several if all are needed at once (a guard, a plausibility check, both axes of a map). Empty
        if demand is not a criterion over one threshold, or nothing is known about it (a user's rule
        without a parameter ``threshold...``, a C library). The default takes the only declared
        parameter ``threshold...`` of a rule that scales.
        """
        return self.over_threshold(float(part_demand(self, samples)[0, at]))

    def over_threshold(self, demand: float) -> tuple[Amount, ...]:
        """Return the criterion over its declared threshold; empty if it has none or several."""
        declared = getattr(self, "__dataclass_fields__", {}) if self.scales else {}
        found = [
            (item.metadata["parameter"].unit, getattr(self, name))
            for name, item in declared.items()
            if name.startswith("threshold") and "parameter" in item.metadata
        ]
        if len(found) != 1 or not isinstance(found[0][1], (int, float)):
            return ()
        unit, threshold = found[0]
        return (Amount(self.called, demand * float(threshold), float(threshold), unit),)

    def at_scale(self, factor: float) -> Rule | None:
        """Return the rule with each threshold times *factor*; None if it does not know them.

        The default takes every number of a dataclass whose name begins with ``threshold``.
        """
        names = [
            name
            for name in getattr(self, "__dataclass_fields__", {})
            if self.is_threshold(name) and isinstance(getattr(self, name), (int, float))
        ]
        if not names:
            return None
        changes = {name: getattr(self, name) * factor for name in names}
        return replace(self, **changes)  # type: ignore[type-var]

    @classmethod
    def is_threshold(cls, name: str) -> bool:
        """True if a parameter of this name is a threshold."""
        return name.startswith("threshold")

    def swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """Return a demand that passes ``level`` times k where the rule does, its leaves at scale k.

        Called only if a leaf at or below the rule is swept. Raises InputError if the rule must be
        re-run at every scale.
        """
        if not self.scales:
            raise sweep.again(f"{type(self).__name__} does not say that it scales")
        return part_demand(self, sweep.samples)

    def __and__(self, other: Rule) -> Rule:
        return _SIGNS["&"]((self, other))

    def __or__(self, other: Rule) -> Rule:
        return _SIGNS["|"]((self, other))


def _of_the_house(cls: type) -> bool:
    return cls.__module__.startswith("crashsense.")


def of_a_user(rule: Rule) -> bool:
    """True if the rule, or any rule inside it, is not built in."""
    return not _of_the_house(type(rule)) or rule.parts_of_a_user


def reads_context(rule: Rule) -> bool:
    """True unless neither the rule nor any of its parts looks at the context."""
    cls = type(rule)
    # A user-written rule may read it although its base does not: it must say so itself.
    told = "context_free" in vars(cls) or _of_the_house(cls)
    if not (told and getattr(rule, "context_free", False)):
        return True
    return rule.parts_read_context


@dataclass(eq=False)
class _Known:
    """Demands computed so far. Rules and samples are kept alive beside them, so ids stay unique."""

    demands: dict[tuple[int, ...], tuple[object, FloatArray]] = field(default_factory=dict)
    context: dict[int, tuple[Rule, bool]] = field(default_factory=dict)
    measures: dict[tuple[object, ...], tuple[object, tuple[FloatArray, ...]]] = field(
        default_factory=dict
    )


_SHARED: ContextVar[_Known | None] = ContextVar("shared demands", default=None)


@contextmanager
def sharing() -> Iterator[None]:
    """Compute the demand of a part that several rules share only once within the ``with`` block.

    This includes blocks that differ in context only, if the part does not look at it. The samples
    must not change inside. Results are the same with and without, bit for bit.
    """
    if _SHARED.get() is not None:
        yield
        return
    token = _SHARED.set(_Known())
    try:
        yield
    finally:
        _SHARED.reset(token)


def part_demand(rule: Rule, samples: EcuSamples) -> FloatArray:
    """Return the demand of a part of a composition, from :func:`sharing` if it is known there.

    The array may be shared and is then read-only.
    """
    known = _SHARED.get()
    if known is None:
        return rule.demand(samples)
    kept = known.context.get(id(rule))
    if kept is None:
        kept = known.context[id(rule)] = (rule, reads_context(rule))
    seen = (samples,) if kept[1] else (samples.channels, samples.valid)
    key = (id(rule), *map(id, seen))
    found = known.demands.get(key)
    if found is None:
        demand = rule.demand(samples)
        if isinstance(demand, np.ndarray):  # what a foreign rule gives back is checked above
            demand = locked(demand)
        found = known.demands[key] = ((rule, *seen), demand)
    return found[1]


def part_measure(
    key: tuple[object, ...], samples: EcuSamples, measure: Callable[[], tuple[FloatArray, ...]]
) -> tuple[FloatArray, ...]:
    """Return a measure that several rules share on the same samples, once in :func:`sharing`.

    *key* names the measure and every parameter that it depends on; it must not look at the context.
    """
    known = _SHARED.get()
    if known is None:
        return measure()
    place = (*key, id(samples.channels), id(samples.valid))
    if place not in known.measures:
        arrays = tuple(locked(array) for array in measure())
        known.measures[place] = ((samples.channels, samples.valid), arrays)
    return known.measures[place][1]


@dataclass(frozen=True, eq=False)
class Sweep(Shown):
    """One rule of a composition in a sweep: ``chosen`` are the leaves whose thresholds scale."""

    rule: Rule
    samples: EcuSamples
    chosen: frozenset[str]
    path: str = ""

    def below(self, role: str) -> Sweep:
        """Return the sweep of a child."""
        path = f"{self.path}.{role}" if self.path else role
        return Sweep(self.rule.children[role], self.samples, self.chosen, path)

    @property
    def touched(self) -> bool:
        """True if a leaf at or below the rule is swept."""
        return any(
            self.path in ("", leaf) or leaf.startswith(f"{self.path}.") for leaf in self.chosen
        )

    def demand(self, level: FloatArray) -> FloatArray:
        """Return the swept demand of the rule; what is not swept is decided: infinity or 0."""
        if not self.touched:
            return np.where(part_demand(self.rule, self.samples) >= level, np.inf, 0.0)
        return self.rule.swept(self, level)

    def again(self, why: str) -> InputError:
        """Return the error that asks for a run at every scale."""
        return InputError([Fault("sweep", self.path, None, f"a re-run at every scale: {why}")])


_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9 _.+()-]{0,98}[A-Za-z0-9_.+()-])?")


def name_expected(name: str) -> str:
    """Return what was expected if *name* is not a valid algorithm name; empty if it is valid.

    A name becomes part of file names, keys and table cells, hence the plain alphabet. An algorithm
    made in Python or from text may have none.

    >>> name_expected("guarded-2"), name_expected("a:b")
    ('', 'letters, digits, blanks and _ . + - ( ), at most 100, beginning with a letter or digit')
    """
    if not name or _NAME.fullmatch(name):
        return ""
    return "letters, digits, blanks and _ . + - ( ), at most 100, beginning with a letter or digit"


@dataclass(frozen=True, eq=False)
class Algorithm(Shown):
    """The unit of evaluation: restraint -> rule. No rule for a restraint means demand 0.

    ``gate``: True if its verdicts decide the exit code. ``fitted_to``: the events on which its
    numbers were chosen, in words that can follow "fitted to"; its verdicts on these are no
    independent evidence, and every report says so.
    """

    name: str
    rules: Mapping[str, Rule] = field(kw_only=True)
    gate: bool = field(default=True, kw_only=True)
    title: str = field(default="", kw_only=True)
    fitted_to: str = field(default="", kw_only=True)

    def __post_init__(self) -> None:
        expected = name_expected(self.name)
        faults = [Fault("algorithm", "name", self.name, expected)] if expected else []
        faults += [
            Fault(f"algorithm {self.name}", "rules", name, nearest(name, ALL_RESTRAINTS))
            for name in self.rules
            if name not in ALL_RESTRAINTS
        ]
        if faults:
            raise InputError(faults)

    @property
    def uses(self) -> frozenset[str]:
        """All channels that any of its rules reads."""
        return frozenset().union(*(rule.uses for rule in self.rules.values()))


def rate_faults(algorithm: Algorithm, *, rate_hz: float) -> list[Fault]:
    """Return a fault for each rule, or part of one, that is not made for a tick rate [Hz].

    A rule declares its rates in ``rates_hz``; one that declares none accepts any.
    """
    found: dict[Fault, None] = {}
    for restraint, rule in algorithm.rules.items():
        for part in _parts(rule):
            rates = part.rates_hz
            if rates is None or any(abs(rate_hz - rate) <= 1e-9 * rate for rate in rates):
                continue
            name = getattr(part, "file", None) or type(part).__name__
            made_for = " or ".join(f"{rate:g}" for rate in rates)
            expected = f"a tick of {made_for} Hz, for which {name} is made"
            where = f"algorithm {algorithm.name}"
            found[Fault(where, f"rules.{restraint}", rate_hz, expected)] = None
    return list(found)


def _parts(rule: Rule) -> Iterator[Rule]:
    yield rule
    for child in rule.children.values():
        yield from _parts(child)
