"""Sensor files: the shipped catalogue of generic parts, the shipped sets, and user files.

A file is TOML. ``[parts.NAME]`` describes a part, with units in the names of its numbers, and
``[sensors]`` says which part sits at which channel. Parts of the shipped catalogue may be named
without describing them. All faults of a file are reported at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest, unknown_name
from crashsense.files import read_toml
from crashsense.sensing.faults import FAULT_KINDS
from crashsense.sensing.sensor import Sensor, SensorSet
from crashsense.sensing.sensor_file import SetLayout, checked, control_unit, part_from_table

_HERE = Path(__file__).resolve().parent / "library"


@lru_cache(maxsize=1)
def _catalogue() -> dict[str, Sensor]:
    parts: dict[str, Sensor] = {}
    for path in sorted((_HERE / "parts").glob("*.toml")):
        for name, table in read_toml(path, shown=path.name).get("parts", {}).items():
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


def load_sensor_set(
    name_or_path: str | Path | SensorSet = "standard",
    *,
    folder: Path | None = None,
    moved: Mapping[str, str] | None = None,
) -> SensorSet:
    """Return a shipped sensor set by name, or the one in a TOML file.

    *folder*, *moved*: of a file's copy, where the original was and where the copies of the element
    files that it names are (absolute path -> copy).

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
        return _set_from_file(path, shown=text, folder=folder, moved=moved)
    raise unknown_name("sensor set", text, sensor_set_names())


def _set_from_file(
    path: Path,
    *,
    shown: str,
    folder: Path | None = None,
    moved: Mapping[str, str] | None = None,
) -> SensorSet:
    def element_at(named: str) -> Path:
        there = (path.parent if folder is None else folder) / named
        return Path((moved or {}).get(str(there.resolve()), there))

    content = read_toml(path, shown=shown, expected="a sensor file")
    given, found = checked(SetLayout, content, file=shown)
    bad = [fault.field for fault in found]
    own: dict[str, Sensor | None] = dict.fromkeys(content["parts"]) if _has_parts(content) else {}
    for part, table in given.get("parts", {}).items():
        own[part] = None
        try:
            own[part] = part_from_table(part, table, file=shown, element_at=element_at)
        except InputError as error:
            found += error.faults
    unit, more = control_unit(given.get("control_unit", {}), file=shown)
    found += more
    sensors, more = _sensors(given.get("sensors", {}), own=own, file=shown)
    found += more
    if not content.get("sensors"):
        expected = 'a table [sensors]: channel = "part"'
        found.append(Fault(shown, "sensors", None, expected))
    if sensors and unit is not None and not bad:
        name, title = given.get("name") or path.stem, given.get("title", "")
        try:
            built = SensorSet(name, sensors=sensors, control_unit=unit, title=title)
        except InputError as error:
            found += [
                Fault(shown, f"{f.file}: {f.field}", f.value, f.expected) for f in error.faults
            ]
    if found:
        raise InputError(found)
    return built


def _has_parts(content: Mapping[str, Any]) -> bool:
    return isinstance(content.get("parts"), dict)


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


def fault_kinds() -> tuple[str, ...]:
    """Kinds of faults that a sensor file may contain, sorted."""
    return tuple(sorted(FAULT_KINDS))
