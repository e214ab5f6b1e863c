"""The plan: what is evaluated, from a TOML file or from Python, resolved to objects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from crashsense.errors import CrashsenseError, Fault, InputError
from crashsense.event import Event, expired_waivers
from crashsense.files import read_text, read_toml
from crashsense.plan.inputs import input_digests, same_content
from crashsense.records import read_record
from crashsense.rules import Algorithm, algorithm_names, load_algorithm, rate_faults
from crashsense.sensing import SensorSet, load_sensor_set, sensor_set_names
from crashsense.synthesis import Recipe, load_recipes, parse_recipe
from crashsense.synthesis.frontal.own_vehicle import with_vehicle, written_vehicle
from crashsense.synthesis.recipe import select_events
from crashsense.synthesis.wording import faults_of

DEFAULT_SENSOR_SETS = ("standard",)
DEFAULT_ALGORITHMS = ("plain", "guarded")
DEFAULT_SEED = 1

#: Most draws of a plan; the largest seed is what a column of the tables holds.
MOST_DRAWS, LARGEST_SEED = 100_000_000, 2**63 - 1

#: Keys of a plan that are about records alone.
FOR_RECORDS = ("channel", "belts", "expect", "required_from")

Keep = Literal["fire_curves", "traces_nominal", "traces_failed"]


class PlanFile(BaseModel):
    """The layout of a plan file.

    ``events``: names, globs, families, or paths of recipe files and recipe folders; ``records``:
    measured records; ``vehicle``: a vehicle file of your own in place of that of every frontal
    recipe; ``vary``: which tolerances are drawn (``"none"``: none, and no draws beside
    the nominal one); ``keep``: what is kept beside verdicts; ``channel``, ``belts``, ``expect``,
    ``required_from``: for records, as on the command line.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    events: list[str] | None = Field(default=None, min_length=1)
    records: list[str] = []
    vehicle: str | None = None
    sensor_sets: list[str] = Field(default=list(DEFAULT_SENSOR_SETS), min_length=1)
    algorithms: list[str] = Field(default=list(DEFAULT_ALGORITHMS), min_length=1)
    draws: int = Field(default=0, ge=0, le=MOST_DRAWS, strict=True)
    seed: int = Field(default=DEFAULT_SEED, ge=0, le=LARGEST_SEED, strict=True)
    vary: Literal["pulse", "sensor", "both", "none"] = "both"
    sensor_draws: Literal["own", "shared"] = "own"
    keep: list[Keep] = []
    channel: str | int | None = None
    belts: str | None = None
    expect: str | None = None
    required_from: str | int | None = None


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
        return "# The plan of this run, as resolved.\n" + tomli_w.dumps(dict(self.names))


