"""``crashsense new``: templates that run as they are."""

from __future__ import annotations

import shlex
import shutil
import subprocess

import pytest

from crashsense import cli
from crashsense.cli.new import KINDS


def build(written: list[str], *flags: str) -> None:
    """Run the printed build line; without a compiler the test is skipped."""
    (line,) = (line for line in written if line.startswith("Build it: "))
    command = shlex.split(line.removeprefix("Build it: "))
    if shutil.which(command[0]) is None:
        pytest.skip(f"no C compiler called {command[0]} on this machine")
    subprocess.run([*command, *flags], check=True, capture_output=True)


@pytest.fixture(autouse=True)
def empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.quick(2)
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_template_runs_by_the_command_that_it_names(kind, capsys, empty_folder):
    file = f"try_{kind.replace('-', '_')}{'.csv' if kind == 'record' else '.toml'}"
    assert cli.run(["new", kind, file]) == 0
    written = capsys.readouterr().out.splitlines()
    if kind == "c-rule":
        build(written)
    command = written[-1].removeprefix("Try it: crashsense ")
    assert command in (empty_folder / file).read_text(encoding="utf-8")
    if kind in ("sensor", "rule", "c-rule"):
        # A few events are enough to see that it runs.
        (empty_folder / "few.toml").write_text('events = ["side_pole_75_32"]\n', encoding="utf-8")
        command = command.replace("evaluate", "evaluate few.toml")
    code = cli.run(shlex.split(command))
    captured = capsys.readouterr()
    assert code in (0, 1), captured.err
    assert captured.out.startswith("CAUTION")
    assert (empty_folder / "crashsense-run" / "report.html").is_file() == (kind != "element")


def test_the_rule_template_passes_the_conformance_suite(capsys):
    assert cli.run(["new", "rule"]) == 0
    assert cli.run(["check-rule", "my_rule.py:LeakyVelocity"]) == 0, capsys.readouterr()


def test_the_rule_template_is_checked_by_its_algorithm_file(capsys):
    assert cli.run(["new", "rule"]) == 0
    assert "Check it: crashsense check-rule my_rule.toml" in capsys.readouterr().out
    assert cli.run(["check-rule", "my_rule.toml"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("rules.front_airbag_stage_1.main (my_rule.py:LeakyVelocity):")


@pytest.mark.slow
def test_the_c_template_compiles_without_a_warning_and_passes_the_conformance_suite(capsys):
    assert cli.run(["new", "c-rule"]) == 0
    build(capsys.readouterr().out.splitlines(), "-Wall", "-Wextra", "-pedantic", "-Werror")
    for arguments in (
        ["my_c_rule.toml"],
        ["my_c_rule.so", "--parameter", 'channels=["-central_x"]', "--parameter",
         "parameters=[1.8, 20.0]"],
    ):  # fmt: skip
        assert cli.run(["check-rule", *arguments]) == 0
        assert "0 failed" in capsys.readouterr().out


def test_a_c_rule_comes_without_the_python_one(empty_folder, capsys):
    assert cli.run(["new", "c-rule", "sub/one.toml"]) == 0
    assert sorted(p.name for p in (empty_folder / "sub").iterdir()) == [
        "crashsense_rule.h", "one.c", "one.toml"
    ]  # fmt: skip
    assert "Build it: cc -O2 -shared -fPIC -o sub/one.so sub/one.c" in capsys.readouterr().out
    assert 'file = "one.so"' in (empty_folder / "sub" / "one.toml").read_text(encoding="utf-8")
    # The header is shared by all rules in C of a folder; another file of that name is not touched.
    assert cli.run(["new", "c-rule", "sub/two.toml"]) == 0
    (empty_folder / "sub" / "crashsense_rule.h").write_text("mine", encoding="utf-8")
    assert cli.run(["new", "c-rule", "sub/three.toml"]) == 2
    assert not (empty_folder / "sub" / "three.c").exists()


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
