"""Pages, scripts and notebooks are written, run, and say the same."""

from __future__ import annotations

import json
import os
import re
import runpy
import subprocess
import sys

import pytest

from crashsense import cli
from crashsense.lessons import find_lesson, lessons
from crashsense.lessons.page import lesson_page
from crashsense.lessons.running import run_lesson
from crashsense.lessons.script import notebook, script

NUMBERS = [lesson.number for lesson in lessons()]


@pytest.mark.slow
@pytest.mark.parametrize("number", NUMBERS)
def test_every_script_runs_as_it_is_and_prints_what_the_page_shows(
    number, tmp_path, monkeypatch, capsys
):
    lesson = find_lesson(number)
    monkeypatch.chdir(tmp_path)
    path = tmp_path / f"{lesson.stem}.py"
    path.write_text(script(lesson), encoding="utf-8")
    runpy.run_path(str(path), run_name="__main__")
    printed = capsys.readouterr().out
    for outcome in run_lesson(lesson)[0]:
        assert outcome.printed in printed
    assert list(tmp_path.glob("*.png"))


@pytest.mark.quick(1)
@pytest.mark.parametrize("number", [1, 12])
def test_the_page_needs_nothing_else(number):
    page = lesson_page(find_lesson(number))
    assert "<svg" in page
    assert "Caution" in page
    assert "<script" not in page
    assert re.findall(r'(?:src|href)="(?!catalogue\.html|#)[^"]+"', page) == []
    assert 'class="tip"' in page
    assert re.search(r"\[\[[a-z]", page) is None
    assert page == lesson_page(find_lesson(number))  # the same page each time


@pytest.mark.parametrize("number", NUMBERS)
def test_script_and_notebook_hold_the_same_code(number):
    lesson = find_lesson(number)
    text = script(lesson)
    compile(text, lesson.stem, "exec")
    assert re.search(r"\[\[[a-z]", text) is None
    cells = json.loads(notebook(lesson))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert len(code) == len([part for part in lesson.parts if part.code])
    for cell in code:
        assert "".join(cell["source"]).removesuffix("\nfigure") in text


def test_a_notebook_is_valid():
    nbformat = pytest.importorskip("nbformat")
    for lesson in lessons():
        nbformat.validate(nbformat.reads(notebook(lesson), as_version=4))


#: Runs a notebook in a process apart: its libraries bring warnings that are theirs.
RUN_NOTEBOOK = """
import sys, nbformat, nbclient
book = nbformat.read(sys.argv[1], as_version=4)
nbclient.NotebookClient(book, timeout=300, kernel_name="python3").execute()
nbformat.write(book, sys.argv[1])
"""


@pytest.mark.slow
def test_a_notebook_runs_and_shows_figures_and_objects(tmp_path):
    pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    path = tmp_path / "one.ipynb"
    book = json.loads(notebook(find_lesson(1)))
    book["cells"].append(
        {
            "cell_type": "code",
            "id": "objects",
            "metadata": {},
            "execution_count": None,
            "outputs": [],
            "source": ["import crashsense\ncrashsense.load_events(['wall_full_40'])[0]"],
        }
    )
    path.write_text(json.dumps(book), encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    done = subprocess.run(
        [sys.executable, "-c", RUN_NOTEBOOK, str(path)],
        capture_output=True,
        text=True,
        env=environment,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    outputs = [output for cell in cells for output in cell.get("outputs", ())]
    printed = "".join("".join(o.get("text", ())) for o in outputs)
    assert "0.970 nm for each g" in printed
    kinds = [set(output.get("data", ())) for output in outputs]
    assert any("image/png" in kind for kind in kinds)
    assert any("text/html" in kind for kind in kinds)


def test_the_command_lists_writes_and_checks(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert cli.run(["lesson"]) == 0
    assert len(re.findall(r"^ *\d+  ", capsys.readouterr().out, re.M)) == 12
    assert cli.run(["lesson", "12"]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "lesson_12_zero_failures.html",
        "lesson_12_zero_failures.py",
    ]
    assert cli.run(["lesson", "12", "--notebook"]) == 0
    assert (tmp_path / "lesson_12_zero_failures.ipynb").is_file()
    capsys.readouterr()
    assert cli.run(["lesson", "3", "--answer", "1=0.049"]) == 0
    assert capsys.readouterr().out == "Exercise 1: right (within 2 %).\n"
    assert cli.run(["lesson", "3", "--answer", "1=0.06", "--answer", "2=16.9"]) == 1
    said = capsys.readouterr().out
    assert "Exercise 1: not yet. Hint:" in said
    assert "Exercise 2: right" in said
    assert cli.run(["lesson", "3", "--teacher"]) == 0
    assert "25 minutes" in capsys.readouterr().out


@pytest.mark.slow
def test_a_changed_script_is_kept(tmp_path, capsys):
    mine = tmp_path / "lesson_12_zero_failures.py"
    mine.write_text("print('mine')\n", encoding="utf-8")
    assert cli.run(["lesson", "12", "--out", str(tmp_path)]) == 0
    assert mine.read_text(encoding="utf-8") == "print('mine')\n"
    assert "Kept" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["lesson", "13"], "a number from 1 to 12"),
        (["lesson", "three"], "a whole number from 1 to 12"),
        (["lesson", "--notebook"], "the number of a lesson"),
        (["lesson", "3", "--answer", "0.049"], "an exercise from 1 to 2"),
        (["lesson", "3", "--answer", "7=1"], "an exercise from 1 to 2"),
    ],
)
def test_bad_input(arguments, expected, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert cli.run(arguments) == 2
    error = capsys.readouterr().err
    assert expected in error
    assert len(error.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
