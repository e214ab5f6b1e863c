"""Composition: rules made of rules. Every operator is monotone in the demands it combines.

Because each operator commutes with a threshold (it takes minima, maxima, order statistics and
delays of demands), firing of a composition at a scale follows from the demands alone; see
:mod:`crashsense.rules.sweep`.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from crashsense.errors import Fault
from crashsense.rules.contract import FloatArray, Rule, part_demand
from crashsense.rules.kernels import samples_in, shifted, window_max, window_min
from crashsense.rules.parameters import Declared, parameter
from crashsense.sensing.samples import EcuSamples


def child() -> Any:
    """Declare a child rule of an operator."""
    return field(kw_only=True, metadata={"child": "one"})


class Composite(Declared):
    """Base of the operators. ``combine`` is pointwise in the draws and causal in time."""

    context_free = True
    #: True if the demand at a sample depends on its children at that sample alone.
    pointwise: ClassVar[bool] = True
    #: True if the demand of a child is compared with a level: at another scale it passes elsewhere.
    by_level: ClassVar[bool] = False

    @cached_property
    def children(self) -> Mapping[str, Rule]:  # type: ignore[override]
        """Child rules by role."""
        found: dict[str, Rule] = {}
        for item in fields(self):  # type: ignore[arg-type]
            if item.metadata.get("child") == "many":
                for number, rule in enumerate(getattr(self, item.name)):
                    found[f"{item.name}[{number}]"] = rule
            elif item.metadata.get("child") == "one":
                found[item.name] = getattr(self, item.name)
        return found

    def further_faults(self) -> list[Fault]:
        """Children must be rules."""
        return [
            Fault(f"rule {self.family}", role, rule, "a rule")
            for role, rule in self.children.items()
            if not isinstance(rule, Rule)
        ]

    @cached_property
    def requires(self) -> frozenset[str]:  # type: ignore[override]
        """What any child requires."""
        return frozenset().union(*(rule.requires for rule in self.children.values()))

    @cached_property
    def uses(self) -> frozenset[str]:  # type: ignore[override]
        """What any child uses."""
        return frozenset().union(*(rule.uses for rule in self.children.values()))

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """What any child reads in this block."""
        return frozenset().union(*(rule.active(samples) for rule in self.children.values()))

    @abstractmethod
    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return demand from the demands of the children, by role."""

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the combined demand."""
        return self.combine(
            {role: part_demand(rule, samples) for role, rule in self.children.items()}, samples
        )

    @property
    def scales(self) -> bool:  # type: ignore[override]
        """True if every child scales and none is compared with a level."""
        return not self.by_level and all(rule.scales for rule in self.children.values())


@dataclass(frozen=True)
class _Many(Composite):
    """Base of the operators over several rules."""

    of: tuple[Rule, ...] = field(default=(), metadata={"child": "many"})

    def __post_init__(self) -> None:
        of: Any = self.of
        object.__setattr__(self, "of", tuple(of) if isinstance(of, Sequence) else of)
        super().__post_init__()

    def further_faults(self) -> list[Fault]:
        """At least one rule."""
        if not self.of:
            return [Fault(f"rule {self.family}", "of", [], "one rule or more")]
        return super().further_faults()


@dataclass(frozen=True)
class AllOf(_Many):
    """All must fire: demand is the minimum of the demands. ``a & b``."""

    family: ClassVar[str] = "all_of"
    title: ClassVar[str] = "all of several rules at once: minimum of demand"

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the minimum."""
        return np.asarray(np.minimum.reduce(list(demands.values())), dtype=np.float64)


@dataclass(frozen=True)
class AnyOf(_Many):
    """Any may fire: demand is the maximum of the demands. ``a | b``."""

    family: ClassVar[str] = "any_of"
    title: ClassVar[str] = "any of several rules: maximum of demand"

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the maximum."""
        return np.asarray(np.maximum.reduce(list(demands.values())), dtype=np.float64)


@dataclass(frozen=True)
class AtLeast(_Many):
    """At least ``count`` must fire at once: the count-th largest demand (voting)."""

    family: ClassVar[str] = "at_least"
    title: ClassVar[str] = "at least so many of several rules: order statistic of demand"

    count: int = parameter(2, low=1, high=64, kind="whole", text="how many must fire at once")

    def further_faults(self) -> list[Fault]:
        """No more than there are rules."""
        faults = super().further_faults()
        if not faults and self.count > len(self.of):
            expected = f"at most {len(self.of)}, the number of rules"
            faults = [Fault(f"rule {self.family}", "count", self.count, expected)]
        return faults

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the count-th largest."""
        stacked = np.sort(np.stack(list(demands.values())), axis=0)
        return np.asarray(stacked[len(self.of) - int(self.count)], dtype=np.float64)


@dataclass(frozen=True)
class _One(Composite):
    """Base of the operators on one rule."""

    rule: Rule = child()


