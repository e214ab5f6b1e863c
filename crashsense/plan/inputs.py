"""What a run was made from, as checksums: by these alone a run is resumed and replayed."""

from __future__ import annotations

import hashlib
import inspect
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import Path

from crashsense.errors import CrashsenseError
from crashsense.event import Event
from crashsense.files import is_file
from crashsense.resources import folder as shipped_folder
from crashsense.rules import Algorithm, Rule, algorithm_to_toml
from crashsense.sensing import SensorSet
from crashsense.synthesis.frontal.vehicle import vehicle_path
from crashsense.values import content_of

_PACKAGE = Path(__file__).resolve().parent.parent

#: Rooms above the campaign: nothing in them changes a row.
_ABOVE = ("cli", "reporting", "studies")


class InputDigests(Mapping[str, str]):
    """SHA-256 of every input by kind and name.

    Of an event: its files or, without any, its signals; and what is asked of it. Of an algorithm:
    its rules, and the files of user-written rules. What such a file itself imports
    is not checked.

    Files may change, and so may a user's rule that keeps a state while it runs: their checksums,
    and those of sensor sets, are taken at once. Those of an event's signals and requirements, which
    nothing changes, are taken when they are first asked for: a run in memory never does, and
    signals made in Python cost as much as some dozen of their evaluations.
    """

    def __init__(
        self,
        events: Sequence[Event],
        sensor_sets: Sequence[SensorSet],
        algorithms: Sequence[Algorithm],
    ) -> None:
        self._events = [(event, *_digests_of_files(event)) for event in events]
        self._of_others: dict[str, str] = {}
        for vehicle in sorted((shipped_folder("pulses") / "vehicles").glob("*.toml")):
            self._of_others[f"vehicle: {vehicle.name}"] = _digest(vehicle.read_bytes())
        for sensors in sensor_sets:
            content = content_of(sensors).encode()
            self._of_others[f"sensor set: {sensors.name}"] = _digest(content)
        for algorithm in algorithms:
            name = f"algorithm: {algorithm.name}"
            # Its files behind it: so it is known whose they are when the folder is read.
            self._of_others[name] = _digest(_content_of(algorithm).encode())
            for path in sorted({p for rule in algorithm.rules.values() for p in _files_of(rule)}):
                self._of_others[f"{name}: {path.name}"] = _digest(path.read_bytes())

    @cached_property
    def _all(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for event, of_files, with_signals in self._events:
            found |= of_files
            if with_signals:
                found[f"event {event.name}: signals"] = _digest_of_signals(event)
            asked = [sorted(event.requirements.items()), event.context, sorted(event.quiet)]
            asked += [event.family, event.occurrence]
            found[f"event {event.name}: requirements"] = _digest(content_of(asked).encode())
        return found | self._of_others

    def __getitem__(self, key: str) -> str:
        return self._all[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)


def code_digest() -> str:
    """SHA-256 of the source that makes rows: a run is resumed only by the code that began it."""
    digest = hashlib.sha256()
    for path in sorted(_PACKAGE.rglob("*.py")):
        inside = path.relative_to(_PACKAGE)
        if inside.parts[0] not in _ABOVE:
            digest.update(f"{inside.as_posix()}\n".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def same_content(one: Algorithm | SensorSet, other: Algorithm | SensorSet) -> bool:
    """True if two sensor sets, or two algorithms, are the same but for where they were read."""
    if isinstance(one, Algorithm) and isinstance(other, Algorithm):
        return _content_of(one) == _content_of(other)
    return content_of(one) == content_of(other)


def _digests_of_files(event: Event) -> tuple[dict[str, str], bool]:
    """Checksums of an event's files, by key, and True if it has none, and its signals count."""
    files = _files_of_event(event)
    found = {f"event {event.name}: {path.name}": _digest(path.read_bytes()) for path in files}
    vehicle = _own_vehicle(event)
    if vehicle is not None:
        found[f"event {event.name}: vehicle {vehicle.name}"] = _digest(vehicle.read_bytes())
    return found, not files


def _files_of_event(event: Event) -> list[Path]:
    files = [Path(f) for f in event.metadata.get("files", ())]
    source = getattr(event.source, "file", "")
    return [*files, Path(source)] if source and Path(source).is_file() else files


def _digest_of_signals(event: Event) -> str:
    digest = hashlib.sha256(_without_addresses(content_of(event.source)).encode())
    for name, signal in sorted(event.signals.items()):
        axis = (signal.rate_hz, signal.start_s, signal.unit)
        digest.update(f"{name} {axis}".encode() + signal.samples.tobytes())
    return digest.hexdigest()


def _own_vehicle(event: Event) -> Path | None:
    """The user's vehicle file that the event's recipe or the plan names."""
    parameters = getattr(event.source, "parameters", None)
    named = str(getattr(parameters, "vehicle", ""))
    if not named.endswith(".toml"):
        return None
    return vehicle_path(named, beside=getattr(parameters, "folder", "") or None)


def _content_of(algorithm: Algorithm) -> str:
    try:
        return algorithm_to_toml(algorithm)
    except CrashsenseError:
        rules = sorted((name, content_of(rule)) for name, rule in algorithm.rules.items())
        return _without_addresses(repr(rules))


def _without_addresses(text: str) -> str:
    """Remove memory addresses: they say nothing about the object."""
    return re.sub(r" at 0x[0-9a-fA-F]+", "", text)


def named_files(rule: Rule) -> Iterator[Path]:
    """Files that a rule names, those of its children not: a Python file or a C library."""
    named = str(getattr(rule, "file", ""))
    for text in (named, named.rpartition(":")[0]):
        if text and is_file(text):
            yield Path(text).resolve()


def _files_of(rule: Rule) -> Iterator[Path]:
    """Files of a user-written rule: those it names, and the one that defines its class."""
    yield from named_files(rule)
    written = str(getattr(rule, "source", ""))  # of a rule from a file or module: its class
    if written and Path(written).is_file() and not _shipped(written):
        yield Path(written).resolve()
    yield from _written_in(type(rule))
    for child in rule.children.values():
        yield from _files_of(child)


def _written_in(kind: type) -> Iterator[Path]:
    try:
        file = inspect.getsourcefile(kind)
    except (TypeError, OSError):  # made by hand, in a shell or in compiled code
        return
    if file and Path(file).is_file() and not _shipped(file):
        yield Path(file).resolve()


def _shipped(file: str) -> bool:
    return Path(file).resolve().is_relative_to(_PACKAGE)


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
