"""Folders of records: manifest, check of all, import as a library, evaluation of a library."""

from __future__ import annotations

import zipfile

import numpy as np
import pytest
from exchange_writer import WrittenChannel, wall
from rough_pulse import rough_g
from table_writer import write

from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.records import read_record
from crashsense.records.library import check_folder, import_folder

STAGE_1 = "front_airbag_stage_1"
TIMES = (np.arange(3001) - 500) / 1e4


def rough_wall(name, *, seed=1, **changes):
    return wall(50.0, name=name, channel={"values": rough_g(-55.0, seed=seed)}, **changes)


@pytest.fixture
def folder(tmp_path):
    """Three records in three forms, and a letter beside them."""
    place = tmp_path / "records"
    rough_wall("v00001").write(place / "v00001")
    packed = rough_wall("v00002", seed=2).write(tmp_path / "packed")
    with zipfile.ZipFile(place / "v00002.zip", "w") as archive:
        for file in packed.iterdir():
            archive.write(file, f"v00002/{file.name}")
    write(place / "run_3.csv", {"time_s": TIMES, "central_x_g": rough_g(-50.0, seed=3)})
    (place / "letter.txt").write_text("Please find enclosed three records.\n")
    return place


MANIFEST = """
["v00001"]
belts = "unbelted"
front_airbag_stage_1 = "fire by 14.5 ms (agreed with the maker)"
notes = "full-width wall"

["v00002.zip"]
channel = "sill"
belt_pretensioner = "fire"

["run_3.csv"]
family = "frontal"
title = "A run of a fictional car"
front_airbag_stage_1 = "open"
"""


def test_a_folder_without_a_manifest(folder):
    checked = check_folder(folder)
    assert [one.name for one in checked] == ["run_3.csv", "v00001", "v00002.zip"]
    assert {one.state for one in checked} == {"sound"}


def test_what_a_manifest_states(folder):
    (folder / "records.toml").write_text(MANIFEST)
    events = {event.name: event for event in read_record(folder)}
    assert sorted(events) == ["run_3", "v00001_left", "v00002_left"]
    first = events["v00001_left"]
    assert not first.context.belted
    assert first.requirements[STAGE_1].required_s == pytest.approx(0.0145)
    assert first.requirements[STAGE_1].basis == "agreed with the maker"
    assert first.metadata["notes"] == "full-width wall"
    block = first.source.block([0, 1], seed=1)
    assert block.required_s["v00001_left"][STAGE_1].tolist() == [0.0145, 0.0145]
    second = events["v00002_left"]
    assert second.requirements["belt_pretensioner"].required_s == pytest.approx(
        second.requirements[STAGE_1].required_s
    )
    assert events["run_3"].title == "A run of a fictional car"
    with pytest.raises(InputError, match="expected nothing: the folder's manifest states it"):
        read_record(folder, belts="belted")


