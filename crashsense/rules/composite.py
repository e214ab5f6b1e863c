"""Base of the operators: children by role, and how their demands are combined and explained.

Each operator defines how it combines, how it is swept, and why it fired. The defaults suit an
operator that commutes with a threshold and looks at one rule.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from crashsense.errors import Fault
from crashsense.rules.contract import FloatArray, Rule, Sweep, part_demand
from crashsense.rules.parameters import Declared
from crashsense.sensing.samples import EcuSamples
from crashsense.values import Shown


def child() -> Any:
    """Declare a child rule of an operator."""
    return field(kw_only=True, metadata={"child": "one"})


class Composite(Shown, Declared):
    """Base of the operators. ``combine`` is pointwise in the draws and causal in time."""

    context_free = True
    #: True if the demand at a sample depends on its children at that sample alone.
    pointwise: ClassVar[bool] = True
    #: True if the demand of a child is compared with a level: at another scale it passes elsewhere.
    by_level: ClassVar[bool] = False
    #: Roles of the children that are compared with 1 wherever the operator stands: what moves the
    #: threshold of the operator does not move theirs.
    apart: ClassVar[frozenset[str]] = frozenset()
    #: Roles of the children that fire nothing and move the threshold of another.
    moving: ClassVar[frozenset[str]] = frozenset()

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

    @cached_property
    def parts_of_a_user(self) -> bool:  # type: ignore[override]
        """As of any rule, but kept: each part of a tree is asked for each block of samples."""
        return super().parts_of_a_user

    @cached_property
    def parts_read_context(self) -> bool:  # type: ignore[override]
        """As of any rule, but kept."""
        return super().parts_read_context

    def further_faults(self) -> list[Fault]:
        """Children must be rules."""
        return [
            Fault(f"rule {self.family}", role, rule, "a rule")
            for role, rule in self.children.items()
            if not isinstance(rule, Rule)
        ]

    @cached_property
    def requires(self) -> frozenset[str]:  # type: ignore[override]
        """Channels required by any child."""
        return frozenset().union(*(rule.requires for rule in self.children.values()))

    @cached_property
    def uses(self) -> frozenset[str]:  # type: ignore[override]
        """Channels used by any child."""
        return frozenset().union(*(rule.uses for rule in self.children.values()))

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Channels that any child reads in this block."""
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

    def at_scale(self, factor: float) -> Rule | None:
        """Return the operator over its children at *factor*, except those compared with 1."""
        changes: dict[str, Any] = {}
        for item in fields(self):  # type: ignore[arg-type]
            kind, value = item.metadata.get("child"), getattr(self, item.name)
            if kind is None or item.name in self.apart:
                continue
            raised = [part.at_scale(factor) for part in (value if kind == "many" else [value])]
            if None in raised:
                return None
            changes[item.name] = tuple(raised) if kind == "many" else raised[0]
        return replace(self, **changes)  # type: ignore[type-var]

    def swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """Return the swept demand, combined from that of the children."""
        # Families of the house compute it from their children; another class has said it or not.
        if type(self).scales is False:
            raise sweep.again(f"{type(self).__name__} does not say that it scales")
        return self.combine_swept(sweep, level)

    def combine_swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """Return the swept demand; valid unchanged for operators that commute with a threshold."""
        self.refuse_moved_level(sweep, level)
        parts = {role: sweep.below(role).demand(level) for role in self.children}
        return self.combine(parts, sweep.samples)

    def refuse_moved_level(self, sweep: Sweep, level: FloatArray) -> None:
        """Refuse to sweep an operator over time where the level differs from sample to sample."""
        if not self.pointwise and level.size > 1:
            raise sweep.again("an operator over time stands below an adapted threshold")

    def demands_at(
        self, samples: EcuSamples, at: int
    ) -> tuple[dict[str, float], dict[str, float], float]:
        """Return the children's demands at a sample and at the one before it, and the result.

        Of a block of one draw; before the first sample demand was 0.
        """
        rows = self.child_demands(samples)
        here = {role: float(row[at]) for role, row in rows.items()}
        before = {role: float(row[at - 1]) if at else 0.0 for role, row in rows.items()}
        return here, before, float(part_demand(self, samples)[0, at])

    def child_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the demand of every child as it is combined, first draw."""
        return {role: part_demand(rule, samples)[0] for role, rule in self.children.items()}

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """Return the roles of the children that make the demand at a sample (one draw)."""
        return frozenset({"rule"} if "rule" in self.children else self.children)

    def taken_from(self, role: str, samples: EcuSamples, at: int) -> int:
        """Return the sample of a child whose demand is used at sample *at* (one draw).

        The same sample or an earlier one: a hold keeps a past maximum, a debounce a past minimum, a
        delay a past value.
        """
        return at

    def last_equal(self, role: str, samples: EcuSamples, at: int, *, value: float) -> int:
        """Return the last sample up to *at* at which the child's demand was *value*."""
        row = part_demand(self.children[role], samples)[0, : at + 1]
        same = np.flatnonzero(row == value)
        return int(same[-1]) if same.size else at

    def unused(self, role: str, samples: EcuSamples, at: int) -> str:
        """Return why a child does not count at a sample (one draw); empty if it does."""
        return ""

    def threshold_factor(self, samples: EcuSamples, at: int) -> float:
        """Return the factor that the operator puts on the thresholds below it (one draw)."""
        return 1.0


@dataclass(frozen=True)
class Many(Composite):
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
class One(Composite):
    """Base of the operators on one rule."""

    rule: Rule = child()


def last_or_equal(
    here: Mapping[str, float], before: Mapping[str, float], value: float
) -> frozenset[str]:
    """Return the children that crossed last and so fired it; before that, those holding it back."""
    late = frozenset(role for role in here if here[role] >= 1.0 > before[role])
    if value >= 1.0 and late:
        return late
    return frozenset(role for role in here if here[role] == value)
