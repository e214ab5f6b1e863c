"""Formats that can be read: recognised by content, never by file name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol, cast

from crashsense.errors import Fault, InputError
from crashsense.files import opened
from crashsense.records import (
    archives,
    exchange,
    iso13499,
    mdf4,
    npz,
    single,
    table,
    tdms,
)
from crashsense.records.header import ChannelInfo, Record, Samples
from crashsense.records.table import TableFile

#: How much of a file is looked at [bytes].
_OPENING = 65536
#: Entry point under which a company adds a format of its own: a module, or an object of that face.
GROUP = "crashsense.record_formats"
#: Most files of a folder that are looked at.
_MOST_FILES = 20_000


class Reader(Protocol):
    """The interface of a reader: a module of this folder, or an installed one.

    ``read_header`` decides what follows: a :class:`Record` has its channels chosen and read one by
    one (``read_channel``), a :class:`TableFile` names its channels itself. The format of what it
    returns is the reader's ``NAME``. Faults are raised as :class:`~crashsense.errors.InputError`.
    """

    NAME: str
    TITLE: str

    def recognises(self, opening: str) -> bool:
        """Whether a file that begins like *opening* (bytes as latin-1) is of this format."""

    def read_header(self, path: Path) -> Record | TableFile:
        """Read what a file says before its values."""

    def read_channel(self, record: Record, channel: ChannelInfo) -> Samples:
        """Read the values of one channel in m/s^2."""


#: The readers of this program, first match wins: the sure signs first.
READERS: tuple[Reader, ...] = tuple(
    cast(Reader, module) for module in (exchange, iso13499, mdf4, tdms, table, single)
)


@lru_cache(maxsize=1)
def installed() -> tuple[tuple[Reader, ...], tuple[str, ...]]:
    """Return the readers that other packages add, by name, and what is wrong with others.

    A reader must offer the interface of :class:`Reader` under a unique name; one that cannot be
    loaded is reported and left out.
    """
    found: dict[str, Reader] = {}
    wrong = []
    taken = {reader.NAME for reader in READERS} | {npz.NAME}
    for point in sorted(entry_points(group=GROUP), key=lambda p: p.name):
        try:
            reader = point.load()
        except Exception as error:  # noqa: BLE001 - whatever the import of a stranger raises
            wrong.append(f"{point.name}: cannot be loaded ({type(error).__name__}: {error})")
            continue
        face = ("NAME", "TITLE", "recognises", "read_header", "read_channel")
        lacking = [name for name in face if not hasattr(reader, name)]
        if lacking:
            wrong.append(f"{point.name}: has no {', '.join(lacking)}")
        elif reader.NAME in taken or reader.NAME in found:
            wrong.append(f"{point.name}: the format name {reader.NAME!r} is taken")
        else:
            found[reader.NAME] = reader
    return tuple(found.values()), tuple(wrong)


def readers() -> tuple[Reader, ...]:
    """All readers, those of other packages first: they know their own files best."""
    return (*installed()[0], *READERS)


@dataclass(frozen=True)
class _Look:
    """One file inspected: the reader that recognises it, or why none does."""

    path: Path
    reader: Reader | None
    why: str


def supported() -> str:
    """Say which formats are supported, for messages."""
    known = [*readers(), cast(Reader, npz)]
    return "; ".join(f"{reader.NAME} ({reader.TITLE})" for reader in known)


def _look(path: Path) -> _Look:
    with opened(path, expected="a record") as stream:
        opening = stream.read(_OPENING) or b""  # None: a file of the system that is silent now
    if not opening.strip():
        return _Look(path, None, "an empty file")
    text = opening.decode("latin-1")
    if archives.is_archive(opening):
        is_npz = npz.recognises_archive(path)
        return _Look(path, cast(Reader, npz) if is_npz else None, "a zip archive")
    for reader in readers():
        if reader.recognises(text):
            return _Look(path, reader, "")
    if opening[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _Look(path, None, "text in UTF-16")
    if b"\x00" in opening:
        return _Look(path, None, "binary data")
    return _Look(path, None, "text of an unknown format")


def open_records(path: str | Path) -> list[Record | TableFile]:
    """Read the headers at *path*: a header file, a folder that holds one or more, or an archive.

    A folder is searched for headers by content; channel files are not headers. Tables and single
    channels in a folder are read where it holds no header: beside one they are notes or the
    channels in another form.
    """
    place = Path(path)
    shown = str(path)
    try:
        exists, is_folder = place.exists(), place.is_dir()
    except (OSError, ValueError):
        exists = is_folder = False
    if not exists:
        missing = "a record's folder or header, or a table; nothing is there"
        raise InputError([Fault(shown, "record", None, missing)])
    if is_folder:
        return _of_folder(place, shown)
    look = _look(place)
    expected = f"a header of a supported format: {supported()}"
    if look.reader is None and look.why == "a zip archive":
        return _of_archive(place)
    if place.suffix[1:].isdigit() and look.reader in (None, single):
        hint = " (this looks like a channel file: give its folder or header)"
        seen = look.why or "a channel without its header"
        raise InputError([Fault(shown, "content", seen, expected + hint)])
    if look.reader is None:
        hint = " (save it as UTF-8)" if look.why == "text in UTF-16" else ""
        raise InputError([Fault(shown, "content", look.why, expected + hint)])
    return [look.reader.read_header(place)]


def _of_archive(path: Path) -> list[Record | TableFile]:
    found = _of_folder(archives.unpacked(path), path.name)
    return [
        replace(record, archive=path) if isinstance(record, Record) else record for record in found
    ]


def _of_folder(place: Path, shown: str) -> list[Record | TableFile]:
    expected = f"a header of a supported format: {supported()}"
    # Imported here: a library is read through this module.
    from crashsense.records.library import LIBRARY, library_faults

    wrong = library_faults(place)
    if wrong:
        raise InputError(wrong)
    hidden = (LIBRARY, ".")
    files = sorted(p for p in place.iterdir() if p.is_file() and not p.name.startswith(hidden))
    if len(files) > _MOST_FILES:
        raise InputError([Fault(shown, "folder", len(files), f"at most {_MOST_FILES} files")])
    looks = [_look(p) for p in files if not p.suffix[1:].isdigit()]
    plain = (table, single, None)
    headers = [look for look in looks if look.reader not in plain]
    headers = headers or [look for look in looks if look.reader is table]
    headers = headers or [look for look in looks if look.reader is single]
    if not headers:
        seen = "an empty folder" if not files else f"{len(files)} files, none of them a header"
        faults = [Fault(shown, "folder", seen, expected)]
        faults += [
            Fault(look.path.name, "content", look.why, expected)
            for look in looks
            if look.path.suffix.lower().startswith(".ev") or look.why == "a zip archive"
        ]
        raise InputError(faults)
    return [look.reader.read_header(look.path) for look in headers if look.reader is not None]


def reader_of(record: Record) -> Reader:
    """Return the reader that opened *record*."""
    known = (*readers(), cast(Reader, npz))
    return next(reader for reader in known if record.format == reader.NAME)
