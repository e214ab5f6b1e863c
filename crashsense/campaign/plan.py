"""The plan: what is evaluated, from a TOML file or from Python, resolved to objects."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from crashsense.errors import CrashsenseError, Fault, InputError
from crashsense.event import Event, expired_waivers
from crashsense.records import read_record
from crashsense.resources import folder as shipped_folder
from crashsense.rules import Algorithm, algorithm_to_toml, load_algorithm
from crashsense.sensing import SensorSet, load_sensor_set
from crashsense.synthesis import Recipe, load_recipes, parse_recipe
from crashsense.synthesis.recipe import faults_of, select_events

DEFAULT_SENSOR_SETS = ("standard",)
DEFAULT_ALGORITHMS = ("plain", "guarded")
DEFAULT_SEED = 1

Keep = Literal["fire_curves", "traces_nominal", "traces_failed"]


class PlanFile(BaseModel):
    """The layout of a plan file.

    ``events``: names, globs, families, or paths of recipe files and recipe folders; ``records``:
    measured records; ``vary``: which tolerances are drawn (``"none"``: none, and no draws beside
    the nominal one); ``keep``: what is kept beside verdicts; ``channel``, ``belts``, ``expect``:
    for records, as on the command line.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    events: list[str] | None = Field(default=None, min_length=1)
    records: list[str] = []
    sensor_sets: list[str] = Field(default=list(DEFAULT_SENSOR_SETS), min_length=1)
    algorithms: list[str] = Field(default=list(DEFAULT_ALGORITHMS), min_length=1)
    draws: int = Field(default=0, ge=0, strict=True)
    seed: int = Field(default=DEFAULT_SEED, ge=0, strict=True)
    vary: Literal["pulse", "sensor", "both", "none"] = "both"
    sensor_draws: Literal["own", "shared"] = "own"
    keep: list[Keep] = []
    channel: str | int | None = None
    belts: str | None = None
    expect: str | None = None


@dataclass(frozen=True, eq=False)
class Plan:
    """A resolved plan: every name has become an object.

    ``inputs`` maps each input (recipe, record file, sensor set, algorithm) to the SHA-256 of its
    content; ``written`` is the plan as TOML text.
    """

    events: tuple[Event, ...]
    sensor_sets: tuple[SensorSet, ...]
    algorithms: tuple[Algorithm, ...]
    draws: int
    seed: int
    vary: str
    sensor_draws: str
    keep: tuple[str, ...]
    names: Mapping[str, Any]
    inputs: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def draw_numbers(self) -> range:
        """0 (nominal) and the random draws."""
        return range(self.draws + 1)

    @property
    def evaluations(self) -> int:
        """Events x sensor sets x algorithms x draws."""
        settings = len(self.sensor_sets) * len(self.algorithms)
        return len(self.events) * settings * len(self.draw_numbers)

    def occurrences(self) -> list[tuple[Event, ...]]:
        """Events grouped by occurrence and source: their signals are computed once."""
        groups: dict[tuple[str, int], list[Event]] = {}
        for event in self.events:
            source = id(event.source) if event.source is not None else id(event)
            groups.setdefault((event.occurrence, source), []).append(event)
        return [tuple(group) for group in groups.values()]

    def to_toml(self) -> str:
        """Return the plan, as resolved, as TOML."""
        lines = [f"{key} = {json.dumps(value)}" for key, value in self.names.items()]
        return "# The plan of this run, as resolved.\n" + "\n".join(lines) + "\n"


def read_plan_file(path: str | Path) -> PlanFile:
    """Read and validate a plan file; every fault is reported at once."""
    file = Path(path)
    if not file.is_file():
        raise InputError([Fault(str(path), "", None, "a plan file (TOML) that exists")])
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError([Fault(str(path), "", None, f"valid TOML ({error})")]) from None
    try:
        return PlanFile.model_validate(data)
    except ValidationError as error:
        # Names are checked as well, so that all faults of the file come in one go.
        faults = faults_of(error, file=str(path))
        faults += _name_faults(data, file=file)
        raise InputError(faults) from None


def _name_faults(data: Mapping[str, Any], *, file: Path) -> list[Fault]:
    faults: list[Fault] = []
    for key, load in (("sensor_sets", load_sensor_set), ("algorithms", load_algorithm)):
        entries = data.get(key, [])
        if isinstance(entries, list):
            for entry in entries:
                if isinstance(entry, str):
                    _attempt(faults, load, _beside(entry, file.parent), str(file))
    events = data.get("events")
    if isinstance(events, list) and all(isinstance(entry, str) for entry in events):
        _attempt(faults, lambda names: _events(names, file.parent, str(file)), events, str(file))
    return faults


def _attempt(faults: list[Fault], load: Any, argument: Any, file: str) -> Any:
    try:
        return load(argument)
    except InputError as error:
        found = error.faults or (Fault(file, "", None, str(error)),)
        faults.extend(f if f.file else Fault(file, f.field, f.value, f.expected) for f in found)
    except CrashsenseError as error:
        faults.append(Fault(file, "", argument, str(error)))
    return None


