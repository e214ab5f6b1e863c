"""The command group: start-up without the numeric stack, faults in one line, exit codes."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import click
import pytest

from crashsense import cli
from crashsense.cli.study import STUDIES
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION

HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "matplotlib", "pydantic", "jinja2", "numba")


#: Words of a command line -> exit code. None of them needs the numeric stack.
LIGHT = {
    "--help": 0,
    "": 0,
    "--version": 0,
    "evaluate --help": 0,
    "study --help": 0,
    "study compare --help": 0,
    "study severity --help": 0,
    "safety": 0,
    "evalute": 2,
    "evaluate --drws 3": 2,
}


@pytest.fixture(scope="module")
def started() -> dict[str, tuple[int, list[str]]]:
    """Exit code of each, and the heavy modules that it loaded: in one fresh interpreter, which
    keeps what a command imports, so that a later one is only blamed for what it adds."""
    code = (
        "import json, sys\n"
        "from crashsense.cli import run\n"
        "seen, found = set(), {}\n"
        f"for words in {list(LIGHT)!r}:\n"
        "    code = run(words.split())\n"
        f"    loaded = set(sys.modules) & set({HEAVY!r})\n"
        "    found[words] = [code, sorted(loaded - seen)]\n"
        "    seen |= loaded\n"
        "print('FOUND', json.dumps(found))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    last = done.stdout.splitlines()[-1]
    assert last.startswith("FOUND "), done.stderr
    return {words: (code, loaded) for words, (code, loaded) in json.loads(last[6:]).items()}


@pytest.mark.parametrize("words", LIGHT)
def test_start_up_does_not_import_the_numeric_stack(words, started):
    assert started[words] == (LIGHT[words], [])


def test_the_check_on_loaded_modules_can_fail():
    code = "import numpy, sys; sys.exit(len(set(sys.modules) & {'numpy'}))"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 1


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (["evalute"], ["command line: command: got 'evalute'", "did you mean 'evaluate'?"]),
        (["evaluate", "--drws", "3"], ["option: got '--drws'", "did you mean '--draws'?"]),
        (["evaluate", "--draws", "-1"], ["--draws: got '-1'", "a whole number, 0 or more"]),
        (["evaluate", "--draws", "2.5"], ["--draws: got '2.5'", "a whole number, 0 or more"]),
        (["evaluate", "--workers", "0"], ["--workers: got '0'", "a whole number, 1 or more"]),
        (["evaluate", "--draws"], ["--draws", "a value; none was given"]),
        (["evaluate", "--belts", "belt"], ["--belts: got 'belt'", "belted, unbelted"]),
        (["evaluate", "--expect", "fre"], ["--expect: got 'fre'", "did you mean 'fire'?"]),
        (["evaluate", "a.toml", "b.toml"], ["unexpected extra argument", "b.toml"]),
        (["safety", "hazard"], ["note: got 'hazard'", "did you mean 'hazards'?"]),
    ],
)
def test_usage_error_is_one_line_with_code_2(arguments, parts, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert cli.run(arguments) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert len(captured.err.splitlines()) == 1
    assert not [part for part in parts if part not in captured.err], captured.err
    assert list(tmp_path.iterdir()) == []


def group_with(monkeypatch, error: BaseException) -> None:
    @click.command("broken")
    def broken() -> None:
        raise error

    monkeypatch.setitem(cli.cli.commands, "broken", broken)


def test_every_fault_gets_its_line(monkeypatch, capsys):
    faults = [Fault("a.toml", "draws", -1, "0 or more"), Fault("a.toml", "seed", "x", "a number")]
    group_with(monkeypatch, InputError(faults))
    assert cli.run(["broken"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "a.toml: draws: got -1; expected 0 or more",
        "a.toml: seed: got 'x'; expected a number",
    ]


def test_interrupt_is_130(monkeypatch, capsys):
    group_with(monkeypatch, KeyboardInterrupt())
    assert cli.run(["broken"]) == 130
    assert capsys.readouterr().err.split() == ["interrupted"]


def test_refusal_of_the_system_is_a_fault(monkeypatch, capsys):
    group_with(monkeypatch, PermissionError(13, "Permission denied", "locked/x"))
    assert cli.run(["broken"]) == 2
    assert capsys.readouterr().err == (
        "locked/x: expected to be readable or writable (Permission denied)\n"
    )


class Rude(BaseException):
    """No Exception: an ``except Exception`` lets it pass."""


UNFORESEEN = [
    ZeroDivisionError("a defect"),
    KeyError("name"),
    AssertionError(),
    RecursionError("too deep"),
    MemoryError(),
    SystemExit(0),
    SystemExit(1),
    SystemExit("text"),
    GeneratorExit(),
    Rude("rude"),
]


@pytest.mark.parametrize("error", UNFORESEEN, ids=repr)
def test_what_nobody_foresaw_is_code_2_with_one_line(error, monkeypatch, capsys):
    group_with(monkeypatch, error)
    assert cli.run(["broken"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("unexpected error: ")
    assert type(error).__name__ in line
    assert line.endswith("set CRASHSENSE_TRACEBACK=1 to see where it arose")


def test_the_traceback_is_there_on_request(monkeypatch, capsys):
    monkeypatch.setenv(cli.TRACEBACK, "1")
    group_with(monkeypatch, ZeroDivisionError("a defect"))
    assert cli.run(["broken"]) == 2
    shown = capsys.readouterr().err
    assert "Traceback (most recent call last)" in shown
    assert "raise error" in shown


#: A gate as a build would have it: only codes 0 and 1 are results.
GATE = """
{python} -m crashsense evaluate --events hammer_tunnel --algorithm {rule} --out {out} >/dev/null
case $? in 0) echo met;; 1) echo not met;; 2) echo no result;; *) echo other $?;; esac
"""
ANSWERS = {0: "met", 1: "not met", 2: "no result"}

RULE = """
import sys
{at_import}