@dataclass(frozen=True)
class Held(_One):
    """Demand held for a time: its running maximum over the last ``hold_ms``."""

    family: ClassVar[str] = "held"
    title: ClassVar[str] = "demand held for a time: maximum over the last so many ms"
    pointwise: ClassVar[bool] = False

    hold_ms: float = parameter(60.0, unit="ms", high=1e6, text="hold time")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the maximum over the hold time, the present sample included."""
        ticks = 1 + round(self.hold_ms * 1e-3 * samples.rate_hz)
        return window_max(demands["rule"], min(ticks, samples.size))


@dataclass(frozen=True)
class Delayed(_One):
    """Demand delayed by a time; 0 before."""

    family: ClassVar[str] = "delayed"
    title: ClassVar[str] = "demand delayed by a time"
    pointwise: ClassVar[bool] = False

    delay_ms: float = parameter(5.0, unit="ms", high=1e6, text="delay")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the delayed demand."""
        return shifted(demands["rule"], round(self.delay_ms * 1e-3 * samples.rate_hz))


@dataclass(frozen=True)
class Debounced(_One):
    """Demand must persist: its minimum over the last ``count`` samples; 0 before so many came."""

    family: ClassVar[str] = "debounced"
    title: ClassVar[str] = "demand must persist for so many consecutive samples"
    pointwise: ClassVar[bool] = False

    count: int = parameter(3, low=1, high=10000, kind="whole", text="consecutive samples")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the minimum over the last samples."""
        return window_min(demands["rule"], int(self.count), fill=0.0)


@dataclass(frozen=True)
class Scaled(_One):
    """Demand times a factor: the threshold divided by it."""

    family: ClassVar[str] = "scaled"
    title: ClassVar[str] = "demand times a factor"

    factor: float = parameter(1.0, above=True, high=1e6, text="factor on demand")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the scaled demand."""
        return demands["rule"] * self.factor


@dataclass(frozen=True)
class Gated(_One):
    """Demand passes while the gate is open (its demand 1 or more), else 0.

    Unlike :class:`AllOf` the gate does not limit how large demand gets, only whether it counts.
    """

    family: ClassVar[str] = "gated"
    title: ClassVar[str] = "demand counts only while another rule is at 1 or more"
    by_level: ClassVar[bool] = True

    gate: Rule = child()

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return demand where the gate is open."""
        return np.where(demands["gate"] >= 1.0, demands["rule"], 0.0)


@dataclass(frozen=True)
class ResetAfterQuiet(_One):
    """A held demand that is dropped after quiet.

    Equation
        The running maximum of demand since the quiet rule's demand was last below 1 for
        ``quiet_ms`` on end. ``activity`` is the rule that says "something is going on".
    Use
        Latches a flag for the length of an event and forgets it before the next.
    """

    family: ClassVar[str] = "reset_after_quiet"
    title: ClassVar[str] = "maximum of demand since the last quiet spell"
    pointwise: ClassVar[bool] = False
    by_level: ClassVar[bool] = True

    activity: Rule = child()
    quiet_ms: float = parameter(
        20.0, unit="ms", above=True, high=1e6, text="quiet time that resets"
    )

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the maximum since the last reset."""
        ticks = samples_in(self.quiet_ms, samples.rate_hz)
        quiet = window_max(demands["activity"], ticks) < 1.0
        if ticks > 1:
            quiet[..., : ticks - 1] = False
        return maximum_since(demands["rule"], quiet)


def maximum_since(values: FloatArray, restart: Any) -> FloatArray:
    """Return the running maximum of values since the last restart (that sample included)."""
    if not restart.any():
        return np.asarray(np.maximum.accumulate(values, axis=-1), dtype=np.float64)
    out = np.array(values, dtype=np.float64)
    for row in range(values.shape[0]):
        edges = [0, *np.flatnonzero(restart[row]).tolist(), values.shape[-1]]
        for first, last in zip(edges[:-1], edges[1:], strict=True):
            if last > first:
                out[row, first:last] = np.maximum.accumulate(values[row, first:last])
    return out


@dataclass(frozen=True)
class BeltSwitch(Composite):
    """One rule for a belted occupant, another for an unbelted one."""

    family: ClassVar[str] = "belt_switch"
    title: ClassVar[str] = "one rule when belted, another when unbelted"
    context_free = False

    belted: Rule = child()
    unbelted: Rule = child()

    def chosen(self, samples: EcuSamples) -> str:
        """Role of the child that counts."""
        return "belted" if samples.context.belted else "unbelted"

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """What the chosen child reads."""
        return self.children[self.chosen(samples)].active(samples)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the demand of the chosen child."""
        return part_demand(self.children[self.chosen(samples)], samples)

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the branches of the chosen child."""
        return self.children[self.chosen(samples)].branch_demands(samples)

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the demand of the chosen child."""
        return demands[self.chosen(samples)]


@dataclass(frozen=True)
class Optional(_One):
    """A rule whose channels may be missing: it then has demand 0, and nothing is required."""

    family: ClassVar[str] = "optional"
    title: ClassVar[str] = "a rule that may lack its channels: demand 0 then"

    @property
    def requires(self) -> frozenset[str]:
        """Nothing."""
        return frozenset()

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """What the rule reads of what is there."""
        return frozenset(c for c in self.rule.active(samples) if is_there(samples, c))

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the demand as it is: a criterion without its channel has demand 0."""
        return demands["rule"]


