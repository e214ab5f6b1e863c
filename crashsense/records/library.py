"""Folders of records: read by their manifest, checked as a whole, imported into a library.

A library is a folder of Parquet tables, one an event, with ``library.json``: where each came from,
digests of sources and tables, what was assumed and found. It is written completely or not at
all, and read like any folder of tables; a table that was altered is refused.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from crashsense.errors import Fault, InputError, MissingExtraError, RunFolderError
from crashsense.event import Event, Requirement
from crashsense.files import json_content, read_bytes, read_text
from crashsense.records.header import Record
from crashsense.records.manifest import Entry, entries_of
from crashsense.records.reading import ChannelFigures, inspect_record, read_record
from crashsense.records.writing import write_signals
from crashsense.resources import CAUTION

LIBRARY = "library.json"
_SCHEMA = 1


@dataclass(frozen=True)
class Checked:
    """One record of a folder, checked: findings by severity, figures, faults that stopped it."""

    name: str
    counts: Counter[str]
    figures: tuple[ChannelFigures, ...]
    lines: tuple[str, ...]

    @property
    def state(self) -> str:
        """``error``, ``warning`` or ``sound``."""
        return "error" if self.counts["error"] else "warning" if self.counts["warning"] else "sound"


def check_folder(
    folder: str | Path, *, on_record: Callable[[Checked], None] | None = None
) -> list[Checked]:
    """Run every check on every record of a folder; one that cannot be read counts as an error."""
    found = []
    for entry in entries_of(_folder(folder)):
        try:
            checked = inspect_record(entry.path, channel=entry.channel, amend=amendment(entry))
        except (InputError, MissingExtraError) as error:
            lines = tuple(f"error: {line}" for line in str(error).splitlines())
            if entry.name == LIBRARY or _is_a_note(entry, lines):
                continue
            one = Checked(entry.name, Counter(error=len(lines)), (), lines)
        else:
            counts = Counter(finding.severity for finding in checked.findings)
            told = tuple(str(f) for f in checked.findings if f.severity != "info")
            one = Checked(entry.name, counts, checked.figures, told)
        found.append(one)
        if on_record is not None:
            on_record(one)
    if not found:
        raise InputError([Fault(str(folder), "folder", "no record", "one record or more")])
    return found


def _is_a_note(entry: Entry, lines: tuple[str, ...]) -> bool:
    """Whether a file that no manifest names is not a record at all, such as a letter."""
    stated = entry != Entry(entry.path, entry.name)
    return not stated and entry.path.is_file() and "text of an unknown format" in lines[0]


def _folder(folder: str | Path) -> Path:
    place = Path(folder)
    if not place.is_dir():
        raise InputError([Fault(str(folder), "folder", None, "a folder of records")])
    return place


def read_folder(folder: str | Path, *, wishes: Mapping[str, Any] | None = None) -> list[Event]:
    """Read every record of a folder by its manifest; all faults of all records at once.

    *wishes* are arguments of :func:`~crashsense.records.read_record` for a folder without one.
    """
    events: list[Event] = []
    faults: list[Fault] = []
    for entry in entries_of(_folder(folder)):
        try:
            events += read_record(entry.path, **wishes) if wishes else read_entry(entry)
        except InputError as error:
            lines = tuple(str(error).splitlines())
            if entry.name == LIBRARY or _is_a_note(entry, lines):
                continue
            faults += [
                replace(f, file=f"{entry.name}: {f.file}" if f.file != entry.name else f.file)
                for f in error.faults
            ]
    seen: dict[str, str] = {}
    for event in events:
        if event.name in seen:
            faults.append(Fault(str(folder), "event", event.name, "each event name once"))
        seen[event.name] = event.name
    if not events and not faults:
        faults.append(Fault(str(folder), "folder", "no record", "one record or more"))
    if faults:
        raise InputError(faults)
    return events


def amendment(entry: Entry) -> Callable[[Record], Record]:
    """Return what puts a manifest's family, speed and mass into a header."""

    def amend(record: Record) -> Record:
        test, vehicles = record.test, record.vehicles
        if entry.closing_speed_kmh is not None:
            test = replace(test, closing_speed_kmh=entry.closing_speed_kmh)
        if entry.mass_kg is not None and len(vehicles) == 1:
            vehicles = (replace(vehicles[0], mass_kg=entry.mass_kg),)
        if entry.family:
            basis = "stated by the manifest"
            record = replace(record, family=entry.family, family_basis=basis)
        return replace(record, test=test, vehicles=vehicles)

    return amend


def read_entry(entry: Entry) -> list[Event]:
    """Read one record with what its manifest states."""
    # A requirement without a time takes it from free flight, as one on the command line does.
    untimed = {
        name: stated.expectation
        for name, stated in entry.requirements.items()
        if stated.required_s is None
    }
    found = read_record(
        entry.path,
        channel=entry.channel,
        belts=entry.belts,
        expect=untimed or None,
        required_from=entry.required_from,
        amend=amendment(entry),
    )
    return [_with(event, entry) for event in found]


