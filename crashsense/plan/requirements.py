"""Requirements of one's own in a plan: what restraints must do, by event name, glob or family.

In a plan file::

    requirements = "our_requirements.csv"       # a table, or

    [requirements.frontal]                      # a family, a glob or the name of an event
    belt_pretensioner = "open"
    [requirements."wall_full_2*"]
    front_airbag_stage_1 = "fire by 27 ms (agreed with the restraint team)"
    [requirements.wall_full_25]
    front_airbag_stage_2 = { expectation = "no_fire", basis = "programme" }
    [requirements.pole_centre_29.front_airbag_stage_1.waiver]
    why = "no front sensor in the middle of the prototype"
    by = "restraint systems"
    on = "2030-02-01"
    until = "2030-12-31"

Names count before globs, globs before families; of two globs the later. ``fire`` without a time
keeps the event's own. A waiver alone leaves the expectation as it is; a waived failure still
counts. A stated time is the same in every draw.

``after`` and ``delay_ms`` ask that a restraint fires after another one, never before it and never
alone, with that delay (shortest, or shortest and longest) between them; ``order_basis`` says why.
That is scored apart from the rest, in a row of its own. ``after = "none"`` asks for no order::

    [requirements."wall_full_4*".front_airbag_stage_2]
    after = "front_airbag_stage_1"
    delay_ms = [5, 15]

The columns of a table are ``event``, ``restraint``, ``expectation``, ``required_time_ms``,
``not_before_ms``, ``basis``, ``after``, ``delay_ms`` (such as ``5 to 15``), ``order_basis``,
``waiver_why``, ``waiver_by``, ``waiver_on``, ``waiver_until``; the first two are needed, an empty
cell says nothing.
"""

from __future__ import annotations

import csv
import fnmatch
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import (
    ALL_RESTRAINTS,
    EXPECTATIONS,
    FAMILIES,
    Event,
    Requirement,
    Waiver,
    stated_order,
    usual_order,
)
from crashsense.files import exists, number_or_none, read_text
from crashsense.further_restraints import GOES_WITH, further_requirement
from crashsense.records.stated import parse_requirement
from crashsense.synthesis import Recipe
from crashsense.synthesis.recipe_file import RequirementEntry, WaiverEntry

#: Entry -> restraint -> what is asked, plain values only, as a resolved plan holds it.
Asked = dict[str, dict[str, dict[str, Any]]]

_TIMES = ("required_time_ms", "not_before_ms")
_ORDER = ("after", "delay_ms", "order_basis")
_KEYS = ("expectation", *_TIMES, "basis", *_ORDER, "waiver")
_WAIVER = ("why", "by", "on", "until")
COLUMNS = ("event", "restraint", *_KEYS[:-1], *(f"waiver_{key}" for key in _WAIVER))


def read_requirements(given: str | Mapping[str, Any], *, base: Path, file: str) -> Asked:
    """Return what a plan asks, from its table or a CSV file named in it; all faults at once.

    Raises
    ------
    InputError : with every fault
    """
    if isinstance(given, str):
        path = base / given if exists(base / given) else Path(given)
        given, file = _from_csv(path), str(path)
    faults: list[Fault] = []
    asked: Asked = {}
    for entry, restraints in given.items():
        if not isinstance(restraints, Mapping):
            faults.append(Fault(file, f"requirements.{entry}", restraints, "a table by restraint"))
            continue
        for restraint, value in restraints.items():
            where = f"requirements.{entry}.{restraint}"
            if restraint not in ALL_RESTRAINTS:
                faults.append(Fault(file, where, None, nearest(str(restraint), ALL_RESTRAINTS)))
                continue
            plain = _plain(value, restraint, file=file, where=where, faults=faults)
            if plain is not None:
                asked.setdefault(str(entry), {})[restraint] = plain
    if faults:
        raise InputError(faults)
    return asked


def _plain(
    value: Any, restraint: str, *, file: str, where: str, faults: list[Fault]
) -> dict[str, Any] | None:
    before = len(faults)
    if isinstance(value, str):
        value = _in_words(value, file=file, where=where, faults=faults)
        if value is None:
            return None
    if not isinstance(value, Mapping):
        faults.append(Fault(file, where, value, "'fire by 27 ms (why)', or a table of its parts"))
        return None
    out: dict[str, Any] = {}
    for key, part in value.items():
        if key not in _KEYS:
            faults.append(Fault(file, f"{where}.{key}", None, nearest(str(key), _KEYS)))
        elif part is None:
            continue
        elif key == "expectation" and part not in EXPECTATIONS:
            faults.append(Fault(file, f"{where}.{key}", part, nearest(str(part), EXPECTATIONS)))
        elif key in _TIMES and number_or_none(part) is None:
            faults.append(Fault(file, f"{where}.{key}", part, "a time [ms]"))
        elif key == "waiver":
            out[key] = _plain_waiver(part, file=file, where=f"{where}.waiver", faults=faults)
        elif key in _ORDER:
            out[key] = part if key == "delay_ms" else str(part)
        else:
            out[key] = number_or_none(part) if key in _TIMES else str(part)
    if not out and len(faults) == before:
        faults.append(Fault(file, where, None, "an expectation, an order or a waiver"))
    if len(faults) == before:
        order, wrong = stated_order(restraint, out, file=file, where=where)
        faults += wrong
        if order is not None:
            out["delay_ms"] = order.delay_ms
    expectation = out.get("expectation")
    if expectation in ("no_fire", "open") and out.get("required_time_ms") is not None:
        expected = "no time where the restraint need not fire"
        faults.append(Fault(file, f"{where}.required_time_ms", out["required_time_ms"], expected))
    return None if len(faults) > before else out


