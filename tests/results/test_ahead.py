"""Parts that are read as they are written: once, and never at the cost of a run."""

from __future__ import annotations

import subprocess
import sys
from multiprocessing import get_all_start_methods
from pathlib import Path

import pyarrow as pa
import pytest

from crashsense.results import ahead
from crashsense.results.ahead import ReadAhead
from crashsense.results.folder import RunFolder
from crashsense.results.tables import SCHEMA_VERSION, TABLES, Task

TASKS = [Task(0, 0, 1), Task(1, 0, 1)]


def part(name: str, event: str) -> pa.Table:
    return pa.Table.from_pylist([{"event": event, "draw": 0}], schema=TABLES[name][1])


@pytest.fixture
def written(tmp_path: Path) -> tuple[RunFolder, list[dict[str, str]]]:
    """A folder with the parts of two tasks, and their checksums."""
    folder = RunFolder(tmp_path)
    folder.write_manifest({"schema_version": SCHEMA_VERSION, "identity": {}})
    sums = []
    for task, event in zip(TASKS, ("wall", "pole"), strict=True):
        tables = {name: part(name, event) for name in ("verdicts", "nominal")}
        sums.append(folder.save_parts(task, tables))
        folder.note(task, sums[-1])
    return folder, sums


def test_the_tables_that_are_asked_for_are_held(written):
    folder, sums = written
    reader = ReadAhead(folder, ("verdicts",))
    reader.read(TASKS[0], sums[0])
    assert set(reader.held) == {"verdicts"}
    path = folder.part("verdicts", TASKS[0])
    assert reader.held["verdicts"][path].column("event").to_pylist() == ["wall"]


@pytest.mark.parametrize("why", ["not there yet", "another checksum", "no room"])
def test_a_part_that_cannot_be_read_now_is_read_later(why, written, monkeypatch):
    folder, sums = written
    path = folder.part("nominal", TASKS[1])
    content = path.read_bytes()
    if why == "not there yet":
        path.unlink()
    if why == "another checksum":
        path.write_bytes(content[::-1])
    if why == "no room":
        both = sum(folder.part("nominal", task).stat().st_size for task in TASKS)
        monkeypatch.setattr(ahead, "AHEAD_BYTES", both - 1)
    reader = ReadAhead(folder, ("nominal",))
    for task, own in zip(TASKS, sums, strict=True):
        reader.read(task, own)
    assert list(reader.held["nominal"]) == [folder.part("nominal", TASKS[0])]


EVALUATED = """
import sys
from collections import Counter
from crashsense.cli import run
from crashsense.results.folder import RunFolder

if __name__ == "__main__":
    read, seen = RunFolder.read_part, Counter()

    def noted(self, path, **named):
        seen[path.parent.name, path.stem[:9], "sha256" in named] += 1
        return read(self, path, **named)

    RunFolder.read_part = noted
    code = run(["evaluate", "--events", "hammer_tunnel", "--events", "hammer_bolt", "--draws", "2",
                "--engine", "numpy", "--workers", "2", "--out", sys.argv[1]])
    print(sorted(seen.items()))
"""


@pytest.mark.slow
@pytest.mark.skipif("forkserver" not in get_all_start_methods(), reason="no fork server here")
def test_a_command_reads_each_part_once_while_workers_compute(tmp_path):
    script = tmp_path / "evaluated.py"
    script.write_text(EVALUATED)
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "run")], capture_output=True, text=True
    )
    seen = [
        ((f"{table}.parquet", f"part-000{number}", True), 1)
        for table in ("nominal", "verdicts")
        for number in (0, 1)
    ]
    assert done.stdout.splitlines()[-1] == str(seen), done.stderr
