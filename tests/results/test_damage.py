"""A damaged run is noticed and named, and the command that is named repairs it."""

from __future__ import annotations

import random
import re
import shlex
import shutil
from pathlib import Path

import pytest
from run_files import edit_json

from crashsense import cli, evaluate
from crashsense.errors import RunFolderError
from crashsense.results import open_run
from crashsense.results.folder import CHECKSUMS

KNOCK, POLE = "hammer_tunnel", "side_pole_75_32"

PLAN = """\
events = ["hammer_tunnel", "side_pole_75_32"]
sensor_sets = ["standard"]
algorithms = ["mine.toml", "guarded"]
draws = 3
"""

SEED = 20


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two run folders of one plan, ``run`` and ``whole``, with all files that a user gets."""
    from crashsense.rules.algorithm import algorithm_text

    home = tmp_path_factory.mktemp("damage")
    own = algorithm_text("plain").replace('name = "plain"', 'name = "mine"')
    (home / "mine.toml").write_text(own, encoding="utf-8")
    (home / "plan.toml").write_text(PLAN, encoding="utf-8")
    command = ["evaluate", str(home / "plan.toml"), "--engine", "numpy", "--out"]
    assert cli.run([*command, str(home / "whole")]) in (0, 1)
    shutil.copytree(home / "whole", home / "run")
    return home


@pytest.fixture
def run(made: Path) -> Path:
    shutil.rmtree(made / "run")
    shutil.copytree(made / "whole", made / "run")
    return made / "run"


def readers(made: Path) -> list[list[str]]:
    run = str(made / "run")
    return [
        ["study", "compare", str(made / "whole"), run],
        ["explain", run, POLE, "--algorithm", "mine", "--restraint", "side_airbag_left"],
        # Signals of a random draw are made anew: those of a knock in a third of the time.
        ["replay", run, KNOCK, "2", "--algorithm", "guarded"],
        ["report", run],
    ]


def answers(made: Path, capsys: pytest.CaptureFixture[str]) -> list[tuple[int, str, str]]:
    capsys.readouterr()
    found = []
    for arguments in readers(made):
        code = cli.run(arguments)
        printed = capsys.readouterr()
        found.append((code, printed.out, printed.err))
    return found


def flipped(content: bytes, number: int, *, draw: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(number):
        changed[draw.randrange(len(changed))] ^= 1 << draw.randrange(8)
    return bytes(changed)


def repaired(run: Path, said: str) -> None:
    """Do what a message says."""
    command = re.search(r"to repair it: crashsense (.*)", said)
    assert command is not None, said
    assert cli.run(shlex.split(command[1])) in (0, 1)


@pytest.mark.slow
def test_a_flipped_bit_changes_no_answer_in_silence(
    made: Path, run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    right = answers(made, capsys)
    assert [code for code, _, _ in right] == [0, 0, 0, right[3][0]]
    draw = random.Random(SEED)
    files = sorted(path for path in run.rglob("*") if path.is_file())
    noticed = set()
    wrong = []
    for path in files:
        content = (made / "whole" / path.relative_to(run)).read_bytes()
        path.write_bytes(flipped(content, 1, draw=draw))
        for arguments, before, now in zip(readers(made), right, answers(made, capsys), strict=True):
            code, out, err = now
            refused = (
                code == 2 and not out and len(err.splitlines()) == 1 and "unexpected" not in err
            )
            if refused:
                noticed.add(path.relative_to(run).parts[0])
            elif now != before:
                wrong.append((str(path), arguments[0], code, out[-300:], err[-300:]))
        path.write_bytes(content)
    assert wrong == []
    assert {"verdicts.parquet", "nominal.parquet", "manifest.json", "summary.json"} <= noticed


def contents(run: Path) -> dict[str, bytes]:
    kept = ("verdicts.csv", "summary.json", "manifest.json", "plan.toml", "statistics.csv")
    names = [run / name for name in kept]
    names += [*run.glob("*.parquet/*"), *(p for p in run.glob("inputs/**/*") if p.is_file())]
    return {str(path.relative_to(run)): path.read_bytes() for path in sorted(names)}


@pytest.mark.slow
def test_a_damaged_part_is_named_and_the_command_that_is_named_repairs_it(
    made: Path, run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    right = contents(made / "whole")
    draw = random.Random(SEED)
    for table in ("verdicts", "nominal"):
        part = sorted((run / f"{table}.parquet").iterdir())[-1]
        part.write_bytes(flipped(part.read_bytes(), 1, draw=draw))
        with pytest.raises(RunFolderError, match="this part is damaged") as caught:
            list(open_run(run).parts(table))
        assert str(part) in str(caught.value)
        repaired(run, str(caught.value))
        assert contents(run) == right


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["plan.toml", "inputs/index.json", "inputs/algorithm_mine/mine.toml", CHECKSUMS]
)
def test_the_same_command_repairs_what_is_damaged_or_gone(
    made: Path, run: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also what a writer that was killed between two files did not come to write."""
    path = run / name
    for harm in ("gone", "flipped"):
        content = path.read_bytes()
        path.unlink()
        if harm == "flipped":
            path.write_bytes(flipped(content, 3, draw=random.Random(SEED)))
        found = [code for code, _, _ in answers(made, capsys)]
        # Without copies the originals are read, which are as they were.
        assert 2 in found or (name == "inputs/index.json" and harm == "gone")
        evaluate(made / "plan.toml", out=run, engine="numpy")
        assert contents(run) == contents(made / "whole")


@pytest.mark.slow
def test_foreign_and_doubled_parts_are_named(made: Path, run: Path) -> None:
    parts = sorted((run / "verdicts.parquet").iterdir())
    for name in ("letter.txt", "part-0000-000000000-000000009.parquet"):
        foreign = run / "verdicts.parquet" / name
        shutil.copy(parts[0], foreign)
        with pytest.raises(RunFolderError, match=f"{name}: is no part of this run; take it"):
            open_run(run)
        foreign.rename(parts[0].parent / "part-x.parquet")
        foreign = parts[0].parent / "part-x.parquet"
        with pytest.raises(RunFolderError, match="part-x.parquet: is no part of this run"):
            evaluate(made / "plan.toml", out=run, engine="numpy")
        foreign.unlink()
    one, other = parts[0].read_bytes(), parts[-1].read_bytes()
    parts[0].write_bytes(other)
    parts[-1].write_bytes(one)
    with pytest.raises(RunFolderError, match="this part is damaged"):
        open_run(run).verdicts  # noqa: B018


def test_an_edited_summary_or_manifest_is_named(run: Path) -> None:
    for name, old, new in (
        ("summary.json", '"draws": 3', '"draws": 2'),
        ("manifest.json", '"draws": 3', '"draws": 2'),
    ):
        text = (run / name).read_text(encoding="utf-8")
        assert old in text
        (run / name).write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(RunFolderError, match=f"{name}: is damaged or edited"):
            open_run(run)
        (run / name).write_text(text, encoding="utf-8")
    edit_json(run, "manifest.json", lambda m: m["identity"].update(code="other"))
    open_run(run)
