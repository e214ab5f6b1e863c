"""``crashsense explain``: short by default, all of it on request, a figure."""

from __future__ import annotations

import subprocess
import sys

import pytest

import crashsense
from crashsense import cli
from crashsense.resources import CAUTION
from crashsense.trials.explain import MOST_LINES


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    found = tmp_path_factory.mktemp("runs") / "run"
    crashsense.evaluate(events=["side_pole_90_29", "pothole_40"], out=found, engine="numpy")
    return str(found)


def told(arguments, capsys):
    assert cli.run(["explain", *arguments]) == 0
    return capsys.readouterr().out.splitlines()


def test_a_sentence_each_and_one_table_fit_a_terminal(folder, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    lines = told([folder, "side_pole_90_29"], capsys)
    assert max(map(len, lines)) <= 80
    assert " ".join(" ".join(lines).split()).startswith(f"CAUTION: {CAUTION}")
    head = next(line for line in lines if line.startswith("  criterion"))
    table = lines[lines.index(head) :]
    assert 3 <= len(table) <= MOST_LINES
    assert any(line.startswith("*") and "%" in line for line in table)
    assert not any(".of[" in line for line in lines)


def test_the_tree_holds_every_branch(folder, capsys):
    short = told([folder, "side_pole_90_29"], capsys)
    tree = told([folder, "side_pole_90_29", "--tree"], capsys)
    assert len(tree) > 2 * len(short)
    assert any("demand" in line and "[" in line for line in tree)


def test_the_figure_is_written_and_a_wrong_name_refused(folder, tmp_path, capsys):
    path = tmp_path / "why.png"
    one = [folder, "side_pole_90_29", "--restraint", "side_airbag_left", "--figure"]
    assert told([*one, str(path)], capsys)[-1] == f"Figure: {path}"
    assert path.stat().st_size > 10_000
    assert cli.run(["explain", *one, str(tmp_path / "why.txt")]) == 2
    assert "--figure" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize("event", ["side_pole_90_29", "pothole_40"])
def test_the_nominal_draw_is_explained_without_numba_and_pandas(folder, event, capsys):
    told([folder, event], capsys)  # so that its signals are kept
    script = (
        "import sys\n"
        "from crashsense.cli import run\n"
        f"code = run(['explain', {folder!r}, {event!r}])\n"
        "heavy = {'numba', 'pandas', 'matplotlib', 'pyarrow.compute'}\n"
        "rooms = 'signal special linalg optimize stats ndimage'.split()\n"
        "heavy |= {f'scipy.{room}' for room in rooms}\n"
        "print(code, sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "0 []", done.stderr
