"""A run folder, method by method, without a run."""

from __future__ import annotations

import hashlib
import json
import os
import re
import time
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import crashsense
from crashsense.campaign import running
from crashsense.errors import RunFolderError
from crashsense.results import folder as module
from crashsense.results import on_disk
from crashsense.results.folder import (
    CHECKSUMS,
    LOCK,
    MANIFEST,
    PLAN,
    FolderLock,
    RunFolder,
    changes,
    refuse_change,
    unpacked,
    write_csv,
    write_text,
)
from crashsense.results.provenance import PROVENANCE
from crashsense.results.run import SUMMARY
from crashsense.results.sealed import read_sealed
from crashsense.results.tables import CURVE_SCHEMA, SCHEMA_VERSION, VERDICT_SCHEMA, Task

#: Draws of two occurrences, in three tasks; the events of each.
TASKS = {Task(0, 0, 5): "bcd", Task(0, 5, 9): "bd", Task(1, 0, 9): "mn"}


def curves(task: Task, events: str) -> pa.Table:
    """A row for each event and draw of a task."""
    words = {"sensor_set": "s", "algorithm": "a", "restraint": "r", "branch": "total"}
    rows = [
        {"event": event, "draw": draw, **words, "time_ms": 1.0 * draw, "demand": 0.5}
        for event in events
        for draw in range(task.first, task.last)
    ]
    return pa.Table.from_pylist(rows, schema=CURVE_SCHEMA)


def described(**more: object) -> dict[str, object]:
    tasks = [[task.occurrence, task.first, task.last] for task in TASKS]
    return {"schema_version": SCHEMA_VERSION, "tables": ["fire_curves"], "tasks": tasks,
            "identity": {}, **more}  # fmt: skip


@pytest.fixture
def run(tmp_path: Path) -> RunFolder:
    found = RunFolder(tmp_path / "run")
    found.path.mkdir()
    found.write_manifest(described())
    for task, events in TASKS.items():
        found.write_parts(task, {"fire_curves": curves(task, events)})
    return found


def test_parts_are_found_by_occurrence_and_draw(run: RunFolder) -> None:
    paths = {task: run.part("fire_curves", task) for task in TASKS}
    assert run.parts("fire_curves") == sorted(paths.values())
    assert run.parts("fire_curves", nominal=True) == [
        path for task, path in paths.items() if task.first == 0
    ]
    for number in (0, 1, 2):
        own = [path for task, path in paths.items() if task.occurrence == number]
        assert run.parts("fire_curves", occurrence=number) == own
    for draw in range(11):
        own = [path for task, path in paths.items() if task.first <= draw < task.last]
        assert run.parts_of_draw(draw, table="fire_curves") == own
    assert run.parts("traces") == []


def test_a_table_is_read_whole_by_columns_and_by_its_nominal_draw(run: RunFolder) -> None:
    whole = pa.concat_tables([curves(task, events) for task, events in TASKS.items()])
    assert unpacked(run.whole("fire_curves"), CURVE_SCHEMA).equals(whole)
    nominal = pa.concat_tables(list(run.tables("fire_curves", nominal=True)))
    assert nominal.to_pylist() == [row for row in whole.to_pylist() if row["draw"] == 0]
    names = ["draw", "event"]
    few = list(run.tables("fire_curves", columns=names, packed=True))
    assert pa.types.is_dictionary(few[0].schema.field("event").type)
    told = [row for part in few for row in part.select(names).to_pylist()]
    assert told == whole.select(names).to_pylist()
    assert sum(part.num_rows for part in run.tables("fire_curves", occurrence=1)) == 2 * 9


def test_a_part_that_lies_beside_an_event_may_not_hold_it(run: RunFolder) -> None:
    part = run.part("fire_curves", Task(0, 5, 9))  # events b and d
    told = {event: run.may_hold(part, event=event) for event in "abcde"}
    assert told == {"a": False, "b": True, "c": True, "d": True, "e": False}
    part.write_bytes(b"damaged")
    assert run.may_hold(part, event="a")
    part.unlink()
    assert run.may_hold(part, event="a")


@pytest.mark.parametrize("names", [["x"], ["x", "y"], ["x", "y", "z"]])
def test_foreign_parts_are_counted_and_the_first_is_named(run: RunFolder, names: list) -> None:
    run.check_files(run.manifest())
    place = run.part("fire_curves", Task(0, 0, 5)).parent
    (place / ".half.tmp").touch()  # what a writer has not finished is none
    for name in names:
        (place / name).touch()
    more = f" (and {len(names) - 1} more)" if len(names) > 1 else ""
    words = f"{place / 'x'}: is no part of this run{more}; take it out of the folder"
    with pytest.raises(RunFolderError, match=f"^{re.escape(words)}$"):
        run.check_files(run.manifest())


