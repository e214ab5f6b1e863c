"""Which formats can be read: chosen by what a file holds, never by its name."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from crashsense.errors import Fault, InputError
from crashsense.records import exchange, table
from crashsense.records.header import Record
from crashsense.records.table import TableFile

#: How much of a file is looked at [bytes].
_OPENING = 65536

#: The readers. A new format is a module with the same face (``NAME``, ``TITLE``, ``recognises``,
#: ``read_header``) and one entry here. What ``read_header`` returns says how it goes on: a
#: :class:`Record` has its channels chosen and read one by one (``read_channel``), a
#: :class:`TableFile` names its channels itself.
READERS: tuple[ModuleType, ...] = (exchange, table)


@dataclass(frozen=True)
class _Look:
    """One file, looked at: the reader that knows it, or why none does."""

    path: Path
    reader: ModuleType | None
    why: str


def supported() -> str:
    """Say which formats are supported, for messages."""
    return "; ".join(f"{reader.NAME} ({reader.TITLE})" for reader in READERS)


def _look(path: Path) -> _Look:
    with path.open("rb") as stream:
        opening = stream.read(_OPENING)
    if not opening.strip():
        return _Look(path, None, "an empty file")
    text = opening.decode("latin-1")
    for reader in READERS:
        if reader.recognises(text):
            return _Look(path, reader, "")
    if opening[:2] == b"PK":
        return _Look(path, None, "a zip archive")
    if opening[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _Look(path, None, "text in UTF-16")
    if b"\x00" in opening:
        return _Look(path, None, "binary data")
    return _Look(path, None, "text of an unknown format")


def open_records(path: str | Path) -> list[Record | TableFile]:
    """Read the headers at *path*: a header file, or a folder that holds one or more.

    A folder is searched for headers by content; channel files are not headers. Tables in a folder
    are read where it holds no header: beside one they are notes or the channels in another form.
    """
    place = Path(path)
    shown = str(path)
    if not place.exists():
        missing = "a record's folder or header, or a table; nothing is there"
        raise InputError([Fault(shown, "record", None, missing)])
    expected = f"a header of a supported format: {supported()}"
    if place.is_file():
        look = _look(place)
        if look.reader is None:
            hints = {"a zip archive": "unpack it first", "text in UTF-16": "save it as UTF-8"}
            hint = f" ({hints[look.why]})" if look.why in hints else ""
            if place.suffix[1:].isdigit():
                hint = " (this looks like a channel file: give its folder or header)"
            raise InputError([Fault(shown, "content", look.why, expected + hint)])
        return [look.reader.read_header(place)]
    files = sorted(p for p in place.iterdir() if p.is_file() and not p.name.startswith("."))
    looks = [_look(p) for p in files if not p.suffix[1:].isdigit()]
    headers = [look for look in looks if look.reader not in (None, table)]
    headers = headers or [look for look in looks if look.reader is table]
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


def reader_of(record: Record) -> ModuleType:
    """Return the reader that opened *record*."""
    return next(reader for reader in READERS if record.format == reader.NAME)
