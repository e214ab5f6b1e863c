"""The layout of a sensor file: tables of parts, faults and the control unit, checked and built.

Numbers carry their unit in the name. Each table is checked by a typed layout, then its
object is built; all faults of both steps are reported together, in the names and units of the file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, fields
from functools import lru_cache
from math import inf, pi
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from crashsense.errors import Fault, InputError, nearest
from crashsense.sensing.fault_cards import fault_file_names
from crashsense.sensing.faults import FAULT_KINDS, TEXT_PARAMETERS, WHOLE_PARAMETERS, SensorFault
from crashsense.sensing.sensor import KINDS, LARGEST_RANGE, ControlUnit, Sensor
from crashsense.units import STANDARD_GRAVITY
from crashsense.wording import faults_of

#: Kind -> (unit in names of numbers, its SI value).
UNITS: Mapping[str, tuple[str, float]] = {
    "accelerometer": ("g", STANDARD_GRAVITY),
    "pressure": ("kpa", 1000.0),
    "roll_rate": ("deg_s", pi / 180.0),
}

#: Name in a file -> (field, SI value of one unit); ``{u}`` and None: unit of the kind.
_NUMBERS: Mapping[str, tuple[str, float | None]] = {
    "range_{u}": ("range", None),
    "front_end_{u}": ("front_end", None),
    "stop_{u}": ("stop", None),
    "resonance_hz": ("resonance_hz", 1.0),
    "quality": ("quality", 1.0),
    "nonlinearity": ("nonlinearity", 1.0),
    "mounting_angle_deg": ("mounting_angle", pi / 180.0),
    "cross_axis": ("cross_axis", 1.0),
    "corner_hz": ("corner_hz", 1.0),
    "sensitivity_tolerance": ("sensitivity_tolerance", 1.0),
    "offset_tolerance_{u}": ("offset_tolerance", None),
    "drift_tolerance_{u}_per_s": ("drift_tolerance", None),
    "sensitivity_temperature_per_k": ("sensitivity_temperature", 1.0),
    "offset_temperature_{u}_per_k": ("offset_temperature", None),
    "misalignment_tolerance_deg": ("misalignment_tolerance", pi / 180.0),
    "cross_axis_tolerance": ("cross_axis_tolerance", 1.0),
    "corner_tolerance": ("corner_tolerance", 1.0),
    "quality_tolerance": ("quality_tolerance", 1.0),
    "noise_{u}_per_rthz": ("noise_density", None),
    "sample_rate_hz": ("sample_rate_hz", 1.0),
    "slot_start_us": ("slot_start_s", 1e-6),
    "bit_time_us": ("bit_time_s", 1e-6),
    "jitter_us": ("jitter_s", 1e-6),
    "lost_frame_probability": ("lost_frame_probability", 1.0),
    "hold_limit_ms": ("hold_limit_s", 1e-3),
    "offset_cancellation_hz": ("offset_cancellation_hz", 1.0),
}
_WHOLE = ("filter_order", "bits", "code_limit", "failed_code")
_TEXT = ("kind", "title", "filter_kind", "on_lost", "combine")

#: Name in a file -> (field of the control unit, SI value of one unit).
_UNIT_NUMBERS: Mapping[str, tuple[str, float]] = {
    "tick_rate_hz": ("tick_rate_hz", 1.0),
    "internal_rate_hz": ("internal_rate_hz", 1.0),
    "read_ms": ("read_s", 1e-3),
    "task_ms": ("task_s", 1e-3),
}


class Layout(BaseModel):
    """Base of every layout: no unknown keys, no number for a text, no text for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


#: A number of a file.
Number = Annotated[float, Field(allow_inf_nan=False)]


class SetLayout(Layout):
    """A sensor file as a whole; its tables have layouts of their own."""

    name: str = ""
    title: str = ""
    control_unit: dict[str, Any] = {}
    parts: dict[str, dict[str, Any]] = {}
    sensors: dict[str, str] = {}


