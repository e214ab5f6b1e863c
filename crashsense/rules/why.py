"""Explanation: which branch of a composition reached 1, when, and on which inputs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.rules.amounts import Amount
from crashsense.rules.checked import checked_branch_demands, rows
from crashsense.rules.composite import Composite
from crashsense.rules.contract import Rule, of_a_user, part_demand, sharing
from crashsense.rules.locked import locked_samples
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
class Reading:
    """One criterion of a rule as a table row: amount, threshold, time.

    Parameters
    ----------
    criterion : readable name ("velocity change in 10 ms")
    amount, threshold, unit : in the unit of the trade, factors on the threshold included; if only
        demand is known: the demand, 1 and "-"
    share : amount over threshold [-]; 1 or more: reached
    time_s : sample at which it was read, on the control unit's clock [s]; an earlier one where a
        hold or a delay keeps its value
    path, family : where it stands and what it is
    decides : True if it is the reason for the value of the rule at the sample asked about
    moves : True if it fires nothing and moves the threshold of another
    note : what its threshold depends on
    """

    criterion: str
    amount: float
    threshold: float
    unit: str
    share: float
    time_s: float
    path: str
    family: str
    decides: bool
    moves: bool
    note: str


@dataclass(frozen=True)
class Branch:
    """One rule of a composition, at the sample in question.

    Parameters
    ----------
    path : where it stands, as :func:`crashsense.rules.sweep.leaves` names it; "" is the root
    family : its family
    demand : its demand at the sample
    tick, time_s : the sample: the one asked about, or an earlier one from which a hold or a delay
        took its value
    first_tick, first_s : when its demand first reached 1, None if it had not by then
    decides : True if it is the reason for the value of the root at the sample
    matters : True if it is the reason for the value of the rule above it
    moves : True if it fires nothing and moves the threshold of another (or stands below what does)
    called : readable name of its criterion
    unused : why it does not count here (the other branch of a switch); empty if it does
    amounts : for a criterion, what it reached and what it needs, in the unit of the trade; factors
        on its threshold from rules above it included
    inputs : for a criterion, the channels at the sample
    parts : the rules below it
    """

    path: str
    family: str
    demand: float
    tick: int
    time_s: float
    first_tick: int | None
    first_s: float | None
    decides: bool
    matters: bool
    moves: bool
    called: str
    unused: str
    amounts: tuple[Amount, ...] = ()
    inputs: tuple[Input, ...] = ()
    parts: tuple[Branch, ...] = ()

    def walk(self, *, depth: int = 0) -> Iterator[tuple[int, Branch]]:
        """Yield every branch with its depth, root first."""
        yield depth, self
        for part in self.parts:
            yield from part.walk(depth=depth + 1)

    @property
    def nearest(self) -> Branch:
        """The criterion that makes its value (the first of several)."""
        for part in self.parts:
            if part.matters and not part.unused:
                return part.nearest
        return self

    @property
    def measured(self) -> str:
        """Its amounts as text, or its demand if nothing else is known."""
        return "; ".join(map(str, self.amounts)) or f"demand {self.demand:.4g} of 1"

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Its amounts as table rows, or its demand of 1 if nothing else is known."""
        found = self.amounts or (Amount(self.called, self.demand, 1.0, "-"),)
        return tuple(
            Reading(
                item.name,
                item.value,
                item.threshold,
                item.unit,
                item.share,
                self.time_s,
                path=self.path,
                family=self.family,
                decides=self.decides,
                moves=self.moves,
                note=item.note,
            )
            for item in found
        )

    @property
    def role(self) -> str:
        """Its role in the rule above it."""
        return self.path.rpartition(".")[2] or "rule"

    def line(self, *, at: int) -> str:
        """The branch as one line; its own sample is named where it is not *at*."""
        if self.unused:
            return f"{self.role}: {self.family} does not count: {self.unused}"
        when = "" if self.tick == at else f" at {self.time_s * 1e3:.2f} ms"
        since = (
            "below 1 so far"
            if self.first_s is None
            else f"reached 1 at {self.first_s * 1e3:.2f} ms"
        )
        amounts = f": {self.measured}" if self.amounts else ""
        inputs = "; ".join(str(item) for item in self.inputs)
        tail = f" [{inputs}]" if inputs else ""
        return f"{self.role}: {self.family} demand {self.demand:.4g}{when}, {since}{amounts}{tail}"


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

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Every criterion that counts, in the order of the rule: amount and threshold.

        A guard, a plausibility check and each axis of a map have their own rows. Branches that do
        not count (the other belt state, the other rule of a fallback) are omitted.
        """
        return tuple(self._readings(self.root))

    def _readings(self, branch: Branch) -> Iterator[Reading]:
        if branch.unused:
            return
        if not branch.parts:
            yield from branch.readings
        for part in branch.parts:
            yield from self._readings(part)

    def lines(self) -> list[str]:
        """The explanation as text, one line a branch; ``*`` marks what decided."""
        verb = "fired" if self.fired else "did not fire; largest demand"
        head = (
            f"{verb} at {self.time_s * 1e3:.2f} ms (sample {self.tick}, demand {self.demand:.4g})"
        )
        return [head, *self._tree(self.root, depth=0, brief=False)]

    def short_lines(self) -> list[str]:
        """What was nearest to firing and what it lacked, as text; other branches one line each."""
        out = []
        for branch in self.deciding:
            where = f"{branch.path}: " if branch.path else ""
            if branch.moves:  # no demand of its own
                out.append(f"threshold moved by: {where}{branch.measured}")
                continue
            share = f"{100.0 * min(self.demand, 1.0):.1f} %"
            lacking = [a for a in branch.amounts if a.short > 0.0]
            missing = " and ".join(
                f"{a.short:.3g}{'' if a.unit == '-' else f' {a.unit}'}" for a in lacking
            )
            tail = f", short by {missing}" if missing else ""
            out.append(f"nearest: {where}{branch.measured} ({share}){tail}")
        return out + self._tree(self.root, depth=0, brief=True)

    def _tree(self, branch: Branch, *, depth: int, brief: bool) -> list[str]:
        mark = "*" if branch.decides else " "
        out = [f"{mark} {'  ' * depth}{branch.line(at=self.tick)}"]
        if brief and branch.parts and not branch.decides:
            near = branch.nearest
            return [f"{out[0]}; nearest there: {near.family.replace('_', ' ')}, {near.measured}"]
        for part in branch.parts:
            out += self._tree(part, depth=depth + 1, brief=brief)
        return out


def why(rule: Rule, samples: EcuSamples, *, draw: int = 0, tick: int | None = None) -> Why:
    """Explain one draw of a block (*draw* is its place in the block).

    Without *tick*: the sample that fired, or that of the largest demand. A rule that fails raises
    :class:`~crashsense.errors.RuleError`.
    """
    one = rows(samples, [draw])
    if of_a_user(rule):
        one = locked_samples(one)
    with sharing():
        demand = checked_branch_demands(rule, one)["total"][0]
        over = np.flatnonzero(demand >= 1.0)
        fired = bool(over.size)
        at = tick if tick is not None else int(over[0]) if fired else int(np.argmax(demand))
        root = _branch(rule, one, at, path="", decides=True, matters=True, factor=_NO_FACTOR)
    return Why(fired, at, _time_s(one, at), float(demand[at]), root)


def _time_s(samples: EcuSamples, at: int) -> float:
    """Finish time of one sample of a block of one draw [s], as ``times_s`` has it."""
    return float(samples.start_s[0] + at / samples.rate_hz)


def why_not_by(rule: Rule, samples: EcuSamples, *, by_s: float, draw: int = 0) -> Why | None:
    """Explain the sample at which demand was largest up to a time on the control unit's clock [s].

    The time itself counts, with a tolerance of 1 ns; the last such sample is taken. None if no
    sample was there by then, or demand was 0.
    """
    one = rows(samples, [draw])
    before = np.flatnonzero(one.times_s[0] <= by_s + 1e-9)
    if not before.size:
        return None
    demand = checked_branch_demands(rule, one)["total"][0][before]
    largest = float(demand.max())
    if largest == 0.0:
        return None
    return why(rule, one, tick=int(before[np.flatnonzero(demand == largest)[-1]]))


@dataclass(frozen=True)
class _Factor:
    """The factor that rules above a criterion put on its threshold at the sample."""

    value: float = 1.0
    note: str = ""

    def times(self, factor: float, who: str) -> _Factor:
        if factor == 1.0:
            return self
        notes = [part for part in (self.note, f"x {factor:.3g} by {who}") if part]
        return _Factor(self.value * factor, ", ".join(notes))


_NO_FACTOR = _Factor()


def _branch(
    rule: Rule,
    samples: EcuSamples,
    at: int,
    *,
    path: str,
    decides: bool,
    matters: bool,
    factor: _Factor,
    moves: bool = False,
    unused: str = "",
) -> Branch:
    demand = part_demand(rule, samples)[0]
    over = np.flatnonzero(demand[: at + 1] >= 1.0)
    first = int(over[0]) if over.size else None
    amounts: tuple[Amount, ...] = ()
    inputs: tuple[Input, ...] = ()
    parts: tuple[Branch, ...] = ()
    if isinstance(rule, Composite) and not unused:
        deciding = rule.deciding(samples, at)
        below = factor.times(rule.threshold_factor(samples, at), rule.family)
        parts = tuple(
            _branch(
                part,
                samples,
                rule.taken_from(role, samples, at),
                path=f"{path}.{role}" if path else role,
                decides=decides and role in deciding,
                matters=role in deciding,
                moves=moves or role in rule.moving,
                factor=_NO_FACTOR if role in rule.apart else below,
                unused=rule.unused(role, samples, at),
            )
            for role, part in rule.children.items()
        )
    elif not unused:
        amounts, inputs = rule.amounts(samples, at), _inputs(rule, samples, at)
        if factor.value != 1.0:
            amounts = tuple(
                item.scaled(factor.value, note=f"threshold {factor.note}") for item in amounts
            )
    return Branch(
        path=path,
        family=str(getattr(rule, "family", "")) or type(rule).__name__,
        demand=float(demand[at]),
        tick=at,
        time_s=_time_s(samples, at),
        first_tick=first,
        first_s=None if first is None else _time_s(samples, first),
        decides=decides,
        matters=matters,
        moves=moves,
        called=rule.called,
        unused=unused,
        amounts=amounts,
        inputs=inputs,
        parts=parts,
    )


def _inputs(rule: Rule, samples: EcuSamples, at: int) -> tuple[Input, ...]:
    found = []
    for name in sorted(rule.uses):
        there = name in samples.channels
        valid = there and bool(samples.valid[name][0, at])
        value = float(samples.channels[name][0, at]) if there else float("nan")
        code = int(samples.codes[name][0, at]) if name in samples.codes else None
        found.append(Input(name, value, CHANNELS[name].unit, code, valid))
    return tuple(found)
