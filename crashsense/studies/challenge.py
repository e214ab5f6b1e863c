"""Which no-fire classes challenge which rule family: the largest demand of each on each.

An event that brings no rule near its threshold shows nothing about any rule. Here every criterion
family runs with its default numbers (typical of the trade, not those of a shipped algorithm) on
every event that must not fire, nominal draw. A class of events is a row of the event matrix and a
kind (``M06 hump``). If no family passes a third of its threshold the class is *not challenging*:
holding its requirements proves nothing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from crashsense.event import Event
from crashsense.rules import Algorithm, rule_families
from crashsense.rules.parameters import Criterion
from crashsense.sensing.sensor import SensorSet
from crashsense.text_table import text_table
from crashsense.trials import trial

if TYPE_CHECKING:
    import pandas as pd

#: Demand that a class must pass in some family to challenge it [-].
CHALLENGING = 1.0 / 3.0

#: Channel that a family reads -> the restraint whose requirement counts, first match first.
_RESTRAINT_OF = (
    ("side_left_y", "side_airbag_left"),
    ("door_left_pressure", "side_airbag_left"),
    ("central_roll_rate", "curtain_left"),
)
_FRONT = "front_airbag_stage_1"

#: Family of events -> the restraint by which an event counts as one that must not fire.
_DECIDES = {"side": ("side_airbag_left", "side_airbag_right"), "rollover": ("curtain_left",)}


def middling_algorithms() -> dict[str, Algorithm]:
    """Return each criterion family with its default numbers, as an algorithm of one restraint.

    >>> sorted(middling_algorithms()["door_pressure"].rules)
    ['side_airbag_left']
    """
    found = {}
    for name, family in rule_families().items():
        if not issubclass(family, Criterion):
            continue
        rule = family()
        restraint = "belt_pretensioner" if name == "rear_velocity" else _FRONT
        for channel, asked in _RESTRAINT_OF:
            if channel in rule.uses:
                restraint = asked
                break
        found[name] = Algorithm(name, rules={restraint: rule})
    return found


def class_of(event: Event) -> str:
    """Row of the event matrix and kind of an event: its name up to the first number.

    >>> from crashsense import load_events
    >>> class_of(load_events(["hump_900_50_severe"])[0])
    'M06 hump'
    """
    recipe = str(event.metadata.get("recipe", event.name))
    kind = re.sub(r"_\d.*$", "", re.sub(r"_(severe|right|left)$", "", recipe))
    return f"{event.metadata.get('matrix', '')} {kind}".strip()


def must_not_fire(event: Event) -> bool:
    """True if the event is one that must not fire: in a side event the side bags, and so on."""
    decides = _DECIDES.get(event.family, (_FRONT,))
    return all(event.requirements[name].expectation == "no_fire" for name in decides)


def challenge_table(
    events: Sequence[Event] | None = None, *, sensor_set: str | SensorSet = "standard"
) -> pd.DataFrame:
    """Return one row a no-fire class, one column a family: the largest nominal demand [-].

    Columns before the families: ``events``, how many the class has, and ``largest``. A family
    counts an event only if its restraint must not fire there; NaN where it counts none.

    Parameters
    ----------
    events : events of the library (None: all)
    sensor_set : name or object of the sensor set
    """
    import pandas as pd

    from crashsense.synthesis import load_events

    algorithms = middling_algorithms()
    cells = []
    for event in load_events() if events is None else events:
        if not must_not_fire(event):
            continue
        asked = [
            one
            for one in algorithms.values()
            if all(event.requirements[r].expectation == "no_fire" for r in one.rules)
        ]
        judged = trial(event, algorithm=asked, sensor_set=sensor_set)
        for one in judged.each():
            (restraint,) = one.algorithm.rules
            if one.answer(restraint).branches:
                largest = float(one.demand(restraint).max())
                cells.append((class_of(event), event.name, one.algorithm.name, largest))
    rows = pd.DataFrame(cells, columns=["class", "event", "family", "largest"])
    if rows.empty:
        return pd.DataFrame(columns=["events", "largest"])
    by_class = rows.groupby("class")
    table = rows.pivot_table(index="class", columns="family", values="largest", aggfunc="max")
    table = table.reindex(columns=[name for name in algorithms if name in table.columns])
    table.insert(0, "events", by_class["event"].nunique())
    table.insert(1, "largest", by_class["largest"].max())
    return table.sort_index()


def not_challenging(table: pd.DataFrame) -> dict[str, float]:
    """Return the classes of a :func:`challenge_table` that challenge no family: largest demand."""
    quiet = table["largest"] <= CHALLENGING
    return {str(name): float(value) for name, value in table.loc[quiet, "largest"].items()}


def challenge_sentence(table: pd.DataFrame) -> str:
    """Return one sentence that summarises the table."""
    quiet = not_challenging(table)
    if not quiet:
        return f"Each of the {len(table)} no-fire classes challenges some rule family."
    named = ", ".join(f"{name} ({value:.2f})" for name, value in quiet.items())
    return (
        f"Not challenging (largest demand of any rule family with its default numbers at most "
        f"1/3; that they are held shows nothing): {named}."
    )


def as_text(table: pd.DataFrame) -> str:
    """Return the table for a terminal: classes down, families across."""
    head, rows = _cells(table)
    return "\n".join([challenge_sentence(table), "", *text_table([head, *rows])])


def _cells(table: pd.DataFrame) -> tuple[list[str], list[list[str]]]:
    families = [name for name in table.columns if name not in ("events", "largest")]
    rows = []
    for name, row in table.iterrows():
        mark = " (not challenging)" if row["largest"] <= CHALLENGING else ""
        values = ["-" if row[f] != row[f] else f"{row[f]:.2f}" for f in families]
        rows.append([f"{name}{mark}", f"{row['events']:.0f}", f"{row['largest']:.2f}", *values])
    return ["class", "events", "largest", *families], rows


def as_markdown(table: pd.DataFrame) -> str:
    """Return the table in Markdown: classes down, families across."""
    head, rows = _cells(table)
    lines = [
        "# Which no-fire classes challenge which rule family",
        "",
        "Largest demand of each criterion family with its default numbers over each class of",
        "events that must not fire, nominal draw. 1 fires. Default numbers are middling ones of",
        "the trade, from memory; they are no algorithm. Levels of misuse and rough road are from",
        "memory of the trade too. Synthetic data of one fictional car.",
        "",
        challenge_sentence(table),
        "",
        f"| {' | '.join(head)} |",
        f"|{'---|' * len(head)}",
        *(f"| {' | '.join(cells)} |" for cells in rows),
    ]
    return "\n".join(lines) + "\n"
