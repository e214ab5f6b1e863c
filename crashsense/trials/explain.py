"""Why a restraint fired in a trial, or why not."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from crashsense.rules import same_element
from crashsense.rules.why import Why, why, why_not_by

if TYPE_CHECKING:
    from crashsense.trials.trial import Trial


@dataclass(frozen=True, repr=False)
class Explanation:
    """Why one restraint fired in one draw, or why not; ``print`` it.

    Parameters
    ----------
    restraint, verdict, expectation : what is explained
    required_ms : required time [ms], None where none applies
    why : the sample that fired or, if none did, that of the largest demand; None where ``note``
        says it all
    at_required : for a restraint that is late or missed: the largest demand up to the required
        time; None if demand was still 0
    note : what else must be said, empty if nothing
    """

    restraint: str
    verdict: str
    expectation: str
    required_ms: float | None
    why: Why | None = None
    at_required: Why | None = None
    note: str = ""

    def lines(self) -> list[str]:
        """The explanation as text, one line a branch; ``*`` marks what decided."""
        wanted = self.expectation
        if self.required_ms is not None:
            wanted = f"{wanted} by {self.required_ms:.2f} ms"
        lines = []
        if self.why is not None and self.verdict in ("late", "missed"):
            assert self.required_ms is not None  # a restraint is late for something
            lines += due_lines(self.at_required, due_ms=self.required_ms)
        lines += [] if self.why is None else self.why.lines()
        lines += [self.note] if self.note else []
        head = f"{self.restraint}: {self.verdict} (required: {wanted})"
        return [head, *(f"  {line}" for line in lines)]

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def __repr__(self) -> str:
        return f"<Explanation {self.restraint}: {self.verdict}; print it, or see lines()>"


def due_lines(found: Why | None, *, due_ms: float) -> list[str]:
    """What a late restraint lacked at its required time [ms]."""
    if found is None:
        return [f"at the required time ({due_ms:.2f} ms) its demand was still 0"]
    head = (
        f"up to the required time ({due_ms:.2f} ms) demand had reached {found.demand:.4g} of 1, "
        f"at {found.time_s * 1e3:.2f} ms (sample {found.tick})"
    )
    return [head, *found.short_lines()]


def explain(trial: Trial, restraint: str, *, draw: int | None = None) -> Explanation:
    """Say why a restraint fired in one draw of a trial (default: the first), or why not.

    The trial has one event and one algorithm (:meth:`Trial.of`).

    >>> from crashsense.trials import trial
    >>> print(explain(trial("hammer_tunnel"), "side_airbag_left"))
    side_airbag_left: held (required: no_fire)
      its demand stays 0 throughout
    """
    answer, verdict = trial.answer(restraint), str(trial.verdicts(restraint)[trial.at(draw)])
    one = trial.taken([trial.at(draw)])
    required_ms = 1e3 * float(one.required_s[trial.event.name][restraint][0])
    told = Explanation(
        restraint,
        verdict,
        expectation=trial.event.requirements[restraint].expectation,
        required_ms=None if math.isnan(required_ms) else required_ms,
    )
    rule = trial.algorithm.rules.get(restraint)
    if rule is None:
        return replace(told, note="the algorithm has no rule for it")
    if verdict == "not_evaluated":
        reason = answer.reason or "no required time applies in this draw"
        return replace(told, note=f"not evaluated: {reason}")
    if verdict == "rule_error":
        return replace(told, note=f"the rule itself failed: {answer.errors[trial.at(draw)]}")
    found = why(rule, one.samples)
    if found.demand == 0.0:
        return replace(told, note="its demand stays 0 throughout")
    late = verdict in ("late", "missed")
    return replace(
        told,
        why=found,
        at_required=why_not_by(rule, one.samples, by_s=1e-3 * required_ms) if late else None,
        note="arming reads the element of the main rule: no independent protection"
        if same_element(rule, one.samples)
        else "",
    )
