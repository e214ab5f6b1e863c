"""Composition: rules made of rules. Every operator is monotone in the demands it combines.

Because each operator commutes with a threshold (it takes minima, maxima, order statistics and
delays of demands), firing of a composition at a scale follows from the demands alone; see
:mod:`crashsense.rules.sweep`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from crashsense.arrays import BoolArray
from crashsense.errors import Fault
from crashsense.rules.composite import Composite, Many, One, child, last_or_equal
from crashsense.rules.contract import FloatArray, Rule, Sweep, part_demand
from crashsense.rules.kernels import runs_after, samples_in, shifted, window_max, window_min
from crashsense.rules.parameters import parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True)
class AllOf(Many, sign="&"):
    """All must fire: demand is the minimum of the demands. ``a & b``."""

    family: ClassVar[str] = "all_of"
    title: ClassVar[str] = "all of several rules at once: minimum of demand"

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the minimum."""
        return np.asarray(np.minimum.reduce(list(demands.values())), dtype=np.float64)

    def write(self, writer: Writer) -> int:
        """Write the minimum."""
        return writer.least(*writer.parts(self.of))

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The child that crossed last; before that, the one with the least demand."""
        return last_or_equal(*self.demands_at(samples, at))


@dataclass(frozen=True)
class AnyOf(Many, sign="|"):
    """Any may fire: demand is the maximum of the demands. ``a | b``."""

    family: ClassVar[str] = "any_of"
    title: ClassVar[str] = "any of several rules: maximum of demand"

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the maximum."""
        return np.asarray(np.maximum.reduce(list(demands.values())), dtype=np.float64)

    def write(self, writer: Writer) -> int:
        """Write the maximum."""
        return writer.greatest(*writer.parts(self.of))

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The largest."""
        here, _, value = self.demands_at(samples, at)
        return frozenset(role for role, demand in here.items() if demand == value)


@dataclass(frozen=True)
class AtLeast(Many):
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

    def write(self, writer: Writer) -> int:
        """Write the count-th largest."""
        return writer.ranked(writer.parts(self.of), int(self.count))

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The child that crossed last; before that, the one still lacking."""
        return last_or_equal(*self.demands_at(samples, at))


@dataclass(frozen=True)
class Held(One):
    """Demand held for a time: its running maximum over the last ``hold_ms``."""

    family: ClassVar[str] = "held"
    title: ClassVar[str] = "demand held for a time: maximum over the last so many ms"
    pointwise: ClassVar[bool] = False

    hold_ms: float = parameter(60.0, unit="ms", high=1e6, text="hold time")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the maximum over the hold time, the present sample included."""
        ticks = 1 + round(self.hold_ms * 1e-3 * samples.rate_hz)
        return window_max(demands["rule"], min(ticks, samples.size))

    def write(self, writer: Writer) -> int:
        """Write the maximum over the hold time."""
        return writer.window_max(writer.part(self.rule), writer.hold_ticks(self.hold_ms))

    def taken_from(self, role: str, samples: EcuSamples, at: int) -> int:
        """The last sample of the rule with the demand that is held."""
        if role != "rule":
            return at
        value = float(part_demand(self, samples)[0, at])
        return self.last_equal(role, samples, at, value=value)


@dataclass(frozen=True)
class Delayed(One):
    """Demand delayed by a time; 0 before."""

    family: ClassVar[str] = "delayed"
    title: ClassVar[str] = "demand delayed by a time"
    pointwise: ClassVar[bool] = False

    delay_ms: float = parameter(5.0, unit="ms", high=1e6, text="delay")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the delayed demand."""
        return shifted(demands["rule"], self.delay_ticks(samples))

    def write(self, writer: Writer) -> int:
        """Write the delayed demand."""
        ticks = round(self.delay_ms * 1e-3 * writer.rate_hz)
        return writer.delayed(writer.part(self.rule), ticks)

    def delay_ticks(self, samples: EcuSamples) -> int:
        """Return the delay in samples."""
        return round(self.delay_ms * 1e-3 * samples.rate_hz)

    def taken_from(self, role: str, samples: EcuSamples, at: int) -> int:
        """The sample before the delay."""
        return max(at - self.delay_ticks(samples), 0)


