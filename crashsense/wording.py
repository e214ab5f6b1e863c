"""Faults of a file in plain words: the checker's message turned into what was expected.

Every recipe, vehicle and plan file is checked by a typed layout; its findings pass through here, so
that all files answer in the same words.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from math import isfinite
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, ValidationError

from crashsense.errors import Fault, nearest

#: Pattern of a text -> what it asks for.
_PATTERNS = {
    r"^[a-z0-9][a-z0-9_]*$": "small letters, digits and underscores, a letter or digit first",
}


def _count(context: Mapping[str, Any], bound: str, *, most: bool) -> str:
    number = context[bound]
    noun = "entry" if number == 1 else "entries"
    tail = f", not {context['actual_length']}" if "actual_length" in context else ""
    return f"{'at most' if most else 'at least'} {number} {noun}{tail}"


def _letters(context: Mapping[str, Any], bound: str, *, most: bool) -> str:
    number = context[bound]
    if number == 1 and not most:
        return "some text; it is empty"
    return f"{'at most' if most else 'at least'} {number} characters"


def _bound(number: Any) -> str:
    return f"{number:g}" if isinstance(number, float) else str(number)


#: Kind of fault -> what was expected, from what the check knows of it.
_EXPECTED: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "missing": lambda c: "a value; the field is missing",
    "extra_forbidden": lambda c: "no such field here",
    "greater_than": lambda c: f"more than {_bound(c['gt'])}",
    "greater_than_equal": lambda c: f"{_bound(c['ge'])} or more",
    "less_than": lambda c: f"less than {_bound(c['lt'])}",
    "less_than_equal": lambda c: f"{_bound(c['le'])} or less",
    "multiple_of": lambda c: f"a multiple of {_bound(c['multiple_of'])}",
    "finite_number": lambda c: "a finite number",
    "float_type": lambda c: "a number",
    "float_parsing": lambda c: "a number",
    "int_type": lambda c: "a whole number",
    "int_parsing": lambda c: "a whole number",
    "int_from_float": lambda c: "a whole number",
    "bool_type": lambda c: "true or false",
    "bool_parsing": lambda c: "true or false",
    "string_type": lambda c: "text",
    "list_type": lambda c: "a list",
    "tuple_type": lambda c: "a list",
    "dict_type": lambda c: "a table",
    "model_type": lambda c: "a table",
    "model_attributes_type": lambda c: "a table",
    "too_short": lambda c: _count(c, "min_length", most=False),
    "too_long": lambda c: _count(c, "max_length", most=True),
    "string_too_short": lambda c: _letters(c, "min_length", most=False),
    "string_too_long": lambda c: _letters(c, "max_length", most=True),
    "string_pattern_mismatch": lambda c: _PATTERNS.get(
        c["pattern"], f"text of the form {c['pattern']}"
    ),
    "literal_error": lambda c: str(c["expected"]),
    "enum": lambda c: str(c["expected"]),
    "date_type": lambda c: "a date, such as 2031-12-31",
    "date_parsing": lambda c: "a date, such as 2031-12-31",
    "date_from_datetime_parsing": lambda c: "a date, such as 2031-12-31",
    "date_from_datetime_inexact": lambda c: "a date without a time of day",
}

NOT_FINITE = "a finite number"
#: Kinds of fault that a bound raises, also where the value is no finite number at all.
_BOUNDS = ("greater_than", "greater_than_equal", "less_than", "less_than_equal", "multiple_of")


def _range(annotation: Any, metadata: Sequence[Any]) -> dict[str, Any]:
    """Bounds that a field states, by the checker's names (``ge``, ``gt``, ``le``, ``lt``)."""
    stated = [*metadata]
    for inner in (annotation, *get_args(annotation)):
        if get_origin(inner) is Annotated:
            stated += get_args(inner)[1:]
    entries = [entry for item in stated for entry in getattr(item, "metadata", [item])]
    return {
        key: getattr(entry, key)
        for entry in entries
        for key in ("ge", "gt", "le", "lt")
        if hasattr(entry, key)
    }