def test_lost_parts_are_counted_and_the_first_is_named(run: RunFolder) -> None:
    first, second, _ = run.parts("fire_curves")
    second.unlink()
    with pytest.raises(RunFolderError, match=rf"\(1 parts are missing, {second.name} the first\)"):
        run.check_files(run.manifest())
    first.unlink()
    with pytest.raises(RunFolderError, match=rf"\(2 parts are missing, {first.name} the first\)"):
        run.check_files(run.manifest())


def test_a_plan_is_as_it_was_written(run: RunFolder) -> None:
    sums = hashlib.sha256(b"draws = 3\n").hexdigest()
    told = described(plan_sha256=sums)
    for content in (None, b"draws = 4\n"):
        if content is not None:
            (run.path / PLAN).write_bytes(content)
        with pytest.raises(RunFolderError, match="is missing, damaged or edited"):
            run.check_files(told)
    (run.path / PLAN).write_bytes(b"draws = 3\n")
    run.check_files(told)


@pytest.mark.parametrize(
    ("identity", "options"),
    [
        ({}, ""),
        ({"engine": "fast"}, " --engine fast"),
        ({"path": "full"}, " --path full"),
        ({"path": "auto", "inputs": {"mine.toml": "1"}}, ""),
        ({"engine": "numpy", "path": "full"}, " --engine numpy --path full"),
        ({"engine": "numpy", "inputs": {"a": "1", "b: signals": "2"}}, None),
    ],
)
def test_a_repair_is_the_command_of_the_run(identity: dict, options: str | None) -> None:
    found = RunFolder("/a b/run").how_to_repair({"identity": identity})
    if options is None:  # made in Python, of objects that no file holds
        assert found == "run the original command again to repair it"
    else:
        command = f"evaluate '/a b/run/plan.toml' --out '/a b/run'{options}"
        assert found == f"to repair it: crashsense {command}"


def test_checksums_are_read_once_until_more_are_noted(run: RunFolder) -> None:
    first = run.checksums()
    assert run.checksums() is first
    assert list(first) == [task.name for task in TASKS]
    run.note(Task(2, 0, 1), {"fire_curves": "x"})
    assert run.checksums()[Task(2, 0, 1).name] == {"fire_curves": "x"}
    assert list(run.checksums()) == [*first, Task(2, 0, 1).name]


@pytest.mark.parametrize(
    "cut", ['{"task": "a", "sha2', '{"task": "a"}', "[1]", "3", '{"task": "a", "sha256": 3}']
)
def test_a_line_that_was_cut_off_hides_no_other(run: RunFolder, cut: str) -> None:
    known = dict(run.checksums())
    with (run.path / CHECKSUMS).open("a") as notes:
        notes.write(cut)
    run.note(Task(2, 0, 1), {"fire_curves": "x"})
    assert run.checksums() == {**known, Task(2, 0, 1).name: {"fire_curves": "x"}}


