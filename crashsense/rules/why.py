"""Why did it fire? Which branch of a composition reached 1, when, and on what inputs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.rules.adaptation import Adapted
from crashsense.rules.composition import (
    AllOf,
    AnyOf,
    Armed,
    AtLeast,
    BeltSwitch,
    Composite,
    Fallback,
    Gated,
)
from crashsense.rules.contract import Rule, part_demand
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True)
class Input:
    """One channel at one sample, as the rule received it."""

    channel: str
    value: float
    unit: str
    code: int | None
    valid: bool

    def __str__(self) -> str:
        if not self.valid:
            return f"{self.channel} not valid"
        card = CHANNELS[self.channel]
        shown = self.value / card.file_scale
        code = "" if self.code is None else f" (code {self.code})"
        return f"{self.channel} {shown:.4g} {card.file_unit}{code}"


@dataclass(frozen=True)
class Branch:
    """One rule of a composition, at the sample in question.

    Parameters
    ----------
    path : where it stands, as :func:`crashsense.rules.sweep.leaves` names it; "" is the root
    family : its family
    demand : its demand at the sample
    first_tick, first_s : when its demand first reached 1, None if it had not by then
    decides : True if it is the reason for the value of the root at the sample
    inputs : for a criterion, the channels at the sample
    parts : the rules below it
    """

    path: str
    family: str
    demand: float
    first_tick: int | None
    first_s: float | None
    decides: bool
    inputs: tuple[Input, ...] = ()
    parts: tuple[Branch, ...] = ()

    def walk(self, *, depth: int = 0) -> Iterator[tuple[int, Branch]]:
        """Go through the tree, root first, with the depth of each branch."""
        yield depth, self
        for part in self.parts:
            yield from part.walk(depth=depth + 1)


@dataclass(frozen=True)
class Why:
    """The explanation of one evaluation.

    ``tick`` is the sample in question: the one that fired, or that of the largest demand if none
    did; ``time_s`` its time on the control unit's clock.
    """

    fired: bool
    tick: int
    time_s: float
    demand: float
    root: Branch

    @property
    def deciding(self) -> tuple[Branch, ...]:
        """The criteria that decided, in order."""
        return tuple(
            branch for _, branch in self.root.walk() if branch.decides and not branch.parts
        )

    def lines(self) -> list[str]:
        """The explanation as text, one line a branch; ``*`` marks what decided."""
        verb = "fired" if self.fired else "did not fire; largest demand"
        head = (
            f"{verb} at {self.time_s * 1e3:.2f} ms (sample {self.tick}, demand {self.demand:.4g})"
        )
        out = [head]
        for depth, branch in self.root.walk():
            role = branch.path.rpartition(".")[2] or "rule"
            since = (
                "below 1 so far"
                if branch.first_s is None
                else f"reached 1 at {branch.first_s * 1e3:.2f} ms"
            )
            mark = "*" if branch.decides else " "
            inputs = "; ".join(str(item) for item in branch.inputs)
            tail = f" [{inputs}]" if inputs else ""
            out.append(
                f"{mark} {'  ' * depth}{role}: {branch.family} demand {branch.demand:.4g}, "
                f"{since}{tail}"
            )
        return out


def why(rule: Rule, samples: EcuSamples, *, draw: int = 0, tick: int | None = None) -> Why:
    """Explain one draw of a block (*draw* is its place in the block).

    Without *tick*: the sample that fired, or that of the largest demand.
    """
    from crashsense.rules.checked import rows

    one = rows(samples, [draw])
    demand = rule.branch_demands(one)["total"][0]
    over = np.flatnonzero(demand >= 1.0)
    fired = bool(over.size)
    at = tick if tick is not None else int(over[0]) if fired else int(np.argmax(demand))
    times = one.times_s[0]
    root = _branch(rule, one, at, path="", decides=True)
    return Why(fired, at, float(times[at]), float(demand[at]), root)


def _branch(rule: Rule, samples: EcuSamples, at: int, *, path: str, decides: bool) -> Branch:
    demand = part_demand(rule, samples)[0]
    over = np.flatnonzero(demand[: at + 1] >= 1.0)
    first = int(over[0]) if over.size else None
    times = samples.times_s[0]
    common = {
        "path": path,
        "family": str(getattr(rule, "family", "")) or type(rule).__name__,
        "demand": float(demand[at]),
        "first_tick": first,
        "first_s": None if first is None else float(times[first]),
        "decides": decides,
    }
    if not isinstance(rule, Composite):
        return Branch(**common, inputs=_inputs(rule, samples, at))  # type: ignore[arg-type]
    deciding = _deciding(rule, samples, at)
    parts = tuple(
        _branch(
            part,
            samples,
            at,
            path=f"{path}.{role}" if path else role,
            decides=decides and role in deciding,
        )
        for role, part in rule.children.items()
    )
    return Branch(**common, parts=parts)  # type: ignore[arg-type]


def _deciding(rule: Composite, samples: EcuSamples, at: int) -> frozenset[str]:
    """Which children make the value of the composition at the sample."""
    roles = tuple(rule.children)
    if isinstance(rule, BeltSwitch):
        return frozenset({rule.chosen(samples)})
    demands = {role: part_demand(part, samples)[0] for role, part in rule.children.items()}
    if isinstance(rule, Fallback):
        ready = all(
            name in samples.valid and samples.valid[name][0, at] for name in rule.rule.requires
        )
        return frozenset({"rule" if ready else "otherwise"})
    if isinstance(rule, Armed):
        held = rule.branch_demands(samples)
        demands = {role: held[role][0] for role in roles}
    here = {role: float(demand[at]) for role, demand in demands.items()}
    before = {role: float(demand[at - 1]) if at else 0.0 for role, demand in demands.items()}
    value = float(part_demand(rule, samples)[0, at])
    if isinstance(rule, AnyOf):
        return frozenset(role for role in roles if here[role] == value)
    if isinstance(rule, (AllOf, Armed, AtLeast)):
        # What came last made it fire; before that, what is least holds it back.
        late = frozenset(role for role in roles if here[role] >= 1.0 > before[role])
        if value >= 1.0 and late:
            return late
        return frozenset(role for role in roles if here[role] == value)
    if isinstance(rule, Gated):
        return frozenset(roles if here["gate"] >= 1.0 else {"gate"})
    if isinstance(rule, Adapted):
        # The measure is part of the reason only where it moved the threshold.
        moved = here["rule"] != value
        return frozenset(roles) if moved else frozenset({"rule"})
    return frozenset({"rule"}) if "rule" in roles else frozenset(roles)


def _inputs(rule: Rule, samples: EcuSamples, at: int) -> tuple[Input, ...]:
    found = []
    for name in sorted(rule.uses):
        there = name in samples.channels
        valid = there and bool(samples.valid[name][0, at])
        value = float(samples.channels[name][0, at]) if there else float("nan")
        code = int(samples.codes[name][0, at]) if name in samples.codes else None
        found.append(Input(name, value, CHANNELS[name].unit, code, valid))
    return tuple(found)
