"""``crashsense events``: list, filters, card and figure, export, bad input."""

import json

import matplotlib
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

import crashsense
from crashsense.cli import main
from crashsense.synthesis import load_events, load_recipes


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as stopped:
        main(list(arguments))
    captured = capsys.readouterr()
    return stopped.value.code or 0, captured.out, captured.err


def test_json_lists_every_event_of_the_library(capsys):
    code, out, _ = run(capsys, "events", "--format", "json")
    listed = json.loads(out)
    names = [name for recipe in load_recipes() for name in recipe.event_names]
    assert code == 0
    assert [row["name"] for row in listed["events"]] == names
    assert len(listed["events"][0]["expectations"]) == 7


def test_filters(capsys):
    _, out, _ = run(capsys, "events", "--family", "frontal", "--format", "json")
    assert {row["family"] for row in json.loads(out)["events"]} == {"frontal"}
    arguments = ("--restraint", "front_airbag_stage_2", "--expectation", "fire", "--format", "json")
    _, out, _ = run(capsys, "events", *arguments)
    rows = json.loads(out)["events"]
    assert rows
    assert {row["expectations"]["front_airbag_stage_2"] for row in rows} == {"fire"}


@pytest.mark.slow
def test_show_prints_the_card_and_draws(capsys, tmp_path):
    figure = tmp_path / "wall.svg"
    code, out, _ = run(capsys, "events", "show", "wall_full_56", "--figure", str(figure))
    assert code == 0
    for text in ("frontal_impact", "cabin x: velocity change", "front_airbag_stage_1"):
        assert text in out
    assert figure.stat().st_size > 5000


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("options", "shown"), [((), 16), (("--draws", "3"), 3), (("--draws", "0"), 0)]
)
def test_show_says_how_many_draws_lie_behind_the_lines(
    capsys, tmp_path, options, shown, monkeypatch
):
    monkeypatch.setitem(matplotlib.rcParams, "svg.fonttype", "none")
    figure = tmp_path / "knock.svg"
    code, _, _ = run(capsys, "events", "show", "hammer_tunnel", "--figure", str(figure), *options)
    assert code == 0
    drawn = figure.read_text(encoding="utf-8")
    assert (f"range of {shown} random draws" in drawn) == (shown > 0)
    assert ("random draws" in drawn) == (shown > 0)


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_export_holds_the_signals_in_file_units(capsys, tmp_path, ending):
    path = tmp_path / f"event.{ending}"
    code, _, _ = run(capsys, "events", "export", "odb_40_56", "--out", str(path))
    assert code == 0
    event = load_events(["odb_40_56"])[0]
    if ending == "csv":
        first = path.read_text(encoding="utf-8").split("\n", 1)[0]
        metadata = json.loads(first.removeprefix("# "))
        table = pd.read_csv(path, comment="#")
    else:
        metadata = json.loads(pq.read_schema(path).metadata[b"crashsense"])
        table = pd.read_parquet(path)
    assert table.columns[0] == "time_s"
    assert {"central_x_g", "rear_seat_crossmember_x_g", "door_left_pressure_kpa"} <= set(table)
    assert metadata["event"] == "odb_40_56"
    wanted = event.signals["central_x"].samples / 9.80665
    assert np.allclose(table["central_x_g"], wanted, rtol=1e-8, atol=1e-12)
    assert table["time_s"].iloc[0] == -0.05


