"""The plan: what is evaluated, from a TOML file or from Python, resolved to objects."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import tomli_w

from crashsense.errors import CrashsenseError, Fault, InputError, RunFolderError
from crashsense.event import Event, expired_waivers
from crashsense.files import exists, is_file, is_folder, read_text, read_toml
from crashsense.further_restraints import asking
from crashsense.plan.inputs import InputDigests, same_content
from crashsense.plan.keys import ENTRIES, KEYS, PlanKeys, check_names, checked_keys, is_list
from crashsense.plan.requirements import read_requirements, waiver_notes, with_requirements
from crashsense.plan.restraints import COVERED, chosen_restraints, limited_to, with_passenger_seat
from crashsense.rules import Algorithm, algorithm_names, load_algorithm, rate_faults
from crashsense.rules.plugins import rules_in_process as building_rules_here
from crashsense.sensing import SensorSet, load_sensor_set, sensor_set_names
from crashsense.sensing.build import built_sets
from crashsense.sensing.channel_faults import parse_channel_fault, with_channel_faults
from crashsense.synthesis import Recipe, load_recipes, parse_recipe
from crashsense.synthesis.frontal.own_vehicle import with_vehicle, written_vehicle
from crashsense.synthesis.recipe import events_of
from crashsense.synthesis.selection import select_events
from crashsense.trials import Conditions


@dataclass(frozen=True, eq=False)
class Plan:
    """A resolved plan: every name has become an object.

    ``keys`` is the plan as it is written, names and absolute paths; ``inputs`` maps each input
    (recipe, record file, sensor set, algorithm) to the SHA-256 of its content.
    """

    events: tuple[Event, ...]
    sensor_sets: tuple[SensorSet, ...]
    algorithms: tuple[Algorithm, ...]
    keys: PlanKeys
    inputs: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        counts = (
            f"{len(items)} {word}{'s' * (len(items) != 1)}"
            for items, word in (
                (self.events, "event"),
                (self.sensor_sets, "sensor set"),
                (self.algorithms, "algorithm"),
            )
        )
        return f"<Plan {', '.join(counts)}, {self.keys.draws} draws, seed {self.keys.seed}>"

    @property
    def draws(self) -> int:
        """Random draws beside the nominal one."""
        return self.keys.draws

    @property
    def evaluations(self) -> int:
        """Events x sensor sets x algorithms x draws."""
        settings = len(self.sensor_sets) * len(self.algorithms)
        return len(self.events) * settings * (self.draws + 1)

    def occurrences(self) -> list[tuple[Event, ...]]:
        """Events grouped by occurrence and source: their signals are computed once."""
        groups: dict[tuple[str, int], list[Event]] = {}
        for event in self.events:
            source = id(event.source) if event.source is not None else id(event)
            groups.setdefault((event.occurrence, source), []).append(event)
        return [tuple(group) for group in groups.values()]

    def to_toml(self) -> str:
        """Return the plan, as resolved, as TOML."""
        return "# The plan of this run, as resolved.\n" + tomli_w.dumps(self.keys.written())


def conditions_of(keys: PlanKeys, *, path: str) -> Conditions:
    """Return how the draws of a plan are made; *path* as in :class:`Conditions`."""
    shared = {one.name for one in fields(Conditions)} & {one.name for one in KEYS}
    return Conditions(path=path, **{name: getattr(keys, name) for name in shared})


def read_plan_file(path: str | Path) -> PlanKeys:
    """Read and validate a plan file; every fault is reported at once."""
    file = Path(path)
    data = read_toml(file, expected="a plan file (TOML)")
    try:
        return checked_keys(data, file=str(path))
    except InputError as error:
        # Names are checked as well, so that all faults of the file come in one go.
        raise InputError([*error.faults, *_name_faults(data, file=file)]) from None


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
        checked = partial(_events, base=file.parent, file=str(file), shipped=False)
        _attempt(faults, checked, events, str(file))
    return faults


def _read_record(path: Any, **how: Any) -> list[Event]:
    from crashsense.records import read_record  # readers are imported where there are records

    return read_record(path, **how)


def _attempt(faults: list[Fault], load: Any, argument: Any, file: str) -> Any:
    try:
        return load(argument)
    except InputError as error:
        found = error.faults or (Fault(file, "", None, str(error)),)
        faults.extend(f if f.file else Fault(file, f.field, f.value, f.expected) for f in found)
    except RunFolderError:  # code of a run folder that may not run: a question, not a fault
        raise
    except CrashsenseError as error:
        faults.append(Fault(file, "", argument, str(error)))
    return None


def _beside(entry: str, base: Path) -> str:
    """Resolve an entry that is a path: first beside the plan file, then from here."""
    candidate = base / entry
    is_path = "/" in entry or "\\" in entry or entry.endswith(".toml")
    return str(candidate) if is_path and exists(candidate) else entry


def _events(
    names: Sequence[str] | None, base: Path, file: str, *, shipped: bool = True
) -> list[Event]:
    """Resolve entries of ``events``: names, globs and families of the library, or paths.

    Without *shipped*, names of the library are only checked: their signals take a while.
    """
    recipes: list[Recipe] = []
    plain: list[str] | None = None if names is None else []
    for entry in names or ():
        path = Path(_beside(entry, base))
        if is_folder(path) and not _is_library_word(entry):
            recipes.extend(load_recipes(path))
        elif path.suffix == ".toml" and is_file(path):
            recipes.append(parse_recipe(read_text(path), path=str(path)))
        elif plain is not None:
            plain.append(entry)
    events = events_of(recipes)
    if plain or names is None:
        library = load_recipes()
        known = {event: recipe.family for recipe in library for event in recipe.event_names}
        selected = set(select_events(plain, known=known, file=file))
        events += events_of(library, selected) if shipped else []
    return events


def _is_library_word(entry: str) -> bool:
    from crashsense.event import FAMILIES

    return entry in FAMILIES


def resolve_plan(plan: str | Path | PlanKeys | Plan | None = None, **given: Any) -> Plan:
    """Resolve a plan and what overrides it to objects; all faults at once, nothing written.

    Parameters
    ----------
    plan : a plan file, the keys of one, or None for the shipped library. A plan that is resolved
        already takes no overrides
    given : keys of :class:`~crashsense.plan.keys.PlanKeys` that override the plan. ``events``,
        ``sensor_sets`` and ``algorithms`` may hold objects beside names and paths; one name or
        object may be given where a list is expected. ``records`` replace the library unless the
        plan names events

    Raises
    ------
    InputError : with every fault of the plan
    """
    check_names(given)
    given = {
        name: _listed(value) if is_list(name) else value
        for name, value in given.items()
        if value is not None
    }
    if isinstance(plan, Plan):
        expected = "nothing: the plan is already resolved; resolve it again with this key"
        if given:
            raise InputError([Fault("plan", key, _shown(v), expected) for key, v in given.items()])
        return plan
    objects = {name: given.pop(name) for name in ENTRIES if name in given}
    events, sensor_sets = objects.get("events"), objects.get("sensor_sets")
    algorithms, records = objects.get("algorithms"), objects.get("records")
    base, label, file = _plan_file(plan, given)
    faults = _value_faults(file, objects, label)
    entries = file.events if events is None else list(events)
    record_paths = [str(p) for p in records or ()]
    record_paths += [str(base / p) if exists(base / p) else p for p in file.records]
    for_records = {key: v for key, v in file.of("records").items() if v is not None}
    if not record_paths:
        expected = "nothing: there are no records"
        faults += [Fault(label, key, value, expected) for key, value in for_records.items()]
    set_entries = file.sensor_sets if sensor_sets is None else sensor_sets
    rule_entries = file.algorithms if algorithms is None else algorithms
    sets = _loaded(set_entries, SensorSet, load_sensor_set, base, label, faults)
    with building_rules_here(file.rules_in_process):
        rules = _loaded(rule_entries, Algorithm, load_algorithm, base, label, faults)
    # A fault ends it anyway: nobody waits for signals that nothing else of the plan asks for.
    shipped = not faults or file.vehicle is not None or file.requirements is not None
    chosen = _chosen_events(entries, record_paths, base, label, faults, shipped=shipped)
    vehicle = None
    if file.vehicle is not None:
        vehicle = _beside(file.vehicle, base)
        chosen = _attempt(faults, partial(with_vehicle, chosen), vehicle, label) or chosen
    written_events = _written_events(entries, chosen, base)
    faults += _borrowed_events(entries, chosen, base, label)
    for path in record_paths:
        chosen += _attempt(faults, partial(_read_record, **for_records), path, label) or []
    if file.passenger_seat is not None:
        chosen = with_passenger_seat(file.passenger_seat, chosen)
    asked = None
    if file.requirements is not None:
        reading = partial(read_requirements, base=base, file=label)
        asked = _attempt(faults, reading, file.requirements, label)
        putting = partial(with_requirements, chosen, file=label)
        chosen = (_attempt(faults, putting, asked, label) if asked else None) or chosen
    faults += _borrowed(set_entries, sets, load_sensor_set, sensor_set_names(), base, label)
    faults += _borrowed(rule_entries, rules, load_algorithm, algorithm_names(), base, label)
    all_sets = [s for s in sets if s is not None]
    broken = _attempt(faults, partial(faulted_sets, all_sets), file.faults, label) or all_sets
    holding = partial(built_sets, broken, temperature_c=file.temperature_c)
    broken = _attempt(faults, holding, file.build, label) or broken
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
    about = _attempt(faults, partial(chosen_restraints, file.restraints), all_rules, label) or ()
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
    waived = waiver_notes(chosen, on=date.today())
    notes = [*expired_waivers(chosen, on=date.today()), *waived, *notes]
    notes += [u.note for u in unseen if u.channels]
    if file.restraints:
        notes.append(f"this run is about {', '.join(about)} only; other restraints are open")
    if file.passenger_seat is not None:
        notes.append(f"passenger seat: {file.passenger_seat} in every event")
    notes += [f"every sensor set carries a fault: {fault}" for fault in file.faults]
    held = [*file.build, *([] if file.temperature_c is None else [f"{file.temperature_c:g} degC"])]
    if held:
        notes.append(f"every sensor set as built, in every draw: {', '.join(held)}")
    if file.rules_in_process:
        notes.append(
            "Python rules of your own ran in the evaluating process (rules_in_process): one that "
            "misbehaves can change or end the whole evaluation"
        )
    named = [name for name in file.restraints if name != COVERED]
    covered = {restraint for algorithm in all_rules for restraint in algorithm.rules}
    return Plan(
        events=tuple(
            limited_to(about, chosen, named=named, covered=covered)
            if file.restraints
            else [asking(event, about) for event in chosen]
        ),
        sensor_sets=tuple(broken),
        algorithms=tuple(all_rules),
        keys=replace(
            file,
            events=written_events or None,
            vehicle=None if vehicle is None else written_vehicle(vehicle),
            requirements=asked,
            records=[str(Path(p).resolve()) for p in record_paths],
            sensor_sets=_written(set_entries, sets, base),
            algorithms=_written(rule_entries, rules, base),
        ),
        inputs=InputDigests(chosen, all_sets, all_rules),
        notes=tuple(notes),
    )


def faulted_sets(sensor_sets: Sequence[SensorSet], faults: Sequence[str]) -> list[SensorSet]:
    """Return sensor sets with the faults of a plan (``CHANNEL:KIND[:FROM_MS]``).

    Raises
    ------
    InputError : faults that cannot be read, a channel without a sensor, the same fault twice
    """
    read = [parse_channel_fault(text, file="plan") for text in faults]
    if double := [str(fault) for fault in dict.fromkeys(read) if read.count(fault) > 1]:
        raise InputError([Fault("plan", "faults", text, "each fault once") for text in double])
    return [with_channel_faults(sensors, read) for sensors in sensor_sets]


def _listed(value: Any) -> list[Any]:
    """One name, path or object where a list is expected means that one."""
    return list(value) if isinstance(value, Iterable) and not isinstance(value, str) else [value]


def _plan_file(
    plan: str | Path | PlanKeys | None, given: Mapping[str, Any]
) -> tuple[Path, str, PlanKeys]:
    """Folder, name for messages and content of a plan, the *given* values put in."""
    base, label = Path(), "plan"
    if plan is None:
        keys = PlanKeys()
    elif isinstance(plan, PlanKeys):
        keys = plan
    else:
        base, label = Path(plan).parent, str(plan)
        keys = read_plan_file(plan)
    return base, label, checked_keys({**keys.written(), **given}, file=label)


def _value_faults(file: PlanKeys, objects: Mapping[str, Any], label: str) -> list[Fault]:
    faults = []
    for key, value in objects.items():
        if key != "records" and len(value) == 0:
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
    *,
    shipped: bool,
) -> list[Event]:
    """Events that are named or given; the whole library where neither they nor records are."""
    if entries is None and record_paths:
        return []
    chosen: list[Event] = []
    named = None if entries is None else [e for e in entries if isinstance(e, str)]
    if named is None or named:
        read = partial(_events, base=base, file=label, shipped=shipped)
        chosen += _attempt(faults, read, named, label) or []
    return chosen + [e for e in entries or () if isinstance(e, Event)]


def _loaded(
    entries: Sequence[Any], kind: type, load: Any, base: Path, label: str, faults: list[Fault]
) -> list[Any]:
    """Objects of *entries*, in their order; None where one cannot be loaded."""
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
    """Faults for user files that have the name of a shipped one and differ from it."""
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
    """The same for events: a user's recipe may not be mistaken for one of the library."""
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
    return str(found.resolve()) if is_path and exists(found) else None


def _written(entries: Sequence[Any], objects: Sequence[Any], base: Path) -> list[str]:
    """The entry in the resolved plan: a name, or the path of a user's file."""
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
