"""The layout of an element file: tables of geometry, gas and read-out, checked and built.

``crashsense new element`` writes one. Numbers carry their unit in the name; every number may have a
line in ``[basis]`` that says where it comes from. All faults of a file are reported at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from pydantic import create_model

from crashsense.errors import Fault, InputError, nearest
from crashsense.files import read_toml
from crashsense.sensing.element import Element, leaning_coupling
from crashsense.sensing.sensor_file import Layout, Number, checked

#: Table -> name in a file -> (field of the element, SI value of one unit).
NUMBERS: Mapping[str, Mapping[str, tuple[str, float]]] = {
    "mass": {
        "length_um": ("plate_length", 1e-6),
        "width_um": ("plate_width", 1e-6),
        "thickness_um": ("thickness", 1e-6),
        "filled": ("filled", 1.0),
        "density_kg_per_m3": ("density", 1.0),
        "mass_ug": ("mass", 1e-9),
    },
    "spring": {
        "beam_length_um": ("beam_length", 1e-6),
        "beam_width_um": ("beam_width", 1e-6),
        "young_gpa": ("young", 1e9),
        "young_ppm_per_k": ("young_per_k", 1e-6),
        "stiffness_n_per_m": ("stiffness", 1.0),
    },
    "electrodes": {"gap_um": ("gap", 1e-6), "overlap_um": ("overlap", 1e-6)},
    "gas": {
        "pressure_pa": ("pressure", 1.0),
        "film": ("film", 1.0),
        "solid_quality": ("solid_quality", 1.0),
    },
    "read_out": {
        "drive_v": ("drive", 1.0),
        "supply_v": ("supply", 1.0),
        "feedback_ff": ("feedback", 1e-15),
        "gain": ("gain", 1.0),
        "parasitic_pf": ("parasitic", 1e-12),
        "noise_nv_per_rthz": ("amplifier_noise", 1e-9),
    },
    "stops": {"travel_um": ("stop", 1e-6)},
    "limits": {"nonlinearity": ("linear_within", 1.0)},
    "package": {"mode_hz": ("package_hz", 1.0), "quality": ("package_quality", 1.0)},
    "axes": {"coupling": ("coupling", 1.0)},
    "tolerances": {
        "gap_um": ("gap_tolerance", 1e-6),
        "edge_um": ("edge_tolerance", 1e-6),
        "beam_um": ("beam_tolerance", 1e-6),
        "thickness_um": ("thickness_tolerance", 1e-6),
        "pressure": ("pressure_tolerance", 1.0),
        "centre_nm": ("centre_tolerance", 1e-9),
        "centre_nm_per_k": ("centre_per_k", 1e-9),
        "trim_left": ("trim_left", 1.0),
    },
}

#: Table -> name -> (type, field of the element): what is no number with a unit.
_OTHERS: Mapping[str, Mapping[str, tuple[Any, str]]] = {
    "spring": {"beams": (int, "beams"), "form": (Literal["straight", "folded"], "folded")},
    "electrodes": {
        "form": (Literal["comb", "plate"], "form"),
        "differential": (bool, "differential"),
        "fingers": (int, "fingers"),
    },
    "gas": {"temperature_c": (Number, "")},
    "read_out": {"kind": (Literal["charge", "bridge"], "read_out")},
    "axes": {
        "names": (list[str], "axes"),
        "shared_mass": (bool, "shared_mass"),
        "lean_deg": (Number, ""),
        "stiffness_ratio": (Number, ""),
    },
}

#: Field of the element -> (table, name in a file, SI value of one unit).
FILE_NAMES: Mapping[str, tuple[str, str, float]] = {
    field: (table, name, factor)
    for table, entries in NUMBERS.items()
    for name, (field, factor) in entries.items()
} | {
    field: (table, name, 1.0)
    for table, entries in _OTHERS.items()
    for name, (_, field) in entries.items()
    if field
}

#: Fields that every element file must state.
_REQUIRED = ("thickness", "gap")


class _FileLayout(Layout):
    name: str = ""
    title: str = ""
    mass: dict[str, Any] = {}
    spring: dict[str, Any] = {}
    electrodes: dict[str, Any] = {}
    gas: dict[str, Any] = {}
    read_out: dict[str, Any] = {}
    stops: dict[str, Any] = {}
    limits: dict[str, Any] = {}
    package: dict[str, Any] = {}
    axes: dict[str, Any] = {}
    tolerances: dict[str, Any] = {}
    basis: dict[str, str] = {}


@lru_cache
def _table_layout(table: str) -> type[Layout]:
    entries: dict[str, Any] = dict.fromkeys(NUMBERS[table], (Number, None))
    entries |= {name: (kind, None) for name, (kind, _) in _OTHERS.get(table, {}).items()}
    return create_model("Table", __base__=Layout, **entries)


def load_element(path: str | Path, *, shown: str = "") -> Element:
    """Read an element file; raises :class:`InputError` with all its faults."""
    file = shown or str(path)
    content = read_toml(path, shown=file, expected="an element file")
    return element_from_table(content, file=file, name=Path(path).stem, path=str(path))


def element_from_table(
    content: Mapping[str, Any], *, file: str, name: str, path: str = ""
) -> Element:
    """Build an element from the content of its file; *name* unless the file has one."""
    given, found = checked(_FileLayout, content, file=file)
    values: dict[str, Any] = {
        "name": given.get("name") or name,
        "title": given.get("title", ""),
        "basis": given.get("basis", {}),
        "file": path,
    }
    more: dict[str, Any] = {}
    for table in NUMBERS:
        entries, faults = checked(_table_layout(table), given.get(table, {}), file=file)
        found += [Fault(file, f"{table}.{f.field}", f.value, f.expected) for f in faults]
        for key, value in entries.items():
            if key in NUMBERS[table]:
                field, factor = NUMBERS[table][key]
                values[field] = value * factor
            elif _OTHERS[table][key][1]:
                values[_OTHERS[table][key][1]] = value
            else:
                more[key] = value
    if "folded" in values:
        values["folded"] = values["folded"] == "folded"
    found += _derived(values, more, file=file)
    found += _basis_faults(values["basis"], file=file)
    missing = [field for field in _REQUIRED if field not in values]
    for field in missing:
        table, key, _ = FILE_NAMES[field]
        if not any(f.field == f"{table}.{key}" for f in found):
            found.append(Fault(file, f"{table}.{key}", None, "a value; the field is missing"))
    values |= dict.fromkeys(missing, 1e-6)
    try:
        element = Element(**values)
    except InputError as error:
        if not found or all(f.field in values for f in error.faults):
            found += [
                _as_written(f, content, file=file) for f in error.faults if f.field not in missing
            ]
    if found:
        raise InputError(found)
    return element


def _derived(values: dict[str, Any], more: Mapping[str, Any], *, file: str) -> list[Fault]:
    """What a file may state instead: springs that lean, a pressure at another temperature."""
    found = []
    if "temperature_c" in more:
        if -60.0 <= more["temperature_c"] <= 500.0:
            if "pressure" in values:
                values["pressure"] *= 298.15 / (273.15 + more["temperature_c"])
        else:
            expected = "-60 to 500 degC, at which the pressure is meant"
            found.append(Fault(file, "gas.temperature_c", more["temperature_c"], expected))
    leaning = {"lean_deg", "stiffness_ratio"} & set(more)
    if leaning and "coupling" in values:
        expected = "either a coupling or lean_deg with stiffness_ratio"
        found.append(Fault(file, "axes.coupling", values["coupling"], expected))
    elif len(leaning) == 1:
        missing = ({"lean_deg", "stiffness_ratio"} - leaning).pop()
        found.append(Fault(file, f"axes.{missing}", None, "a value; the field is missing"))
    elif leaning:
        for key, low, high in (("lean_deg", 0.0, 45.0), ("stiffness_ratio", 0.01, 100.0)):
            if not low <= more[key] <= high:
                found.append(Fault(file, f"axes.{key}", more[key], f"{low:g} to {high:g}"))
        if not found:
            values["coupling"] = leaning_coupling(
                lean_deg=more["lean_deg"], stiffness_ratio=more["stiffness_ratio"]
            )
    return found


def _basis_faults(basis: Mapping[str, str], *, file: str) -> list[Fault]:
    known = {f"{table}.{key}" for table in NUMBERS for key in _table_layout(table).model_fields}
    return [
        Fault(file, f"basis.{key}", text, nearest(key, known))
        for key, text in basis.items()
        if key not in known
    ]


def _as_written(fault: Fault, content: Mapping[str, Any], *, file: str) -> Fault:
    """The fault in the names and units of the file."""
    if fault.field not in FILE_NAMES:
        return Fault(file, fault.field, fault.value, fault.expected)
    table, key, factor = FILE_NAMES[fault.field]
    inside = content.get(table, {})
    value = inside.get(key) if isinstance(inside, dict) else None
    if value is None and isinstance(fault.value, float):
        value = float(f"{fault.value / factor:g}")
    return Fault(file, f"{table}.{key}", value, fault.expected)


def element_to_toml(element: Element) -> str:
    """Write an element as a file that reads back to the same element (to 12 digits)."""
    lines = [f'name = "{element.name}"', f'title = "{element.title}"']
    for table in NUMBERS:
        rows = []
        for field, (home, key, factor) in FILE_NAMES.items():
            value = getattr(element, field)
            default = Element.__dataclass_fields__[field].default
            if home != table or (value == default and field not in _REQUIRED):
                continue
            if field == "folded":
                rows.append('form = "folded"')
            elif isinstance(value, str):
                rows.append(f'{key} = "{value}"')
            elif isinstance(value, bool):
                rows.append(f"{key} = {str(value).lower()}")
            elif isinstance(value, tuple):
                rows.append(f"{key} = [{', '.join(f'{chr(34)}{v}{chr(34)}' for v in value)}]")
            elif isinstance(value, int):
                rows.append(f"{key} = {value}")
            else:
                rows.append(f"{key} = {float(f'{value / factor:.12g}')!r}")
        if rows:
            lines += ["", f"[{table}]", *rows]
    if element.basis:
        lines += ["", "[basis]", *(f'"{key}" = "{text}"' for key, text in element.basis.items())]
    return "\n".join(lines) + "\n"