def test_export_takes_wildcards_families_and_a_folder(capsys, tmp_path):
    out = tmp_path / "some"
    code, told, _ = run(
        capsys, "events", "export", "near_*", "--family", "rollover", "--format", "parquet",
        "--out", str(out),
    )  # fmt: skip
    assert code == 0
    wanted = sorted(name for r in load_recipes() for name in r.event_names if name[:5] == "near_")
    assert sorted(path.stem for path in out.iterdir()) == wanted
    assert {path.suffix for path in out.iterdir()} == {".parquet"}
    assert len(told.strip().splitlines()) == len(wanted)
    table = pd.read_parquet(out / f"{wanted[0]}.parquet")
    assert "central_roll_rate_deg_s" in table
    code, _, _ = run(capsys, "events", "export", "rear_s*", "--out", str(tmp_path / "one.csv"))
    assert code == 0
    assert (tmp_path / "one.csv").is_file()


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("events", "export", "--out", "x"), "names of events (with wildcards), or --family"),
        (("events", "export", "near_*", "--out", "x.csv"), "for 3 events"),
        (("events", "export", "near_*", "--out", "x", "--format", "xml"), "csv"),
        (("events", "export", "nosuch_*", "--out", "x"), "nosuch_*"),
        (
            ("events", "export", "wall_full_13", "--out", "x.csv", "--format", "parquet"),
            "the ending .parquet",
        ),
        (("events", "show", "wal_full_56"), "did you mean 'wall_full_56'"),
        (("events", "show", "hammer_tunnel", "--draws", "-1"), "a whole number, 0 to 1000"),
        (("events", "show", "hammer_tunnel", "--draws", "1001"), "a whole number, 0 to 1000"),
        (("events", "--family", "frontl"), "did you mean 'frontal'"),
        (("events", "--format", "yaml"), "one of json, text"),
        (
            ("events", "export", "wall_full_56", "--out", "x.xlsx"),
            "a name that ends in .csv, .parquet",
        ),
        (("events", "export", "wall_full_56", "--out", f"{__file__}/x.csv"), "a file in a folder"),
        (("events", "--family", "side", "show", "wall_full_56"), "the option after 'show'"),
        (("events", "--folder", "/no/such/folder"), "a folder of recipe files"),
    ],
)
def test_bad_input_is_one_line_and_code_2(capsys, arguments, text):
    code, out, err = run(capsys, *arguments)
    assert code == 2
    assert out == ""
    assert text in err
    assert "Traceback" not in err


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("moose_70", "[open; no fire side_airbag_left, side_airbag_right]"),
        ("underride_25", "[open; no fire front_airbag_stage_2]"),
        ("pole_centre_20", "[open; no fire front_airbag_stage_2]"),
        ("odb_40_32_belted", "[open; no fire side_airbag_right]"),
        ("wall_full_16_belted", "[no fire; open belt_pretensioner]"),
        ("wall_full_13", "[no fire]"),
        (
            "wall_full_25",
            "[fire front_airbag_stage_1, belt_pretensioner; "
            "no fire front_airbag_stage_2; rest open]",
        ),
    ],
)
def test_list_says_open_where_a_restraint_is_open(capsys, name, words):
    _, out, _ = run(capsys, "events", "--family", "frontal")
    (line,) = [line for line in out.splitlines() if line.split()[:1] == [name]]
    assert line.endswith(words)


def test_list_may_be_named_with_its_options(capsys):
    for options in ((), ("--family", "side"), ("--family", "rear", "--format", "json")):
        code, named, _ = run(capsys, "events", "list", *options)
        assert code == 0
        assert named == run(capsys, "events", *options)[1]


@pytest.mark.parametrize("group", ["events", "sensors", "rules"])
def test_list_is_the_default_and_a_slip_answers_with_the_nearest(capsys, group):
    code, named, _ = run(capsys, group, "list")
    assert code == 0
    assert named == run(capsys, group)[1]
    code, out, err = run(capsys, group, "lst")
    assert code == 2
    assert out == ""
    assert "did you mean 'list'" in err


def test_an_export_has_the_rigid_body_motion_and_no_sensor_reads_it(tmp_path, capsys):
    path = tmp_path / "wall.csv"
    name = "wall_full_16_unbelted"
    run(capsys, "events", "export", name, "--out", str(path))
    table = pd.read_csv(path, comment="#")
    (event,) = load_events([name])
    step = 1.0 / event.cabin["x"].rate_hz
    change = table["rigid_body_x_g"].sum() * 9.80665 * step
    # The cabin loses its speed of 16 km/h and some rebound; ringing is in central_x alone.
    assert -1.35 * 16 / 3.6 < change < -16 / 3.6
    rough = [float(np.abs(np.diff(table[c])).sum()) for c in ("rigid_body_x_g", "central_x_g")]
    assert rough[0] < 0.5 * rough[1]
    (again,) = crashsense.load_record(path)
    assert set(again.signals) == set(event.signals)


@pytest.mark.parametrize(
    ("typed", "meant"), [("pole", "pole*"), ("undercarr", "undercarr*"), ("overlap", "*overlap*")]
)
def test_a_part_of_a_name_is_answered_with_a_pattern(typed, meant, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for arguments in (("evaluate", "--events", typed), ("events", "export", typed, "--out", ".")):
        code, _, err = run(capsys, *arguments)
        assert code == 2
        assert f"did you mean {meant!r}?" in err
    assert list(tmp_path.iterdir()) == []
