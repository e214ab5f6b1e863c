"""Sensor files: the shipped catalogue of generic parts, the shipped sets, and a user's own file.

A file is TOML. ``[parts.NAME]`` describes a part, with units in the names of its numbers, and
``[sensors]`` says which part sits at which channel. Parts of the shipped catalogue may be named
without describing them. All faults of a file are reported at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from math import isfinite, pi
from pathlib import Path
from typing import Any

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest, unknown_name
from crashsense.files import read_toml
from crashsense.sensing.fault_cards import fault_file_names
from crashsense.sensing.faults import FAULT_KINDS, SensorFault, make_fault
from crashsense.sensing.sensor import KINDS, ControlUnit, Sensor, SensorSet
from crashsense.units import STANDARD_GRAVITY

_HERE = Path(__file__).resolve().parent / "library"

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
_UNIT_NUMBERS = ("tick_rate_hz", "internal_rate_hz", "read_ms", "task_ms")
#: Field of the control unit -> its name in a file, where that differs.
_UNIT_NAMES = {"read_s": "read_ms", "task_s": "task_ms"}


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


def part_from_table(name: str, table: Mapping[str, Any], *, file: str) -> Sensor:
    """Build a part from its table; raises :class:`InputError` with all faults of the part."""
    found: list[Fault] = []
    where = f"{file}: parts.{name}"
    kind = table.get("kind", "accelerometer")
    if kind not in KINDS:
        raise InputError([Fault(where, "kind", kind, nearest(str(kind), KINDS))])
    numbers = file_names(kind)
    known = {*numbers, *_WHOLE, *_TEXT, "basis", "faults"}
    values: dict[str, Any] = {"part": name}
    for key, value in table.items():
        if key not in known:
            found.append(Fault(where, key, value, nearest(key, known)))
        elif key in _TEXT:
            if not isinstance(value, str):
                found.append(Fault(where, key, value, "text"))
            else:
                values[key] = value
        elif key in _WHOLE:
            if isinstance(value, bool) or not isinstance(value, int):
                found.append(Fault(where, key, value, "a whole number"))
            else:
                values[key] = value
        elif key in numbers:
            field, factor = numbers[key]
            if isinstance(value, bool) or not isinstance(value, int | float):
                found.append(Fault(where, key, value, "a number"))
            elif not isfinite(value):
                found.append(Fault(where, key, value, "a finite number"))
            else:
                values[field] = value * factor
    basis = table.get("basis", {})
    if not isinstance(basis, Mapping):
        found.append(Fault(where, "basis", basis, "a table: number -> where it comes from"))
    else:
        for key, text in basis.items():
            if key not in known:
                found.append(Fault(where, f"basis.{key}", text, nearest(key, known)))
        values["basis"] = {str(key): str(text) for key, text in basis.items()}
    values["faults"], more = _faults(table.get("faults", []), where=where, kind=kind)
    found += more
    range_name = f"range_{UNITS[kind][0]}"
    if range_name not in table:
        found.append(Fault(where, range_name, None, "the full scale of the part"))
    values.setdefault("range", 1.0)  # missing or bad: told already
    # What can be built is tried as well, so that impossible values are told in the same breath.
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


def _faults(entries: Any, *, where: str, kind: str) -> tuple[tuple[SensorFault, ...], list[Fault]]:
    if not isinstance(entries, list) or not all(isinstance(e, Mapping) for e in entries):
        return (), [Fault(where, "faults", entries, "a list of tables, each with a kind")]
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
        fields_of = {key: (field, factor) for field, (key, factor) in names.items()}
        written = {field: key for key, (field, _) in fields_of.items()}
        values: dict[str, Any] = {}
        for key, value in entry.items():
            if key == "kind":
                continue
            field, factor = fields_of.get(key, (key, 1.0))
            if field not in names:
                known = nearest(key, fields_of) if fields_of else "no parameter; it takes none"
                found.append(Fault(place, key, value, known))
                continue
            good = isinstance(value, int | float) and not isinstance(value, bool)
            scaled = good and factor != 1.0
            values[field] = value * (scale if factor is None else factor) if scaled else value
            written[field] = key
        try:
            built.append(make_fault(name, **values))
        except InputError as error:
            for fault in error.faults:
                # Told in the names and units of the file, as they stand there.
                key = written.get(fault.field, fault.field)
                found.append(Fault(place, key, entry.get(key, fault.value), fault.expected))
    return tuple(built), found


def _read(path: Path) -> dict[str, Any]:
    return read_toml(path, expected="a sensor file")


@lru_cache(maxsize=1)
def _catalogue() -> dict[str, Sensor]:
    parts: dict[str, Sensor] = {}
    for path in sorted((_HERE / "parts").glob("*.toml")):
        for name, table in _read(path).get("parts", {}).items():
            if name in parts:
                raise InputError([Fault(path.name, "parts", name, "a name that is used once")])
            parts[name] = part_from_table(name, table, file=path.name)
    return parts


def part_names() -> tuple[str, ...]:
    """Names of the shipped generic parts, sorted."""
    return tuple(sorted(_catalogue()))


def find_part(name: str) -> Sensor:
    """Return the shipped generic part called *name*."""
    parts = _catalogue()
    if name not in parts:
        raise unknown_name("part", name, parts)
    return parts[name]


def sensor_set_names() -> tuple[str, ...]:
    """Names of the shipped sensor sets, sorted."""
    return tuple(sorted(path.stem for path in (_HERE / "sets").glob("*.toml")))


def load_sensor_set(name_or_path: str | Path | SensorSet = "standard") -> SensorSet:
    """Return a shipped sensor set by name, or the one in a TOML file.

    >>> load_sensor_set("standard").sensor("central_x").bits
    10
    """
    if isinstance(name_or_path, SensorSet):
        return name_or_path
    text = str(name_or_path)
    if text in sensor_set_names():
        return _set_from_file(_HERE / "sets" / f"{text}.toml", shown=f"{text}.toml")
    path = Path(text)
    if path.suffix == ".toml" or path.exists():
        return _set_from_file(path, shown=text)
    raise unknown_name("sensor set", text, sensor_set_names())


def _set_from_file(path: Path, *, shown: str) -> SensorSet:
    content = _read(path)
    found: list[Fault] = []
    known = {"name", "title", "control_unit", "parts", "sensors"}
    found += [Fault(shown, key, None, nearest(key, known)) for key in content if key not in known]
    name, title = content.get("name", path.stem), content.get("title", "")
    for key, value in (("name", name), ("title", title)):
        if not isinstance(value, str):
            found.append(Fault(shown, key, value, "text"))
    for key in ("control_unit", "parts", "sensors"):
        if not isinstance(content.get(key, {}), dict):
            raise InputError([*found, Fault(shown, key, content[key], "a table")])
    own: dict[str, Sensor | None] = {}
    for part, table in content.get("parts", {}).items():
        own[part] = None
        if not isinstance(table, dict):
            found.append(Fault(shown, f"parts.{part}", table, "a table"))
            continue
        try:
            own[part] = part_from_table(part, table, file=shown)
        except InputError as error:
            found += error.faults
    unit, more = _control_unit(content.get("control_unit", {}), file=shown)
    found += more
    sensors, more = _sensors(content.get("sensors", {}), own=own, file=shown)
    found += more
    if not content.get("sensors"):
        expected = 'a table [sensors]: channel = "part"'
        found.append(Fault(shown, "sensors", None, expected))
    if sensors and unit is not None:
        try:
            built = SensorSet(str(name), sensors=sensors, control_unit=unit, title=str(title))
        except InputError as error:
            found += [
                Fault(shown, f"{f.file}: {f.field}", f.value, f.expected) for f in error.faults
            ]
    if found:
        raise InputError(found)
    return built


def _sensors(
    table: Mapping[str, Any], *, own: Mapping[str, Sensor | None], file: str
) -> tuple[dict[str, Sensor], list[Fault]]:
    sensors: dict[str, Sensor] = {}
    found: list[Fault] = []
    shipped = _catalogue()
    for channel, part in table.items():
        where = f"sensors.{channel}"
        if channel not in CHANNELS:
            found.append(Fault(file, where, part, nearest(channel, CHANNELS)))
        if not isinstance(part, str) or part not in {*own, *shipped}:
            found.append(Fault(file, where, part, nearest(str(part), {*own, *shipped})))
        elif channel in CHANNELS:
            sensor = own[part] if part in own else shipped[part]
            if sensor is not None:
                sensors[channel] = sensor
    return sensors, found


def _control_unit(table: Mapping[str, Any], *, file: str) -> tuple[ControlUnit | None, list[Fault]]:
    found: list[Fault] = []
    values: dict[str, Any] = {}
    known = {*_UNIT_NUMBERS, "temperature_c"}
    for key, value in table.items():
        where = f"control_unit.{key}"
        if key not in known:
            found.append(Fault(file, where, value, nearest(key, known)))
        elif key == "temperature_c":
            if not (isinstance(value, list) and len(value) == 2):
                found.append(Fault(file, where, value, "[lowest, highest] in degC"))
            elif not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
                found.append(Fault(file, where, value, "two numbers in degC"))
            else:
                values[key] = (float(value[0]), float(value[1]))
        elif isinstance(value, bool) or not isinstance(value, int | float):
            found.append(Fault(file, where, value, "a number"))
        elif key.endswith("_ms"):
            values[key.replace("_ms", "_s")] = value * 1e-3
        else:
            values[key] = float(value)
    try:
        unit = ControlUnit(**values)
    except InputError as error:
        for fault in error.faults:
            # In the words of the file: milliseconds, as they stand there.
            key = _UNIT_NAMES.get(fault.field, fault.field)
            expected = "0 to less than 1000 ms" if key.endswith("_ms") else fault.expected
            value = table.get(key, fault.value)
            found.append(Fault(file, f"control_unit.{key}", value, expected))
        return None, found
    return unit, found


def fault_kinds() -> tuple[str, ...]:
    """Kinds of faults that a sensor file may plug in, sorted."""
    return tuple(sorted(FAULT_KINDS))