def read_plan_file(path: str | Path) -> PlanFile:
    """Read and validate a plan file; every fault is reported at once."""
    file = Path(path)
    data = read_toml(file, expected="a plan file (TOML)")
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
        if path.is_dir() and not _is_library_word(entry):
            recipes.extend(load_recipes(path))
        elif path.suffix == ".toml" and path.is_file():
            recipes.append(parse_recipe(read_text(path), path=str(path)))
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
    required_from: str | int | None = None,
) -> Plan:
    """Resolve a plan and what overrides it to objects; all faults at once, nothing written.

    Records replace the library unless the plan names events. ``channel``, ``belts``, ``expect``
    and ``required_from`` apply to records. A plan that is resolved already takes no overrides.
    """
    objects: dict[str, Any] = {"events": events, "records": records}
    objects |= {"sensor_sets": sensor_sets, "algorithms": algorithms}
    values: dict[str, Any] = {"draws": draws, "seed": seed, "vary": vary, "keep": keep}
    values |= {"sensor_draws": sensor_draws}
    values |= {"channel": channel, "belts": belts, "expect": expect}
    values |= {"required_from": required_from}
    if isinstance(plan, Plan):
        expected = "nothing: the plan is resolved already; resolve it anew with this"
        given = {key: value for key, value in {**objects, **values}.items() if value is not None}
        if given:
            raise InputError([Fault("plan", key, _shown(v), expected) for key, v in given.items()])
        return plan
    base, label, file = _plan_file(plan, values)
    faults = _value_faults(file, objects, label)
    entries = file.events if events is None else list(events)
    record_paths = [str(p) for p in records or ()]
    record_paths += [str(base / p) if (base / p).exists() else p for p in file.records]
    if not record_paths:
        for key in FOR_RECORDS:
            if (value := getattr(file, key)) is not None:
                faults.append(Fault(label, key, value, "nothing: there are no records"))
    chosen = _chosen_events(entries, record_paths, base, label, faults)
    vehicle = None
    if file.vehicle is not None:
        vehicle = _beside(file.vehicle, base)
        chosen = _attempt(faults, partial(with_vehicle, chosen), vehicle, label) or chosen
    written_events = _written_events(entries, chosen, base)
    faults += _borrowed_events(entries, chosen, base, label)
    for path in record_paths:
        words: dict[str, Any] = {
            "channel": file.channel,
            "belts": file.belts,
            "expect": file.expect,
            "required_from": file.required_from,
        }
        chosen += _attempt(faults, partial(read_record, **words), path, label) or []
    set_entries = file.sensor_sets if sensor_sets is None else sensor_sets
    rule_entries = file.algorithms if algorithms is None else algorithms
    sets = _loaded(set_entries, SensorSet, load_sensor_set, base, label, faults)
    rules = _loaded(rule_entries, Algorithm, load_algorithm, base, label, faults)
    faults += _borrowed(set_entries, sets, load_sensor_set, sensor_set_names(), base, label)
    faults += _borrowed(rule_entries, rules, load_algorithm, algorithm_names(), base, label)
    all_sets = [s for s in sets if s is not None]
    all_rules = [a for a in rules if a is not None]
    groups: tuple[tuple[str, list[Any]], ...] = (
        ("events", chosen),
        ("sensor_sets", all_sets),
        ("algorithms", all_rules),
    )
    for kind, group in groups:
        names = [item.name for item in group]
        double = sorted({name for name in names if names.count(name) > 1})
        faults.extend(Fault(label, kind, name, "each name once") for name in double)
    rates = sorted({s.control_unit.tick_rate_hz for s in all_sets})
    faults += [f for a in all_rules for rate in rates for f in rate_faults(a, rate_hz=rate)]
    unseen = [_unseen(a, s) for a in all_rules for s in all_sets]
    faults += [Fault(label, "sensor_sets", u.sensors, u.fault) for u in unseen if u.all_rules]
    if faults:
        raise InputError(faults)
    notes = [
        f"{event.name}: {sentence}"
        for event in chosen
        for sentence in event.metadata.get("assumptions", ())
    ]
    notes = [*expired_waivers(chosen, on=date.today()), *notes]
    notes += [u.note for u in unseen if u.channels]
    kept: dict[str, Any] = {"draws": file.draws, "seed": file.seed, "vary": file.vary}
    kept |= {"sensor_draws": file.sensor_draws, "keep": list(file.keep)}
    for key in FOR_RECORDS:
        if (value := getattr(file, key)) is not None:
            kept[key] = value
    return Plan(
        events=tuple(chosen),
        sensor_sets=tuple(all_sets),
        algorithms=tuple(all_rules),
        draws=file.draws,
        seed=file.seed,
        vary=file.vary,
        sensor_draws=file.sensor_draws,
        keep=tuple(file.keep),
        names={
            **({"events": written_events} if written_events else {}),
            **({"vehicle": written_vehicle(vehicle)} if vehicle else {}),
            "records": [str(Path(p).resolve()) for p in record_paths],
            "sensor_sets": _written(set_entries, sets, base),
            "algorithms": _written(rule_entries, rules, base),
            **kept,
        },
        inputs=input_digests(chosen, all_sets, all_rules),
        notes=tuple(notes),
    )


def _plan_file(
    plan: str | Path | PlanFile | None, values: Mapping[str, Any]
) -> tuple[Path, str, PlanFile]:
    """Folder, name for messages and content of a plan, the given *values* put in."""
    base, label = Path(), "plan"
    if plan is None:
        file = PlanFile()
    elif isinstance(plan, PlanFile):
        file = plan
    else:
        base, label = Path(plan).parent, str(plan)
        file = read_plan_file(plan)
    given = {key: value for key, value in values.items() if value is not None}
    try:
        return base, label, PlanFile.model_validate({**file.model_dump(), **given})
    except ValidationError as error:
        raise InputError(faults_of(error, file=label)) from None