#: What no file gives: only fields that are set are read.
_UNSET = None

_unit_entries: dict[str, Any] = dict.fromkeys(_UNIT_NUMBERS, (Number, _UNSET))
_unit_entries["temperature_c"] = (
    Annotated[list[Number], Field(min_length=2, max_length=2)],
    _UNSET,
)
_unit_layout = create_model("Unit", __base__=Layout, **_unit_entries)


def file_names(kind: str) -> dict[str, tuple[str, float]]:
    """Names of a part's numbers in files -> (field, SI value of one file unit).

    >>> file_names("pressure")["range_kpa"]
    ('range', 1000.0)
    """
    unit, scale = UNITS[kind]
    return {
        name.replace("{u}", unit): (field, scale if factor is None else factor)
        for name, (field, factor) in _NUMBERS.items()
    }


@lru_cache
def _part_layout(kind: str) -> type[Layout]:
    entries: dict[str, Any] = dict.fromkeys(file_names(kind), (Number, _UNSET))
    entries |= dict.fromkeys(_WHOLE, (int, _UNSET)) | dict.fromkeys(_TEXT, (str, _UNSET))
    if kind == "accelerometer":
        entries["element"] = (str, _UNSET)
    entries["basis"] = (dict[str, str], {})
    entries["faults"] = (list[dict[str, Any]], [])
    return create_model("Part", __base__=Layout, **entries)


@lru_cache
def _fault_layout(kind: str, unit: str) -> type[Layout]:
    entries: dict[str, Any] = {"kind": (str, ...)}
    names = fault_file_names(kind, unit=unit)
    for item in fields(FAULT_KINDS[kind]):
        default = ... if item.default is MISSING else None
        kind_of = int if item.name in WHOLE_PARAMETERS else Number
        entries[names[item.name][0]] = (str if item.name in TEXT_PARAMETERS else kind_of, default)
    return create_model("FaultOfPart", __base__=Layout, **entries)


def checked(
    layout: type[Layout], table: Mapping[str, Any], *, file: str, known: Iterable[str] | None = None
) -> tuple[dict[str, Any], list[Fault]]:
    """Return the fields of a table that satisfy its layout, and the faults of the rest.

    *known*: the names that a misspelt one is compared with; None: those of the layout.
    """
    names = list(layout.model_fields if known is None else known)
    try:
        return layout.model_validate(table).model_dump(exclude_unset=True), []
    except ValidationError as error:
        found = faults_of(error, file=file, known=names)
        bad = {item["loc"][0] for item in error.errors() if item["loc"]}
    return {key: value for key, value in table.items() if key not in bad}, found


def part_from_table(
    name: str, table: Mapping[str, Any], *, file: str, element_at: Callable[[str], Path] = Path
) -> Sensor:
    """Build a part from its table; raises :class:`InputError` with all faults of the part.

    *element_at*: the path of an element file as the part names it.
    """
    where = f"{file}: parts.{name}"
    kind = table.get("kind", "accelerometer")
    if not isinstance(kind, str) or kind not in KINDS:
        raise InputError([Fault(where, "kind", kind, nearest(str(kind), KINDS))])
    numbers = file_names(kind)
    given, found = checked(_part_layout(kind), table, file=where)
    values: dict[str, Any] = {"part": name}
    for key, value in given.items():
        if key in numbers:
            field, factor = numbers[key]
            values[field] = value * factor
        elif key not in ("faults", "element"):
            values[key] = value
    known = {*numbers, *_WHOLE, *_TEXT, "faults"}
    for key, text in given.get("basis", {}).items():
        if key not in known:
            found.append(Fault(where, f"basis.{key}", text, nearest(key, known)))
    values["faults"], more = _faults(given.get("faults", []), where=where, kind=kind)
    found += more
    if "element" in given:
        found += _take_element(values, given, where=where, element_at=element_at)
    range_name = f"range_{UNITS[kind][0]}"
    if range_name not in table and "element" not in table:
        found.append(Fault(where, range_name, None, "the full scale of the part"))
    # Missing or bad, which is reported already: one that no other number contradicts.
    most, stop = LARGEST_RANGE[kind][0], values.get("stop", inf)
    values.setdefault("range", min(stop, most) if stop > 0 else most)
    # What can be built is tried as well, so that impossible values are reported together.
    named = {field: key for key, (field, _) in numbers.items()}
    try:
        part = Sensor(**values)
    except InputError as error:
        found += [
            Fault(where, key := named.get(f.field, f.field), table.get(key, f.value), f.expected)
            for f in error.faults
        ]
    if found:
        raise InputError(found)
    return part


