"""The draw of explain, replay and recorder, folders that are made, two algorithms of one run."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

import pytest

from crashsense import campaign, processes
from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.cli.check_record import stand_ins
from crashsense.errors import InputError
from crashsense.records import ChannelFigures

KNOCK = "hammer_tunnel"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("draws") / "run"
    evaluate(events=[KNOCK], algorithms=["plain", "guarded"], draws=1, vary="sensor", out=out)
    return str(out)


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["explain", "replay", "recorder"])
def test_the_draw_is_an_argument_or_an_option(
    name: str, folder: str, capsys: pytest.CaptureFixture[str]
) -> None:
    said = []
    for draw in (["1"], ["--draw", "1"], ["1", "--draw", "1"], []):
        assert command([name, folder, KNOCK, *draw]) == 0
        said.append(capsys.readouterr().out)
    assert said[0] == said[1] == said[2]
    assert command([name, folder, KNOCK, "1", "--draw", "0"]) == 2
    assert "--draw" in capsys.readouterr().err


def test_replay_makes_the_folder_of_its_traces(folder: str, tmp_path: Path) -> None:
    target = tmp_path / "a" / "b" / "traces.csv"
    assert command(["replay", folder, KNOCK, "--out", str(target)]) == 0
    assert target.is_file()
    target = target / "below" / "t.csv"  # a file is in the way
    assert command(["replay", folder, KNOCK, "--out", str(target)]) == 2


def test_two_algorithms_of_one_run(folder: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(["study", "compare", folder, "--algorithm", "plain:guarded"]) in (0, 1)
    assert "Compared: plain -> guarded" in capsys.readouterr().out
    assert command(["study", "compare", folder]) == 2
    assert "inside RUN_A" in capsys.readouterr().err


def test_a_channel_that_stands_for_another_is_named() -> None:
    about = {"peak_class_60_g": 1.0, "velocity_change_kmh": -1.0, "free_flight_ms": 1.0}
    about["required_ms"] = 1.0

    def line(channel: str, place: str, state: str) -> ChannelFigures:
        return ChannelFigures(file="f", channel=channel, place=place, state=state, **about)

    said = stand_ins([line("93", "left sill", "taken"), line("94", "right sill", "sound")])
    assert said == ["f: channel 93 (left sill) stands for central_x"]
    assert stand_ins([line("central_x_g", "", "taken")]) == []


def test_the_library_takes_some_draws_and_what_is_named_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given: list[dict[str, object]] = []
    begun: list[str] = []

    def seen(plan: object, **options: object) -> None:
        given.append({"plan": plan, **options})
        raise InputError("seen")

    def workers(engine: str) -> AbstractContextManager[None]:
        begun.append(engine)
        return nullcontext()

    monkeypatch.setattr(campaign, "evaluate", seen)
    monkeypatch.setattr(processes, "begun", workers)
    monkeypatch.setattr(processes, "cores", lambda: 4)
    asked: dict[str, int | None] = {"": 20, "--draws 0": 0, "--draws 7": 7, "--seed 3": 20}
    asked |= {"--events hammer_tunnel": None, "--records record.csv": None, "plan.toml": None}
    for options in asked:
        assert command(["evaluate", *options.split()]) == 2
    assert [one.get("draws") for one in given] == list(asked.values())
    assert len(begun) == 4  # for the library
    assert command(["evaluate", "--events", KNOCK, "--workers", "2", "--engine", "numpy"]) == 2
    assert begun[4:] == ["numpy"]
    assert command(["evaluate", "--workers", "1"]) == 2
    assert len(begun) == 5