def is_there(samples: EcuSamples, channel: str) -> bool:
    """True if the channel is valid anywhere in the block."""
    return channel in samples.valid and bool(samples.valid[channel].any())


@dataclass(frozen=True)
class Fallback(Composite):
    """One rule while all its channels are valid, another where one is not.

    Sample by sample and draw by draw: a sensor that fails on the way hands over at that tick.
    """

    family: ClassVar[str] = "fallback"
    title: ClassVar[str] = "one rule while its channels are valid, another otherwise"

    rule: Rule = child()
    otherwise: Rule = child()

    @property
    def requires(self) -> frozenset[str]:
        """What the second rule requires."""
        return self.otherwise.requires

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """What is read in this block."""
        if all(is_there(samples, channel) for channel in self.rule.requires):
            return self.rule.active(samples)
        return self.otherwise.active(samples)

    def ready(self, samples: EcuSamples) -> Any:
        """True where the first rule can judge, shape (draws, samples)."""
        ready: Any = np.ones((samples.draws, samples.size), dtype=np.bool_)
        for channel in sorted(self.rule.requires):
            ready = ready & samples.valid.get(channel, False)
        return ready

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the demand of the first rule where it can judge."""
        return np.where(self.ready(samples), demands["rule"], demands["otherwise"])

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the demand of the rule that judges; the other is not computed needlessly."""
        ready = self.ready(samples)
        if ready.all():
            return part_demand(self.rule, samples)
        if not ready.any():
            return part_demand(self.otherwise, samples)
        parts = {role: part_demand(rule, samples) for role, rule in self.children.items()}
        return np.where(ready, parts["rule"], parts["otherwise"])

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the branches of the rule that judges, sample by sample, if both have the same."""
        ready = self.ready(samples)
        if ready.all():
            return self.rule.branch_demands(samples)
        if not ready.any():
            return self.otherwise.branch_demands(samples)
        first, second = self.rule.branch_demands(samples), self.otherwise.branch_demands(samples)
        if set(first) == set(second):
            return {key: np.where(ready, first[key], second[key]) for key in first}
        total = np.where(ready, first["total"], second["total"])
        return {"total": total, "main": total}


@dataclass(frozen=True)
class Armed(Composite):
    """Arming: the main rule counts only while the arming rule, held for a time, agrees.

    Equation
        demand = min(main, maximum of arming over the last ``hold_ms``).
    Good at
        Single-fault safety, if arming reads an independent element.
    Weak at
        Slow arming makes a late fire; arming from the element of the main rule protects from
        nothing (see :func:`same_element`).
    Source
        Safing level 2-4 g, hold 50-100 ms: from memory.
    """

    family: ClassVar[str] = "armed"
    title: ClassVar[str] = "main rule and a held arming rule together"
    pointwise: ClassVar[bool] = False

    main: Rule = child()
    arming: Rule = child()
    hold_ms: float = parameter(
        60.0, unit="ms", high=1e6, text="how long arming is held, 50-100 ms usual"
    )

    def held_arming(self, demand: FloatArray, samples: EcuSamples) -> FloatArray:
        """Return the arming demand, held."""
        ticks = 1 + round(self.hold_ms * 1e-3 * samples.rate_hz)
        return window_max(demand, min(ticks, samples.size))

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return total, main and (held) arming."""
        main = part_demand(self.main, samples)
        arming = self.held_arming(part_demand(self.arming, samples), samples)
        return {"total": np.minimum(main, arming), "main": main, "arming": arming}

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the lesser of main and held arming."""
        return self.branch_demands(samples)["total"]

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the lesser of main and held arming."""
        return np.minimum(demands["main"], self.held_arming(demands["arming"], samples))


def armed_root(rule: Rule, samples: EcuSamples) -> Armed | None:
    """Return the arming at the root of a rule, through switches and through rules of the user's
    own that wrap one; None if it has none."""
    while not isinstance(rule, Armed):
        if isinstance(rule, BeltSwitch):
            rule = rule.children[rule.chosen(samples)]
        elif isinstance(rule, Fallback):
            there = all(is_there(samples, channel) for channel in rule.rule.requires)
            rule = rule.rule if there else rule.otherwise
        elif isinstance(inner := getattr(rule, "inner", None), Rule):
            rule = inner
        else:
            return None
    return rule


def same_element(rule: Rule, samples: EcuSamples) -> bool:
    """True if arming reads no channel in this block that the main rule does not read as well.

    Such arming is no independent protection: one faulty element can fire the restraint.
    """
    root = armed_root(rule, samples)
    if root is None:
        return False
    return root.arming.active(samples) <= root.main.active(samples)