def _value_faults(file: PlanFile, objects: Mapping[str, Any], label: str) -> list[Fault]:
    faults = []
    for key, value in objects.items():
        if key != "records" and value is not None and len(value) == 0:
            faults.append(Fault(label, key, [], "one or more"))
    if file.vary == "none" and file.draws:
        expected = "0 where vary is 'none': every draw would be the nominal one"
        faults.append(Fault(label, "draws", file.draws, expected))
    return faults


def _chosen_events(
    entries: Sequence[Any] | None,
    record_paths: Sequence[str],
    base: Path,
    label: str,
    faults: list[Fault],
) -> list[Event]:
    """Events that are named or given; the whole library where neither they nor records are."""
    if entries is None and record_paths:
        return []
    chosen: list[Event] = []
    named = None if entries is None else [e for e in entries if isinstance(e, str)]
    if named is None or named:
        chosen += _attempt(faults, lambda n: _events(n, base, label), named, label) or []
    return chosen + [e for e in entries or () if isinstance(e, Event)]


def _loaded(
    entries: Sequence[Any], kind: type, load: Any, base: Path, label: str, faults: list[Fault]
) -> list[Any]:
    """Objects of *entries*, in their order; None where one cannot be had."""
    return [
        entry if isinstance(entry, kind) else _attempt(faults, load, _beside(entry, base), label)
        for entry in entries
    ]


def _borrowed(
    entries: Sequence[Any],
    objects: Sequence[Any],
    load: Any,
    shipped: Sequence[str],
    base: Path,
    label: str,
) -> list[Fault]:
    """Faults for files of one's own that bear the name of something shipped and differ from it."""
    faults = []
    for entry, item in zip(entries, objects, strict=True):
        path = _path(entry, base)
        own = path is not None and item is not None
        if own and item.name in shipped and not same_content(item, load(item.name)):
            faults.append(_name_fault(str(path), item.name))
    return faults


def _borrowed_events(
    entries: Sequence[Any] | None, chosen: Sequence[Event], base: Path, label: str
) -> list[Fault]:
    """The same of events: a recipe of one's own may not pass for one of the library."""
    if not any(_path(entry, base) for entry in entries or ()):
        return []
    shipped = {name: Path(r.file) for r in load_recipes() for name in r.event_names}
    faults = {}
    for event in chosen:
        file = Path(getattr(event.source, "file", "") or ".")
        original = shipped.get(event.name)
        if original is None or not file.is_file():
            continue
        if file.read_bytes() != original.read_bytes():
            faults[str(file)] = _name_fault(str(file), event.name)
    return list(faults.values())


def _name_fault(file: str, name: str) -> Fault:
    return Fault(file, "name", name, "a name of its own: the program ships another of this name")


@dataclass(frozen=True)
class _Unseen:
    """What an algorithm requires and a sensor set has no sensor for."""

    sensors: str
    algorithm: str
    channels: tuple[str, ...]
    restraints: tuple[str, ...]
    all_rules: bool

    @property
    def fault(self) -> str:
        channels = ", ".join(self.channels)
        return f"a sensor for {channels}: algorithm {self.algorithm} can judge nothing without"

    @property
    def note(self) -> str:
        return (
            f"sensor set {self.sensors} has no sensor for {', '.join(self.channels)}: algorithm "
            f"{self.algorithm} cannot judge {', '.join(self.restraints)} (not_evaluated)"
        )


def _unseen(algorithm: Algorithm, sensors: SensorSet) -> _Unseen:
    lacking = {
        restraint: rule.requires - set(sensors.sensors)
        for restraint, rule in algorithm.rules.items()
    }
    blind = tuple(restraint for restraint, channels in lacking.items() if channels)
    return _Unseen(
        sensors=sensors.name,
        algorithm=algorithm.name,
        channels=tuple(sorted(frozenset().union(*lacking.values()))),
        restraints=blind,
        all_rules=bool(blind) and len(blind) == len(lacking),
    )


def _shown(value: Any) -> Any:
    """A value as a message shows it: objects by their names."""
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [getattr(item, "name", item) for item in value]
    return value


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