class Mine:
    requires = frozenset({{"central_x"}})

    def reset(self, *, rate_hz, context):
        pass

    def update(self, frame):
        {in_update}
"""

ALGORITHM = """
name = "mine"
gate = true
[rules.front_airbag_stage_1]
family = "python"
file = "{file}:Mine"
"""


def own_algorithm(folder, at_import, in_update):
    rule = folder / "mine.py"
    rule.write_text(RULE.format(at_import=at_import, in_update=in_update))
    algorithm = folder / "mine.toml"
    algorithm.write_text(ALGORITHM.format(file=rule))
    return algorithm


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at_import", "in_update", "answer"),
    [("", "sys.exit(0)", "not met"), ("sys.exit(0)", "return 0.0", "no result")],
)
def test_a_gate_script_never_takes_a_crash_for_a_result(at_import, in_update, answer, tmp_path):
    rule = own_algorithm(tmp_path, at_import, in_update)
    script = GATE.format(python=sys.executable, rule=rule, out=tmp_path / "run")
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True)
    assert done.stdout.split("\n")[0] == answer, done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at_import", "in_update", "answer"),
    [
        ("", "return 0.0", "met"),
        ("", "return 2.0", "not met"),
        ("raise KeyError('at import')", "return 0.0", "no result"),
        ("class Rude(BaseException): pass\nraise Rude", "return 0.0", "no result"),
    ],
)
def test_the_code_of_the_program_says_what_its_rule_came_to(
    at_import, in_update, answer, tmp_path, capsys
):
    """What the program returns is the code of its process: see the test of a gate script."""
    rule = own_algorithm(tmp_path, at_import, in_update)
    words = ["evaluate", "--events", "hammer_tunnel", "--algorithm", str(rule)]
    assert ANSWERS[cli.run([*words, "--out", str(tmp_path / "run")])] == answer
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("name", sorted(cli.COMMANDS))
def test_the_table_names_a_command_with_help(name):
    command = cli.cli.get_command(click.Context(cli.cli), name)
    assert isinstance(command, click.Command)
    assert command.help
    assert cli.COMMANDS[name][2].endswith(".")


@pytest.mark.parametrize("name", sorted(STUDIES))
def test_the_help_of_a_study_has_an_example_with_its_name(name, capsys):
    assert cli.run(["study", name, "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"Example: crashsense study {name} " in text


def test_help_shows_the_caution_and_every_command(capsys):
    assert cli.run(["--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert CAUTION in text
    assert not [name for name in cli.COMMANDS if name not in text]


def test_module_and_script_are_the_same_program():
    done = subprocess.run(
        [sys.executable, "-m", "crashsense", "--version"], capture_output=True, text=True
    )
    assert (done.returncode, done.stdout.split()[0]) == (0, "crashsense")


@pytest.mark.parametrize("code", [0, 1, 2, 130])
def test_the_process_ends_with_the_code_of_the_program(code, monkeypatch):
    monkeypatch.setattr(cli, "run", lambda arguments: code)
    monkeypatch.setattr(cli, "pin_threads", lambda: None)
    with pytest.raises(SystemExit) as ended:
        cli.main(["evaluate"])
    assert ended.value.code == code


@pytest.mark.slow
def test_a_reader_that_has_gone_changes_no_exit_code(tmp_path):
    words = ["evaluate", "--events", "hammer_tunnel", "--algorithm", "plain", "--out", "run"]
    for command, code in ((words, 0), (["rules"], 0), (["evaluate", "--events", "no_such"], 2)):
        reader, writer = os.pipe()
        os.close(reader)
        done = subprocess.run(
            [sys.executable, "-m", "crashsense", *command],
            stdout=writer,
            stderr=subprocess.PIPE,
            cwd=tmp_path,
            check=False,
        )
        os.close(writer)
        assert done.returncode == code, done.stderr
        assert b"Traceback" not in done.stderr


AT_THE_END = """
import atexit, gc
atexit.register(lambda: print("frozen", gc.get_freeze_count() > 0))
from crashsense.cli import main
main(["safety"])
"""


def test_a_command_that_ends_does_not_look_for_unreachable_objects():
    done = subprocess.run([sys.executable, "-c", AT_THE_END], capture_output=True, text=True)
    assert done.stdout.endswith("\nfrozen True\n"), done.stderr
