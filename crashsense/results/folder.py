"""The run folder: parts written whole or not at all, a manifest, one writer at a time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shlex
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from crashsense.errors import RunFolderError
from crashsense.files import is_file
from crashsense.results.as_csv import csv_of
from crashsense.results.sealed import parsed, read_sealed, sealed_text, unsealed
from crashsense.results.tables import SCHEMA_VERSION, TABLES, Task

if TYPE_CHECKING:
    import pandas as pd

MANIFEST = "manifest.json"
PLAN = "plan.toml"
LOCK = ".lock"

#: Rows of a CSV file that are in memory as text.
CSV_PIECE = 2**14

#: How a part is written: what packs it decides a third of the time of small parts. Numbers seldom
#: come twice, so text alone goes through a list of the distinct ones; what the file says of its
#: columns is read of events alone (:meth:`RunFolder.may_hold`).
_WRITTEN: Mapping[str, Mapping[str, Any]] = {
    name: {
        "compression": "lz4",
        "write_page_checksum": True,
        "use_dictionary": [c.name for c in schema if pa.types.is_string(c.type)],
        "write_statistics": ["event"],
    }
    for name, (_, schema) in TABLES.items()
}

#: One line a finished task: the SHA-256 of each of its parts. A half-written last line is ignored.
CHECKSUMS = "parts.jsonl"


def write_text(path: Path, text: str) -> None:
    """Write a file whole: to a temporary name beside it, then renamed."""
    _write(path, [text])


def write_csv(path: Path, tables: Iterable[pa.Table | pd.DataFrame]) -> None:
    """Write a table that comes in pieces, some rows at a time; the first gives the header."""
    pieces = _pieces(tables)
    _write(path, (csv_of(piece, header=place == 0) for place, piece in enumerate(pieces)))


def _pieces(tables: Iterable[pa.Table | pd.DataFrame]) -> Iterator[pa.Table | pd.DataFrame]:
    """Cut large pieces, and join small ones of Arrow: a call a column costs as much as 300 rows."""
    held: list[pa.Table] = []
    for table in tables:
        if isinstance(table, pa.Table):
            held.append(table)
            if sum(map(len, held)) < CSV_PIECE:
                continue
            table, held = pa.concat_tables(held), []
        elif held:
            yield pa.concat_tables(held)
            held = []
        for first in range(0, max(len(table), 1), CSV_PIECE):
            yield table[first : first + CSV_PIECE]
    if held:
        yield pa.concat_tables(held)


def _write(path: Path, pieces: Iterable[str]) -> None:
    temporary = path.with_name(f".{path.name}.tmp")
    try:
        with temporary.open("w", encoding="utf-8") as file:
            file.writelines(pieces)
        os.replace(temporary, path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise _cannot_write(path, error) from error


def _cannot_write(path: Path, error: OSError) -> RunFolderError:
    return RunFolderError(
        f"{path}: cannot write ({error.strerror or error}); what was already written is kept, "
        "and the same command continues from there"
    )


class RunFolder:
    """A run folder opened for reading; see :class:`FolderLock` for writing."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        #: state of the file of checksums, and what it held then
        self._noted: tuple[tuple[int, int], dict[str, dict[str, str]]] | None = None

    # -- manifest ------------------------------------------------------------------------------

    @property
    def exists(self) -> bool:
        """True if the folder has a manifest."""
        return is_file(self.path / MANIFEST)

    def check_new_or_run(self) -> None:
        """Refuse a path that is a file, or a folder with other content than a run."""
        if self.path.exists() and not self.path.is_dir():
            raise RunFolderError(f"{self.path}: is a file; expected a run folder or a new name")
        if self.path.is_dir() and not self.exists:
            other = [p.name for p in self.path.iterdir() if not p.name.startswith(".")]
            if other:
                raise RunFolderError(
                    f"{self.path}: is not a run folder (it holds {sorted(other)[0]!r} and no "
                    f"{MANIFEST}); expected a run folder, an empty folder or a new name"
                )

    def manifest(self) -> dict[str, Any]:
        """Read the manifest; damage, and a schema version not known here, are refused by name."""
        path = self.path / MANIFEST
        if not self.exists:
            raise RunFolderError(f"{self.path}: is not a run folder; it has no {MANIFEST}")
        content = parsed(path)
        version = content.get("schema_version")
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            raise RunFolderError(
                f"{path}: schema_version: got {version!r}; expected a whole number, 1 to "
                f"{SCHEMA_VERSION}"
            )
        if version > SCHEMA_VERSION:
            raise RunFolderError(
                f"{self.path}: schema version {version} is later than {SCHEMA_VERSION}, the latest "
                "that this program reads; read it with the program that wrote it"
            )
        try:
            return unsealed(content, path=path)
        except RunFolderError as error:
            raise RunFolderError(f"{error}; evaluate again into a new folder") from None

    @property
    def mark(self) -> str:
        """What tells this folder from others: a process that sees the same writes to the same."""
        try:
            return _sha256(self.path / MANIFEST)
        except OSError:
            return ""

    def write_manifest(self, manifest: Mapping[str, Any]) -> None:
        """Write the manifest."""
        self.write_json(MANIFEST, manifest)

    def how_to_repair(self, manifest: Mapping[str, Any]) -> str:
        """State how to restore a damaged part or summary."""
        identity = manifest.get("identity", {})
        if any(key.endswith(": signals") for key in identity.get("inputs", ())):
            return "run the original command again to repair it"
        options = f" --engine {identity['engine']}" if "engine" in identity else ""
        options += " --path full" if identity.get("path") == "full" else ""
        plan = shlex.quote(str(self.path / PLAN))
        out = shlex.quote(str(self.path))
        return f"to repair it: crashsense evaluate {plan} --out {out}{options}"

    def check_files(self, manifest: Mapping[str, Any]) -> None:
        """Refuse a folder that lacks a part, holds a foreign one, or whose plan is not as written.

        A part that was doubled under another name is a foreign one. What is in the parts is checked
        when they are read.
        """
        tables = manifest["tables"]
        tasks = [Task(*entry) for entry in manifest["tasks"]]
        own = {self.part(table, task) for task in tasks for table in task.parts_of(tables)}
        there = {
            path
            for folder, _ in TABLES.values()
            if (self.path / folder).is_dir()
            for path in (self.path / folder).iterdir()
            if not path.name.startswith(".")
        }
        foreign = sorted(there - own)
        if foreign:
            more = f" (and {len(foreign) - 1} more)" if len(foreign) > 1 else ""
            raise RunFolderError(
                f"{foreign[0]}: is no part of this run{more}; take it out of the folder"
            )
        lost = sorted(own - there)
        if lost:
            raise RunFolderError(
                f"{self.path}: the run is not complete ({len(lost)} parts are missing, "
                f"{lost[0].name} the first); {self.how_to_repair(manifest)}"
            )
        noted = manifest.get("plan_sha256")
        if noted is not None and _sha256_or_none(self.path / PLAN) != noted:
            raise RunFolderError(
                f"{self.path / PLAN}: is missing, damaged or edited; "
                "run the original command again to restore it"
            )

    # -- parts ---------------------------------------------------------------------------------

    def part(self, table: str, task: Task) -> Path:
        """Path of a task's part of a table."""
        return self.path / TABLES[table][0] / f"{task.name}.parquet"

    def checksums(self) -> Mapping[str, Mapping[str, str]]:
        """Task -> table -> SHA-256 of the part, as noted when it was written."""
        path = self.path / CHECKSUMS
        try:
            seen = path.stat()
        except OSError:
            return {}
        state = (seen.st_mtime_ns, seen.st_size)
        if self._noted is None or self._noted[0] != state:
            noted: dict[str, dict[str, str]] = {}
            for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
                try:
                    entry = json.loads(line)
                    noted[str(entry["task"])] = dict(entry["sha256"])
                except (ValueError, KeyError, TypeError, RecursionError):
                    continue  # the writer was stopped in the middle of this line
            self._noted = (state, noted)
        return self._noted[1]

    def is_done(self, task: Task, *, tables: tuple[str, ...]) -> bool:
        """True if every part of the task is present and intact; a damaged one is removed.

        A part is whole if its bytes have the checksum that was noted; a part that was renamed just
        before its writer was stopped has none, and is read through to the end instead.
        """
        done = True
        noted = self.checksums().get(task.name, {})
        for table in tables:
            path = self.part(table, task)
            if not path.is_file():
                done = False
                continue
            expected = noted.get(table)
            if expected is None:
                whole = _is_readable(path, TABLES[table][1])
            else:
                whole = _sha256(path) == expected
            if not whole:
                self.log(f"{path.name} of {table} is damaged; computed again")
                path.unlink()
                done = False
        if done and set(tables) - set(noted):
            self.note(task, {table: _sha256(self.part(table, task)) for table in tables})
        return done

    def note(self, task: Task, sums: Mapping[str, str]) -> None:
        """Record that the parts of a task are complete, by the SHA-256 of each."""
        line = json.dumps({"task": task.name, "sha256": dict(sums)})
        try:
            with (self.path / CHECKSUMS).open("a", encoding="utf-8") as notes:
                notes.write(f"\n{line}\n")  # a line break first: the one before may be cut off
        except OSError as error:
            raise _cannot_write(self.path / CHECKSUMS, error) from error

    def write_parts(self, task: Task, tables: Mapping[str, pa.Table]) -> None:
        """Write the parts of a task, the verdicts last; then note their checksums."""
        self.note(task, self.save_parts(task, tables))

    def save_parts(self, task: Task, tables: Mapping[str, pa.Table]) -> dict[str, str]:
        """Write the parts of a task, the verdicts last; return the SHA-256 of each.

        Any process may do so; :meth:`note` is for the one that holds the lock.
        """
        sums = {}
        for name in sorted(tables, key=lambda n: n == "verdicts"):
            path = self.part(name, task)
            temporary = path.with_name(f".{path.name}.tmp")
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                content = pa.BufferOutputStream()
                pq.write_table(tables[name], content, **_WRITTEN[name])
                written = content.getvalue()
                temporary.write_bytes(written)
                sums[name] = hashlib.sha256(written).hexdigest()
                os.replace(temporary, path)
            except OSError as error:
                temporary.unlink(missing_ok=True)
                raise _cannot_write(path, error) from error
        return sums

    def bring_to_disk(self, tasks: Iterable[Task]) -> None:
        """Wait until parts of tasks, and all checksums, are on the disk: a run survives the power.

        A part that a power failure takes before is known by its checksum, and computed again.
        """
        from crashsense.results.on_disk import not_on_disk

        noted = self.checksums()
        paths = [self.part(name, task) for task in tasks for name in noted.get(task.name, ())]
        for path, error in not_on_disk([*paths, self.path / CHECKSUMS]):
            raise _cannot_write(path, error) from error

    def remove_temporary(self) -> None:
        """Remove what an interrupted writer left half written."""
        for path in self.path.rglob(".*.tmp"):
            path.unlink(missing_ok=True)

    def parts(
        self, table: str = "verdicts", *, nominal: bool = False, occurrence: int | None = None
    ) -> list[Path]:
        """Paths of the parts of a table, sorted by name.

        *nominal*: those that hold draw 0; *occurrence*: those of the occurrence of that number.
        """
        folder = self.path / TABLES[table][0]
        which = "*" if occurrence is None else f"{occurrence:04d}"
        pattern = f"part-{which}-{0:09d}-*.parquet" if nominal else f"part-{which}-*.parquet"
        return sorted(folder.glob(pattern)) if folder.is_dir() else []

    def parts_of_draw(self, draw: int, *, table: str = "verdicts") -> list[Path]:
        """Paths of the parts that hold a draw: the name of a part says which draws it has."""
        chosen = []
        for path in self.parts(table):
            first, last = (int(number) for number in path.stem.split("-")[2:])
            if first <= draw < last:
                chosen.append(path)
        return chosen

    def may_hold(self, path: Path, *, event: str) -> bool:
        """False if a part has no row of the event, by what the file says of its columns.

        Reads a few bytes, and no row of a large run. A file that cannot be read may hold anything.
        """
        try:
            with path.open("rb") as stream, pq.ParquetFile(stream) as file:
                told = file.metadata
                at = told.schema.names.index("event")
                groups = [told.row_group(number) for number in range(told.num_row_groups)]
                ranges = [group.column(at).statistics for group in groups]
        except (OSError, ValueError, pa.ArrowException):
            return True  # damage is reported where the part is read
        return any(r is None or not r.has_min_max or r.min <= event <= r.max for r in ranges)

    def tables(
        self,
        table: str = "verdicts",
        *,
        columns: list[str] | None = None,
        nominal: bool = False,
        occurrence: int | None = None,
        packed: bool = False,
    ) -> Iterator[pa.Table]:
        """Yield the parts of a table one by one: a big run never stands in memory whole.

        *packed*: text as numbers into a list of the distinct ones, a tenth of the memory.
        """
        for path in self.parts(table, nominal=nominal, occurrence=occurrence):
            part = self.read_part(path, columns=columns, packed=packed or nominal)
            if nominal:
                import pyarrow.compute as pc

                part = part.filter(pc.equal(part.column("draw"), 0))
            yield part if packed else unpacked(part, TABLES[table][1])

    def whole(self, table: str = "verdicts") -> pa.Table:
        """Return a table whole and packed: for small runs."""
        return pa.concat_tables(self.tables(table, packed=True)).unify_dictionaries()

    def read_part(
        self,
        path: Path,
        *,
        columns: list[str] | None = None,
        packed: bool = False,
        sha256: str | None = None,
    ) -> pa.Table:
        """Read one part of a table; *packed* as in :meth:`tables`.

        *sha256*: what its bytes must have; None: what was noted when it was written.

        Raises
        ------
        RunFolderError : its bytes are not those that were written; names the file and the repair
        """
        table = _table_of(path)
        text = [column.name for column in TABLES[table][1] if pa.types.is_string(column.type)]
        expected = sha256 or self.checksums().get(path.stem, {}).get(table)
        try:
            # Read once: what is checked is what is used.
            content = path.read_bytes()
            if expected is None or hashlib.sha256(content).hexdigest() != expected:
                reason = "its checksum is not noted" if expected is None else "its checksum differs"
                raise RunFolderError(
                    f"{path}: this part is damaged ({reason}); "
                    f"{self.how_to_repair(self.manifest())}"
                )
            # The file by itself, by this thread: read as a dataset it takes 30 MB more.
            with pq.ParquetFile(
                pa.BufferReader(content),
                read_dictionary=text if packed else None,
                page_checksum_verification=True,
            ) as file:
                return file.read(columns=columns, use_threads=False)
        except (OSError, pa.ArrowException) as error:
            reason = " ".join(str(error).split())[:120]
            raise RunFolderError(
                f"{path}: this part cannot be read ({reason}); "
                f"{self.how_to_repair(self.manifest())}"
            ) from None

    # -- the rest ------------------------------------------------------------------------------

    def write_json(self, name: str, content: Mapping[str, Any]) -> None:
        """Write a JSON file with the checksum of its content; NaN never appears in it."""
        write_text(self.path / name, sealed_text(content))

    def read_json(self, name: str, *, manifest: Mapping[str, Any]) -> dict[str, Any]:
        """Read a JSON file that :meth:`write_json` has written; *manifest* of this run."""
        try:
            return read_sealed(self.path / name)
        except RunFolderError as error:
            raise RunFolderError(f"{error}; {self.how_to_repair(manifest)}") from None

    def log(self, line: str) -> None:
        """Append a line to the log of the run."""
        from datetime import UTC, datetime

        stamp = datetime.now(UTC).isoformat(timespec="seconds")
        try:
            with (self.path / "run.log").open("a", encoding="utf-8") as log:
                log.write(f"{stamp} {line}\n")
        except OSError:
            # A full disk must not hide the error that is about to be reported.
            return


