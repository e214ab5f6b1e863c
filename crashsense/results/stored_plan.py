"""The plan of a run folder, rebuilt only as far as it is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from crashsense.errors import Fault, InputError, RunFolderError, nearest, unknown_name
from crashsense.event import Event
from crashsense.plan.inputs import InputDigests
from crashsense.plan.keys import PlanKeys, checked_keys
from crashsense.plan.resolve import Plan, faulted_sets, resolve_plan
from crashsense.plan.restraints import chosen_restraints, limited_to
from crashsense.resources import folder as shipped_folder
from crashsense.results.folder import RunFolder
from crashsense.results.input_copies import InputCopy, InputSource, kept_inputs
from crashsense.rules import Algorithm, load_algorithm
from crashsense.rules.algorithm import algorithm_from_toml
from crashsense.rules.trust import only_evaluated
from crashsense.sensing import SensorSet, load_sensor_set
from crashsense.synthesis import Recipe, load_recipes, parse_recipe
from crashsense.synthesis.frontal.own_vehicle import with_vehicle

_Item = TypeVar("_Item")


@dataclass(frozen=True, eq=False)
class EvaluationInputs:
    """What one evaluation needs: the events of its occurrence, sensors, and all algorithms.

    Which channels are sensed follows from all algorithms of the plan, so all are there; ``rules``
    is the one asked for. ``notes``: which copies replace inputs that changed since the run.
    """

    events: tuple[Event, ...]
    event: Event
    sensors: SensorSet
    algorithms: tuple[Algorithm, ...]
    rules: Algorithm
    keys: PlanKeys
    notes: tuple[str, ...] = ()


def check_draw(draw: int, *, draws: int) -> None:
    """Refuse a draw that the run does not have."""
    if not 0 <= draw <= draws:
        raise InputError([Fault("run", "draw", draw, f"0 to {draws}, the draws of the run")])


def pick(items: Sequence[_Item], name: str | None, *, kind: str, names: Sequence[str]) -> _Item:
    """Return the item of that name, the last without one; *names* are those of the items."""
    if name is None:
        return items[-1]
    if name not in names:
        raise unknown_name(kind, name, names, file="run")
    return items[list(names).index(name)]


def check_event(event: str, *, known: Sequence[str]) -> None:
    """Refuse an event that the run does not have."""
    if event not in known:
        raise InputError([Fault("run", "event", event, nearest(event, known))])


def plan_of(folder: Path, *, trust: bool = False) -> Plan:
    """Resolve the plan of a run folder again; inputs that changed since are refused by name.

    Code of rules is loaded as :mod:`crashsense.rules.trust` says.
    """
    identity = RunFolder(folder).manifest()["identity"]
    with only_evaluated(folder, trust=trust):
        plan = resolve_plan(checked_keys(identity["plan"], file=str(folder)))
    before = identity["inputs"]
    changed = [key for key in {**before, **plan.inputs} if before.get(key) != plan.inputs.get(key)]
    if changed:
        raise RunFolderError(
            f"{folder}: inputs changed since the run ({'; '.join(sorted(changed)[:4])}); "
            "evaluate again"
        )
    return plan


class StoredPlan:
    """The plan of a run folder: its names at once, its objects when they are asked for."""

    def __init__(self, folder: Path, *, trust: bool = False) -> None:
        self.folder = folder
        self.trust = trust
        identity = RunFolder(folder).manifest()["identity"]
        self.keys = checked_keys(identity["plan"], file=str(folder))
        self.digests: dict[str, str] = dict(identity["inputs"])
        self.kept = kept_inputs(folder)
        self.notes: list[str] = []
        #: beginnings of the keys of inputs that are read from their copies
        self.copied: list[str] = []

    def _names(self, kind: str) -> list[str]:
        """Names of the inputs of a kind, in the order of the plan."""
        found: list[str] = []
        for key in self.digests:
            name = key.removeprefix(f"{kind} ")
            # An algorithm is followed by its files, "NAME: FILE".
            if name != key and not any(name.startswith(f"{known}: ") for known in found):
                found.append(name)
        return found

    @property
    def event_names(self) -> list[str]:
        """Events of the run."""
        return list(dict.fromkeys(name.partition(": ")[0] for name in self._names("event")))

    def asked(
        self, event: str, *, draw: int, sensor_set: str | None, algorithm: str | None
    ) -> EvaluationInputs:
        """Build what one evaluation needs; names and draw are checked before anything is built."""
        known_sets, known_rules = self._names("sensor set:"), self._names("algorithm:")
        check_draw(draw, draws=self.keys.draws)
        check_event(event, known=self.event_names)
        at = pick(range(len(known_sets)), sensor_set, kind="sensor_set", names=known_sets)
        number = pick(range(len(known_rules)), algorithm, kind="algorithm", names=known_rules)
        sensors = self._input(
            "sensor set", known_sets[at], self.keys.sensor_sets[at], load_sensor_set, _sensors_of
        )
        with only_evaluated(self.folder, trust=self.trust):
            algorithms = tuple(
                self._input("algorithm", name, entry, load_algorithm, _algorithm_of)
                for name, entry in zip(known_rules, self.keys.algorithms, strict=True)
            )
        events = self._events(event)
        self._check(InputDigests(events, [sensors], algorithms), sensors=sensors, events=events)
        about = chosen_restraints(self.keys.restraints, algorithms)
        events = tuple(limited_to(about, events))
        return EvaluationInputs(
            events=events,
            event=next(e for e in events if e.name == event),
            sensors=faulted_sets([sensors], self.keys.faults)[0],
            algorithms=algorithms,
            rules=algorithms[number],
            keys=self.keys,
            notes=tuple(self.notes),
        )

    def _input(
        self,
        kind: str,
        name: str,
        entry: str,
        load: Callable[[str], _Item],
        load_copy: Callable[[Any], _Item],
    ) -> _Item:
        """Load an input from the run's copy; what ships with the program is not copied."""
        for kept in self.kept:
            if (kept.kind, kept.name) == (kind, name):
                self.copied.append(f"{kind}: {name}")
                return load_copy(self._copy(kept))
        return load(entry)

    def _copy(self, kept: InputCopy) -> InputSource:
        copy = kept.redirected()
        self.notes += [copy.note] if copy.note else []
        return copy

    def _events(self, event: str) -> tuple[Event, ...]:
        """The event and those that share its occurrence, as the plan groups them."""
        recipe = self._recipe(event)
        found = self._recorded(event) if recipe is None else list(recipe.events())
        if recipe is not None and self.keys.vehicle is not None:
            found = with_vehicle(found, self._vehicle(self.keys.vehicle))
        known = set(self.event_names)
        chosen = next((e for e in found if e.name == event), None)
        if chosen is None:
            raise RunFolderError(
                f"{self.folder}: event {event} is in no file (it was made in Python); "
                "open the run with the plan that it was made from"
            )
        return tuple(
            e
            for e in found
            if e.name in known
            and e.occurrence == chosen.occurrence
            and (e.source is chosen.source if chosen.source is not None else e is chosen)
        )

    def _vehicle(self, named: str) -> str:
        """The vehicle of the plan: the run's copy of its file, or one that ships."""
        for kept in self.kept:
            if kept.kind == "vehicle":
                return str(self._copy(kept).copy)
        return named

    def _recipe(self, event: str) -> Recipe | None:
        kept: InputCopy | None = next((k for k in self.kept if event in k.events), None)
        if kept is not None:
            return _parsed(self._copy(kept).copy)
        for recipe in self._recipes(event):
            if event in recipe.event_names:
                return recipe
        return None

    def _recipes(self, event: str) -> Iterator[Recipe]:
        """Recipes that may hold the event: the library's of that file name, then the plan's own."""
        start = f"event {event}: "
        files = {key.removeprefix(start) for key in self.digests if key.startswith(start)}
        for path in sorted(shipped_folder("pulses").rglob("*.toml")):
            if path.name in files and path.parent.name != "vehicles":
                yield _parsed(path)
        for entry in self.keys.events or ():
            path = Path(entry)
            if path.is_absolute() and path.is_dir():
                yield from load_recipes(path)
            elif path.is_absolute() and path.name in files:
                yield _parsed(path)

    def _recorded(self, event: str) -> list[Event]:
        from crashsense.records import read_record

        for path in self.keys.records:
            found = read_record(path, **self.keys.of("records"))
            if any(e.name == event for e in found):
                return found
        return []

    def _check(
        self, now: Mapping[str, str], *, sensors: SensorSet, events: Sequence[Event]
    ) -> None:
        """Refuse inputs that are not those of the run, by name."""
        wanted = ["vehicle", "algorithm", f"sensor set: {sensors.name}"]
        wanted += [f"event {event.name}" for event in events]
        keys = [
            key
            for key in {**self.digests, **now}
            if _within(key, wanted) and not _within(key, self.copied)
        ]
        changed = sorted(key for key in keys if self.digests.get(key) != now.get(key))
        if changed:
            raise RunFolderError(
                f"{self.folder}: inputs changed since the run ({'; '.join(changed[:4])}); "
                "evaluate again"
            )


def _within(key: str, groups: Sequence[str]) -> bool:
    """True if the key of an input is one of the groups, or a file in one of them."""
    return key in groups or any(key.startswith(f"{group}: ") for group in groups)


def _parsed(path: Path) -> Recipe:
    try:
        return parse_recipe(path.read_text(encoding="utf-8"), path=str(path))
    except (OSError, UnicodeDecodeError):
        raise InputError([Fault(str(path), "", None, "a recipe that can be read")]) from None


def _sensors_of(copy: Any) -> SensorSet:
    return load_sensor_set(str(copy.copy), folder=copy.original.parent, moved=copy.moved)


def _algorithm_of(copy: Any) -> Algorithm:
    original: Path = copy.original
    return algorithm_from_toml(
        copy.copy.read_text(encoding="utf-8"),
        file=str(copy.copy),
        folder=original.parent,
        name=original.stem,
        moved=copy.moved,
    )