def test_verdicts_get_their_name_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where they are, every other part of the task is."""
    named = []
    replace = os.replace
    monkeypatch.setattr(
        module.os, "replace", lambda a, b: (named.append(Path(b).parent.name), replace(a, b))
    )
    tables = {"verdicts": VERDICT_SCHEMA.empty_table(), "fire_curves": CURVE_SCHEMA.empty_table()}
    run = RunFolder(tmp_path / "not" / "yet")
    sums = run.save_parts(Task(0, 0, 1), tables)
    assert named == ["fire_curves.parquet", "verdicts.parquet"]
    for name in tables:
        part = run.part(name, Task(0, 0, 1))
        assert sums[name] == hashlib.sha256(part.read_bytes()).hexdigest()
        assert pq.read_table(part).num_rows == 0


def test_parts_are_brought_to_the_disk_and_one_that_is_not_is_named(
    run: RunFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = {run.part("fire_curves", task) for task in TASKS}
    synced: list[int] = []
    monkeypatch.setattr(on_disk.os, "fsync", lambda number: synced.append(os.fstat(number).st_ino))
    run.bring_to_disk(TASKS)
    paths.add(run.path / CHECKSUMS)
    assert sorted(synced) == sorted(path.stat().st_ino for path in paths)
    bad = run.part("fire_curves", Task(0, 5, 9))
    bad_number = bad.stat().st_ino

    def full(number: int) -> None:
        if os.fstat(number).st_ino == bad_number:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(on_disk.os, "fsync", full)
    words = f"{bad}: cannot write (No space left on device); what was already written is kept"
    with pytest.raises(RunFolderError, match=re.escape(words)):
        run.bring_to_disk(TASKS)


def test_a_run_is_complete_once_its_parts_are_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[list[Task], list[str]]] = []

    def bring(self: RunFolder, tasks: list[Task]) -> None:
        time.sleep(0.5)  # long enough to write what must not be there yet
        said = [name for name in (PROVENANCE, SUMMARY) if (self.path / name).exists()]
        seen.append((list(tasks), said))

    monkeypatch.setattr(RunFolder, "bring_to_disk", bring)
    asked = {"events": ["hammer_tunnel"], "draws": 3, "workers": 1, "chunk": 2}
    crashsense.evaluate(out=tmp_path / "run", **asked)
    tasks = [Task(0, 0, 3), Task(0, 3, 4)]
    assert seen == [(tasks, [])]
    run = RunFolder(tmp_path / "run")
    run.part("verdicts", tasks[1]).unlink()
    crashsense.evaluate(out=tmp_path / "run", **asked)
    assert seen[1:] == [(tasks[1:], [PROVENANCE])]  # the other parts were brought there before


def test_a_run_whose_parts_do_not_reach_the_disk_is_not_complete(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: RunFolder, tasks: list[Task]) -> None:
        raise RunFolderError("the disk is gone")

    asked = {"events": ["hammer_tunnel"], "workers": 1, "out": tmp_path / "run"}
    with monkeypatch.context() as patched:
        patched.setattr(RunFolder, "bring_to_disk", refuse)
        with pytest.raises(RunFolderError, match="the disk is gone"):
            crashsense.evaluate(**asked)
    assert RunFolder(tmp_path / "run").parts()
    assert not (tmp_path / "run" / SUMMARY).exists()
    monkeypatch.setattr(running, "now", lambda: "later")  # when nothing is missing any more
    crashsense.evaluate(**asked)
    assert read_sealed(tmp_path / "run" / PROVENANCE)["finished"] == "later"


def test_a_run_was_not_finished_before_its_last_part_was_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part of a complete run is made again, and its new end is not reached at first."""

    def refuse(self: RunFolder, tasks: list[Task]) -> None:
        raise RunFolderError("the disk is gone")

    def finished() -> object:
        return read_sealed(tmp_path / "run" / PROVENANCE)["finished"]

    asked = {"events": ["hammer_tunnel"], "workers": 1, "out": tmp_path / "run"}
    monkeypatch.setattr(running, "now", lambda: "first")
    crashsense.evaluate(**asked)
    monkeypatch.setattr(running, "now", lambda: "later")
    crashsense.evaluate(**asked)
    assert finished() == "first"  # nothing was done
    RunFolder(tmp_path / "run").parts()[0].unlink()
    with monkeypatch.context() as patched:
        patched.setattr(RunFolder, "bring_to_disk", refuse)
        with pytest.raises(RunFolderError, match="the disk is gone"):
            crashsense.evaluate(**asked)
    crashsense.evaluate(**asked)
    assert finished() == "later"


def test_parts_of_a_stopped_run_are_brought_to_the_disk_when_it_is_gone_on_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[list[Task]] = []
    monkeypatch.setattr(RunFolder, "bring_to_disk", lambda _, tasks: seen.append(list(tasks)))
    asked = {"events": ["hammer_tunnel"], "draws": 3, "workers": 1, "chunk": 2}

    def stop(done: int, _total: int, **_: object) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        crashsense.evaluate(out=tmp_path / "run", on_progress=stop, **asked)
    assert [path.stem for path in RunFolder(tmp_path / "run").parts()] == [Task(0, 0, 3).name]
    assert seen == []
    crashsense.evaluate(out=tmp_path / "run", **asked)
    assert seen == [[Task(0, 0, 3), Task(0, 3, 4)]]


def test_a_folder_is_new_or_a_run(run: RunFolder, tmp_path: Path) -> None:
    run.check_new_or_run()
    RunFolder(tmp_path / "not yet").check_new_or_run()
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / ".hidden").touch()
    RunFolder(tmp_path / "empty").check_new_or_run()
    (tmp_path / "file").touch()
    with pytest.raises(RunFolderError, match="is a file; expected a run folder or a new name"):
        RunFolder(tmp_path / "file").check_new_or_run()
    with pytest.raises(RunFolderError, match="it holds 'empty' and no manifest.json"):
        RunFolder(tmp_path).check_new_or_run()
    assert run.mark == hashlib.sha256((run.path / MANIFEST).read_bytes()).hexdigest()
    assert RunFolder(tmp_path).mark == ""


