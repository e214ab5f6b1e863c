"""Copies of the user's small input files, kept in the run folder.

A run can be replayed and explained after its algorithm, sensor or recipe file was edited, moved or
deleted. Kept are TOML files, the vehicle files that a plan or a recipe names, and the files of the
user-written rules; not kept are records, what ships with the program, and files above
:data:`LARGEST` bytes.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crashsense.errors import RunFolderError
from crashsense.plan import Plan
from crashsense.plan.inputs import named_files
from crashsense.resources import folder as shipped_folder
from crashsense.results.folder import write_text
from crashsense.results.sealed import read_sealed, sealed_text
from crashsense.rules import Rule
from crashsense.synthesis import Recipe
from crashsense.synthesis.recipe import VEHICLES

INPUTS = "inputs"
INDEX = "index.json"

_REPAIR = "run the original command again to repair it, while its inputs are unchanged"

#: Largest file that is kept [bytes].
LARGEST = 1_000_000


@dataclass(frozen=True)
class CopiedFile:
    """One file of a run's input: where it was, its checksum, and its copy (None: too large)."""

    original: Path
    sha256: str
    copy: Path | None

    @property
    def state(self) -> str:
        """``"same"``, ``"changed"`` or ``"gone"``, compared with the original as it is now."""
        try:
            content = self.original.read_bytes()
        except OSError:
            return "gone"
        return "same" if _sha256(content) == self.sha256 else "changed"


@dataclass(frozen=True)
class InputCopy:
    """One input of a run: the file that the plan names comes first, then what that file names.

    ``kind``: ``"algorithm"``, ``"sensor set"``, ``"vehicle"`` or ``"recipe"``; ``events``: those of
    a recipe.
    """

    kind: str
    name: str
    files: tuple[CopiedFile, ...]
    events: tuple[str, ...] = ()

    def redirected(self) -> InputSource:
        """Say where to read the input: its copy, or a file that was too large to be kept.

        Raises
        ------
        RunFolderError : a file that changed has no copy, or a copy is damaged
        """
        changed = [file for file in self.files if file.state != "same"]
        for file in changed:
            if file.copy is None:
                raise RunFolderError(
                    f"{file.original}: {_said(file)} since the run and was too large to be kept "
                    f"with it (above {LARGEST / 1e6:g} MB); put it back or evaluate again"
                )
        for file in self.files:
            if file.copy is not None and _sha_of(file.copy) != file.sha256:
                raise RunFolderError(f"{file.copy}: the run's copy is damaged; {_REPAIR}")
        main = self.files[0]
        copy = main.original if main.copy is None else main.copy
        note = ""
        if changed:
            first = changed[0]
            more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
            note = (
                f"{self.kind} {self.name}: {first.original.name}{more} {_said(first)} since the "
                f"run; the copy in {copy.parent} is used"
            )
        return InputSource(
            copy=copy,
            original=main.original,
            moved={str(f.original): str(f.copy) for f in self.files if f.copy is not None},
            note=note,
        )


@dataclass(frozen=True)
class InputSource:
    """Where an input is read: its copy; ``note`` says if the original is not what it was."""

    copy: Path
    original: Path
    note: str
    moved: Mapping[str, str] = field(default_factory=dict)


def _said(file: CopiedFile) -> str:
    return "is gone" if file.state == "gone" else "has changed"


def keep_inputs(plan: Plan, folder: Path) -> None:
    """Copy the user's input files into a run folder; the index is written last.

    Copies that are there and whole are left alone; inputs are those of the run (the caller has
    compared their checksums), so that damaged ones are simply made again.
    """
    home = folder / INPUTS
    if _are_whole(folder):
        return
    index: list[dict[str, Any]] = []
    taken: set[str] = set()
    for kind, name, files, events in _own_inputs(plan):
        place = _free(re.sub(r"[^A-Za-z0-9_.-]", "_", f"{kind} {name}"), taken)
        names: set[str] = set()
        entries = []
        for original, wanted in files:
            content = _read(original)
            copy = None
            if len(content) <= LARGEST:
                copy = f"{place}/{_free(wanted, names)}"
                _write(home / copy, content)
            entry = {"original": str(original), "sha256": _sha256(content), "copy": copy}
            entries.append(entry)
        index.append({"kind": kind, "name": name, "events": list(events), "files": entries})
    if index:
        home.mkdir(exist_ok=True)
        write_text(home / INDEX, sealed_text({"inputs": index}))


def _are_whole(folder: Path) -> bool:
    try:
        found = kept_inputs(folder)
    except RunFolderError:
        return False
    files = [file for kept in found for file in kept.files if file.copy is not None]
    return bool(found) and all(_sha_of(file.copy) == file.sha256 for file in files if file.copy)


