"""Zip archives of records: checked first, then unpacked to a temporary folder.

Refused: members outside the archive's own folder (``..``, absolute names, drives), links, encrypted
members, too many members, and contents out of proportion to the archive (a bomb).
"""

from __future__ import annotations

import shutil
import stat
import zipfile
import zlib
from functools import lru_cache
from pathlib import Path, PurePosixPath

from crashsense.errors import Fault, InputError
from crashsense.files import MOST_BYTES, opened
from crashsense.temporary import folder_until_exit

#: Most members of an archive. A full test of the exchange format has below 1000 channels.
MOST_MEMBERS = 20_000
#: Content over archive: text of channels packs 3 to 6 times; beyond this it is not a measurement.
#: Small archives may hold this many bytes whatever the ratio.
MOST_RATIO, ALWAYS_BYTES = 50, 8 * 1024 * 1024


def is_archive(opening: bytes) -> bool:
    """Whether a file that begins with *opening* is a zip archive."""
    return opening[:4] in (b"PK\x03\x04", b"PK\x05\x06")


def members(path: Path) -> list[zipfile.ZipInfo]:
    """Return the members of an archive after all checks; nothing is unpacked."""
    with opened(path, expected="an archive") as stream:
        return [info for info in _checked(stream, path) if not info.is_dir()]


def _checked(stream: object, path: Path) -> list[zipfile.ZipInfo]:
    name = path.name
    try:
        with zipfile.ZipFile(stream) as archive:  # type: ignore[call-overload]
            infos: list[zipfile.ZipInfo] = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, EOFError) as error:
        raise InputError([Fault(name, "content", None, f"a whole zip archive ({error})")]) from None
    if len(infos) > MOST_MEMBERS:
        expected = f"at most {MOST_MEMBERS} members"
        raise InputError([Fault(name, "content", f"{len(infos)} members", expected)])
    faults = []
    for info in infos:
        inner = PurePosixPath(info.filename.replace("\\", "/"))
        mode = info.external_attr >> 16
        if inner.is_absolute() or ".." in inner.parts or ":" in info.filename or not inner.parts:
            faults.append(Fault(name, "member", info.filename[:80], "a name inside the archive"))
        elif stat.S_ISLNK(mode):
            faults.append(
                Fault(name, "member", info.filename[:80], "a file; links are not followed")
            )
        elif info.flag_bits & 1:
            faults.append(Fault(name, "member", info.filename[:80], "a member without a password"))
    total = sum(info.file_size for info in infos)
    most = min(MOST_BYTES, max(ALWAYS_BYTES, MOST_RATIO * path.stat().st_size))
    if total > most:
        seen, expected = f"{total} bytes unpacked", f"at most {most}"
        faults.append(Fault(name, "content", seen, expected))
    if faults:
        raise InputError(faults[:20])
    return infos


def unpacked(path: Path) -> Path:
    """Unpack an archive to a folder that is removed when the program ends; return that folder.

    Where the archive holds one folder and nothing else, that folder is returned.
    """
    place = path.resolve()
    seen = place.stat()
    return _unpacked(place, seen.st_mtime_ns, seen.st_size)


@lru_cache(maxsize=64)
def _unpacked(path: Path, _changed: int, _size: int) -> Path:
    with opened(path, expected="an archive") as stream:
        infos = _checked(stream, path)
        stream.seek(0)
        target = folder_until_exit() / "content"
        target.mkdir()
        try:
            with zipfile.ZipFile(stream) as archive:
                _unpack_all(archive, infos, target, path)
        except BaseException:
            shutil.rmtree(target, ignore_errors=True)
            raise
    inside = list(target.iterdir())
    while len(inside) == 1 and inside[0].is_dir():
        target = inside[0]
        inside = list(target.iterdir())
    return target


def _unpack_all(
    archive: zipfile.ZipFile, infos: list[zipfile.ZipInfo], target: Path, path: Path
) -> None:
    for info in infos:
        inner = PurePosixPath(info.filename.replace("\\", "/"))
        place = target.joinpath(*inner.parts)
        if info.is_dir():
            place.mkdir(parents=True, exist_ok=True)
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        _unpack(archive, info, place, path)


def _unpack(archive: zipfile.ZipFile, info: zipfile.ZipInfo, place: Path, path: Path) -> None:
    try:
        # No more is read than the member says; its checksum then tells that there was more.
        with archive.open(info) as source, place.open("wb") as sink:
            shutil.copyfileobj(source, sink)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError) as error:
        expected = f"a whole member ({error})"
        raise InputError([Fault(path.name, "member", info.filename[:80], expected)]) from None