@dataclass(frozen=True)
class Debounced(One):
    """Demand must persist: its minimum over the last ``count`` samples; 0 at the start."""

    family: ClassVar[str] = "debounced"
    title: ClassVar[str] = "demand must persist for so many consecutive samples"
    pointwise: ClassVar[bool] = False

    count: int = parameter(3, low=1, high=10000, kind="whole", text="consecutive samples")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the minimum over the last samples."""
        return window_min(demands["rule"], int(self.count), fill=0.0)

    def write(self, writer: Writer) -> int:
        """Write the minimum over the last samples."""
        return writer.window_min(writer.part(self.rule), int(self.count), fill=0.0)

    def taken_from(self, role: str, samples: EcuSamples, at: int) -> int:
        """The last sample of the rule with the demand that is the least."""
        if role != "rule":
            return at
        value = float(part_demand(self, samples)[0, at])
        return self.last_equal(role, samples, at, value=value)


@dataclass(frozen=True)
class Scaled(One):
    """Demand times a factor: the threshold divided by it."""

    family: ClassVar[str] = "scaled"
    title: ClassVar[str] = "demand times a factor"

    factor: float = parameter(1.0, above=True, high=1e6, text="factor on demand")

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the scaled demand."""
        return demands["rule"] * self.factor

    def write(self, writer: Writer) -> int:
        """Write the scaled demand."""
        return writer.times(writer.part(self.rule), self.factor)

    def combine_swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """The rule is compared with the level over the factor."""
        return sweep.below("rule").demand(level / self.factor) * self.factor

    def threshold_factor(self, samples: EcuSamples, at: int) -> float:
        """One over the factor on demand."""
        return 1.0 / self.factor


