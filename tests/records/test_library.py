"""A library on disk, archives and folders at their limits, and what is written into them."""

from __future__ import annotations

import hashlib
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from exchange_writer import wall
from records.header_parts import record
from rough_pulse import rough_g
from table_writer import TIMES, write

from crashsense.errors import InputError, RunFolderError
from crashsense.records import archives, formats, library, read_record
from crashsense.records.library import LIBRARY, check_folder, import_folder, read_folder
from crashsense.records.manifest import Entry
from crashsense.records.series import Series, channel_info
from crashsense.records.source import RecordSource
from crashsense.records.writing import write_signals
from crashsense.signal import Signal


@pytest.fixture
def two_tables(tmp_path: Path) -> Path:
    place = tmp_path / "records"
    place.mkdir()
    for name in ("run_1", "run_2"):
        write(place / f"{name}.csv", stated=["family: frontal"])
    return place


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# --- library -------------------------------------------------------------------------------------


def test_a_library_lists_what_was_read_and_what_was_written(two_tables: Path) -> None:
    out = two_tables.parent / "library"
    import_folder(two_tables, out)
    content = json.loads((out / LIBRARY).read_text())
    assert content["schema"] == 1
    assert [one["event"] for one in content["events"]] == ["run_1", "run_2"]
    for one in content["events"]:
        source = two_tables / f"{one['event']}.csv"
        assert one["sources"] == [source.name]
        assert one["source_sha256"] == {source.name: sha256(source)}
        assert one["sha256"] == sha256(out / one["table"])
        assert one["channel"] == "central_x"
        assert one["assumptions"]
    assert {p.name for p in out.iterdir()} == {LIBRARY, *(e["table"] for e in content["events"])}


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("[]", "a list of events of schema 1"),
        ('{"schema": 2, "events": []}', "a list of events of schema 1"),
        ('{"schema": 1, "events": {}}', "a list of events of schema 1"),
        ('{"schema": 1}', "a list of events of schema 1"),
        ('{"schema": 1, "events": []}', "a table that library.json names"),
        ('{"schema": 1, "events": [3]}', "a table that library.json names"),
    ],
)
def test_a_library_that_something_else_wrote(two_tables: Path, content: str, told: str) -> None:
    out = two_tables.parent / "library"
    import_folder(two_tables, out)
    (out / LIBRARY).write_text(content)
    with pytest.raises(InputError, match=told):
        read_record(out)


def test_what_lies_beside_the_tables_of_a_library_is_named(two_tables: Path) -> None:
    out = two_tables.parent / "library"
    import_folder(two_tables, out)
    assert library.library_faults(out) == []
    assert library.library_faults(two_tables) == []  # no library
    (out / "folder").mkdir()
    assert library.library_faults(out) == []
    (out / "b.csv").write_text("x")
    (out / "a.csv").write_text("x")
    assert [f.field for f in library.library_faults(out)] == ["a.csv", "b.csv"]


@pytest.mark.parametrize(
    ("error", "reason"), [(OSError(28, "No space left"), "No space left"), (OSError("odd"), "odd")]
)
def test_a_library_that_cannot_be_written_leaves_nothing(
    two_tables: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, reason: str
) -> None:
    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(library, "write_signals", fails)
    before = sorted(two_tables.parent.iterdir())
    with pytest.raises(RunFolderError, match=rf"cannot write \({reason}\); nothing was written"):
        import_folder(two_tables, two_tables.parent / "library")
    assert sorted(two_tables.parent.iterdir()) == before


def test_a_library_goes_into_a_new_or_an_empty_folder(two_tables: Path) -> None:
    place = two_tables.parent
    (place / "empty").mkdir()
    import_folder(two_tables, place / "empty")
    (place / "file").write_text("x")
    for out, told in (
        ("file", "a new or an empty folder"),
        ("empty", "a new or an empty folder"),  # full by now
        ("nowhere/library", "a folder in an existing folder"),
    ):
        with pytest.raises(InputError, match=told):
            import_folder(two_tables, place / out)


def test_the_worst_finding_of_a_record_is_its_state(two_tables: Path) -> None:
    rough = rough_g(-50.0)[: TIMES.size]
    for name, values in (("run_1", rough), ("run_2", np.round(rough))):  # in steps of 1 g
        table = {"time_s": TIMES, "central_x_g": values}
        write(two_tables / f"{name}.csv", table, stated=["family: frontal"])
    (two_tables / "run_3.csv").write_text("time_s,central_x_g\n0,0\n")
    seen = []
    found = {one.name: one for one in check_folder(two_tables, on_record=seen.append)}
    assert list(found.values()) == seen
    assert {name: one.state for name, one in found.items()} == {
        "run_1.csv": "sound", "run_2.csv": "warning", "run_3.csv": "error",
    }  # fmt: skip
    bad = found["run_3.csv"]
    assert bad.counts["error"] == len(bad.lines) > 0
    assert all(line.startswith("error: ") for line in bad.lines)
    for name in ("run_1.csv", "run_2.csv"):
        assert len(found[name].lines) == found[name].counts["warning"]
        assert found[name].counts["info"] > 0


@pytest.mark.parametrize("given", [{}, {"notes": "wet road"}, {"mass_kg": 900.0}])
def test_a_manifest_adds_what_it_says_and_nothing_else(
    two_tables: Path, given: dict[str, object]
) -> None:
    path = two_tables / "run_1.csv"
    (plain,) = read_record(path)
    (event,) = library.read_entry(replace(Entry(path, "run_1.csv"), **given))
    assert {k: v for k, v in event.metadata.items() if plain.metadata.get(k) != v} == given
    assert event.requirements == plain.requirements
    assert event.title == plain.title
    (named,) = library.read_entry(replace(Entry(path, "run_1.csv"), title="The first", **given))
    assert named.title == "The first"


