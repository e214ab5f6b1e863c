"""What a table states about itself besides its signals: family, belts, requirements.

Metadata is given in comment lines of a CSV, one ``# key: value`` a line or one line of JSON (as
``crashsense events export`` writes it), and in the schema of a Parquet file under ``crashsense``,
as JSON. Anything not stated is assumed, and reported.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, nearest, printable
from crashsense.event import (
    ALL_RESTRAINTS,
    EXPECTATIONS,
    FAMILIES,
    Order,
    Waiver,
    stated_order,
    usual_order,
)
from crashsense.files import number_or_none
from crashsense.records.findings import Finding

#: Version of the JSON that is read.
SCHEMA = 1

_KEY_AND_VALUE = re.compile(r"([a-z][a-z0-9_]*)\s*[:=]\s*(\S.*)")
_IN_WORDS = re.compile(r"(\w+)(?:\s+by\s+([-+.\deE]+)\s*ms)?(?:\s*\((.*)\))?")
_TRUE, _FALSE = ("true", "yes", "1"), ("false", "no", "0")
#: Keys of an export that say nothing a reader must know.
_FOR_PEOPLE = ("schema", "occurrence", "axes", "source", "caution", "note", "notes", "requirements")


@dataclass(frozen=True)
class StatedRequirement:
    """The requirement of one restraint as stated in the file; times in s from time zero."""

    expectation: str
    required_s: float | None = None
    origin_s: float = 0.0
    not_before_s: float = 0.0
    basis: str = ""
    waiver: Waiver | None = None
    order: Order | None = None
    #: False where the file says nothing of an order: then the usual one holds
    says_order: bool = False

    def order_of(self, restraint: str, *, family: str) -> Order | None:
        """The order that is stated, or the usual one."""
        if self.says_order:
            return self.order
        return usual_order(restraint, self.expectation, family=family)


@dataclass(frozen=True)
class Stated:
    """What a table states; None or empty where it says nothing.

    ``measured``: an exported event that was a record, with what was assumed of it then.
    ``rest_value_removed``: the values are exact as given, nothing is taken off.
    """

    event: str = ""
    title: str = ""
    family: str = ""
    belted: bool | None = None
    driver_seat_occupied: bool | None = None
    passenger_seat_occupied: bool | None = None
    quiet: frozenset[str] = frozenset()
    rate_hz: float | None = None
    closing_speed_kmh: float | None = None
    fixed_obstacle: bool = False
    rest_value_removed: bool = False
    measured: bool = False
    assumptions: tuple[str, ...] = ()
    requirements: Mapping[str, StatedRequirement] = field(default_factory=dict)


class _Parser:
    """Turns raw values into :class:`Stated`, and collects what is wrong with them."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.where = ""

    def fault(self, key: str, value: object, expected: str) -> None:
        where = f"{self.where}: {key}" if self.where else key
        self.faults.append(Fault(self.file, where, value, expected))

    def text(self, key: str, value: object) -> str:
        return printable(value).strip()

    def sentences(self, key: str, value: object) -> tuple[str, ...]:
        parts = value if isinstance(value, list) else [value]
        return tuple(printable(part)[:1000] for part in parts[:100])

    def family(self, key: str, value: object) -> str:
        if value not in FAMILIES:
            self.fault(key, value, nearest(str(value), FAMILIES))
            return ""
        return str(value)

    def yes(self, key: str, value: object) -> bool | None:
        word = str(value).strip().lower()
        if word in _TRUE or word in _FALSE:
            return word in _TRUE
        self.fault(key, value, "true or false")
        return None

    def belts(self, key: str, value: object) -> bool | None:
        if value in ("belted", "unbelted"):
            return value == "belted"
        self.fault(key, value, nearest(str(value), ("belted", "unbelted")))
        return None

    def fixed(self, key: str, value: object) -> bool:
        if value not in ("fixed", "moving"):
            self.fault(key, value, "fixed or moving")
        return value == "fixed"

    def number(self, key: str, value: object, *, least: float = -np.inf) -> float | None:
        found = number_or_none(value)
        if found is None or found <= least:
            self.fault(key, value, "a number" + (f" above {least:g}" if least > -np.inf else ""))
            return None
        return found

    def positive(self, key: str, value: object) -> float | None:
        return self.number(key, value, least=0.0)

    def channels(self, key: str, value: object) -> frozenset[str]:
        parts = value if isinstance(value, list) else str(value).split(",")
        names = [str(part).strip() for part in parts if str(part).strip()]
        for name in names:
            if name not in CHANNELS:
                self.fault(key, name, nearest(name, CHANNELS))
        return frozenset(name for name in names if name in CHANNELS)

    def requirement(self, key: str, value: object) -> StatedRequirement | None:
        if isinstance(value, Mapping):
            return self._requirement(key, value)
        words = _IN_WORDS.fullmatch(str(value).strip())
        if words is None:
            expected = "fire, no_fire or open, such as 'fire by 18.5 ms (agreed with the maker)'"
            self.fault(key, value, expected)
            return None
        expectation, time, basis = words.groups()
        return self._requirement(
            key, {"expectation": expectation, "required_time_ms": time, "basis": basis or ""}
        )

    def _requirement(self, key: str, table: Mapping[str, Any]) -> StatedRequirement | None:
        before = len(self.faults)
        expectation = table.get("expectation")
        if expectation not in EXPECTATIONS:
            self.fault(f"{key}: expectation", expectation, nearest(str(expectation), EXPECTATIONS))
        times = {
            name: None if table.get(name) is None else self.number(f"{key}: {name}", table[name])
            for name in ("required_time_ms", "origin_ms", "not_before_ms")
        }
        waiver = self._waiver(f"{key}: waiver", table.get("waiver"))
        where = f"{self.where}: {key}" if self.where else key
        order, wrong = stated_order(key, table, file=self.file, where=where)
        self.faults += wrong
        if len(self.faults) > before:
            return None
        required = times["required_time_ms"]
        return StatedRequirement(
            expectation=str(expectation),
            required_s=None if required is None else required / 1e3,
            origin_s=(times["origin_ms"] or 0.0) / 1e3,
            not_before_s=(times["not_before_ms"] or 0.0) / 1e3,
            basis=str(table.get("basis") or ""),
            waiver=waiver,
            order=order,
            says_order=table.get("after") is not None,
        )

    def _waiver(self, key: str, value: object) -> Waiver | None:
        if value is None:
            return None
        try:
            if isinstance(value, Mapping):
                return Waiver(
                    str(value["why"]),
                    date.fromisoformat(str(value["until"])),
                    by=str(value.get("by", "")),
                    on=date.fromisoformat(str(value["on"])) if value.get("on") else None,
                )
        except (KeyError, ValueError):
            pass
        self.fault(key, value, "a waiver with 'why' and 'until' (a date: 2030-12-31)")
        return None


