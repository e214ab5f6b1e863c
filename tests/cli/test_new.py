"""``crashsense new``: templates that run as they are."""

from __future__ import annotations

import shlex

import pytest

from crashsense import cli
from crashsense.cli.new import KINDS


@pytest.fixture(autouse=True)
def empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_template_runs_by_the_command_that_it_names(kind, capsys, empty_folder):
    file = f"try_{kind}.csv" if kind == "record" else f"try_{kind}.toml"
    assert cli.run(["new", kind, file]) == 0
    written = capsys.readouterr().out.splitlines()
    command = written[-1].removeprefix("Try it: crashsense ")
    assert command in (empty_folder / file).read_text(encoding="utf-8")
    if kind in ("sensor", "rule"):
        # A few events are enough to see that it runs.
        (empty_folder / "few.toml").write_text('events = ["side_pole_75_32"]\n', encoding="utf-8")
        command = command.replace("evaluate", "evaluate few.toml")
    code = cli.run(shlex.split(command))
    captured = capsys.readouterr()
    assert code in (0, 1), captured.err
    assert captured.out.startswith("CAUTION")
    assert (empty_folder / "crashsense-run" / "report.html").is_file()


def test_the_rule_template_passes_the_conformance_suite(capsys):
    assert cli.run(["new", "rule"]) == 0
    assert cli.run(["check-rule", "my_rule.py:LeakyVelocity"]) == 0, capsys.readouterr()


def test_the_record_template_passes_the_quality_check_and_is_judged(capsys, empty_folder):
    assert cli.run(["new", "record"]) == 0
    assert cli.run(["check-record", "my_record.csv"]) == 0
    assert "my_record.csv: 0 errors, 0 warnings" in capsys.readouterr().out
    assert cli.run(["evaluate", "--records", "my_record.csv"]) == 0
    rows = (empty_folder / "crashsense-run" / "verdicts.csv").read_text(encoding="utf-8")
    judged = [line for line in rows.splitlines() if ",guarded," in line and ",no_fire," in line]
    assert len(judged) == 2
    assert all(",held" in line for line in judged)


def test_nothing_is_overwritten(capsys, empty_folder):
    (empty_folder / "my_rule.py").write_text("mine", encoding="utf-8")
    assert cli.run(["new", "rule"]) == 2
    assert capsys.readouterr().err == "my_rule.py: expected a new file; this one exists\n"
    assert [p.name for p in empty_folder.iterdir()] == ["my_rule.py"]
    assert (empty_folder / "my_rule.py").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (["plna"], ["kind: got 'plna'", "did you mean 'plan'?"]),
        (["plan", "My Plan.txt"], ["'My Plan.txt'", "ends in .toml", "small letters"]),
        (["record", "mine.toml"], ["'mine.toml'", "ends in .csv"]),
    ],
)
def test_bad_calls_write_nothing(arguments, parts, capsys, empty_folder):
    assert cli.run(["new", *arguments]) == 2
    err = capsys.readouterr().err
    assert not [part for part in parts if part not in err], err
    assert list(empty_folder.iterdir()) == []
