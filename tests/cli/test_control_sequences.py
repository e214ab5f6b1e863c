"""No text of the user's brings a control sequence to the terminal, a table or the page."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import table_writer
from exchange_writer import pulse_g, wall

from crashsense import cli
from crashsense.resources import folder

KNOCK = "hammer_tunnel"
#: As TOML writes it, and as it would reach a terminal: red, an answer asked for, text turned round.
WRITTEN = "=1+1\\u001b[31mred\\u001b]0;x\\u0007\\u009b6n\\u202e"
RAW = "=1+1\x1b[31mred\x1b]0;x\x07\x9b6n\u202e"
OBEYED = re.compile("[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")

RULE = """\
import numpy as np
from crashsense.rules import Rule
class Mine(Rule):
    requires = frozenset({{"central_x"}})
    def demand(self, samples):
        {body}
"""


def written(tmp_path: Path, name: str, text: str) -> str:
    (tmp_path / name).write_text(text, encoding="utf-8")
    return str(tmp_path / name)


def shipped(pattern: str) -> str:
    return next(iter(folder("pulses").rglob(pattern))).read_text(encoding="utf-8")


def template(tmp_path: Path, kind: str) -> str:
    assert cli.run(["new", kind, str(tmp_path / f"sound_{kind}.toml")]) == 0
    return (tmp_path / f"sound_{kind}.toml").read_text(encoding="utf-8")


def with_line(text: str, line: str) -> str:
    """Put a line before the first table of a TOML text, in place of one of the same key."""
    key = line.partition("=")[0].strip()
    top, mark, rest = text.partition("\n[")
    kept = [one for one in top.split("\n") if one.partition("=")[0].strip() != key]
    return "\n".join([line, *kept]) + mark + rest


def plan(line: str) -> Callable[[Path], list[str]]:
    text = f'events = ["{KNOCK}"]\nalgorithms = ["plain"]\n{line}\n'
    return lambda tmp_path: ["evaluate", written(tmp_path, "plan.toml", text)]


def recipe(line: str) -> Callable[[Path], list[str]]:
    def command(tmp_path: Path) -> list[str]:
        text = with_line(shipped(f"{KNOCK}.toml").replace(f'"{KNOCK}"', '"knock"'), line)
        return ["evaluate", "--events", written(tmp_path, "knock.toml", text)]

    return command


def sensors(line: str) -> Callable[[Path], list[str]]:
    def command(tmp_path: Path) -> list[str]:
        file = written(tmp_path, "mine.toml", with_line(template(tmp_path, "sensor"), line))
        return ["evaluate", "--events", KNOCK, "--sensor-set", file]

    return command


def rule(body: str, *, name: str = "mine", here: bool = False) -> Callable[[Path], list[str]]:
    def command(tmp_path: Path) -> list[str]:
        written(tmp_path, "mine.py", RULE.format(body=body))
        text = f'name = "{name}"\n[rules.front_airbag_stage_1]\nfamily = "python"\n'
        file = written(tmp_path, "mine.toml", f'{text}file = "mine.py:Mine"\n')
        options = ["--rules-in-process"] if here else []
        return ["evaluate", "--events", KNOCK, "--algorithm", file, *options]

    return command


def record(stated: str = "", column: str = "central_x_g") -> Callable[[Path], list[str]]:
    def command(tmp_path: Path) -> list[str]:
        table = {"time_s": table_writer.TIMES, column: table_writer.impact_g()}
        lines = [line for line in ("closing_speed_kmh = 50", "belts = belted", stated) if line]
        return [
            "evaluate",
            "--records",
            str(table_writer.write(tmp_path / "r.csv", table, stated=lines)),
        ]

    return command


def exchanged(tmp_path: Path) -> list[str]:
    made = wall(50.0, channel={"values": pulse_g(-50.0), "words": f"LEFT REAR SILL X {RAW}"})
    return ["evaluate", "--records", str(made.write(tmp_path / "v1")), "--belts", "belted"]


def asked(tmp_path: Path) -> list[str]:
    text = (
        f"event,restraint,expectation,required_time_ms,basis\n{KNOCK},front_airbag_stage_1,fire,20,"
    )
    file = written(tmp_path, "asked.csv", f'{text}"{RAW}"\n')
    return ["evaluate", "--events", KNOCK, "--requirements", file]


def named_file(tmp_path: Path) -> list[str]:
    file = written(tmp_path, f"{RAW.replace('/', '')}.toml", template(tmp_path, "sensor"))
    return ["evaluate", "--events", KNOCK, "--sensor-set", file]


CASES: dict[str, Callable[[Path], list[str]]] = {
    "name of an event": lambda _: ["evaluate", "--events", RAW],
    "name of an algorithm": lambda _: ["evaluate", "--events", KNOCK, "--algorithm", RAW],
    "name of a sensor set": lambda _: ["evaluate", "--events", KNOCK, "--sensor-set", RAW],
    "name of a record": lambda _: ["evaluate", "--records", RAW],
    "name of a plan": lambda _: ["evaluate", RAW],
    "a fault": lambda _: ["evaluate", "--events", KNOCK, "--fault", RAW],
    "a restraint": lambda _: ["evaluate", "--events", KNOCK, "--restraint", RAW],
    "an option": lambda _: ["evaluate", f"--{RAW}"],
    "a command": lambda _: [RAW],
    "a word": lambda _: ["words", RAW],
    "a run": lambda _: ["report", RAW],
    "key of a plan": plan(f'"{WRITTEN}" = 1'),
    "value of a plan": plan(f'vary = "{WRITTEN}"'),
    "waiver": plan(
        f'[requirements.{KNOCK}.front_airbag_stage_1]\nexpectation = "fire"\n'
        f'required_time_ms = 20\nbasis = "{WRITTEN}"\n'
    ),
    "requirement of a table": asked,
    "name of a recipe": recipe(f'name = "{WRITTEN}"'),
    "title of a recipe": recipe(f'title = "{WRITTEN}"'),
    "key of a recipe": recipe(f'"{WRITTEN}" = 1'),
    "name in a sensor file": sensors(f'name = "{WRITTEN}"'),
    "key of a sensor file": sensors(f'"{WRITTEN}" = 1'),
    "name of a sensor file": named_file,
    "name in an algorithm": rule("raise ValueError(1)", name=WRITTEN),
    "error of a rule": rule(f"raise ValueError({RAW!r})"),
    "error of a rule in this process": rule(f"raise ValueError({RAW!r})", here=True),
    "print of a rule": rule(f"print({RAW!r}); raise ValueError(1)"),
    "column of a record": record(column=f"central_x_g{RAW}"),
    "statement of a record": record(f"title = {RAW}"),
    "key of a record": record(f"{RAW} = 1"),
    "belts of a record": record(f"belts = {RAW}"),
    "channel of a record": exchanged,
    "channel asked for": lambda tmp_path: [*record()(tmp_path), "--channel", RAW],
}  # fmt: skip


@pytest.mark.quick(12)
@pytest.mark.skipif(os.name != "posix", reason="names of files of POSIX systems")
@pytest.mark.parametrize("name", CASES)
def test_nothing_obeys_what_a_user_wrote(
    name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    command = CASES[name](tmp_path)
    capfd.readouterr()
    out = tmp_path / "run"
    if command[0] == "evaluate":
        command += ["--engine", "numpy", "--out", str(out)]
    code = cli.run(command)
    printed = capfd.readouterr()
    assert code in (0, 1, 2)
    told = {"terminal": printed.out, "errors": printed.err}
    made = [path for path in out.glob("*") if path.suffix in (".csv", ".html", ".log")]
    told |= {path.name: path.read_text(encoding="utf-8") for path in made}
    found = {place: sorted(set(OBEYED.findall(text))) for place, text in told.items()}
    assert {place: signs for place, signs in found.items() if signs} == {}
    for path in out.glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert [cell for cell in cells if cell[:1] in ("=", "@", "+")] == []
    if code == 2:
        assert printed.err.strip()