def _beside(entry: str, base: Path) -> str:
    """Resolve an entry that is a path: first beside the plan file, then from here."""
    candidate = base / entry
    is_path = "/" in entry or "\\" in entry or entry.endswith(".toml")
    return str(candidate) if is_path and candidate.exists() else entry


def _events(names: Sequence[str] | None, base: Path, file: str) -> list[Recipe | Event]:
    """Resolve entries of ``events``: names, globs and families of the library, or paths."""
    recipes: list[Recipe] = []
    plain: list[str] | None = None if names is None else []
    for entry in names or ():
        path = Path(_beside(entry, base))
        if path.is_dir() and "/" in f"{entry}/" and not _is_library_word(entry):
            recipes.extend(load_recipes(path))
        elif path.suffix == ".toml" and path.is_file():
            try:
                text = path.read_text(encoding="utf-8")
            except UnicodeDecodeError:
                raise InputError([Fault(str(path), "", None, "a recipe in UTF-8 text")]) from None
            recipes.append(parse_recipe(text, path=str(path)))
        elif plain is not None:
            plain.append(entry)
    events = [event for recipe in recipes for event in recipe.events()]
    if plain or names is None:
        library = load_recipes()
        known = {event: recipe.family for recipe in library for event in recipe.event_names}
        chosen = set(select_events(plain, known=known, file=file))
        for recipe in library:
            if chosen & set(recipe.event_names):
                events.extend(event for event in recipe.events() if event.name in chosen)
    return list(events)


def _is_library_word(entry: str) -> bool:
    from crashsense.event import FAMILIES

    return entry in FAMILIES


def resolve_plan(
    plan: str | Path | PlanFile | Plan | None = None,
    *,
    events: Sequence[str | Event] | None = None,
    records: Sequence[str | Path] | None = None,
    sensor_sets: Sequence[str | SensorSet] | None = None,
    algorithms: Sequence[str | Algorithm] | None = None,
    draws: int | None = None,
    seed: int | None = None,
    vary: str | None = None,
    sensor_draws: str | None = None,
    keep: Sequence[str] | None = None,
    channel: str | int | None = None,
    belts: str | None = None,
    expect: str | None = None,
) -> Plan:
    """Resolve a plan and what overrides it to objects; all faults at once, nothing written.

    Records replace the library unless the plan names events. ``channel``, ``belts`` and ``expect``
    apply to records.
    """
    if isinstance(plan, Plan):
        return plan
    base = Path()
    label = "plan"
    if plan is None:
        file = PlanFile()
    elif isinstance(plan, PlanFile):
        file = plan
    else:
        base, label = Path(plan).parent, str(plan)
        file = read_plan_file(plan)
    changes = {"draws": draws, "seed": seed, "vary": vary, "keep": keep}
    changes |= {"sensor_draws": sensor_draws}
    changes |= {"channel": channel, "belts": belts, "expect": expect}
    given = {key: value for key, value in changes.items() if value is not None}
    try:
        file = PlanFile.model_validate({**file.model_dump(), **given})
    except ValidationError as error:
        raise InputError(faults_of(error, file=label)) from None

    faults: list[Fault] = []
    if file.vary == "none" and file.draws:
        expected = "0 where vary is 'none': every draw would be the nominal one"
        faults.append(Fault(label, "draws", file.draws, expected))
    entries = list(events) if events is not None else file.events
    record_paths = [str(p) for p in records] if records is not None else []
    record_paths += [str(base / p) if (base / p).exists() else p for p in file.records]
    chosen: list[Event] = []
    if entries is not None or not record_paths:
        named = None if entries is None else [e for e in entries if isinstance(e, str)]
        if named is None or named:
            chosen += _attempt(faults, lambda n: _events(n, base, label), named, label) or []
        chosen += [e for e in entries or () if isinstance(e, Event)]
    measured: list[Event] = []
    for path in record_paths:
        read = _attempt(
            faults,
            lambda p: read_record(p, channel=file.channel, belts=file.belts, expect=file.expect),
            path,
            label,
        )
        measured += read or []
    written_events = _written_events(entries, chosen, base)
    chosen += measured
    sets = [
        s
        if isinstance(s, SensorSet)
        else _attempt(faults, load_sensor_set, _beside(s, base), label)
        for s in (sensor_sets if sensor_sets is not None else file.sensor_sets)
    ]
    rules = [
        a if isinstance(a, Algorithm) else _attempt(faults, load_algorithm, _beside(a, base), label)
        for a in (algorithms if algorithms is not None else file.algorithms)
    ]
    for kind, names in (
        ("events", [e.name for e in chosen]),
        ("sensor_sets", [s.name for s in sets if s is not None]),
        ("algorithms", [a.name for a in rules if a is not None]),
    ):
        double = sorted({name for name in names if names.count(name) > 1})
        faults.extend(Fault(label, kind, name, "each name once") for name in double)
    for algorithm in filter(None, rules):
        for sensors in filter(None, sets):
            needed = frozenset().union(*(r.requires for r in algorithm.rules.values()))
            faults.extend(
                Fault(
                    label,
                    "sensor_sets",
                    sensors.name,
                    f"a sensor for {missing}, which algorithm {algorithm.name} requires",
                )
                for missing in sorted(needed - set(sensors.sensors))
            )
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    notes = [
        f"{event.name}: {sentence}"
        for event in chosen
        for sentence in event.metadata.get("assumptions", ())
    ]
    notes = [*expired_waivers(chosen, on=date.today()), *notes]
    return Plan(
        events=tuple(chosen),
        sensor_sets=tuple(s for s in sets if s is not None),
        algorithms=tuple(a for a in rules if a is not None),
        draws=file.draws,
        seed=file.seed,
        vary=file.vary,
        sensor_draws=file.sensor_draws,
        keep=tuple(file.keep),
        names={
            **({"events": written_events} if written_events else {}),
            "records": [str(Path(p).resolve()) for p in record_paths],
            "sensor_sets": _written(sensor_sets or file.sensor_sets, sets, base),
            "algorithms": _written(algorithms or file.algorithms, rules, base),
            "draws": file.draws,
            "seed": file.seed,
            "vary": file.vary,
            "sensor_draws": file.sensor_draws,
            "keep": list(file.keep),
            **{
                key: value
                for key in ("channel", "belts", "expect")
                if (value := getattr(file, key)) is not None
            },
        },
        inputs=_inputs(chosen, sets, rules),
        notes=tuple(notes),
    )


