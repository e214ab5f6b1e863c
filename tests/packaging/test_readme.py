"""README: its commands, examples and picture are what they say."""

from __future__ import annotations

import doctest
import os
import re
import shlex
import subprocess
from pathlib import Path

import pytest

from crashsense import cli
from crashsense.resources import CAUTION

CHECKOUT = Path(__file__).resolve().parents[2]
README = (CHECKOUT / "README.md").read_text(encoding="utf-8")


def squeezed(text: str) -> str:
    return " ".join(text.replace("\n> ", "\n").split())


@pytest.mark.slow
def test_examples_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    example = doctest.DocTestParser().get_doctest(README, {}, "README.md", "README.md", 0)
    assert len(example.examples) >= 3
    result = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(example)
    assert result.failed == 0
    assert list(tmp_path.iterdir()) == []


def test_the_short_caution_is_the_one_that_the_program_shows():
    short = CAUTION.removesuffix(" Read: crashsense safety")
    assert short != CAUTION
    assert short in squeezed(README)


def test_every_command_that_it_names_exists():
    shell = "\n".join(re.findall(r"```sh\n(.*?)```", README, re.S))
    named = set(re.findall(r"crashsense ([a-z][a-z-]+)", shell))
    named |= set(re.findall(r"`crashsense ([a-z][a-z-]+)", README))
    assert {"evaluate", "new", "safety"} <= named
    assert named - {"evaluate"} <= set(cli.COMMANDS)


def tour() -> list[list[str]]:
    """The commands of the tour, in order, as arguments of the program."""
    section = README.split("## Five-minute tour")[1].split("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.S)
    return [shlex.split(line) for block in blocks for line in block.splitlines()]


@pytest.mark.slow
def test_the_tour_runs_in_an_empty_folder(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    commands = tour()
    assert len(commands) >= 12
    ended = {}
    for words in commands:
        assert words[0] == "crashsense"
        ended[" ".join(words)] = cli.run(words[1:])
        assert capsys.readouterr().err == ""
    # 1 says that some requirement is not met or was lost: only what judges may end so.
    judges = ("evaluate", "study compare")
    assert {
        command: code
        for command, code in ended.items()
        if code != 0 and not (code == 1 and command.removeprefix("crashsense ").startswith(judges))
    } == {}
    made = {path.name for path in tmp_path.iterdir()}
    assert {"record-run", "mine", "shipped", "my_rule.toml", "lesson_01_proof_mass.html"} <= made


def test_every_block_is_run_here_or_by_ci():
    """Setting up is run by .ci/run, the rest by the tests of this file."""
    shell = re.findall(r"```sh\n(.*?)```", README, re.S)
    setting_up = [block for block in shell if block.startswith("python3 -m venv")]
    assert len(setting_up) == 2
    assert sum(len(block.splitlines()) for block in shell) == len(tour()) + len(setting_up)
    fences = re.findall(r"^```(\w+)$", README, re.M)
    assert set(fences) == {"sh", "text", "pycon"}


def test_links_and_pictures_are_there():
    links = [link for link in re.findall(r"\]\(([^)]+)\)", README) if "://" not in link]
    assert {"reports/example/timing.png", "reports/example/event.png"} <= set(links)
    assert [link for link in links if not (CHECKOUT / link).exists()] == []


def test_first_run_is_what_the_example_printed():
    printed = (CHECKOUT / "reports" / "example" / "first_run.txt").read_text(encoding="utf-8")
    assert f"```text\n{printed}```" in README
    assert "RESULT:" in printed


def test_no_bare_install():
    texts = [README, (CHECKOUT / "DEVELOPERS.md").read_text(encoding="utf-8")]
    assert [t for t in texts if re.search(r"pip install (-\S+ )*crashsense", t)] == []


@pytest.mark.skipif(os.name == "nt", reason="a shell script")
def test_ci_runs_the_test_command_of_the_readme():
    script = (CHECKOUT / ".ci" / "run").read_text(encoding="utf-8")
    found = re.search(r'command="\$\((sed .*? README\.md)\)"', script)
    assert found is not None
    done = subprocess.run(
        ["bash", "-c", found.group(1)], cwd=CHECKOUT, capture_output=True, text=True
    )
    commands = [line for line in README.splitlines() if "pip install -e '.[test]'" in line]
    assert done.stdout.splitlines() == commands[:1]
    assert len(commands) == 1
    assert os.access(CHECKOUT / ".ci" / "run", os.X_OK)
