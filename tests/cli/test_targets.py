"""Every option that names a file or folder to write makes the folder: a walk over commands."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from crashsense.campaign import evaluate
from crashsense.cli import cli, run
from crashsense.cli.targets import FIGURES, made, target_file, target_folder
from crashsense.errors import InputError

KNOCK = "hammer_tunnel"

#: Options that name what a command writes.
WRITES = ("--out", "--figure", "--pdf", "--levels")

RECIPES = str(Path(__file__).parents[2] / "pulses" / "rear")

#: Command and option -> how it is called: {run} is a run folder, {at} a folder two levels too deep.
CHEAP = {
    "catalogue --out": ["catalogue", "--recipes", RECIPES, "--out", "{at}/page.html"],
    "catalogue --levels": [
        "catalogue", "--recipes", RECIPES, "--out", "{at}/p.html", "--levels", "{at}/deep/l.md",
    ],
    "events show --figure": ["events", "show", KNOCK, "--figure", "{at}/one.svg"],
    "events export --out": ["events", "export", KNOCK, "--out", "{at}/one.csv"],
    "explain --figure": ["explain", "{run}", KNOCK, "--figure", "{at}/one.svg"],
    "replay --out": ["replay", "{run}", KNOCK, "--out", "{at}/one.csv"],
    "recorder --out": ["recorder", "{run}", KNOCK, "--out", "{at}/edr"],
    "report --pdf": ["report", "{run}", "--pdf", "{at}/review.pdf"],
    "lesson --out": ["lesson", "3", "--notebook", "--out", "{at}"],
    "sensors design --out": [
        "sensors", "design", "--range", "100g", "--bandwidth", "1500", "--noise", "1mg",
        "--out", "{at}/element.toml", "--figure", "{at}/deep/trade.svg",
    ],
    "sensors design --figure": None,  # with the former
    "evaluate --out": ["evaluate", "--events", KNOCK, "--algorithm", "plain", "--out", "{at}/run"],
    "study compare --out": ["study", "compare", "{run}", "{run}", "--out", "{at}/compare"],
    "study range --out": [
        "study", "range", "--events", KNOCK, "--ranges", "50", "--out", "{at}/range",
    ],
    "study scale --out": ["study", "scale", "--events", KNOCK, "--out", "{at}/scale"],
}  # fmt: skip

#: Those that take long or need a record: they write by the same functions as the former, and their
#: own tests call them with a folder that is not there.
ELSEWHERE = {
    "fit vehicle --out",
    "records import --out",
    "sensors element --figure",
    "study calibrate --out",
    "study challenge --out",
    "study element --out",
    "study faults --out",
    "study model --figure",
    "study overlay --out",
    "study severity --out",
    "study sweep --out",
    "study tolerance --out",
}


def writing(command: click.Command, *, name: str = "") -> Iterator[str]:
    """Every command and option that writes."""
    if isinstance(command, click.Group):
        with click.Context(command) as context:
            for child in command.list_commands(context):
                found = command.get_command(context, child)
                assert found is not None
                yield from writing(found, name=f"{name} {child}".strip())
    for parameter in command.params:
        yield from (f"{name} {option}" for option in parameter.opts if option in WRITES)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("targets") / "run"
    evaluate(events=[KNOCK], algorithms=["plain"], out=out)
    return str(out)


def test_every_command_that_writes_is_walked() -> None:
    assert sorted(writing(cli)) == sorted({*CHEAP, *ELSEWHERE})


@pytest.mark.quick(5)
@pytest.mark.parametrize("name", [name for name, call in CHEAP.items() if call])
def test_the_folder_is_made(
    name: str, folder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = tmp_path / "not" / "there"
    arguments = [part.format(run=folder, at=at) for part in CHEAP[name] or ()]
    assert run(arguments) in (0, 1), capsys.readouterr().err
    written = [part for part in arguments if part.startswith(str(at))]
    assert written
    assert all(Path(part).exists() for part in written)


def test_a_file_in_the_way_is_said_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    below = tmp_path / "file" / "a.svg"
    with pytest.raises(InputError, match="--figure: got .*; expected a file in a folder"):
        target_file(below, option="--figure", endings=FIGURES)
    with pytest.raises(InputError, match="a name that ends in .png, .svg or .pdf"):
        target_file(tmp_path / "a.gif", option="--figure", endings=FIGURES)
    with pytest.raises(InputError, match="a file; this is a folder"):
        target_file(tmp_path, option="--out")
    with pytest.raises(InputError, match="a folder; this is a file"):
        target_folder(tmp_path / "file", option="--out")
    with pytest.raises(InputError, match="a folder that can be made"):
        made(below)
    assert made(tmp_path / "a" / "b.svg").parent.is_dir()