@dataclass(frozen=True)
class Gated(One):
    """Demand passes while the gate is open (its demand 1 or more), else 0.

    Unlike :class:`AllOf` the gate does not limit how large demand gets, only whether it counts.
    """

    family: ClassVar[str] = "gated"
    title: ClassVar[str] = "demand counts only while another rule is at 1 or more"
    by_level: ClassVar[bool] = True
    unswept: ClassVar[frozenset[str]] = frozenset({"gate"})
    apart: ClassVar[frozenset[str]] = frozenset({"gate"})

    gate: Rule = child()

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return demand where the gate is open."""
        return np.where(demands["gate"] >= 1.0, demands["rule"], 0.0)

    def write(self, writer: Writer) -> int:
        """Write demand where the gate is open."""
        return writer.gated(writer.part(self.gate), writer.part(self.rule))

    def combine_swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """The gate is compared with 1, whatever the level."""
        opened = sweep.below("gate").demand(np.ones((1, 1)))
        return np.minimum(sweep.below("rule").demand(level), opened)

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """A closed gate alone; both rule and gate if it is open."""
        here, _, _ = self.demands_at(samples, at)
        return frozenset(here if here["gate"] >= 1.0 else {"gate"})


@dataclass(frozen=True)
class ResetAfterQuiet(One):
    """A held demand that is dropped after quiet.

    Equation
        The running maximum of demand since the quiet rule's demand was last below 1 for
        ``quiet_ms`` on end. ``activity`` is the rule that says "something is going on".
    Use
        Latches a flag for the duration of an event and clears it before the next.
    """

    family: ClassVar[str] = "reset_after_quiet"
    title: ClassVar[str] = "maximum of demand since the last quiet spell"
    pointwise: ClassVar[bool] = False
    by_level: ClassVar[bool] = True
    unswept: ClassVar[frozenset[str]] = frozenset({"activity"})
    apart: ClassVar[frozenset[str]] = frozenset({"activity"})

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

    def write(self, writer: Writer) -> int:
        """Write the maximum since the last reset."""
        ticks = writer.ticks(self.quiet_ms)
        going = writer.window_max(writer.part(self.activity), ticks)
        return writer.most_since(writer.part(self.rule), (going, ticks - 1))

    def combine_swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """The maximum of the swept rule; the resetting rule itself may not be swept."""
        self.refuse_moved_level(sweep, level)
        activity = sweep.below("activity")
        if activity.touched:
            raise activity.again("it resets")
        parts = {
            "rule": sweep.below("rule").demand(level),
            "activity": part_demand(self.activity, sweep.samples),
        }
        return self.combine(parts, sweep.samples)

    def taken_from(self, role: str, samples: EcuSamples, at: int) -> int:
        """The last sample of the rule with the demand that is kept."""
        if role != "rule":
            return at
        value = float(part_demand(self, samples)[0, at])
        return self.last_equal(role, samples, at, value=value)


def maximum_since(values: FloatArray, restart: BoolArray) -> FloatArray:
    """Return the running maximum of values since the last restart (that sample included)."""
    out = np.asarray(np.maximum.accumulate(values, axis=-1), dtype=np.float64)
    if restart.any():
        out[restart] = values[restart]
        for row, first, last in runs_after(restart):
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
        """Channels that the chosen child reads."""
        return self.children[self.chosen(samples)].active(samples)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the demand of the chosen child."""
        return part_demand(self.children[self.chosen(samples)], samples)

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the branches of the chosen child."""
        return self.children[self.chosen(samples)].branch_demands(samples)

    def write(self, writer: Writer) -> int:
        """Write the demand of the chosen child."""
        return writer.part(self.belted if writer.context.belted else self.unbelted)

    def write_branches(self, writer: Writer) -> tuple[int, int, int]:
        """Write the branches of the chosen child."""
        chosen = self.belted if writer.context.belted else self.unbelted
        return chosen.write_branches(writer)

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the demand of the chosen child."""
        return demands[self.chosen(samples)]

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Channels that arm the chosen child."""
        return self.children[self.chosen(samples)].armed_by(samples)

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The chosen child."""
        return frozenset({self.chosen(samples)})

    def unused(self, role: str, samples: EcuSamples, at: int) -> str:
        """The other child is for the other belt state."""
        chosen = self.chosen(samples)
        return "" if role == chosen else f"the event is {chosen}"


@dataclass(frozen=True)
class Optional(One):
    """A rule whose channels may be missing: its demand is then 0, and no channel is required."""

    family: ClassVar[str] = "optional"
    title: ClassVar[str] = "a rule whose channels may be missing: demand is then 0"

    @property
    def requires(self) -> frozenset[str]:
        """Nothing."""
        return frozenset()

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Channels that the rule reads among those that are valid."""
        return frozenset(c for c in self.rule.active(samples) if is_there(samples, c))

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the demand as it is: a criterion without its channel has demand 0."""
        return demands["rule"]

    def write(self, writer: Writer) -> int:
        """Write the demand as it is."""
        return writer.part(self.rule)


def is_there(samples: EcuSamples, channel: str) -> bool:
    """True if the channel is valid anywhere in the block."""
    return channel in samples.valid and bool(samples.valid[channel].any())