def _path(entry: Any, base: Path) -> str | None:
    """Absolute path of an entry that names a file or folder, else None."""
    if not isinstance(entry, str):
        return None
    found = Path(_beside(entry, base))
    is_path = "/" in entry or "\\" in entry or entry.endswith(".toml")
    return str(found.resolve()) if is_path and found.exists() else None


def _written(entries: Sequence[Any], objects: Sequence[Any], base: Path) -> list[str]:
    """What stands in the resolved plan: names, or the paths of files of one's own."""
    pairs = zip(entries, objects, strict=True)
    return [_path(entry, base) or item.name for entry, item in pairs if item is not None]


def _written_events(
    entries: Sequence[Any] | None, chosen: Sequence[Event], base: Path
) -> list[str]:
    paths = [found for entry in entries or () if (found := _path(entry, base)) is not None]
    own = [
        event.name
        for event in chosen
        if not any(
            Path(getattr(event.source, "file", "") or ".").resolve().is_relative_to(path)
            for path in paths
        )
    ]
    return [*paths, *own]


def _inputs(
    events: Sequence[Event],
    sensor_sets: Sequence[SensorSet | None],
    algorithms: Sequence[Algorithm | None],
) -> dict[str, str]:
    """SHA-256 of every input, by kind and name."""
    hashes: dict[str, str] = {}
    for event in events:
        files = [str(f) for f in event.metadata.get("files", ())]
        source = getattr(event.source, "file", "")
        if source and Path(source).is_file():
            files.append(str(source))
        if files:
            for path in files:
                hashes[f"{event.name}: {Path(path).name}"] = _digest(Path(path).read_bytes())
        else:
            digest = hashlib.sha256()
            for name, signal in sorted(event.signals.items()):
                digest.update(name.encode() + signal.samples.tobytes())
            hashes[f"{event.name}: signals"] = digest.hexdigest()
    for vehicle in sorted((shipped_folder("pulses") / "vehicles").glob("*.toml")):
        hashes[f"vehicle: {vehicle.name}"] = _digest(vehicle.read_bytes())
    for sensors in filter(None, sensor_sets):
        hashes[f"sensor set: {sensors.name}"] = _digest(repr(sensors).encode())
    for algorithm in filter(None, algorithms):
        try:
            content = algorithm_to_toml(algorithm)
        except CrashsenseError:
            content = repr(sorted((k, repr(v)) for k, v in algorithm.rules.items()))
            # An object's place in memory is no part of what it is.
            content = re.sub(r" at 0x[0-9a-fA-F]+", "", content)
        hashes[f"algorithm: {algorithm.name}"] = _digest(content.encode())
    return hashes


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


#: Rooms above the campaign: nothing in them changes a row.
_ABOVE = ("cli", "lessons", "reporting", "studies")


def code_digest() -> str:
    """SHA-256 of the source that makes rows: a run is resumed only by the code that began it."""
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parent.parent
    for path in sorted(package.rglob("*.py")):
        inside = path.relative_to(package)
        if inside.parts[0] not in _ABOVE:
            digest.update(f"{inside.as_posix()}\n".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()
