"""Parameters of rules: unit in the name, a range for each, all faults reported at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.rules.contract import Rule


@dataclass(frozen=True)
class Parameter:
    """What one parameter of a rule family means.

    Parameters
    ----------
    unit : unit in which it is written ("m/s", "g", "ms", "-")
    low, high : allowed range, ends included; a threshold must be above 0 (``above``)
    text : one line
    kind : "number", "whole", "text", "choice", "channel", "channels", "numbers", "polyline",
        "stages" or "table"
    above : True if the value must be above ``low``
    choices : allowed values of a "choice"
    optional : True if it may be omitted (None)
    """

    unit: str
    low: float
    high: float
    text: str
    kind: str = "number"
    above: bool = False
    choices: tuple[str, ...] = ()
    optional: bool = False

    @property
    def expected(self) -> str:
        """Description of a valid value."""
        if self.kind == "choice":
            return "one of " + ", ".join(self.choices)
        noun = "a whole number" if self.kind == "whole" else "a number"
        edge = f"above {self.low:g}" if self.above else f"{self.low:g} or more"
        top = "" if math.isinf(self.high) else f", at most {self.high:g}"
        unit = "" if self.unit == "-" else f" [{self.unit}]"
        return f"{noun}{unit}, {edge}{top}"

    @property
    def range_text(self) -> str:
        """The range as a list shows it."""
        if self.kind == "choice":
            return " | ".join(self.choices)
        if self.kind not in ("number", "whole"):
            return self.kind
        left = "(" if self.above else "["
        right = ")" if math.isinf(self.high) else "]"
        return f"{left}{self.low:g}, {self.high:g}{right}"

    def check(self, value: object) -> str | None:
        """Return what was expected if *value* is wrong, else None."""
        if value is None and self.optional:
            return None
        if self.kind == "choice":
            return None if value in self.choices else nearest(str(value), self.choices)
        if self.kind == "channel":
            return check_sense(value)
        if self.kind == "text":
            return None if isinstance(value, str) and value else "a text"
        if self.kind == "table":
            return None if isinstance(value, dict) else "a table"
        if self.kind in ("numbers", "channels"):
            return _check_list(value, self.kind)
        if self.kind in ("polyline", "stages"):
            return _check_pairs(value)
        number = _finite(value)
        if number is None or (self.kind == "whole" and number != int(number)):
            return self.expected
        below = number <= self.low if self.above else number < self.low
        return self.expected if below or number > self.high else None


def _finite(value: Any) -> float | None:
    """Return a number as a finite float, None where there is none (nan, inf, 400 digits)."""
    if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _check_pairs(value: object) -> str | None:
    expected = "a list of pairs of finite numbers"
    if not isinstance(value, (list, tuple)) or not value:
        return expected
    for pair in value:
        if not isinstance(pair, (list, tuple)) or len(pair) != 2:
            return expected
        if any(_finite(number) is None for number in pair):
            return expected
    return None


def _check_list(value: object, kind: str) -> str | None:
    if not isinstance(value, (list, tuple)):
        return "a list of numbers" if kind == "numbers" else "a list of channels with their sense"
    for item in value:
        if kind == "channels":
            expected = check_sense(item)
            if expected is not None:
                return expected
        elif _finite(item) is None:
            return "a list of finite numbers"
    return None


def sense_parts(sense: str) -> tuple[str, str]:
    """Split a sense into its sign ("+", "-" or "|") and channel.

    >>> sense_parts("-central_x"), sense_parts("|central_y|"), sense_parts("central_z")
    (('-', 'central_x'), ('|', 'central_y'), ('+', 'central_z'))
    """
    if sense.startswith("|") and sense.endswith("|") and len(sense) > 2:
        return "|", sense[1:-1]
    if sense[:1] in ("+", "-"):
        return sense[0], sense[1:]
    return "+", sense


def check_sense(value: object) -> str | None:
    """Return what was expected if *value* is no channel with its sense, else None."""
    if not isinstance(value, str) or not value:
        return 'a channel with its sense, such as "-central_x" or "|central_y|"'
    _, name = sense_parts(value)
    if name in CHANNELS:
        return None
    return "a channel with its sense: " + nearest(name, CHANNELS)


def parameter(
    default: Any,
    *,
    unit: str = "-",
    low: float = 0.0,
    high: float = math.inf,
    text: str,
    kind: str = "number",
    above: bool = False,
    choices: Sequence[str] = (),
    optional: bool = False,
) -> Any:
    """Declare a parameter of a rule family: a dataclass field that carries its card."""
    card = Parameter(unit, low, high, text, kind, above, tuple(choices), optional)
    return field(default=default, kw_only=True, metadata={"parameter": card})


def parameter_cards(family: type[Rule]) -> dict[str, tuple[Parameter, Any]]:
    """Return name -> (card, default) of every parameter of a rule family."""
    if not hasattr(family, "__dataclass_fields__"):
        return {}
    return {
        item.name: (item.metadata["parameter"], item.default)
        for item in fields(family)  # type: ignore[arg-type]
        if "parameter" in item.metadata
    }


def faults_of(rule: object, *, where: str) -> list[Fault]:
    """Check every declared parameter of *rule* against its card."""
    found = []
    for item in fields(rule):  # type: ignore[arg-type]
        card = item.metadata.get("parameter")
        if card is None:
            continue
        value = getattr(rule, item.name)
        expected = card.check(value)
        if expected is not None:
            found.append(Fault(where, item.name, value, expected))
    return found


def as_tuples(value: Any) -> Any:
    """Turn lists of pairs into tuples, so that a rule is hashable."""
    if isinstance(value, list):
        return tuple(as_tuples(item) for item in value)
    return value


class Declared(Rule):
    """Base of the rule families: a frozen dataclass whose parameters are declared and checked."""

    family: ClassVar[str] = ""
    title: ClassVar[str] = ""

    def __post_init__(self) -> None:
        for item in fields(self):  # type: ignore[arg-type]
            if item.metadata.get("parameter") is not None:
                object.__setattr__(self, item.name, as_tuples(getattr(self, item.name)))
        faults = faults_of(self, where=f"rule {self.family}")
        if not faults:
            faults = self.further_faults()
        if faults:
            raise InputError(faults)

    def further_faults(self) -> list[Fault]:
        """Faults that concern several parameters at once; called if each is valid by itself."""
        return []


class Criterion(Declared):
    """Base of the criteria, the leaves of a composition."""

    context_free = True

    def senses(self) -> tuple[str, ...]:
        """Every channel with its sense that the criterion reads."""
        return tuple(
            value
            for item in fields(self)  # type: ignore[arg-type]
            if item.metadata.get("parameter") is not None
            and item.metadata["parameter"].kind == "channel"
            and (value := getattr(self, item.name)) is not None
        )

    @cached_property
    def requires(self) -> frozenset[str]:  # type: ignore[override]
        """Channels that the criterion reads."""
        return frozenset(sense_parts(sense)[1] for sense in self.senses())