def _in_words(text: str, *, file: str, where: str, faults: list[Fault]) -> dict[str, Any] | None:
    """The parts of a requirement that is stated as a text; None, with faults, if it is none."""
    stated, wrong = parse_requirement(text, file=file, field=where)
    faults += wrong
    if stated is None:
        return None
    parts: dict[str, Any] = {"expectation": stated.expectation, "basis": stated.basis or None}
    if stated.required_s is not None:
        parts["required_time_ms"] = round(1e3 * stated.required_s, 9)
    return parts


def _plain_waiver(value: Any, *, file: str, where: str, faults: list[Fault]) -> dict[str, str]:
    if not isinstance(value, Mapping) or set(value) != set(_WAIVER):
        faults.append(Fault(file, where, value, "why, by (author), on and until (dates)"))
        return {}
    out = {key: str(value[key]).strip() for key in _WAIVER}
    for key in ("why", "by"):
        if not out[key]:
            faults.append(Fault(file, f"{where}.{key}", out[key], "a text"))
    for key in ("on", "until"):
        try:
            date.fromisoformat(out[key])
        except ValueError:
            faults.append(Fault(file, f"{where}.{key}", out[key], "a date, such as 2030-12-31"))
    return out


def _from_csv(path: Path) -> dict[str, dict[str, dict[str, Any]]]:
    text = read_text(path, expected="a table of requirements (CSV)")
    file = str(path)
    try:
        reader = csv.DictReader(StringIO(text))
        columns, rows = reader.fieldnames or [], list(reader)
    except csv.Error as error:
        raise InputError([Fault(file, "content", None, f"a CSV ({error})")]) from None
    faults = [
        Fault(file, name, None, nearest(name, COLUMNS)) for name in columns if name not in COLUMNS
    ]
    faults += [
        Fault(file, name, None, "a column of this name")
        for name in ("event", "restraint")
        if name not in columns
    ]
    if faults:
        raise InputError(faults)
    found: dict[str, dict[str, dict[str, Any]]] = {}
    for number, row in enumerate(rows, start=2):
        cells = {key: (value or "").strip() for key, value in row.items() if key is not None}
        if not cells["event"] or not cells["restraint"]:
            faults.append(Fault(file, f"line {number}", None, "an event and a restraint"))
            continue
        entry: dict[str, Any] = {key: cells[key] for key in _KEYS if cells.get(key)}
        waiver = {key: cells.get(f"waiver_{key}", "") for key in _WAIVER}
        if any(waiver.values()):
            entry["waiver"] = waiver
        restraints = found.setdefault(cells["event"], {})
        if cells["restraint"] in restraints:
            faults.append(Fault(file, f"line {number}", cells["restraint"], "each once an event"))
        restraints[cells["restraint"]] = entry
    if faults:
        raise InputError(faults)
    return found


def with_requirements(events: Sequence[Event], asked: Asked, *, file: str) -> list[Event]:
    """Return the events with what the plan asks of them.

    Raises
    ------
    InputError : an entry that matches no event, or ``fire`` without any time
    """
    faults: list[Fault] = []
    for entry in asked:
        if not any(_rank(entry, event) for event in events):
            known = [*dict.fromkeys(event.name for event in events), *FAMILIES]
            faults.append(Fault(file, f"requirements.{entry}", None, nearest(entry, known)))
    changes: dict[str, dict[str, dict[str, Any]]] = {}
    for event in events:
        ranked = [e for rank in (1, 2, 3) for e in asked if _rank(e, event) == rank]
        for entry in ranked:
            for restraint, change in asked[entry].items():
                mine = changes.setdefault(event.name, {})
                mine[restraint] = {**mine.get(restraint, {}), **change}
    out = []
    recipes: dict[int, Recipe] = {}
    for event in events:
        mine = changes.get(event.name, {})
        requirements = dict(event.requirements)
        # The seven come first: what further ones are asked follows from them.
        for restraint in sorted(mine, key=ALL_RESTRAINTS.index):
            where = f"requirements.{event.name}.{restraint}"
            old = further_requirement(replace(event, requirements=requirements), restraint)
            try:
                change = mine[restraint]
                requirements[restraint] = _changed(old, change, restraint, family=event.family)
            except InputError as error:
                faults += [Fault(file, where, f.value, f.expected) for f in error.faults]
        source = event.source
        if isinstance(source, Recipe) and any(
            e.source is source for e in events if e.name in changes
        ):
            if id(source) not in recipes:
                recipes[id(source)] = _recipe(source, changes)
            source = recipes[id(source)]
        out.append(replace(event, requirements=requirements, source=source))
    if faults:
        raise InputError(faults)
    return out


