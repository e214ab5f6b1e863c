"""A folder of records: its content, and what a manifest states about each record.

A manifest is ``records.toml`` (one table a record) or ``records.csv`` (one row a record) in the
folder; a record is named by its file, archive or sub-folder::

    ["v10146"]
    family = "frontal"
    belts = "unbelted"
    closing_speed_kmh = 57.1
    mass_kg = 1719
    channel = "sill"
    front_airbag_stage_1 = "fire by 17 ms (agreed with the maker)"
    notes = "full-width wall"

The keys of a CSV are the same, as columns beside ``record``. The manifest takes precedence
over the file, and a requirement without a time takes it from free flight. Without a manifest every
record of the folder counts, with the usual assumptions.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crashsense.errors import Fault, InputError, nearest, printable
from crashsense.event import ALL_RESTRAINTS, FAMILIES
from crashsense.files import exists, number, read_text, read_toml
from crashsense.records.stated import StatedRequirement, parse_requirement

NAMES = ("records.toml", "records.csv")
#: Most records of one folder.
MOST_RECORDS = 10_000
_TEXTS = ("family", "belts", "channel", "required_from", "notes", "title")
_NUMBERS = ("closing_speed_kmh", "mass_kg")


@dataclass(frozen=True)
class Entry:
    """One record of a folder and what its manifest states; None or empty where it says nothing."""

    path: Path
    name: str
    family: str = ""
    belts: str | None = None
    closing_speed_kmh: float | None = None
    mass_kg: float | None = None
    channel: str | None = None
    required_from: str | None = None
    title: str = ""
    notes: str = ""
    requirements: Mapping[str, StatedRequirement] = field(default_factory=dict)


def manifest_of(folder: Path) -> Path | None:
    """Return the manifest of a folder, or None; two of them are a fault."""
    here = [folder / name for name in NAMES if (folder / name).is_file()]
    if len(here) > 1:
        raise InputError([Fault(str(folder), "manifest", "two", f"one of {', '.join(NAMES)}")])
    return here[0] if here else None


def entries_of(folder: Path) -> list[Entry]:
    """Return the records of a folder: those of its manifest, else all that it holds."""
    manifest = manifest_of(folder)
    if manifest is not None:
        return _stated(manifest)
    found = []
    for place in sorted(folder.iterdir()):
        if place.name.startswith("."):
            continue
        if place.is_dir() or (place.is_file() and not place.suffix[1:].isdigit()):
            found.append(Entry(place, place.name))
    if len(found) > MOST_RECORDS:
        raise InputError([Fault(str(folder), "folder", len(found), f"at most {MOST_RECORDS}")])
    return found


def _stated(manifest: Path) -> list[Entry]:
    rows = _toml(manifest) if manifest.suffix == ".toml" else _csv(manifest)
    faults: list[Fault] = []
    entries = []
    for name, row in rows:
        entries.append(_entry(manifest, name, row, faults))
    names = [name for name, _ in rows]
    for name in sorted({name for name in names if names.count(name) > 1}):
        faults.append(Fault(manifest.name, "record", name, "each record once"))
    if not rows:
        faults.append(Fault(manifest.name, "records", 0, "one record or more"))
    if faults:
        raise InputError(faults)
    return entries


def _toml(manifest: Path) -> list[tuple[str, dict[str, Any]]]:
    content = read_toml(manifest, shown=manifest.name, expected="a manifest (TOML)")
    faults = [
        Fault(manifest.name, key, None, f'a table: ["{printable(key)}"]')
        for key, value in content.items()
        if not isinstance(value, dict)
    ]
    if faults:
        raise InputError(faults)
    return list(content.items())


def _csv(manifest: Path) -> list[tuple[str, dict[str, Any]]]:
    text = read_text(manifest, shown=manifest.name, expected="a manifest (CSV)")
    body = text.lstrip("\r\n")
    blank = text[: len(text) - len(body)].count("\n")
    first = next(iter(body.splitlines()), "")
    separator = max(",;\t", key=first.count)
    try:
        reader = csv.DictReader(io.StringIO(body), delimiter=separator, strict=True)
        rows = [(blank + reader.line_num, dict(row)) for row in reader]
    except csv.Error as error:
        raise InputError([Fault(manifest.name, "content", None, f"a CSV ({error})")]) from None
    if "record" not in (reader.fieldnames or ()):
        expected = "a column 'record': the file, archive or folder"
        raise InputError([Fault(manifest.name, "columns", first[:60], expected)])
    found = []
    for count, row in rows:
        name = (row.pop("record") or "").strip()
        if None in row:
            expected = f"{len(reader.fieldnames or ())} cells"
            raise InputError([Fault(manifest.name, f"line {count}", "more cells", expected)])
        found.append((name, {k.strip(): v.strip() for k, v in row.items() if v and v.strip()}))
    return found


def _entry(manifest: Path, name: str, row: Mapping[str, Any], faults: list[Fault]) -> Entry:
    file = manifest.name
    inner = Path(name)
    place = manifest.parent / inner
    if not name or inner.is_absolute() or ".." in inner.parts:
        faults.append(Fault(file, "record", name, "a file or folder beside the manifest"))
    elif not exists(place):
        beside = [p.name for p in manifest.parent.iterdir() if p.name not in NAMES]
        faults.append(Fault(file, "record", name, nearest(name, beside)))
    values: dict[str, Any] = {}
    requirements: dict[str, StatedRequirement] = {}
    for key, value in row.items():
        where = f"{name}: {key}"
        if key in ALL_RESTRAINTS:
            found, wrong = parse_requirement(value, file=file, field=where)
            faults += wrong
            if found is not None:
                requirements[key] = found
        elif key in _NUMBERS:
            try:
                values[key] = number(value, file=file, field=where, above=0.0)
            except InputError as error:
                faults += error.faults
        elif key in _TEXTS:
            if not isinstance(value, str | int) or isinstance(value, bool):
                faults.append(Fault(file, where, value, "a text"))
            else:
                values[key] = str(value)
        else:
            known = [*_TEXTS, *_NUMBERS, *ALL_RESTRAINTS]
            faults.append(Fault(file, name, key, nearest(key, known)))
    if values.get("family", "") not in ("", *FAMILIES):
        expected = nearest(values["family"], FAMILIES)
        faults.append(Fault(file, f"{name}: family", values["family"], expected))
    if values.get("belts") not in (None, "belted", "unbelted"):
        expected = nearest(values["belts"], ("belted", "unbelted"))
        faults.append(Fault(file, f"{name}: belts", values["belts"], expected))
    return Entry(place, name, requirements=requirements, **values)
