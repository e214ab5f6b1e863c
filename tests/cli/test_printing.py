"""What commands print fits 80 columns, names places that can be opened, and is told beforehand."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from crashsense.cli import run
from crashsense.cli.printing import folded

WIDTH = 80

#: Commands that need no run and no events to be made.
CHEAP = (
    "--help",
    "words",
    "safety",
    "rules",
    "rules show velocity_change",
    "rules show guarded",
    "sensors",
    "sensors faults",
    "sensors show standard",
    "sensors show central_100g",
    "sensors design --range 100g --bandwidth 1500 --noise 1mg",
    "events",
    "events list --family rollover",
    "lesson",
    "lesson 1 --teacher",
    "records",
    "fit",
    "study",
)

#: On the files of the fixture.
ON_A_RUN = (
    "report run",
    "report run --baseline run",
    "explain run hammer_tunnel",
    "explain run wall_full_40 --restraint front_airbag_stage_1",
    "replay run wall_full_40",
    "recorder run wall_full_40",
    "study compare run run",
    "sensors element my_element.toml",
    "check-record table.csv",
    "check-rule my_rule.toml",
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of two events and two sensor sets with draws, and files that commands look at."""
    folder = tmp_path_factory.mktemp("printing")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        events = "--events hammer_tunnel --events wall_full_40"
        sets = "--sensor-set standard --sensor-set central_50g"
        assert run(f"evaluate {events} {sets} --draws 2 --engine numpy --out run".split()) in (0, 1)
        assert run(["events", "export", "hammer_tunnel", "--out", "table.csv"]) == 0
        assert run(["new", "element", "my_element.toml"]) == 0
        assert run(["new", "rule", "my_rule.toml"]) == 0
    return folder


@pytest.fixture
def printed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[[str], list[str]]:
    """Run a command at 80 columns and return its lines."""
    monkeypatch.setenv("COLUMNS", str(WIDTH))

    def lines(command: str) -> list[str]:
        capsys.readouterr()
        assert run(command.split()) in (0, 1), command
        return capsys.readouterr().out.splitlines()

    return lines


def too_long(lines: list[str]) -> list[str]:
    """Lines beyond the width; one that is filled by a path or an address is excepted."""
    return [
        line
        for line in lines
        if len(line) > WIDTH and not any(len(w) > 60 and "/" in w for w in line.split())
    ]


@pytest.mark.parametrize("command", CHEAP)
def test_what_is_listed_fits_the_width(command: str, printed: Callable[..., list[str]]) -> None:
    lines = printed(command)
    assert len(lines) > 3
    # The file of an algorithm is printed as it is.
    assert command == "rules show guarded" or too_long(lines) == []


@pytest.mark.quick(4)
@pytest.mark.parametrize("command", ON_A_RUN)
def test_what_is_said_of_a_run_fits_the_width(
    command: str, home: Path, printed: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(home)
    lines = printed(command)
    assert len(lines) > 3
    assert too_long(lines) == []


def test_the_sentence_that_is_repeated_comes_first_and_the_place_can_be_opened(
    home: Path, printed: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(home)
    text = " ".join(" ".join(printed("report run")).split())
    found = re.search(r"guarded / standard: (.*?) must-fire requirements? ", text)
    assert found is not None
    assert found.start() < text.index("2 events, sensors")
    report = re.search(r"Report: (\S+)", text)
    assert report is not None
    assert Path(report[1]) == home / "run" / "report.html"
    assert Path(report[1]).is_file()


def test_lines_follow_a_wider_or_narrower_terminal(
    printed: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = {}
    for columns in (60, 80, 160):
        monkeypatch.setenv("COLUMNS", str(columns))
        sizes[columns] = max(map(len, printed("words")))
    assert sizes[60] <= 60 < sizes[80] <= 80 < sizes[160] <= 160


def test_a_path_is_never_folded() -> None:
    path = "/a/" + "long/" * 20 + "name.html"
    assert folded(f"Report: {path}", WIDTH) == f"Report: {path}"


def test_long_work_is_announced(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from crashsense.campaign import evaluate, running

    told: list[str] = []
    monkeypatch.setattr(running, "PROCESSES_FROM_S", 0.0)
    monkeypatch.setattr(running, "ANNOUNCED_FROM_S", 0.0)
    evaluate(events=["hammer_tunnel"], draws=2, workers=1, engine="numpy", on_begin=told.append)
    (words,) = told
    assert re.fullmatch(r"about \S+ s of computing in 1 process", words)
    told.clear()
    monkeypatch.setattr(running, "ANNOUNCED_FROM_S", 1e9)
    evaluate(events=["hammer_tunnel"], workers=1, engine="numpy", on_begin=told.append)
    assert told == []
