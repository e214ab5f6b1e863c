"""Bad input through the command line: one line a fault, exit code 2, nothing written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from exchange_writer import pulse_g, wall

from crashsense import cli

GOOD = pulse_g(-55.0)


@pytest.fixture(autouse=True)
def working_folder(tmp_path, monkeypatch) -> Path:
    folder = tmp_path / "work"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def listing(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def refused(arguments: list[str], capsys, folder: Path) -> list[str]:
    """Run, expect a refusal, and return its lines."""
    before = listing(folder)
    code = cli.run(arguments)
    captured = capsys.readouterr()
    assert code == 2, captured
    assert captured.out == ""
    assert "Traceback" not in captured.err
    assert listing(folder) == before
    assert not (folder / "crashsense-run").exists()
    lines = captured.err.splitlines()
    assert lines
    assert not [line for line in lines if "expected" not in line]
    return lines


def with_nan(index: int) -> np.ndarray:
    values = GOOD.copy()
    values[index] = np.nan
    return values


def swapped_times() -> np.ndarray:
    times = (np.arange(GOOD.size) - 500) * 1e-4
    times[[1200, 1201]] = times[[1201, 1200]]
    return times


RECORDS = {
    "truncated channel": ({"values": GOOD[:900], "last": 2000}, ["v00042.001", "900", "2501"]),
    "NaN": ({"values": with_nan(700)}, ["sample 701", "nan", "finite"]),
    "non-monotonic time": (
        {"values": GOOD, "times": swapped_times()},
        ["sample 1202", "increasing times"],
    ),
    "milliseconds as seconds": (
        {"values": GOOD, "times": (np.arange(GOOD.size) - 500) * 0.1},
        ["time step", "look like milliseconds"],
    ),
    "wrong unit": ({"values": GOOD * 9.80665}, ["unit", "looks like m/s"]),
    "unit of something else": ({"unit": "NWT"}, ["unit", "'NWT'", "acceleration"]),
    "flipped sign": ({"values": -GOOD}, ["velocity change", "negative"]),
}


@pytest.mark.parametrize("name", RECORDS)
def test_bad_record(name, capsys, working_folder):
    channel, parts = RECORDS[name]
    wall(50.0, channel=channel).write(working_folder / "record")
    lines = refused(["evaluate", "--records", "record"], capsys, working_folder)
    missing = [part for part in parts if not any(part in line for line in lines)]
    assert missing == [], lines


def test_good_record_runs_through_the_same_path(capsys, working_folder):
    wall(50.0).write(working_folder / "record")
    assert cli.run(["evaluate", "--records", "record"]) in (0, 1), capsys.readouterr().err
    assert "v00042" in (working_folder / "crashsense-run" / "verdicts.csv").read_text("utf-8")


@pytest.mark.parametrize(
    ("content", "part"),
    [(b"", "an empty file"), (bytes(range(256)) * 4, "binary data"), (None, "nowhere.EV5")],
)
def test_record_file_that_is_none(content, part, capsys, working_folder):
    if content is not None:
        (working_folder / "nowhere.EV5").write_bytes(content)
    lines = refused(["evaluate", "--records", "nowhere.EV5"], capsys, working_folder)
    assert len(lines) == 1
    assert part in lines[0]


def test_channel_that_is_not_there(capsys, working_folder):
    wall(50.0).write(working_folder / "record")
    arguments = ["evaluate", "--records", "record", "--channel", "77"]
    lines = refused(arguments, capsys, working_folder)
    assert any("77" in line for line in lines)


PLANS = {
    "event": ('events = ["side_pole_75_23"]', ["'side_pole_75_23'", "'side_pole_75_32'"]),
    "algorithm": ('algorithms = ["gaurded"]', ["'gaurded'", "did you mean 'guarded'?"]),
    "sensor set": ('sensor_sets = ["standrad"]', ["'standrad'", "did you mean 'standard'?"]),
    "key": ('algorithm = ["plain"]', ["my.toml: algorithm", "no such field"]),
    "toml": ("events = [", ["my.toml", "TOML"]),
    "kind": ('draws = "many"', ["draws", "'many'"]),
    "negative": ("draws = -1", ["draws", "-1"]),
}


@pytest.mark.parametrize("name", PLANS)
def test_bad_plan(name, capsys, working_folder):
    text, parts = PLANS[name]
    (working_folder / "my.toml").write_text(text + "\n", encoding="utf-8")
    lines = refused(["evaluate", "my.toml"], capsys, working_folder)
    assert len(lines) == 1
    assert not [part for part in parts if part not in lines[0]], lines


def test_plan_with_four_faults_reports_all_four(capsys, working_folder):
    (working_folder / "my.toml").write_text(
        'events = ["no_such_thing"]\nalgorithms = ["gaurded"]\ndraws = -3\nseeds = 4\n',
        encoding="utf-8",
    )
    lines = refused(["evaluate", "my.toml"], capsys, working_folder)
    for part in ("no_such_thing", "gaurded", "-3", "seeds"):
        assert len([line for line in lines if part in line]) == 1, lines
    assert len(lines) == 4


@pytest.mark.slow
@pytest.mark.parametrize(
    ("content", "part"),
    [(b"", None), (b"\xff\xfe\x00binary", "my.toml"), (None, "my.toml")],
)
def test_plan_file_that_is_none(content, part, capsys, working_folder):
    if content is not None:
        (working_folder / "my.toml").write_bytes(content)
    if part is None:
        # An empty plan is the default plan; it is only asked for its size.
        assert cli.run(["evaluate", "my.toml", "--dry-run"]) == 0
        assert list(working_folder.iterdir()) == [working_folder / "my.toml"]
    else:
        lines = refused(["evaluate", "my.toml"], capsys, working_folder)
        assert len(lines) == 1
        assert part in lines[0]


@pytest.mark.parametrize(
    ("option", "content", "part"),
    [
        ("--sensor-set", None, "mine.toml"),
        ("--sensor-set", b'[sensors]\ncentral_q = "central_120g"\n', "central_q"),
        ("--algorithm", None, "mine.toml"),
        ("--algorithm", b'[rules.front_airbag]\nfamily = "level"\n', "front_airbag_stage_1"),
        ("--events", None, "mine.toml"),
        ("--events", b"\xff\xfe\x00", "UTF-8"),
        ("--events", b'name = "x"\n', "title"),
    ],
)
def test_bad_file_of_ones_own(option, content, part, capsys, working_folder):
    if content is not None:
        (working_folder / "mine.toml").write_bytes(content)
    lines = refused(["evaluate", option, "mine.toml"], capsys, working_folder)
    assert any(part in line for line in lines), lines


def test_missing_channel_for_a_rule_is_named(capsys, working_folder):
    (working_folder / "mine.toml").write_text(
        '[sensors]\ncentral_z = "central_35g"\n', encoding="utf-8"
    )
    arguments = ["evaluate", "--sensor-set", "mine.toml", "--algorithm", "plain"]
    lines = refused(arguments, capsys, working_folder)
    assert any("central_x" in line and "plain" in line for line in lines), lines


def test_out_that_is_a_file_is_refused(capsys, working_folder):
    (working_folder / "taken").write_text("mine", encoding="utf-8")
    (working_folder / "few.toml").write_text('events = ["side_pole_75_32"]\n', encoding="utf-8")
    lines = refused(["evaluate", "few.toml", "--out", "taken"], capsys, working_folder)
    assert "taken" in lines[0]