@pytest.mark.parametrize("sizes", [[0], [7], [3, 4], [0, 5], [6, 0, 1], [1, 9], [1, 1, 4, 2]])
def test_a_table_is_the_same_text_however_it_comes(
    sizes: list[int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "CSV_PIECE", 3)
    whole = pd.DataFrame({"n": range(sum(sizes)), "x": [0.1 * k for k in range(sum(sizes))]})
    starts = [sum(sizes[:k]) for k in range(len(sizes))]
    frames = [whole.iloc[a : a + size] for a, size in zip(starts, sizes, strict=True)]
    arrow = [pa.Table.from_pandas(frame, preserve_index=False) for frame in frames]
    for tables in (frames, arrow):
        write_csv(tmp_path / "t.csv", tables)
        assert (tmp_path / "t.csv").read_text() == whole.to_csv(index=False)


def test_what_cannot_be_written_is_named_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match=r"cannot write \(No such file or directory\)"):
        write_text(tmp_path / "none" / "t.txt", "")
    (tmp_path / "t.txt").mkdir()
    with pytest.raises(RunFolderError, match=r"t.txt: cannot write \(Is a directory\)"):
        write_text(tmp_path / "t.txt", "new")
    assert list(tmp_path.iterdir()) == [tmp_path / "t.txt"]


# -- one writer ------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_until_the_first_has_ended(tmp_path: Path) -> None:
    run = tmp_path / "run"
    for _ in range(2):
        with FolderLock(run):
            assert (run / LOCK).read_text() == f"{os.getpid()}"
            with (
                pytest.raises(RunFolderError, match=rf"another process \(number {os.getpid()}\)"),
                FolderLock(run),
            ):
                pass
            assert (run / LOCK).read_text() == f"{os.getpid()}"
        assert list(run.iterdir()) == []


def test_a_lock_whose_name_is_gone_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The writer before removed the name after we had opened it: a third could make it anew."""
    take, asked = module._take, []

    def slow(file: object) -> bool:
        asked.append(file)
        if len(asked) == 1:
            (tmp_path / LOCK).unlink()
        return take(file)

    monkeypatch.setattr(module, "_take", slow)
    with FolderLock(tmp_path):
        assert len(asked) == 2
        with pytest.raises(RunFolderError, match="another process"), FolderLock(tmp_path):
            pass


def test_a_place_that_cannot_be_a_folder_is_refused_in_plain_words(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    place = tmp_path / "file" / "run"
    words = re.escape(f"{place}: cannot write (Not a directory)")
    with pytest.raises(RunFolderError, match=f"^{words}$"), FolderLock(place):
        pass


# -- another plan ----------------------------------------------------------------------------------

sections = st.dictionaries(st.sampled_from("abcdef"), st.integers(0, 2), max_size=6)


@settings(max_examples=50)
@given(before=sections, now=sections, inputs=st.booleans())
def test_every_key_that_differs_is_told_once(before: dict, now: dict, inputs: bool) -> None:
    found = changes(*({"inputs" if inputs else "plan": section} for section in (before, now)))
    wanted = []
    for key in "abcdef":
        old, new = before.get(key), now.get(key)
        if old == new:
            continue
        if inputs:
            state = "is new" if old is None else "is gone" if new is None else "differs"
            wanted.append(f"{key} {state}")
        else:
            wanted.append(f"{key} was {json.dumps(old)}, now {json.dumps(new)}")
    assert found == wanted


def test_plain_values_are_shown_and_code_is_not() -> None:
    before = {"engine": "numpy", "code": "1234", "path": "auto"}
    now = {"engine": "fast", "code": "5678", "path": "auto"}
    assert changes(before, now) == ["engine was numpy, now fast", "the program has changed"]
    # What is no table on one side is shown as it is.
    for one, other in (({"a": 1}, 3), (None, {"a": 1}), ([1], [2])):
        assert changes({"plan": one}, {"plan": other}) == [f"plan was {one}, now {other}"]
    assert changes({}, {"plan": {"a": 1}}) == ["plan was None, now {'a': 1}"]
    assert changes({"plan": [1]}, {"plan": [1]}) == []
    long = changes({"plan": {}}, {"plan": {"events": "x" * 99}})
    assert long == [f'events was null, now "{"x" * 56}...']


@pytest.mark.parametrize("count", range(8))
def test_four_differences_are_named_and_the_others_counted(count: int) -> None:
    before = {"plan": dict.fromkeys(range(count), 1)}
    now = {"plan": dict.fromkeys(range(count), 2)}
    if not count:
        refuse_change(Path("run"), before, now)
        return
    named = "; ".join(f"{k} was 1, now 2" for k in range(min(count, 4)))
    more = f" and {count - 4} more" if count > 4 else ""
    with pytest.raises(RunFolderError, match=re.escape(f"another plan ({named}{more}); choose")):
        refuse_change(Path("run"), before, now)
