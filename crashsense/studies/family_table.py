"""Fire times of every rule family on a measured record, beside its required time.

    python -m crashsense.studies.family_table FOLDER

Every family runs with its default parameters, and the shipped algorithms as they are. A record has
no safing and no front sensors: the guarded algorithm then runs on its central-only fallback, and
its arming reads the element of its main rule (marked). Late deployment here is a result.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from crashsense.event import Event
from crashsense.rules import Algorithm, load_algorithm, rule_families, same_element
from crashsense.rules.contract import Rule
from crashsense.rules.parameters import Criterion
from crashsense.trials import Trial, trial

RESTRAINT = "front_airbag_stage_1"


@dataclass(frozen=True)
class FamilyRow:
    """One rule on one record. ``fire_ms`` is None where it does not fire."""

    event: str
    rule: str
    fire_ms: float | None
    largest_demand: float
    required_ms: float
    note: str


def candidates() -> dict[str, Rule]:
    """Return every criterion that reads the central longitudinal element, and the algorithms."""
    found: dict[str, Rule] = {}
    for name, family in rule_families().items():
        if issubclass(family, Criterion) and family().requires == {"central_x"}:
            found[name] = family()
    for name in ("plain", "guarded"):
        found[f"{name} (algorithm)"] = load_algorithm(name).rules[RESTRAINT]
    return found


def row_of(judged: Trial) -> FamilyRow:
    """Return the fire time of one candidate on one event."""
    row, rule = judged.row(RESTRAINT), judged.algorithm.rules[RESTRAINT]
    return FamilyRow(
        judged.event.name,
        judged.algorithm.name,
        None if math.isnan(row["fire_time_ms"]) else row["fire_time_ms"],
        row["max_demand"],
        row["required_time_ms"],
        "arming from the same element" if same_element(rule, judged.samples) else "",
    )


def family_table(events: Sequence[Event]) -> list[FamilyRow]:
    """Sense events nominally and return the fire time of every candidate on each."""
    algorithms = [Algorithm(name, rules={RESTRAINT: r}) for name, r in candidates().items()]
    return [row_of(one) for e in events for one in trial(e, algorithm=algorithms).each()]


def as_text(rows: Sequence[FamilyRow]) -> str:
    """Return the table as text."""
    lines = [
        f"{'event':<16} {'rule':<28} {'fires [ms]':>10} {'required [ms]':>13} "
        f"{'margin [ms]':>11} {'max demand':>10}  note"
    ]
    for row in rows:
        fire = "-" if row.fire_ms is None else f"{row.fire_ms:.2f}"
        margin = "-" if row.fire_ms is None else f"{row.required_ms - row.fire_ms:+.2f}"
        lines.append(
            f"{row.event:<16} {row.rule:<28} {fire:>10} {row.required_ms:>13.2f} "
            f"{margin:>11} {row.largest_demand:>10.2f}  {row.note}".rstrip()
        )
    return "\n".join(lines)


if __name__ == "__main__":
    from crashsense.records import read_record

    print(as_text(family_table(read_record(sys.argv[1]))))