def kept_inputs(folder: Path) -> tuple[InputCopy, ...]:
    """Read what a run folder keeps; empty if it keeps nothing."""
    home = folder / INPUTS
    if not (home / INDEX).is_file():
        return ()
    try:
        return tuple(
            InputCopy(
                kind=entry["kind"],
                name=entry["name"],
                events=tuple(entry["events"]),
                files=tuple(
                    CopiedFile(
                        Path(file["original"]),
                        file["sha256"],
                        None if file["copy"] is None else home / file["copy"],
                    )
                    for file in entry["files"]
                ),
            )
            for entry in read_sealed(home / INDEX)["inputs"]
        )
    except RunFolderError as error:
        raise RunFolderError(f"{error}; {_REPAIR}") from None
    except (ValueError, KeyError, TypeError) as error:
        raise RunFolderError(f"{home / INDEX}: cannot be read ({error!r}); {_REPAIR}") from error


#: A file and the name that its copy should have.
_Wanted = list[tuple[Path, str]]


def _own_inputs(plan: Plan) -> Iterator[tuple[str, str, _Wanted, tuple[str, ...]]]:
    """Kind, name, files and events of every input that is a user's file."""
    for entry, algorithm in _own(plan.keys.algorithms, plan.algorithms):
        found = {p for rule in algorithm.rules.values() for p in _rule_files(rule)}
        files = [(path, path.name) for path in (entry, *sorted(found - {entry}))]
        yield "algorithm", algorithm.name, files, ()
    for entry, sensors in _own(plan.keys.sensor_sets, plan.sensor_sets):
        elements = sorted({Path(file).resolve() for file in sensors.files})
        files = [(entry, entry.name), *((path, path.name) for path in elements)]
        yield "sensor set", sensors.name, files, ()
    shipped = shipped_folder("pulses").resolve()
    if plan.keys.vehicle is not None and plan.keys.vehicle.endswith(".toml"):
        vehicle = Path(plan.keys.vehicle).resolve()
        yield "vehicle", vehicle.stem, [(vehicle, vehicle.name)], ()
    recipes: dict[Path, tuple[str, list[str]]] = {}
    for event in plan.events:
        if isinstance(event.source, Recipe) and event.source.file:
            path = Path(event.source.file).resolve()
            if path.is_file() and not path.is_relative_to(shipped):
                recipes.setdefault(path, (event.source.name, []))[1].append(event.name)
    for path, (name, events) in recipes.items():
        yield "recipe", name, [(path, path.name), *_beside_recipe(path)], tuple(events)


def _own(entries: Sequence[str], objects: Sequence[Any]) -> Iterator[tuple[Path, Any]]:
    for entry, item in zip(entries, objects, strict=True):
        path = Path(entry)
        if path.is_absolute() and path.is_file():
            yield path.resolve(), item


def _rule_files(rule: Rule) -> Iterator[Path]:
    yield from named_files(rule)
    for child in rule.children.values():
        yield from _rule_files(child)


def _beside_recipe(path: Path) -> _Wanted:
    """The user's vehicle and structure files that a recipe names."""
    parameters = tomllib.loads(path.read_text(encoding="utf-8")).get("parameters", {})
    here = path.parent
    places = (
        (here, ""),
        (here / VEHICLES, f"{VEHICLES}/"),
        (here.parent / VEHICLES, f"{VEHICLES}/"),
    )
    found: dict[Path, str] = {}
    for word in sorted(set(_words(parameters))):
        name = word if word.endswith(".toml") else f"{word}.toml"
        if Path(name).is_absolute() or ".." in Path(name).parts:
            continue
        for place, inside in places:
            file = place / name
            if file.is_file() and file.resolve() != path:
                found.setdefault(file.resolve(), f"{inside}{name}")
    return list(found.items())


def _words(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from _words(list(value.values()))
    elif isinstance(value, list):
        for item in value:
            yield from _words(item)


def _free(name: str, taken: set[str]) -> str:
    """The name, or one with a number before it if it is taken already; takes it."""
    number = 1
    found = name
    while found.casefold() in taken:
        number += 1
        found = str(Path(name).with_name(f"{number}_{Path(name).name}"))
    taken.add(found.casefold())
    return found


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise RunFolderError(f"{path}: cannot be read ({error.strerror or error})") from error


def _write(target: Path, content: bytes) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    except OSError as error:
        raise RunFolderError(f"{target}: cannot write ({error.strerror or error})") from error


def _sha_of(path: Path) -> str:
    try:
        return _sha256(path.read_bytes())
    except OSError:
        return ""


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
