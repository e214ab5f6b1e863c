"""One rule for one restraint of one event: its demand, and what scoring needs of it, by draw.

A draw's answer never depends on its neighbours in a block: a rule that fails fails for that draw,
and a channel that is missing in one draw is missing there only.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.errors import RuleError
from crashsense.event import Event, Order, Requirement
from crashsense.rules import Algorithm, Rule, reads_context
from crashsense.rules.checked import Evaluated, active_channels, evaluate_rule, rows
from crashsense.rules.contract import of_a_user
from crashsense.scoring import (
    VERDICTS,
    OrderScores,
    Reached,
    Scores,
    judge,
    judge_order,
    reached,
)
from crashsense.sensing import EcuSamples, Sensed, SensorSet
from crashsense.values import Identity, Shown
from crashsense.verdict_schema import NO_RULE

#: Which channels have a valid sample, and the draws of a block of which that holds.
ValidChannels = list[tuple[tuple[bool, ...], IntArray]]


@dataclass(frozen=True, eq=False)
class Answer(Shown):
    """What a rule gave for one restraint of one event; every array has shape (draws,).

    Parameters
    ----------
    required_s : required time [s], NaN where none applies
    delay_s : shortest time from a sampling instant to the end of the task, of the channels read [s]
    clipped : samples of these channels that were cut before the filter
    found : what demand reached; None where the rule cannot be evaluated
    reason : why it cannot be evaluated; else empty
    errors : place of a draw -> how the rule failed there
    branches : demand [-] by branch, shape (draws, samples); empty without a rule, where it cannot
        be evaluated, and in a trial that keeps scores only
    """

    required_s: FloatArray
    delay_s: FloatArray
    clipped: IntArray
    found: Reached | None
    reason: str = ""
    errors: Mapping[int, str] = field(default_factory=dict)
    branches: Mapping[str, FloatArray] = field(default_factory=dict)

    def scores(self, requirement: Requirement, *, start_s: FloatArray, rate_hz: float) -> Scores:
        """Score against a requirement; of a rule that cannot be evaluated: as demand 0."""
        return judge(
            Reached.nothing(start_s.size) if self.found is None else self.found,
            start_s=start_s,
            rate_hz=rate_hz,
            expectation=requirement.expectation,
            required_s=self.required_s,
            origin_s=requirement.origin_s,
            not_before_s=requirement.not_before_s,
            chain_delay_s=self.delay_s,
        )

    def fire_s(self, *, start_s: FloatArray, rate_hz: float) -> FloatArray:
        """Fire times [s], shape (draws,); NaN where it does not fire or could not be judged."""
        tick = (Reached.nothing(start_s.size) if self.found is None else self.found).fire
        times = np.where(tick >= 0, start_s + tick / rate_hz, np.nan)
        times[list(self.errors)] = np.nan
        return times

    @classmethod
    def joined(cls, parts: Sequence[Answer]) -> Answer:
        """Draws of several blocks, one after the other."""
        if len(parts) == 1:
            return parts[0]
        errors: dict[int, str] = {}
        first = 0
        for part in parts:
            errors |= {first + at: text for at, text in part.errors.items()}
            first += part.required_s.size
        found = [part.found for part in parts if part.found is not None]
        return cls(
            required_s=np.concatenate([part.required_s for part in parts]),
            delay_s=np.concatenate([part.delay_s for part in parts]),
            clipped=np.concatenate([part.clipped for part in parts]),
            found=Reached.joined(found) if found else None,
            reason=parts[0].reason,
            errors=errors,
            branches=_joined_branches([part.branches for part in parts]),
        )

    def taken(self, places: Sequence[int]) -> Answer:
        """The draws at the given places."""
        at = list(places)
        return replace(
            self,
            required_s=self.required_s[at],
            delay_s=self.delay_s[at],
            clipped=self.clipped[at],
            found=None if self.found is None else self.found.taken(at),
            errors={new: self.errors[old] for new, old in enumerate(at) if old in self.errors},
            branches={name: demand[at] for name, demand in self.branches.items()},
        )


def _joined_branches(parts: Sequence[Mapping[str, FloatArray]]) -> dict[str, FloatArray]:
    """Demand of all blocks; a branch is 0 in a block where the rule failed before it had one."""
    if not all(parts):
        return {}
    names = sorted(set().union(*parts))
    return {
        name: np.concatenate([p.get(name, np.zeros_like(p["total"])) for p in parts])
        for name in names
    }


@dataclass(frozen=True, eq=False)
class InOrder(Shown):
    """Two restraints of one event, scored for their order; arrays of shape (draws,).

    ``fire_s``, ``other_s``: fire times of the restraint and of the one that it must follow [s];
    ``unknown``: place of a draw -> why it cannot be judged there.
    """

    order: Order
    fire_s: FloatArray
    other_s: FloatArray
    scores: OrderScores
    unknown: Mapping[int, str]

    def reason(self, at: int) -> str:
        """What is wrong in one draw, in words; empty if nothing is.

        The restraint that fires is named by the row or sentence that this belongs to.
        """
        if at in self.unknown:
            return self.unknown[at]
        after, order = self.order.after, self.order
        verdict, delay_ms = self.scores.verdict[at], 1e3 * self.scores.delay_s[at]
        if verdict == "alone":
            return f"{after} never fires"
        if verdict == "out_of_order":
            return f"{-delay_ms:.2f} ms before {after}"
        bound = order.least_s if verdict == "too_soon" else order.most_s
        if verdict in ("too_soon", "too_late") and bound is not None:
            least = "at least" if verdict == "too_soon" else "at most"
            return f"{delay_ms:.2f} ms after {after}, {least} {1e3 * bound:g} ms is asked"
        return ""


def in_order(
    order: Order, mine: Answer, other: Answer, *, start_s: FloatArray, rate_hz: float
) -> InOrder:
    """Score the order of two restraints from what their rules gave.

    Where a rule could not be evaluated or failed nothing is known of the order; the row of that
    restraint says so already, and it is no second failure.
    """
    unknown: dict[int, str] = {}
    for answer, what in ((other, order.after), (mine, "the restraint")):
        if answer.found is None:
            unknown |= dict.fromkeys(range(start_s.size), f"{what} not evaluated: {answer.reason}")
        unknown |= dict.fromkeys(answer.errors, f"the rule of {what} failed")
    fire_s, other_s = (one.fire_s(start_s=start_s, rate_hz=rate_hz) for one in (mine, other))
    scores = judge_order(fire_s, other_s, least_s=order.least_s, most_s=order.most_s)
    if unknown:
        verdict, margin = scores.verdict_code.copy(), scores.margin_s.copy()
        at = list(unknown)
        verdict[at], margin[at] = VERDICTS.index("not_evaluated"), np.nan
        scores = replace(scores, verdict_code=verdict, margin_s=margin)
    return InOrder(order, fire_s, other_s, scores, unknown)


def valid_channels(samples: EcuSamples) -> ValidChannels:
    """Group the draws of a block by the channels that have a valid sample."""
    if all(valid.all() for valid in samples.valid.values()):
        return [((True,) * len(samples.valid), np.arange(samples.draws))]
    table = np.stack([valid.any(axis=-1) for valid in samples.valid.values()], axis=-1)
    patterns, place = np.unique(table, axis=0, return_inverse=True)
    return [
        (tuple(bool(v) for v in pattern), np.flatnonzero(place.reshape(-1) == k))
        for k, pattern in enumerate(patterns)
    ]


class RuleAtSensors:
    """A rule on the sensors of a set: what it reads there, in whichever event.

    ``unseen``: channels that it requires and that have no sensor; ``of_a_user``: it is not built
    in, or has a rule inside it that is not.
    """

    def __init__(self, rule: Rule, sensor_set: SensorSet) -> None:
        self.rule, self.sensor_set = rule, sensor_set
        self.unseen = sorted(rule.requires - set(sensor_set.sensors))
        self.of_a_user = of_a_user(rule)
        #: channels, which of them are valid, context -> as :meth:`read`
        self._found: dict[Hashable, tuple[list[str], float, str]] = {}

    def read(
        self, pattern: tuple[bool, ...], samples: EcuSamples, draws: IntArray
    ) -> tuple[list[str], float, str]:
        """Channels that the rule reads where these are valid, and their shortest transport [s].

        A draw's own channels count, not those of its neighbours in a block. Last: how the rule
        failed when it was asked.
        """
        key = (tuple(samples.valid), pattern, samples.context)
        found = self._found.get(key)
        if found is None:
            one = rows(samples, draws[:1].tolist())
            active, error = self.rule.uses, ""
            try:
                active = active_channels(self.rule, one)
            except RuleError as failed:
                error = str(failed)
            names = [name for name in self.sensor_set.sensors if name in active]
            delays = (self.sensor_set.transport_s(name) for name in names)
            found = self._found[key] = (names, min(delays, default=0.0), error)
        return found


#: Of built-in rules; a rule of the user may live in a process that ends with it.
_KEPT: OrderedDict[tuple[Identity, Identity], RuleAtSensors] = OrderedDict()
_MOST_KEPT = 256


def at_sensors(rule: Rule, sensor_set: SensorSet) -> RuleAtSensors:
    """As :class:`RuleAtSensors`, found once for a rule that is built in; others are asked anew."""
    key = Identity(rule), Identity(sensor_set)
    found = _KEPT.get(key)
    if found is None:
        found = RuleAtSensors(rule, sensor_set)
        if not found.of_a_user:
            _KEPT[key] = found
            while len(_KEPT) > _MOST_KEPT:
                _KEPT.popitem(last=False)
    return found


def release_rules() -> None:
    """Release rules and sensor sets of the runs so far."""
    _KEPT.clear()


@lru_cache(maxsize=8)
def _nothing(draws: int) -> tuple[FloatArray, IntArray, Reached]:
    """Delay, samples cut and demand where no rule is asked; not to be written to."""
    none = np.zeros(draws), np.zeros(draws, dtype=np.int64), Reached.nothing(draws)
    for array in (*none[:2], *vars(none[2]).values()):
        array.setflags(write=False)
    return none


class Judge:
    """One restraint of one event, under one algorithm and sensor set."""

    def __init__(
        self, event: Event, algorithm: Algorithm, restraint: str, sensor_set: SensorSet
    ) -> None:
        self.key = (event.name, algorithm.name, restraint)
        self.rule = rule = algorithm.rules.get(restraint)
        self.sensor_set = sensor_set
        self.not_before_s = event.requirements[restraint].not_before_s
        reasons = []
        self._sensed: RuleAtSensors | None = None
        if rule is not None:
            self._sensed = at_sensors(rule, sensor_set)
            missing = sorted(rule.requires - set(event.signals) - event.quiet)
            unseen = self._sensed.unseen
            reasons += [f"{', '.join(missing)} absent from the event"] if missing else []
            reasons += [f"no sensor for {', '.join(unseen)}"] if unseen else []
        elif not event.requirements[restraint].needs_rule:
            reasons.append(NO_RULE.format(algorithm=algorithm.name))
        self.reason = "; ".join(reasons)
        #: True if there is a rule, and it can be evaluated
        self.asked = rule is not None and not self.reason

    def answer(
        self,
        samples: EcuSamples,
        sensed: Sensed,
        *,
        required_s: FloatArray,
        valid: ValidChannels,
        shared: dict[int, Evaluated],
    ) -> Answer:
        """Ask the rule about a block of draws.

        *samples* are those of *sensed* in the event's context; *shared* keeps demand by rule, where
        the rule does not look at the context.
        """
        cut = {name: one.clipped_before_filter for name, one in sensed.reports.items()}
        answer = self.heard(samples, cut, required_s=required_s, valid=valid)
        if self.rule is None or not self.asked:
            return answer
        evaluated = _evaluated(self.rule, samples, shared)
        found = reached(
            evaluated.branches,
            start_s=samples.start_s,
            rate_hz=samples.rate_hz,
            required_s=required_s,
            not_before_s=self.not_before_s,
        )
        errors = {**answer.errors, **evaluated.errors}
        return Answer(
            required_s, answer.delay_s, answer.clipped, found, "", errors, evaluated.branches
        )

    @property
    def asks_a_user(self) -> bool:
        """True if it asks a rule that is not built in, or has one inside it."""
        return self._sensed is not None and self.asked and self._sensed.of_a_user

    def heard(
        self,
        samples: EcuSamples,
        cut: Mapping[str, IntArray],
        *,
        required_s: FloatArray,
        valid: ValidChannels,
        found: Reached | None = None,
    ) -> Answer:
        """Return the answer of a rule whose demand reached *found* (None: 0), or why there is none.

        *cut*: channel -> samples that were cut before the filter, shape (draws,).
        """
        size = required_s.size
        if self._sensed is None or not self.asked:
            delay_s, clipped, reached = _nothing(size)
            return Answer(
                required_s, delay_s, clipped, None if self.reason else reached, self.reason
            )
        delay_s, clipped = np.zeros(size), np.zeros(size, dtype=np.int64)
        if found is None:
            found = Reached.nothing(size)
        errors: dict[int, str] = {}
        for pattern, draws in valid:
            active, shortest, error = self._sensed.read(pattern, samples, draws)
            at = slice(None) if draws.size == size else draws
            delay_s[at] = shortest
            if error:
                errors |= dict.fromkeys(draws.tolist(), error)
            for name in active:
                if name in cut:
                    clipped[at] += cut[name][at]
        return Answer(required_s, delay_s, clipped, found, "", errors)


def _evaluated(rule: Rule, samples: EcuSamples, shared: dict[int, Evaluated]) -> Evaluated:
    """Demand of a rule on a block, from *shared* if an equal block has met it there."""
    key = id(rule)
    if key in shared:
        return shared[key]
    evaluated = evaluate_rule(rule, samples)
    if not reads_context(rule):
        shared[key] = evaluated
    return evaluated
