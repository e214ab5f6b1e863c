"""Why a restraint fired in a trial, or why not."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from crashsense.rules import same_element
from crashsense.rules.amounts import pair_text
from crashsense.rules.why import Reading, Why, why, why_not_by

if TYPE_CHECKING:
    from crashsense.trials.trial import Trial


#: Columns of a terminal, and lines of a table at most.
WIDTH = 80
MOST_LINES = 15


@dataclass(frozen=True)
class Row:
    """One criterion of an explanation, at the required time and at the sample explained.

    Parameters
    ----------
    criterion : readable name, with the part of the rule that it belongs to
    threshold, unit : the value that the criterion needs, in the unit of the trade
    at_required : its value at the required time; None where none applies
    needed_then : the threshold at the required time, where it moves; else None
    reached : its value when the restraint fired or, if it did not, at its largest demand
    decides : True if it was the reason at that sample (of a late or missed restraint: at the
        required time)
    """

    criterion: str
    threshold: float
    unit: str
    at_required: float | None
    reached: float
    decides: bool
    needed_then: float | None = None

    @property
    def share(self) -> float:
        """Reached over threshold [-]."""
        return self.reached / self.threshold if self.threshold else math.inf


@dataclass(frozen=True, repr=False)
class Explanation:
    """Why one restraint fired in one draw, or why not; ``print`` it.

    Parameters
    ----------
    restraint, verdict, expectation : the verdict to explain
    required_ms : required time [ms], None where none applies
    why : the sample that fired or, if none did, that of the largest demand; None where ``note``
        says it all
    at_required : for a restraint that is late or missed: the largest demand up to the required
        time; None if demand was still 0
    note : a further remark, or empty
    fire_ms : when it fired [ms], None if it did not
    """

    restraint: str
    verdict: str
    expectation: str
    required_ms: float | None
    why: Why | None = None
    at_required: Why | None = None
    note: str = ""
    fire_ms: float | None = None

    @property
    def cause(self) -> Why | None:
        """The sample that explains the verdict.

        Of a late or missed restraint the nearest one up to its required time, else the one that
        fired or was nearest to firing.
        """
        return self.at_required if self.verdict in ("late", "missed") else self.why

    @property
    def nearest(self) -> Reading | None:
        """The criterion that set the verdict: of those that decided, the furthest below 1."""
        if self.cause is None:
            return None
        found = [r for r in self.cause.readings if r.decides and not r.moves]
        return min(found, key=lambda reading: reading.share) if found else None

    @property
    def headline(self) -> str:
        """The reason in one sentence."""
        when = "" if self.fire_ms is None else f"{self.fire_ms:.1f} ms"
        due, fired = (math.nan if v is None else v for v in (self.required_ms, self.fire_ms))
        if self.why is None:
            start = _VERDICTS.get(self.verdict, self.verdict)
            return f"{start}: {self.note}." if self.note else f"{start}."
        if self.verdict == "late":
            start = f"Fired at {when}, {fired - due:.1f} ms late (required by {due:.1f} ms)"
        elif self.verdict == "missed":
            start = f"Never fired; required by {due:.1f} ms"
        elif self.verdict == "on_time":
            start = f"Fired at {when}, {due - fired:.1f} ms before it must"
        elif self.verdict == "early":
            start = f"Fired at {when}, too early"
        elif self.verdict == "inadvertent":
            start = f"Fired at {when} although it must not"
        elif self.verdict == "open_fired":
            start = f"Fired at {when}; nothing is required"
        elif self.verdict == "held":
            start = "Held, as it must"
        else:
            start = "Did not fire; nothing is required"
        return f"{start}: {self._reason()}."

    def _reason(self) -> str:
        """The value that the criterion reached, when, its threshold, and the difference."""
        lacking = self.verdict in ("late", "missed")
        reading, cause = self.nearest, self.cause
        if reading is None or cause is None:
            return "its demand was still 0 at the required time"
        amount, threshold = pair_text(reading.amount, reading.threshold)
        unit = "" if reading.unit == "-" else f" {reading.unit}"
        when = f"at {1e3 * reading.time_s:.1f} ms"
        if not lacking:
            return f"{_sentence(reading.criterion)} reached {amount} of {threshold}{unit} {when}"
        words = (
            f"by then {_sentence(reading.criterion)} had reached {amount} of {threshold}{unit} "
            f"({when})"
        )
        short = reading.threshold - reading.amount
        return f"{words}; it needed another {short:.2g}{unit}" if short > 0.0 else words

    @property
    def rows(self) -> tuple[Row, ...]:
        """Every criterion that counts, those that decided first."""
        if self.why is None:
            return ()
        due = self.at_required
        before = {(r.path, r.criterion): r for r in (() if due is None else due.readings)}
        found = []
        for reading in self.why.readings:
            then = before.get((reading.path, reading.criterion))
            found.append(
                Row(
                    _named(reading),
                    reading.threshold,
                    reading.unit,
                    None if then is None else then.amount,
                    reading.amount,
                    reading.decides if then is None else then.decides,
                    None if then is None else then.threshold,
                )
            )
        # Branches of a rule may have equal thresholds for the same criterion: that is one row.
        return tuple(sorted(dict.fromkeys(found), key=lambda row: not row.decides))

    def table(self, *, most: int = MOST_LINES, width: int = WIDTH) -> list[str]:
        """The criteria as lines of text: physical units, threshold, share; ``*`` decided."""
        rows = self.rows
        if not rows:
            return []
        lacking = self.at_required is not None
        then = "when it fired" if self.fire_ms is not None else "largest"
        heads = ["criterion", "needs", *(["when required"] if lacking else []), then]
        # Criteria that did not decide are listed by how near they came.
        shown = sorted(rows, key=lambda row: (not row.decides, -row.share))
        shown = shown[: most - 2] if len(rows) > most - 1 else shown
        cells = [heads, *(_cells(row, lacking=lacking) for row in shown)]
        sizes = [max(len(line[k]) for line in cells) for k in range(1, len(heads))]
        first = width - 2 - sum(sizes) - 2 * len(sizes)
        first = min(first, max(len(line[0]) for line in cells))
        out = []
        for place, line in enumerate(cells):
            mark = "*" if place and shown[place - 1].decides else " "
            name = textwrap.shorten(line[0], first, placeholder="...").ljust(first)
            rest = (cell.rjust(size) for cell, size in zip(line[1:], sizes, strict=True))
            out.append(f"{mark} {'  '.join([name, *rest])}".rstrip())
        if len(shown) < len(rows):
            out.append(f"  and {len(rows) - len(shown)} more criteria: --tree")
        return out

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


#: Words for a verdict that no criterion explains further.
_VERDICTS = {
    "held": "Held, as it must",
    "missed": "Never fired",
    "open_held": "Did not fire; nothing is required",
    "not_evaluated": "Not judged",
    "rule_error": "The rule failed",
    "in_order": "In order",
    "not_challenged": "Not put to the test",
    "alone": "Fired alone",
    "out_of_order": "Out of order",
    "too_soon": "Too soon",
    "too_late": "Too late",
}

#: Part of a rule -> its name for the reader.
_PARTS = {"arming": "arming", "safing": "arming", "guard": "guard", "plausibility": "plausibility"}


def _sentence(criterion: str) -> str:
    """A criterion inside a sentence: no capital unless it is an abbreviation."""
    return criterion if criterion[:2].isupper() else criterion[:1].lower() + criterion[1:]


def _named(reading: Reading) -> str:
    """A criterion with its branch of the rule, where that is not the main one."""
    parts = [_PARTS[part] for part in reading.path.split(".") if part in _PARTS]
    tail = f" ({reading.note})" if reading.note else ""
    tail = " (moves a threshold)" if reading.moves else tail
    return f"{parts[0]}: {reading.criterion}{tail}" if parts else f"{reading.criterion}{tail}"


def _cells(row: Row, *, lacking: bool) -> list[str]:
    value, threshold = pair_text(row.reached, row.threshold)
    unit = "" if row.unit == "-" else f" {row.unit}"
    out = [row.criterion, f"{threshold}{unit}"]
    if lacking:
        asked = row.threshold if row.needed_then is None else row.needed_then
        out.append("-" if row.at_required is None else _part(row.at_required, asked))
    return [*out, f"{value} {_percent(row.reached, row.threshold)}"]


def _part(value: float, threshold: float) -> str:
    """The value reached of the threshold at that time, which may have moved since."""
    return f"{' of '.join(pair_text(value, threshold))} {_percent(value, threshold)}"


def _percent(value: float, threshold: float) -> str:
    """Share of the threshold in per cent, never rounded up to it.

    >>> _percent(0.999, 1.0), _percent(1.0, 1.0), _percent(2500.0, 1.0)
    (' 99 %', '100 %', '>999 %')
    """
    share = math.floor(100.0 * value / threshold + 1e-9) if threshold else math.inf
    return ">999 %" if share > 999 else f"{int(share):3d} %"


@dataclass(frozen=True)
class Shared:
    """Restraints of one trial with the same explanation, word for word."""

    restraints: tuple[str, ...]
    explanation: Explanation

    @property
    def headline(self) -> str:
        """The restraints and the reason, in one line."""
        return f"{', '.join(self.restraints)}: {self.explanation.headline}"


def shared(explanations: Sequence[Explanation]) -> list[Shared]:
    """Put restraints with the same reason together, in the order given."""
    groups: dict[tuple[object, ...], list[Explanation]] = {}
    for one in explanations:
        groups.setdefault((one.headline, one.verdict, one.rows), []).append(one)
    return [Shared(tuple(e.restraint for e in own), own[0]) for own in groups.values()]


#: Verdicts in the order in which a reader wants them explained.
_ORDER = ("inadvertent", "early", "missed", "late", "rule_error", "on_time", "held", "open_fired")


def main_explanation(explanations: Sequence[Explanation]) -> Explanation | None:
    """The most important explanation: the gravest failure, else the row nearest to failing."""

    def weight(one: Explanation) -> tuple[int, float]:
        place = _ORDER.index(one.verdict) if one.verdict in _ORDER else len(_ORDER)
        reached = 0.0 if one.why is None else one.why.demand
        if one.verdict == "on_time" and one.required_ms is not None and one.fire_ms is not None:
            return place, one.required_ms - one.fire_ms  # the least slack
        return place, -reached

    known = [one for one in explanations if one.why is not None]
    return min(known, key=weight) if known else None


def due_lines(found: Why | None, *, due_ms: float) -> list[str]:
    """The criteria that a late restraint lacked at its required time [ms]."""
    if found is None:
        return [f"at the required time ({due_ms:.2f} ms) its demand was still 0"]
    head = (
        f"up to the required time ({due_ms:.2f} ms) demand had reached {found.demand:.4g} of 1, "
        f"at {found.time_s * 1e3:.2f} ms (sample {found.tick})"
    )
    return [head, *found.short_lines()]


def _order_explained(trial: Trial, name: str, *, draw: int | None) -> Explanation:
    """Say how two restraints followed each other, and which order is required."""
    found, at = trial.order(name), trial.at(draw)
    restraint, order = trial.event.orders[name]
    verdict, fire_ms = str(found.scores.verdict[at]), 1e3 * float(found.fire_s[at])
    if verdict in ("in_order", "too_soon", "too_late", "out_of_order"):
        delay_ms = 1e3 * float(found.scores.delay_s[at])
        side = f"{delay_ms:.1f} ms after" if delay_ms >= 0.0 else f"{-delay_ms:.1f} ms before"
        told = f"{restraint} fired at {fire_ms:.1f} ms, {side} {order.after}"
    elif verdict == "alone":
        told = f"{restraint} fired at {fire_ms:.1f} ms, {order.after} never did"
    elif verdict == "not_challenged":
        told = f"{restraint} did not fire"
    else:
        told = found.reason(at)
    asked = f"required: {order.words}"
    return Explanation(
        name,
        verdict,
        expectation="order",
        required_ms=None,
        note=f"{told} ({asked}; {order.basis})",
        fire_ms=None if math.isnan(fire_ms) else fire_ms,
    )


def explain(trial: Trial, restraint: str, *, draw: int | None = None) -> Explanation:
    """Say why a restraint fired in one draw of a trial (default: the first), or why not.

    The trial has one event and one algorithm (:meth:`Trial.of`). The name of two restraints in
    order (:attr:`Event.orders`) says how they followed each other.

    >>> from crashsense.trials import trial
    >>> print(explain(trial("hammer_tunnel"), "side_airbag_left"))
    side_airbag_left: held (required: no_fire)
      its demand stays 0 throughout
    """
    if restraint in trial.event.orders:
        return _order_explained(trial, restraint, draw=draw)
    answer, verdict = trial.answer(restraint), str(trial.verdicts(restraint)[trial.at(draw)])
    one = trial.taken([trial.at(draw)])
    required_ms = 1e3 * float(one.required_s[trial.event.name][restraint][0])
    told = Explanation(
        restraint,
        verdict,
        expectation=trial.event.requirements[restraint].expectation,
        required_ms=None if math.isnan(required_ms) else required_ms,
        fire_ms=_fire_ms(trial, restraint, draw=draw),
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


def _fire_ms(trial: Trial, restraint: str, *, draw: int | None) -> float | None:
    if trial.answer(restraint).found is None:
        return None
    time = 1e3 * float(trial.scores(restraint).fire_s[trial.at(draw)])
    return time if math.isfinite(time) else None