def _take_element(
    values: dict[str, Any],
    given: Mapping[str, Any],
    *,
    where: str,
    element_at: Callable[[str], Path],
) -> list[Fault]:
    """Add the fields that follow from a part's element file; stating one twice is a fault."""
    # Here: a part without an element needs none of it.
    from crashsense.sensing.element_file import load_element

    try:
        element = load_element(element_at(given["element"]), shown=given["element"])
    except InputError as error:
        return [
            Fault(f"{where}.element: {f.file}", f.field, f.value, f.expected) for f in error.faults
        ]
    numbers = element.part_numbers()
    twice = {
        key: value
        for key, value in given.items()
        if file_names("accelerometer").get(key, ("",))[0] in numbers and key != "cross_axis"
    }
    values.update({field: value for field, value in numbers.items() if field not in values})
    values["element"] = element
    expected = "nothing here: it follows from the element"
    return [Fault(where, key, value, expected) for key, value in twice.items()]


def _faults(
    entries: list[dict[str, Any]], *, where: str, kind: str
) -> tuple[tuple[SensorFault, ...], list[Fault]]:
    """Build the faults of a part."""
    unit, scale = UNITS[kind]
    built: list[SensorFault] = []
    found: list[Fault] = []
    for number, entry in enumerate(entries):
        place = f"{where}.faults[{number}]"
        name = entry.get("kind")
        if not isinstance(name, str) or name not in FAULT_KINDS:
            found.append(Fault(place, "kind", name, nearest(str(name), FAULT_KINDS)))
            continue
        names = fault_file_names(name, unit=unit)
        known = [key for key, _ in names.values()]
        given, more = checked(_fault_layout(name, unit), entry, file=place, known=known)
        found += more
        values = {}
        for field, (key, factor) in names.items():
            if key in given:
                value = given[key]
                values[field] = value if factor == 1.0 else value * (factor or scale)
        required = {item.name for item in fields(FAULT_KINDS[name]) if item.default is MISSING}
        if required - set(values):
            continue  # already reported
        try:
            built.append(FAULT_KINDS[name](**values))
        except InputError as error:
            for fault in error.faults:
                key, _ = names[fault.field]
                found.append(Fault(place, key, entry.get(key, fault.value), fault.expected))
    return tuple(built), found


def control_unit(table: Mapping[str, Any], *, file: str) -> tuple[ControlUnit | None, list[Fault]]:
    """Build the control unit from its table; None, and all faults, where it cannot be built."""
    given, found = checked(_unit_layout, table, file=file)
    found = [Fault(file, f"control_unit.{f.field}", f.value, f.expected) for f in found]
    values: dict[str, Any] = {
        field: given[key] * factor for key, (field, factor) in _UNIT_NUMBERS.items() if key in given
    }
    if "temperature_c" in given:
        values["temperature_c"] = tuple(given["temperature_c"])
    named = {field: key for key, (field, _) in _UNIT_NUMBERS.items()}
    try:
        return ControlUnit(**values), found
    except InputError as error:
        for fault in error.faults:
            key = named.get(fault.field, fault.field)
            expected = "0 to less than 1000 ms" if key.endswith("_ms") else fault.expected
            value = table.get(key, fault.value)
            found.append(Fault(file, f"control_unit.{key}", value, expected))
    return None, found