@pytest.mark.parametrize("vehicles", [1, 2])
def test_a_manifests_mass_is_that_of_the_only_vehicle(tmp_path: Path, vehicles: int) -> None:
    from records.header_parts import vehicle

    header = record(vehicles=tuple(vehicle(1 + n) for n in range(vehicles)))
    amend = library.amendment(
        replace(Entry(tmp_path, "x"), mass_kg=1234.0, closing_speed_kmh=64.0, family="side")
    )
    found = amend(header)
    assert found.test.closing_speed_kmh == 64.0
    assert [v.mass_kg for v in found.vehicles] == ([1234.0] if vehicles == 1 else [1000.0] * 2)
    assert (found.family, found.family_basis) == ("side", "stated by the manifest")
    assert library.amendment(Entry(tmp_path, "x"))(header) == header


def test_faults_of_every_record_of_a_folder_are_told_with_its_name(two_tables: Path) -> None:
    wall(50.0).write(two_tables / "v1")
    (two_tables / "v1" / "v00042.001").write_bytes(b"\x00")
    (two_tables / "run_1.csv").write_text("time_s,central_x_g\n0,0\n")
    with pytest.raises(InputError) as caught:
        read_folder(two_tables)
    files = [fault.file for fault in caught.value.faults]
    assert "run_1.csv" in files  # the name of the file is that of the record
    assert any(file.startswith("v1: ") for file in files)


# --- archives and folders ------------------------------------------------------------------------


def packed(path: Path, size: int) -> Path:
    """An archive of one text of blanks, which packs a thousand times."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.txt", b" " * size)
    assert path.stat().st_size * archives.MOST_RATIO < size
    return path


def test_a_small_archive_may_pack_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A megabyte is no bomb whatever the ratio."""
    (member,) = archives.members(packed(tmp_path / "a.zip", 1 << 20))
    assert member.file_size == 1 << 20
    monkeypatch.setattr(archives, "ALWAYS_BYTES", 100_000)
    assert len(archives.members(packed(tmp_path / "a.zip", 100_000))) == 1
    with pytest.raises(InputError, match="at most 100000"):
        archives.members(packed(tmp_path / "a.zip", 100_001))


def test_large_archives_may_unpack_fifty_times(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archives, "ALWAYS_BYTES", 0)
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.txt", b" " * 1000)
    assert len(archives.members(path)) == 1
    most = 50 * packed(path, 100_000).stat().st_size
    with pytest.raises(InputError, match=f"at most {most}"):
        archives.members(path)


def test_a_member_that_says_less_than_it_holds_is_refused(tmp_path: Path) -> None:
    path = packed(tmp_path / "a.zip", 100_000)
    content = path.read_bytes()
    size = (100_000).to_bytes(4, "little")
    assert content.count(size) == 2  # before the member, and in the directory at the end
    path.write_bytes(content.replace(size, (100).to_bytes(4, "little")))
    assert [one.file_size for one in archives.members(path)] == [100]
    with pytest.raises(InputError, match=r"a\.txt.*a whole member"):
        archives.unpacked(path)


def test_members_of_an_archive_and_files_of_a_folder_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archives, "MOST_MEMBERS", 3)
    monkeypatch.setattr(formats, "_MOST_FILES", 3)
    (tmp_path / "in").mkdir()
    write(tmp_path / "in" / "a.csv")
    for count, good in ((3, True), (4, False)):
        path = tmp_path / f"{count}.zip"
        with zipfile.ZipFile(path, "w") as archive:
            for number in range(count):
                archive.writestr(f"{number}.txt", "x")
        for number in range(1, count):
            (tmp_path / "in" / f"{number}.txt").write_text("x")
        if good:
            assert len(archives.members(path)) == 3
            assert len(formats.open_records(tmp_path / "in")) == 1
        else:
            with pytest.raises(InputError, match="at most 3 members"):
                archives.members(path)
            with pytest.raises(InputError, match="at most 3 files"):
                formats.open_records(tmp_path / "in")


# --- series, tables, source ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "step_s", "first", "last"),
    [
        ([], None, None, None), ([0.5], None, None, None), ([-0.2, -0.1, 0.0], 0.1, -2, 0),
        ([0.3, 0.2, 0.1], None, None, None), ([0.0, 0.0, 0.0], None, None, None),
    ],
)  # fmt: skip
def test_points_of_a_series_count_from_time_zero(
    times: list[float], step_s: float | None, first: int | None, last: int | None
) -> None:
    found = channel_info(Series("x", "g", np.array(times), np.zeros(len(times))), 1)
    assert found.step_s == (None if step_s is None else pytest.approx(step_s))
    assert (found.first_point, found.last_point) == (first, last)


def test_signals_of_a_table_share_rate_and_length(tmp_path: Path) -> None:
    (event,) = read_record(write(tmp_path / "t.csv"))
    one = event.signals["central_x"]
    shorter = replace(one, samples=one.samples[:-1], axis="y")
    slower = Signal(
        one.samples, rate_hz=5000.0, start_s=one.start_s, unit=one.unit, axis="y",
        location=one.location,
    )  # fmt: skip
    for other in (shorter, slower):
        odd = replace(event, signals={"central_x": one, "central_y": other})
        with pytest.raises(InputError, match="one time base for all"):
            write_signals(odd, tmp_path / "out.csv")


def test_the_nominal_draw_of_a_record_is_draw_0() -> None:
    signal = Signal(np.zeros(4), rate_hz=1e4, start_s=0.0, unit="m/s^2", axis="x",
                    location="central")  # fmt: skip
    source = RecordSource.of("r", signals={"central_x": signal}, requirements={}, facts={})
    assert source.nominal().draws.tolist() == [0]
