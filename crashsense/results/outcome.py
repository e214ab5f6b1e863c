"""The outcome of a run in one sentence: must fire, must not fire."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from crashsense.results.tally import NOT_MET, WORDS, Pair, Tally
from crashsense.scoring import ORDER_FAILURES

if TYPE_CHECKING:
    import pandas as pd

#: Parts of the two bars, in their order: what is met first, what was never asked last.
FIRE_PARTS = ("on_time", "early", "late", "missed", "rule_error", "not_evaluated")
NO_FIRE_PARTS = ("challenged", "inadvertent", "rule_error", "not_evaluated", "never_challenged")
ORDER_PARTS = ("in_order", *ORDER_FAILURES, "not_evaluated", "not_challenged")

#: Part -> how it reads.
PART_WORDS = {
    "on_time": "on time",
    "early": "early",
    "late": "late",
    "missed": "missed",
    "rule_error": "rule error",
    "not_evaluated": "not judged",
    "challenged": "held",
    "never_challenged": "never challenged",
    "inadvertent": "inadvertent",
    **{name: WORDS[name] for name in ("in_order", *ORDER_FAILURES)},
    "not_challenged": "never challenged",
}


@dataclass(frozen=True)
class Outcome:
    """Requirements of one sensor set and algorithm in the nominal draw, by outcome.

    ``fire``: must-fire requirements by verdict; ``no_fire``: must-not-fire requirements, where a
    held one is ``challenged`` if its demand ever left 0, else ``never_challenged``: nothing tempted
    the rule, and it proves nothing. ``fire_events``, ``no_fire_events``: events in which one
    failed; ``drawn``: requirements that failed in some random draw, of ``draws``; ``order``:
    requirements on the order of two restraints, by verdict, and in how many events one failed.
    """

    fire: dict[str, int]
    no_fire: dict[str, int]
    fire_events: int
    no_fire_events: int
    drawn: int = 0
    draws: int = 0
    order: dict[str, int] = field(default_factory=dict)
    order_events: int = 0

    @property
    def must_fire(self) -> int:
        """How many requirements to fire there are."""
        return sum(self.fire.values())

    @property
    def must_not(self) -> int:
        """How many requirements not to fire there are."""
        return sum(self.no_fire.values())

    @property
    def sentence(self) -> str:
        """The outcome as one sentence.

        >>> fire = {"on_time": 81, "late": 17}
        >>> Outcome(fire, {"challenged": 193, "never_challenged": 462}, 8, 0).sentence
        '17 of 98 must-fire requirements late, in 8 events; none of the 193 challenged no-fire \
requirements failed.'
        """
        parts = (self._fire(), self._no_fire(), self._order(), self._drawn())
        return "; ".join(part for part in parts if part) + "."

    def _fire(self) -> str:
        if not self.must_fire:
            return "nothing must fire in this run"
        failed = {
            part: self.fire.get(part, 0) for part in ("early", "late", "missed", "rule_error")
        }
        kinds = {PART_WORDS[part]: size for part, size in failed.items() if size}
        judged = self.must_fire - self.fire.get("not_evaluated", 0)
        if not judged:
            return f"none of the {self.must_fire} must-fire requirements could be judged"
        if not kinds:
            all_of = (
                f"all {judged} must-fire requirements" if judged > 1 else "1 must-fire requirement"
            )
            return f"{all_of} on time{self._unjudged(self.fire)}"
        where = f"in {self.fire_events} event{'s' * (self.fire_events != 1)}"
        if len(kinds) == 1:
            ((word, size),) = kinds.items()
            head = f"{size} of {judged} must-fire requirements {word}, {where}"
        else:
            each = ", ".join(f"{size} {word}" for word, size in kinds.items())
            head = (
                f"{sum(kinds.values())} of {judged} must-fire requirements failed ({each}), {where}"
            )
        return head + self._unjudged(self.fire)

    def _no_fire(self) -> str:
        if not self.must_not:
            return "nothing is forbidden to fire in this run"
        failed = self.no_fire.get("inadvertent", 0) + self.no_fire.get("rule_error", 0)
        asked = failed + self.no_fire.get("challenged", 0)
        tail = self._unjudged(self.no_fire)
        if not asked:
            return f"none of the no-fire requirements was challenged{tail}"
        noun = "challenged no-fire requirements"
        if not failed:
            return f"none of the {asked} {noun} failed{tail}"
        errors = self.no_fire.get("rule_error", 0)
        note = f" ({errors} by a rule error)" if errors else ""
        where = f"in {self.no_fire_events} event{'s' * (self.no_fire_events != 1)}"
        return f"{failed} of the {asked} {noun} failed{note}, {where}{tail}"

    def _order(self) -> str:
        kinds = {PART_WORDS[name]: n for name in ORDER_FAILURES if (n := self.order.get(name, 0))}
        asked = sum(kinds.values()) + self.order.get("in_order", 0)
        tail = self._unjudged(self.order)
        if not asked:
            return f"the order of stages{tail}" if tail else ""
        if not kinds:
            cases = f"all {asked} cases" if asked > 1 else "1 case"
            return f"the order of stages kept in {cases}{tail}"
        each = ", ".join(f"{size} {word}" for word, size in kinds.items())
        where = f"in {self.order_events} event{'s' * (self.order_events != 1)}"
        noun = f"of {asked} requirements on the order of stages failed"
        return f"{sum(kinds.values())} {noun} ({each}), {where}{tail}"

    def _drawn(self) -> str:
        if not self.draws:
            return ""
        if not self.drawn:
            return f"no requirement fails in any of {self.draws} random draws"
        noun = "requirement fails" if self.drawn == 1 else "requirements fail"
        return f"{self.drawn} {noun} in some of {self.draws} random draws"

    @staticmethod
    def _unjudged(parts: dict[str, int]) -> str:
        size = parts.get("not_evaluated", 0)
        return f" ({size} not judged)" if size else ""


def outcome_of(nominal: pd.DataFrame, pair: Pair, *, tally: Tally | None = None) -> Outcome:
    """Count the nominal requirements of a sensor set and algorithm; *tally* adds the draws."""
    columns = ("sensor_set", "algorithm", "expectation", "verdict", "max_demand", "event")
    found: dict[str, Counter[str]] = {name: Counter() for name in ("fire", "no_fire", "order")}
    failed: dict[str, set[str]] = {name: set() for name in found}
    # Row by row: a table is cut and counted a dozen times as long.
    for *of, expectation, verdict, demand, event in zip(
        *(nominal[name].tolist() for name in columns), strict=True
    ):
        if expectation not in found or tuple(of) != pair:
            continue
        if verdict in NOT_MET:
            failed[expectation].add(event)
        if (expectation, verdict) == ("no_fire", "held"):
            verdict = "never_challenged" if demand == 0.0 else "challenged"
        found[expectation][verdict] += 1

    def parts(expectation: str, names: tuple[str, ...]) -> dict[str, int]:
        return {name: size for name in names if (size := found[expectation][name])}

    return Outcome(
        parts("fire", FIRE_PARTS),
        parts("no_fire", NO_FIRE_PARTS),
        len(failed["fire"]),
        len(failed["no_fire"]),
        drawn=0 if tally is None else len(tally.failures(pair)),
        draws=0 if tally is None else tally.draws,
        order=parts("order", ORDER_PARTS),
        order_events=len(failed["order"]),
    )