def allowed(layout: type[BaseModel], path: Sequence[int | str]) -> str:
    """The range of a number in a typed layout, empty if it has not two ends.

    Parameters
    ----------
    layout : of the file or table
    path : of the number in it: keys and places in lists
    """
    annotation: Any = layout
    metadata: Sequence[Any] = ()
    for part in path:
        if isinstance(part, int):
            kinds = [annotation, *get_args(annotation)]
            lists = [one for one in kinds if get_origin(one) in (tuple, list)]
            inner = [one for one in get_args(lists[0]) if one is not Ellipsis] if lists else []
            if not inner:
                return ""
            annotation, metadata = inner[min(part, len(inner) - 1)], ()
        elif get_origin(annotation) is dict:
            annotation, metadata = get_args(annotation)[1], ()
        else:
            fields = getattr(annotation, "model_fields", {})
            if part not in fields:
                return ""
            annotation, metadata = fields[part].annotation, fields[part].metadata
    ends = _range(annotation, metadata)
    if ends.keys() == {"ge", "le"}:
        return f"{_bound(ends['ge'])} to {_bound(ends['le'])}"
    if len(ends) < 2:
        return ""
    low = f"{_bound(ends['ge'])} or more" if "ge" in ends else f"more than {_bound(ends['gt'])}"
    high = f"at most {_bound(ends['le'])}" if "le" in ends else f"less than {_bound(ends['lt'])}"
    return f"{low}, {high}"


def expected_words(kind: str, message: str, *, context: Mapping[str, Any], value: object) -> str:
    """What was expected, for one fault of the check.

    Parameters
    ----------
    kind, message, context : of the check (``type``, ``msg`` and ``ctx`` of its entry)
    value : what the file says

    >>> expected_words("too_short", "", context={"min_length": 1, "actual_length": 0}, value=[])
    'at least 1 entry, not 0'
    >>> expected_words("less_than_equal", "", context={"le": 120.0}, value=float("nan"))
    'a finite number'
    """
    if kind in _BOUNDS and isinstance(value, float) and not isfinite(value):
        return NOT_FINITE
    words = _EXPECTED.get(kind)
    if words is not None:
        return words(context)
    return message.removeprefix("Input should be ").removeprefix("Value error, ")


def faults_of(
    error: ValidationError,
    *,
    file: str,
    within: str = "",
    known: Collection[str] | None = None,
    layout: type[BaseModel] | None = None,
) -> list[Fault]:
    """Turn what a file's check found into faults, one a field, in plain words.

    *known*: the names that a misspelt one at the top is compared with; None: none is offered.
    *layout*: what was checked against, so that the whole range of a number can be named.
    """
    faults = []
    for item in error.errors():
        where = ".".join([*([within] if within else []), *(str(part) for part in item["loc"])])
        value = None if item["type"] == "missing" else item["input"]
        expected = expected_words(
            item["type"], item["msg"], context=item.get("ctx", {}), value=value
        )
        if item["type"] in _BOUNDS and layout is not None and expected != NOT_FINITE:
            expected = allowed(layout, item["loc"]) or expected
        if item["type"] == "extra_forbidden" and known is not None and len(item["loc"]) == 1:
            name = str(item["loc"][0])
            expected = nearest(name, known)
        if isinstance(value, (dict, list, tuple)):
            value = None
        faults.append(Fault(file, where, value, expected))
    return faults


def misread(given: Any, checked: Any, *, file: str, within: str = "") -> list[Fault]:
    """Faults for every true or false in *given* that *checked*, made from it, took for a number.

    >>> misread({"speed_kmh": True}, {"speed_kmh": 1.0}, file="a.toml")[0].expected
    'a number'
    """
    if isinstance(given, bool):
        is_number = isinstance(checked, int | float) and not isinstance(checked, bool)
        return [Fault(file, within, given, "a number")] if is_number else []
    if isinstance(given, Mapping):
        entries = checked if isinstance(checked, Mapping) else None
        pairs = [
            (key, value, getattr(checked, str(key), None) if entries is None else entries.get(key))
            for key, value in given.items()
        ]
    elif isinstance(given, list) and isinstance(checked, list | tuple):
        pairs = [(n, *pair) for n, pair in enumerate(zip(given, checked, strict=False))]
    else:
        return []
    faults = []
    for key, value, made in pairs:
        place = f"{within}.{key}" if within else str(key)
        faults += misread(value, made, file=file, within=place)
    return faults
