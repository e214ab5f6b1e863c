"""Records, and libraries of them, in every command that takes events."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner
from table_writer import TIMES, columns, impact_g, write

from crashsense.cli import cli, run

READING = {"--channel", "--belts", "--expect", "--required-from"}


def commands(group: click.Group, *, path: str = "") -> Iterator[tuple[str, click.Command]]:
    """Every command of the program with its way, such as ``study range``."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        if isinstance(found, click.Group):
            yield from commands(found, path=f"{path}{name} ")
        else:
            yield f"{path}{name}", found


def options(command: click.Command) -> set[str]:
    return {option for one in command.params for option in one.opts}


CHOOSING = {way: one for way, one in commands(cli) if "--events" in options(one)}

#: Command that chooses events -> what it needs beside the library; more than these is a fault.
ARGUMENTS = {
    "evaluate": ["--algorithm", "plain"],
    "study calibrate": [
        *("ALGORITHM", "--draws", "2", "--held-out", "2", "--folds", "0", "--generations", "1"),
        *("--workers", "1"),
    ],
    "study challenge": [],
    "study element": ["ELEMENT", "--vary", "gap_um=1.5,2"],
    "study faults": ["--sensor", "central_x", "--kind", "lost"],
    "study overlay": ["guarded:ramp_belted"],
    "study range": ["--ranges", "50,100"],
    "study scale": ["--low", "0.7", "--high", "1.5"],
    "study sweep": [
        *(
            "plain:front_airbag_stage_2.threshold_m_s",
            "--values",
            "1,2",
            "--draws",
            "2",
            "--workers",
            "1",
        ),
    ],
    "study tolerance": ["--draws", "20"],
}


def test_what_chooses_events_takes_records_and_how_they_are_read() -> None:
    assert set(CHOOSING) == set(ARGUMENTS)
    for way, command in CHOOSING.items():
        assert {"--records", *READING} <= options(command), way


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library of two records, made from a folder with a manifest; an element, an algorithm."""
    folder = tmp_path_factory.mktemp("everywhere")
    raw = folder / "raw"
    raw.mkdir()
    write(raw / "wall.csv", {**columns(), "central_y_g": np.zeros(TIMES.size)})
    write(raw / "kerb.csv", {"time_s": TIMES, "central_x_g": impact_g(-4.0)})
    (raw / "records.csv").write_text(
        "record,front_airbag_stage_1\nwall.csv,fire by 30 ms (agreed)\nkerb.csv,no_fire\n"
    )
    assert run(["records", "import", str(raw), "--out", str(folder / "library")]) == 0
    assert run(["new", "element", str(folder / "element.toml")]) == 0
    (folder / "algorithm.toml").write_text(
        'name = "own"\n[calibration.free]\n"front.threshold_m_s" = [0.5, 5.0]\n'
        '[definitions.front]\nfamily = "velocity_change"\nthreshold_m_s = 2.0\n'
        '[rules.front_airbag_stage_1]\nuse = "front"\n'
    )
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("way", sorted(ARGUMENTS))
def test_a_library_of_records_in(way: str, place: Path, tmp_path: Path) -> None:
    files = {"ELEMENT": "element.toml", "ALGORITHM": "algorithm.toml"}
    given = [str(place / files[a]) if a in files else a for a in ARGUMENTS[way]]
    out = tmp_path / ("out.md" if way == "study challenge" else "out")
    words = [*way.split(), *given, "--records", str(place / "library"), "--out", str(out)]
    done = CliRunner().invoke(cli, words, standalone_mode=False)
    assert done.exception is None, done.exception
    assert done.return_value in (0, 1)
    assert out.exists()
    assert "CAUTION" in done.output


@pytest.mark.slow
@pytest.mark.parametrize("way", ["study range", "study faults", "study overlay"])
def test_a_recipe_of_the_users_own_in(way: str, place: Path, tmp_path: Path) -> None:
    recipe = place / "my_crash.toml"
    if not recipe.exists():
        assert run(["new", "recipe", str(recipe)]) == 0
    words = [*way.split(), *ARGUMENTS[way], "--events", str(recipe), "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(cli, words, standalone_mode=False)
    assert done.exception is None, done.exception
    assert (tmp_path / "out").is_dir()


@pytest.mark.slow
def test_a_run_of_records_is_explained_replayed_and_recorded(place: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "run")
    assert run(["evaluate", "--records", str(place / "library"), "--out", out]) in (0, 1)
    for words in (["explain", out, "wall"], ["replay", out, "wall"], ["recorder", out, "wall"]):
        assert run(words) == 0, words
    assert run(["report", out]) in (0, 1)
    assert run(["study", "compare", out, out]) in (0, 1)