def test_a_manifest_as_csv(folder):
    rows = [
        "record,belts,front_airbag_stage_1,notes",
        "v00001,unbelted,fire by 14.5 ms,a wall",
        "run_3.csv,,,",
    ]
    (folder / "records.csv").write_text("\n".join(rows) + "\n")
    events = {event.name: event for event in read_record(folder)}
    assert sorted(events) == ["run_3", "v00001_left"]
    assert events["v00001_left"].requirements[STAGE_1].required_s == pytest.approx(0.0145)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('["v00009"]\n', "record: got 'v00009'; expected one of"),
        ('["../v00001"]\n', "a file or folder beside the manifest"),
        ('["v00001"]\nbelt = "belted"\n', "did you mean 'belts'"),
        ('["v00001"]\nbelts = "bleted"\n', "did you mean 'belted'"),
        ('["v00001"]\nfamily = "front"\n', "did you mean 'frontal'"),
        ('["v00001"]\nclosing_speed_kmh = 5e-324\n', "a finite number"),
        ('["v00001"]\nclosing_speed_kmh = -3\n', "a number, above 0"),
        ('["v00001"]\nmass_kg = true\n', "expected a number"),
        ('["v00001"]\nfront_airbag_stage_1 = "fires"\n', "did you mean 'fire'"),
        ("v00001 = 3\n", "expected a table"),
        ("", "records: got 0; expected one record or more"),
        ('["v00001"]\nnotes = ["a"]\n', "expected a text"),
    ],
)
def test_a_broken_manifest(folder, text, told):
    (folder / "records.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_record(folder)
    assert told in str(caught.value)


def test_two_manifests_and_a_broken_csv(folder):
    (folder / "records.toml").write_text(MANIFEST)
    (folder / "records.csv").write_text("name,belts\n")
    with pytest.raises(InputError, match="manifest: got 'two'"):
        read_record(folder)
    (folder / "records.toml").unlink()
    with pytest.raises(InputError, match="a column 'record'"):
        read_record(folder)
    (folder / "records.csv").write_text("record,belts\nv00001,belted,more\n")
    with pytest.raises(InputError, match="line 2: got 'more cells'"):
        read_record(folder)


def test_a_manifest_puts_speed_and_mass_where_a_header_has_none(tmp_path):
    place = tmp_path / "records"
    place.mkdir()
    rows = "\n".join(f"{t:.4f}\t{v:.6f}" for t, v in zip(TIMES, rough_g(-55.0), strict=True))
    (place / "sill.tsv").write_text(f"LEFT SILL X\nG'S\n{rows}\n")
    (place / "records.toml").write_text('["sill.tsv"]\nclosing_speed_kmh = 50\nmass_kg = 1500\n')
    (event,) = read_record(place)
    assert event.metadata["speed_kmh"] == 50.0
    assert event.metadata["mass_kg"] == 1500.0


def test_check_command(folder, capsys):
    assert run(["records", "check", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "run_3.csv   sound  central_x_g" in out
    assert "3 records: 3 sound, 0 with warnings, 0 that cannot be used" in out
    assert "CAUTION" in out
    bad = rough_wall("v00004")
    bad.channels[0].values = -bad.channels[0].values
    bad.write(folder / "v00004")
    assert run(["records", "check", str(folder)]) == 2
    out, err = capsys.readouterr()
    assert "v00004: error: polarity" in err
    assert "1 that cannot be used" in out
    assert run(["records", "check", str(folder / "nowhere")]) == 2


def test_import_is_all_or_nothing(folder, tmp_path, capsys):
    library = tmp_path / "library"
    (folder / "v00001" / "v00001.001").write_bytes(b"\x00\x01")
    assert run(["records", "import", str(folder), "--out", str(library)]) == 2
    assert "v00001" in capsys.readouterr().err
    assert not library.exists()
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]


def test_a_library_is_evaluated_like_events(folder, tmp_path, capsys):
    (folder / "records.toml").write_text(MANIFEST)
    library = tmp_path / "library"
    assert run(["records", "import", str(folder), "--out", str(library)]) == 0
    assert "3 events" in capsys.readouterr().out
    from crashsense.plan import resolve_plan

    direct = {e.name: e for e in read_record(folder)}
    plan = resolve_plan(records=[str(library)], draws=2)
    found = {e.name: e for e in plan.events}
    assert sorted(found) == sorted(direct)
    for name, event in found.items():
        assert (
            event.requirements[STAGE_1].expectation
            == direct[name].requirements[STAGE_1].expectation
        )
        assert event.context == direct[name].context
        wanted = direct[name].signals["central_x"].samples
        assert np.array_equal(event.signals["central_x"].samples.round(6), wanted.round(6))
    times = [e.requirements[STAGE_1].required_s for e in found.values()]
    assert 0.0145 in [None if t is None else round(t, 6) for t in times]
    # Written anew, refused; changed, refused.
    assert run(["records", "import", str(folder), "--out", str(library)]) == 2
    assert "a new or an empty folder" in capsys.readouterr().err
    table = library / "run_3.parquet"
    table.write_bytes(table.read_bytes() + b"x")
    with pytest.raises(InputError, match=r"run_3.parquet: content: got 'changed'"):
        read_record(library)
    table.unlink()
    with pytest.raises(InputError, match="got 'missing'"):
        read_record(library)


def test_a_library_says_what_was_assumed_when_it_was_made(folder, tmp_path):
    import_folder(folder, tmp_path / "library")
    told = {e.name: e.metadata["assumptions"] for e in read_record(tmp_path / "library")}
    direct = {e.name: e.metadata["assumptions"] for e in read_record(folder / "v00001")}
    assert set(direct["v00001_left"]) <= set(told["v00001_left"])
    assert any("assumed" in text for text in told["v00001_left"])


def test_a_folder_of_archives_and_folders_needs_no_manifest(folder):
    (folder / "run_3.csv").unlink()
    events = read_record(folder, belts="unbelted")
    assert sorted(e.name for e in events) == ["v00001_left", "v00002_left"]
    assert not any(e.context.belted for e in events)


def test_names_that_collide_are_told(tmp_path):
    place = tmp_path / "records"
    rough_wall("v00001").write(place / "a")
    rough_wall("v00001").write(place / "b")
    (place / "records.toml").write_text('["a"]\n["b"]\n')
    with pytest.raises(InputError, match="each event name once"):
        read_record(place)


def test_a_folder_that_says_nothing(tmp_path):
    (tmp_path / "letter.txt").write_text("no records here\n")
    with pytest.raises(InputError, match="one record or more"):
        check_folder(tmp_path)
    with pytest.raises(InputError, match="one record or more"):
        import_folder(tmp_path, tmp_path.parent / "out")


def test_the_channel_that_a_manifest_names_sets_the_time(tmp_path):
    place = tmp_path / "records"
    record = rough_wall("v00001")
    record.channels.append(WrittenChannel(2, rough_g(-55.0, duration_s=0.09, seed=4), "TUNNEL X"))
    record.write(place / "v00001")
    (place / "records.toml").write_text('["v00001"]\nrequired_from = "tunnel"\n')
    (event,) = read_record(place)
    (alone,) = read_record(place / "v00001", channel="tunnel")
    assert event.metadata["channel"] == 1
    assert event.requirements[STAGE_1].required_s == alone.requirements[STAGE_1].required_s
