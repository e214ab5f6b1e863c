"""What nobody means and somebody types: one line a fault, code 2, no traceback, and soon."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from crashsense import cli
from crashsense.resources import folder
from crashsense.synthesis.selection import MOST_FAULTS

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes and devices of POSIX systems")

#: Commands that open a file or a folder, *W* in its place.
OPENERS = (
    "evaluate W",
    "evaluate --records W",
    "evaluate --sensor-set W",
    "evaluate --algorithm W",
    "evaluate --out W",
    "check-record W",
    "check-rule W",
    "replay W x 0",
    "explain W x",
    "report W",
    "study compare W W",
    "study severity W",
    "sensors element W",
    "records check W",
    "events --folder W",
)


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    code = cli.run(arguments)
    printed = capsys.readouterr()
    assert code == 2, printed
    assert printed.out == ""
    assert "unexpected error" not in printed.err
    lines = printed.err.splitlines()
    assert lines
    assert all("expected" in line or "is a file" in line or "run folder" in line for line in lines)
    return printed.err


@pytest.mark.slow
@pytest.mark.parametrize("what", ["pipe", "/dev/zero", "long"])
@pytest.mark.parametrize("opener", OPENERS)
def test_pipes_devices_and_names_of_no_file(
    opener: str, what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    name = "x" * 4000 + ".toml" if what == "long" else what
    refused([name if word == "W" else word for word in opener.split()], capsys)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pipe"]


@pytest.mark.quick(4)
@pytest.mark.parametrize("name", ["cobbles_50", "hump_900_50"])
@pytest.mark.parametrize(
    "duration", ["1e-6", "1e-99", "5e-324", "inf", "nan", "0", "1" + "0" * 400]
)
def test_a_ride_that_is_over_before_it_begins(
    name: str, duration: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    text = (folder("pulses") / "rough_road" / f"{name}.toml").read_text(encoding="utf-8")
    text, changed = re.subn(
        r"^duration_s = .*", f"duration_s = {duration}", text, flags=re.M, count=1
    )
    assert changed == 1
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.toml").write_text(text.replace(f'"{name}"', '"own"'), encoding="utf-8")
    (tmp_path / "plan.toml").write_text('events = ["own.toml"]\n', encoding="utf-8")
    assert "duration_s" in refused(["evaluate", "plan.toml"], capsys)


@pytest.mark.slow
def test_a_list_of_something_else_is_not_searched_to_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = ", ".join(f'"row {number}"' for number in range(100_000))
    (tmp_path / "plan.toml").write_text(f"events = [{names}]\n", encoding="utf-8")
    said = refused(["evaluate", str(tmp_path / "plan.toml")], capsys)
    assert len(said.splitlines()) == MOST_FAULTS


def test_a_folder_whose_name_is_no_text_takes_a_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = os.fsdecode(os.fsencode(tmp_path) + b"/d\xe9")
    try:
        os.mkdir(place)
    except OSError:
        pytest.skip("names of files are text on this system")
    (tmp_path / "plan.toml").write_text('events = ["hammer_tunnel"]\nalgorithms = ["plain"]\n')
    run = f"{place}/run"
    assert cli.run(["evaluate", str(tmp_path / "plan.toml"), "--out", run]) == 0
    assert cli.run(["replay", run, "hammer_tunnel", "0"]) == 0
    assert cli.run(["study", "compare", run, run]) == 0
    printed = capsys.readouterr()
    assert printed.err == ""


@pytest.mark.parametrize(
    "words",
    [
        "evaluate LONG.toml",
        "evaluate --events a/LONG",
        "evaluate --events hammer_tunnel --algorithm LONG.toml",
        "evaluate --events hammer_tunnel --sensor-set LONG.toml",
        "evaluate --events hammer_tunnel --requirements LONG.csv",
        "evaluate --records LONG.csv",
        "evaluate --events hammer_tunnel --out LONG",
        "report LONG",
        "study compare LONG LONG",
        "records check LONG",
        "sensors element LONG",
        "catalogue --out LONG",
        "lesson 1 --out LONG",
        "events export hammer_tunnel --out LONG.csv",
    ],
)
def test_a_name_that_no_file_can_have_is_a_fault(
    words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(words.replace("LONG", 5000 * "y").split()) == 2
    err = capsys.readouterr().err
    assert err
    assert "unexpected error" not in err


@pytest.mark.skipif(os.name == "nt", reason="a folder in use is not removed there")
def test_a_working_directory_that_has_been_removed_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    assert cli.run(["evaluate", "--events", "hammer_bolt", "--draws", "0"]) == 2
    assert capsys.readouterr().err == "working directory: expected to exist: it has been removed\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device on this system")
@pytest.mark.parametrize("buffered", ["", "1"])
def test_output_that_cannot_be_written_is_named(buffered: str) -> None:
    command = [sys.executable, "-m", "crashsense", "events"]
    run: dict[str, Any] = {"stderr": subprocess.PIPE, "text": True, "check": False}
    run["env"] = {**os.environ, "PYTHONUNBUFFERED": buffered}
    with open("/dev/full", "w", encoding="utf-8") as full:
        found = subprocess.run(command, stdout=full, **run)
    assert found.returncode == 2
    assert found.stderr.startswith("output or file: expected to be readable or writable (")