@dataclass(frozen=True)
class Fallback(Composite):
    """One rule while all its channels are valid, another while any of them is not.

    Sample by sample and draw by draw: a sensor that fails during the event hands over at that tick.
    """

    family: ClassVar[str] = "fallback"
    title: ClassVar[str] = "one rule while its channels are valid, another otherwise"

    rule: Rule = child()
    otherwise: Rule = child()

    @property
    def requires(self) -> frozenset[str]:
        """Channels that the second rule requires."""
        return self.otherwise.requires

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Channels read in this block."""
        return self.judging(samples).active(samples)

    def judging(self, samples: EcuSamples) -> Rule:
        """The rule that judges a block: the first one if its channels are there at all."""
        there = all(is_there(samples, channel) for channel in self.rule.requires)
        return self.rule if there else self.otherwise

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Channels that arm the rule that judges."""
        return self.judging(samples).armed_by(samples)

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The rule that judges at the sample."""
        return frozenset({"otherwise" if self.failed_channels(samples, at) else "rule"})

    def unused(self, role: str, samples: EcuSamples, at: int) -> str:
        """The other rule, and which channels decide that."""
        failed = self.failed_channels(samples, at)
        if role == "rule" and failed:
            return f"{', '.join(failed)} not valid"
        return "the first rule has its channels" if role == "otherwise" and not failed else ""

    def failed_channels(self, samples: EcuSamples, at: int) -> list[str]:
        """Channels of the first rule that are not valid at a sample (one draw)."""
        return [
            name
            for name in sorted(self.rule.requires)
            if name not in samples.valid or not samples.valid[name][0, at]
        ]

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
        """Return the demand of the rule that judges; the other is computed only if needed."""
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

    def write(self, writer: Writer) -> int:
        """Write the demand of the rule that judges."""
        return writer.part(self.rule if self.rule.requires <= writer.there else self.otherwise)

    def write_branches(self, writer: Writer) -> tuple[int, int, int]:
        """Write the branches of the rule that judges."""
        judging = self.rule if self.rule.requires <= writer.there else self.otherwise
        return judging.write_branches(writer)


@dataclass(frozen=True)
class Armed(Composite):
    """Arming: the main rule counts only while the arming rule, held for a time, agrees.

    Equation
        demand = min(main, maximum of arming over the last ``hold_ms``).
    Good at
        Single-fault safety, if arming reads an independent element.
    Weak at
        Slow arming delays deployment; arming from the same element as the main rule protects from
        nothing (see :func:`same_element`).
    Source
        Safing level 2-4 g, hold 50-100 ms: from memory.
    """

    family: ClassVar[str] = "armed"
    title: ClassVar[str] = "main rule and a held arming rule together"
    pointwise: ClassVar[bool] = False
    unswept: ClassVar[frozenset[str]] = frozenset({"arming"})

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

    def write(self, writer: Writer) -> int:
        """Write the lesser of main and held arming."""
        return self.write_branches(writer)[0]

    def write_branches(self, writer: Writer) -> tuple[int, int, int]:
        """Write total, main and (held) arming."""
        main = writer.part(self.main)
        arming = writer.window_max(writer.part(self.arming), writer.hold_ticks(self.hold_ms))
        return writer.least(main, arming), main, arming

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the lesser of main and held arming."""
        return self.branch_demands(samples)["total"]

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the lesser of main and held arming."""
        return np.minimum(demands["main"], self.held_arming(demands["arming"], samples))

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """Channels that main and arming read."""
        return self.main.active(samples), self.arming.active(samples)

    def child_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return main and (held) arming, first draw."""
        held = self.branch_demands(samples)
        return {role: held[role][0] for role in self.children}

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The child that crossed last; before that, the one with the least demand."""
        return last_or_equal(*self.demands_at(samples, at))

    def taken_from(self, role: str, samples: EcuSamples, at: int) -> int:
        """Arming: the last sample with the demand that is held."""
        if role != "arming":
            return at
        value = float(self.branch_demands(samples)["arming"][0, at])
        return self.last_equal(role, samples, at, value=value)


def same_element(rule: Rule, samples: EcuSamples) -> bool:
    """True if arming reads no channel in this block that the main rule does not read as well.

    Such arming is not independent protection: one faulty element can fire the restraint.
    """
    read = rule.armed_by(samples)
    if read is None:
        return False
    main, arming = read
    return arming <= main