def parse_requirement(
    value: object, *, file: str, field: str
) -> tuple[StatedRequirement | None, list[Fault]]:
    """Read one requirement as a file or a manifest states it: a text, or a table of its parts.

    >>> parse_requirement("fire by 18.5 ms (agreed)", file="a", field="b")[0].required_s
    0.0185
    """
    parser = _Parser(file)
    return parser.requirement(field, value), parser.faults


#: key in the file -> (attribute of Stated, parser)
_KEYS: dict[str, tuple[str, Callable[[_Parser, str, object], Any]]] = {
    "event": ("event", _Parser.text),
    "title": ("title", _Parser.text),
    "family": ("family", _Parser.family),
    "belted": ("belted", _Parser.yes),
    "belts": ("belted", _Parser.belts),
    "driver_seat_occupied": ("driver_seat_occupied", _Parser.yes),
    "passenger_seat_occupied": ("passenger_seat_occupied", _Parser.yes),
    "quiet": ("quiet", _Parser.channels),
    "rate_hz": ("rate_hz", _Parser.positive),
    "closing_speed_kmh": ("closing_speed_kmh", _Parser.positive),
    "obstacle": ("fixed_obstacle", _Parser.fixed),
    "rest_value_removed": ("rest_value_removed", _Parser.yes),
    "measured": ("measured", _Parser.yes),
    "assumptions": ("assumptions", _Parser.sentences),
}


def parse_comments(
    comments: Iterable[tuple[int, str]], *, file: str
) -> tuple[Stated, list[Finding], list[Fault]]:
    """Read the comment lines of a CSV: (line number, text after the ``#``); 0: not from a line.

    A line ``key: value`` whose key is one small word is metadata; what else a comment says is for
    people. An unknown key is noted, one that is nearly a known one is a fault.
    """
    parser = _Parser(file)
    found: dict[str, Any] = {}
    findings: list[Finding] = []
    for line, text in comments:
        parser.where = f"line {line}" if line else "metadata"
        pairs: dict[str, Any] = {}
        match = _KEY_AND_VALUE.fullmatch(text.strip())
        if text.startswith("{"):
            try:
                pairs = _flat(parser, json.loads(text))
            except (ValueError, RecursionError) as error:
                reason = str(error).split(";")[0]
                parser.fault("metadata", text[:40], f"JSON in one line ({reason})")
        elif match is not None:
            pairs = {match.group(1): match.group(2)}
        for key, value in pairs.items():
            noted = _take(parser, found, key, value)
            if noted is not None:
                findings.append(noted)
    return _stated(found), findings, parser.faults


def _flat(parser: _Parser, whole: Any) -> dict[str, Any]:
    """The JSON of an export with its requirements beside the other keys."""
    requirements = whole.get("requirements") or {}
    if whole.get("schema", SCHEMA) != SCHEMA:
        parser.fault("schema", whole["schema"], f"{SCHEMA}, the version that this program reads")
    if not isinstance(requirements, Mapping):
        parser.fault("requirements", requirements, "one entry a restraint")
        return dict(whole)
    for name in requirements:
        if name not in ALL_RESTRAINTS:
            parser.fault("requirements", name, nearest(name, ALL_RESTRAINTS))
    return {**whole, **{k: v for k, v in requirements.items() if k in ALL_RESTRAINTS}}


def _take(parser: _Parser, found: dict[str, Any], key: str, value: Any) -> Finding | None:
    """Put one statement into *found*; a finding where its key is of no meaning here."""
    known = [*_KEYS, *ALL_RESTRAINTS]
    if key in _FOR_PEOPLE:
        return None
    if key not in known:
        if difflib.get_close_matches(key, known, n=1, cutoff=0.75):
            parser.fault("key", key, nearest(key, known))
            return None
        words = _IN_WORDS.fullmatch(str(value).strip())
        if words is not None and words[1] in EXPECTATIONS:  # a requirement must not be lost
            parser.fault("key", key, nearest(key, ALL_RESTRAINTS))
            return None
        note = "left as a comment"
        return Finding(
            "info", "metadata", parser.file, parser.where, key, nearest(key, known), note
        )
    attribute, parse = _KEYS.get(key, (key, _Parser.requirement))
    if value is None:
        return None
    if attribute in found:
        parser.fault(key, value, "a statement made once")
    else:
        found[attribute] = parse(parser, key, value)
    return None


def _stated(found: dict[str, Any]) -> Stated:
    plain = {k: v for k, v in found.items() if k not in ALL_RESTRAINTS and v is not None}
    stated = {k: v for k, v in found.items() if k in ALL_RESTRAINTS and v is not None}
    return Stated(**plain, requirements=stated)