def unpacked(part: pa.Table, schema: pa.Schema) -> pa.Table:
    """Return a packed table with its text as text again."""
    return part.cast(pa.schema([schema.field(name) for name in part.column_names], schema.metadata))


def packed(part: pa.Table) -> pa.Table:
    """Return a table with its text as numbers into a list of the distinct ones."""
    columns = [c.dictionary_encode() if pa.types.is_string(c.type) else c for c in part.columns]
    return pa.table(columns, names=part.column_names)


def _table_of(path: Path) -> str:
    return next(name for name, (folder, _) in TABLES.items() if folder == path.parent.name)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _is_readable(path: Path, schema: pa.Schema) -> bool:
    """Read a part to its last page, checksums of pages included."""
    try:
        with (
            path.open("rb") as stream,
            pq.ParquetFile(stream, page_checksum_verification=True) as file,
        ):
            if not file.schema_arrow.equals(schema, check_metadata=False):
                return False
            return bool(file.read().num_rows == file.metadata.num_rows)
    except (OSError, pa.ArrowException):
        return False


def _sha256_or_none(path: Path) -> str | None:
    try:
        return _sha256(path)
    except OSError:
        return None


def refuse_change(path: Path, before: Mapping[str, Any], now: Mapping[str, Any]) -> None:
    """Refuse to mix two plans in one folder; the message says what differs."""
    found = changes(before, now)
    if found:
        more = f" and {len(found) - 4} more" if len(found) > 4 else ""
        raise RunFolderError(
            f"{path}: holds a run of another plan ({'; '.join(found[:4])}{more}); "
            "choose another folder (--out) or remove this one"
        )


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What differs between two runs, most telling first; checksums are not shown."""
    found = []
    for section, new in now.items():
        old = before.get(section)
        if not isinstance(old, Mapping) or not isinstance(new, Mapping):
            if old != new:
                hidden = section == "code"
                found.append(
                    "the program has changed" if hidden else f"{section} was {old}, now {new}"
                )
            continue
        for key in sorted({**old, **new}):
            if old.get(key) == new.get(key):
                continue
            if section == "inputs":
                state = "is new" if key not in old else "is gone" if key not in new else "differs"
                found.append(f"{key} {state}")
            else:
                found.append(f"{key} was {_short(old.get(key))}, now {_short(new.get(key))}")
    return found


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "..."


class FolderLock:
    """One writer a folder: a second one is refused with the reason. Ends with the process."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._file: Any = None

    def __enter__(self) -> FolderLock:
        path = self.path / LOCK
        while True:
            try:
                self.path.mkdir(parents=True, exist_ok=True)
                self._file = path.open("a+", encoding="utf-8")
            except OSError as error:
                reason = error.strerror or error
                raise RunFolderError(f"{self.path}: cannot write ({reason})") from error
            if not _take(self._file):
                self._file.seek(0)
                who = self._file.read().strip() or "unknown"
                self._file.close()
                raise RunFolderError(
                    f"{self.path}: another process (number {who}) is writing this run folder; wait "
                    "for it to end or choose another folder"
                )
            # The one before may have removed the name between our opening and our locking.
            if _same_file(self._file, path):
                break
            self._file.close()
        try:
            self._file.seek(0)
            self._file.truncate()
            self._file.write(str(os.getpid()))
            self._file.flush()
        except OSError as error:
            self._release()
            raise _cannot_write(self.path, error) from error
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._release()

    def _release(self) -> None:
        # Removed while it is still locked: whoever waits with the old name looks again.
        with contextlib.suppress(OSError):
            (self.path / LOCK).unlink()
        with contextlib.suppress(OSError):
            self._file.close()


def _same_file(file: Any, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except OSError:
        return False


def _take(file: Any) -> bool:
    try:
        import fcntl
    except ImportError:  # no advisory locks on this system
        import msvcrt

        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False  # locked by Windows for another
        return True  # locked by Windows
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