def _with(event: Event, entry: Entry) -> Event:
    requirements = dict(event.requirements)
    sentences = []
    for name, stated in entry.requirements.items():
        if stated.required_s is None:
            if stated.says_order:
                requirements[name] = replace(requirements[name], order=stated.order)
            continue
        basis = stated.basis or "stated by the manifest"
        requirements[name] = Requirement(
            stated.expectation,
            required_s=stated.required_s,
            origin_s=stated.origin_s,
            not_before_s=stated.not_before_s,
            basis=basis,
            waiver=stated.waiver,
            order=stated.order_of(name, family=event.family),
        )
        sentences.append(f"{name}: {stated.expectation} by {stated.required_s * 1e3:g} ms, {basis}")
    metadata = dict(event.metadata)
    if sentences:
        metadata["assumptions"] = [*sentences, *metadata.get("assumptions", ())]
    if entry.notes:
        metadata["notes"] = entry.notes
    if entry.mass_kg is not None:
        metadata["mass_kg"] = entry.mass_kg
    same = requirements == dict(event.requirements) and metadata == dict(event.metadata)
    if same and not entry.title:
        return event
    source = event.source
    if sentences and source is not None:
        times = {n: r.required_s for n, r in requirements.items()}
        known = {n: float("nan") if t is None else t for n, t in times.items()}
        source = replace(source, required_s=known)  # type: ignore[type-var]
    return replace(
        event,
        requirements=requirements,
        metadata=metadata,
        title=entry.title or event.title,
        source=source,
    )


def import_folder(folder: str | Path, out: str | Path) -> list[Event]:
    """Write a library of every record of a folder: all of them or nothing.

    Raises :class:`~crashsense.errors.InputError` with every fault of every record, before anything
    is written. *out* must not exist or be empty.
    """
    target = Path(out)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError([Fault(str(out), "--out", None, "a new or an empty folder")])
    if not target.absolute().parent.is_dir():
        raise InputError([Fault(str(out), "--out", None, "a folder in an existing folder")])
    events = read_folder(folder)
    staged = target.with_name(f".{target.name}.tmp")
    try:
        shutil.rmtree(staged, ignore_errors=True)
        staged.mkdir()
        listed = [_write(event, staged) for event in events]
        content = {"schema": _SCHEMA, "caution": CAUTION, "events": listed}
        text = json.dumps(content, indent=1, default=str)
        (staged / LIBRARY).write_text(text + "\n", encoding="utf-8")
        if target.exists():
            target.rmdir()
        staged.rename(target)
    except OSError as error:
        shutil.rmtree(staged, ignore_errors=True)
        reason = error.strerror or error
        raise RunFolderError(f"{out}: cannot write ({reason}); nothing was written") from None
    return events


def _write(event: Event, folder: Path) -> dict[str, Any]:
    path = folder / f"{event.name}.parquet"
    write_signals(event, path)
    return {
        "event": event.name,
        "table": path.name,
        "sha256": _digest(path),
        "format": event.metadata.get("format"),
        "sources": [Path(p).name for p in event.metadata.get("files", ())],
        "source_sha256": dict(event.metadata.get("sha256", {})),
        "channel": event.metadata.get("channel"),
        "assumptions": list(event.metadata.get("assumptions", ())),
        "notes": event.metadata.get("notes", ""),
    }


def _digest(path: Path) -> str:
    return hashlib.sha256(read_bytes(path)).hexdigest()


def library_faults(folder: Path) -> list[Fault]:
    """Compare a library's tables with what was written: changed, missing, foreign ones."""
    listed = folder / LIBRARY
    if not listed.is_file():
        return []
    content = json_content(read_text(listed, most_bytes=64 << 20), file=LIBRARY)
    known = content.get("events") if isinstance(content, dict) else None
    if not isinstance(known, list) or content.get("schema") != _SCHEMA:
        return [Fault(LIBRARY, "schema", None, f"a list of events of schema {_SCHEMA}")]
    faults = []
    digests = {str(e.get("table")): str(e.get("sha256")) for e in known if isinstance(e, dict)}
    here = {p.name for p in folder.iterdir() if p.is_file()} - {LIBRARY}
    remedy = "import the records again"
    for name, digest in digests.items():
        if name not in here:
            faults.append(Fault(str(folder), name, "missing", f"the table of {LIBRARY}; {remedy}"))
        elif _digest(folder / name) != digest:
            faults.append(Fault(name, "content", "changed", f"what was written; {remedy}"))
    for name in sorted(here - set(digests)):
        faults.append(Fault(str(folder), name, "not listed", f"a table that {LIBRARY} names"))
    return faults