def _rank(entry: str, event: Event) -> int:
    """3: the event's name, 2: a glob that matches it, 1: its family; 0: none of these."""
    if entry == event.name:
        return 3
    if entry == event.family:
        return 1
    return 2 if fnmatch.fnmatchcase(event.name, entry) else 0


def _waiver_of(change: Mapping[str, Any]) -> Waiver | None:
    said = change.get("waiver")
    if said is None:
        return None
    dates = {key: date.fromisoformat(said[key]) for key in ("on", "until")}
    return Waiver(said["why"], dates["until"], by=said["by"], on=dates["on"])


def _changed(
    old: Requirement, change: Mapping[str, Any], restraint: str, *, family: str
) -> Requirement:
    expectation = change.get("expectation", old.expectation)
    required = change.get("required_time_ms")
    times: dict[str, Any] = {}
    if expectation != "fire":
        times["required_s"] = None if "expectation" in change else old.required_s
    elif required is not None:
        times["required_s"] = required / 1e3
    if change.get("not_before_ms") is not None:
        times["not_before_s"] = change["not_before_ms"] / 1e3
    basis = change.get("basis") or ("the plan" if "expectation" in change else old.basis)
    waiver = _waiver_of(change) or old.waiver
    # What the plan asks in so many words is asked of every algorithm, with a rule or without.
    needs_rule = old.needs_rule or "expectation" in change
    follows = old.follows if required is None and expectation == "fire" else ""
    order = old.order
    if "after" in change:
        order, _ = stated_order(restraint, change, file="plan", where=restraint)
    elif expectation != old.expectation:
        order = usual_order(restraint, expectation, family=family)
    return replace(
        old,
        expectation=expectation,
        basis=basis,
        waiver=waiver,
        order=order,
        follows=follows,
        needs_rule=needs_rule,
        **times,
    )


def _recipe(recipe: Recipe, changes: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> Recipe:
    """Return the recipe that asks the same in its draws."""
    requirements = {state: dict(entries) for state, entries in recipe.requirements.items()}
    for event, state in zip(recipe.event_names, recipe.belts, strict=True):
        for restraint, change in changes.get(event, {}).items():
            old = _entry(requirements[state], restraint)
            update: dict[str, Any] = {}
            if "expectation" in change:
                update["expectation"] = change["expectation"]
                if change["expectation"] != "fire":
                    update |= {"timing": "none", "required_ms": None}
            if change.get("required_time_ms") is not None:
                update |= {"timing": "explicit", "required_ms": change["required_time_ms"]}
            update |= {key: change[key] for key in ("basis", *_ORDER) if change.get(key)}
            waiver = _waiver_of(change)
            if waiver is not None:
                update["waiver"] = WaiverEntry(
                    why=waiver.why, until=waiver.until, by=waiver.by, on=waiver.on
                )
            requirements[state][restraint] = old.model_copy(update=update)
    return replace(recipe, requirements=requirements)


def _entry(entries: Mapping[str, RequirementEntry], restraint: str) -> RequirementEntry:
    """What a recipe asks of a restraint, or of the one that it goes with."""
    first = restraint if restraint in entries else GOES_WITH.get(restraint, "")
    return entries.get(first) or RequirementEntry(expectation="open", basis="not in the recipe")


def waivers_of(events: Iterable[Event], *, on: date) -> list[dict[str, Any]]:
    """Return every waiver of the events, plain values: where, why, by whom, when, until when."""
    return [
        {
            "event": event.name,
            "restraint": restraint,
            "why": requirement.waiver.why,
            "by": requirement.waiver.by,
            "on": "" if requirement.waiver.on is None else requirement.waiver.on.isoformat(),
            "until": requirement.waiver.until.isoformat(),
            "expired": requirement.waiver.expired(on=on),
        }
        for event in events
        for restraint, requirement in event.requirements.items()
        if requirement.waiver is not None
    ]


def waiver_notes(events: Iterable[Event], *, on: date) -> list[str]:
    """Return one sentence a waiver."""
    lines = []
    for one in waivers_of(events, on=on):
        who = ", ".join(part for part in (one["by"], one["on"]) if part)
        lines.append(
            f"{one['event']}: {one['restraint']} is waived until {one['until']}: {one['why']}"
            f"{f' ({who})' if who else ''}; a failure still counts"
        )
    return lines
