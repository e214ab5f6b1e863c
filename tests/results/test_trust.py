"""A run folder from elsewhere runs no code by being looked at."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from run_files import edit_json

import crashsense.rules
from crashsense import cli, evaluate
from crashsense.errors import RunFolderError
from crashsense.resources import STATE_VARIABLE
from crashsense.results import open_run, replay
from crashsense.rules.trust import evaluated, note_evaluated, state_file

KNOCK = "hammer_tunnel"

RULE = """\
from pathlib import Path
import numpy as np
from crashsense.rules import Rule

Path({mark!r}).touch()

class Steady(Rule):
    requires = frozenset({{"central_x"}})

    def demand(self, samples):
        return np.full(samples.channels["central_x"].shape, 0.25)
"""

TOML = """\
name = "steady"
[rules.front_airbag_stage_1]
family = "python"
file = "steady.py:Steady"
"""


@pytest.fixture
def mark(tmp_path: Path) -> Path:
    """A file that is there once the code of the rule has run."""
    return tmp_path / "it_ran"


@pytest.fixture
def run(tmp_path: Path, mark: Path) -> Path:
    (tmp_path / "steady.py").write_text(RULE.format(mark=str(mark)), encoding="utf-8")
    (tmp_path / "steady.toml").write_text(TOML, encoding="utf-8")
    evaluate(events=[KNOCK], algorithms=[str(tmp_path / "steady.toml")], out=tmp_path / "run")
    assert mark.exists()
    mark.unlink()
    return tmp_path / "run"


def command(name: str, run: Path) -> list[str]:
    return [name, str(run), KNOCK, *(["0"] if name == "replay" else [])]


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["explain", "replay"])
def test_another_user_is_asked(
    name: str,
    run: Path,
    mark: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert cli.run(command(name, run)) == 0  # who has evaluated it is not asked
    assert mark.exists()
    mark.unlink()
    capsys.readouterr()
    monkeypatch.setenv(STATE_VARIABLE, str(tmp_path / "another"))
    assert cli.run(command(name, run)) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert len(printed.err.splitlines()) == 1
    assert "steady.py:Steady" in printed.err
    assert "--trust" in printed.err
    assert not mark.exists()
    assert cli.run([*command(name, run), "--trust"]) == 0
    assert mark.exists()


COMPILER = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
C_EXAMPLES = Path(crashsense.rules.__file__).parent / "examples"

C_TOML = """\
name = "steady"
[rules.front_airbag_stage_1]
family = "c_library"
file = "steady.so"
channels = ["-central_x"]
parameters = [2.0, 20.0]
"""


@pytest.mark.quick(1)
@pytest.mark.skipif(COMPILER is None, reason="no C compiler on this machine")
@pytest.mark.parametrize("name", ["explain", "replay"])
def test_a_compiled_library_of_a_run_folder_asks_as_well(
    name: str, mark: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """What a library does as soon as it is loaded leaves a mark: asking means not loading."""
    source = (C_EXAMPLES / "leaky_velocity.c").read_text()
    loaded = "#include <stdio.h>\n__attribute__((constructor)) static void loaded(void)\n"
    loaded += f'{{ FILE *f = fopen("{mark}", "w"); if (f) fclose(f); }}\n'
    (tmp_path / "steady.c").write_text(source + loaded)
    command_line = [str(COMPILER), "-shared", "-fPIC", f"-I{C_EXAMPLES}", "-o"]
    files = [str(tmp_path / "steady.so"), str(tmp_path / "steady.c")]
    subprocess.run([*command_line, *files], check=True, capture_output=True)
    (tmp_path / "steady.toml").write_text(C_TOML, encoding="utf-8")
    run = tmp_path / "run"
    evaluate(events=[KNOCK], algorithms=[str(tmp_path / "steady.toml")], out=run)
    mark.unlink()
    monkeypatch.setenv(STATE_VARIABLE, str(tmp_path / "another"))
    assert cli.run(command(name, run)) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert len(printed.err.splitlines()) == 1
    assert "steady.so" in printed.err
    assert "--trust" in printed.err
    assert not mark.exists()
    assert cli.run([*command(name, run), "--trust"]) == 0
    assert mark.exists()


@pytest.mark.slow
def test_a_changed_copy_with_mended_checksums_is_not_run(run: Path, mark: Path) -> None:
    """Damage is told by checksums; intent is not: whoever changes the copy mends them too."""
    copy = run / "inputs" / "algorithm_steady" / "steady.py"
    before = hashlib.sha256(copy.read_bytes()).hexdigest()
    copy.write_text(copy.read_text(encoding="utf-8").replace("0.25", "0.75"), encoding="utf-8")
    now = hashlib.sha256(copy.read_bytes()).hexdigest()

    def mend(index: dict) -> None:
        for file in index["inputs"][0]["files"]:
            file["sha256"] = now if file["sha256"] == before else file["sha256"]

    edit_json(run, "inputs/index.json", mend)
    with pytest.raises(RunFolderError, match="you have not evaluated on this machine"):
        replay(open_run(run), KNOCK)
    assert not mark.exists()
    assert "max_demand" in replay(open_run(run), KNOCK, trust=True).differences
    assert mark.exists()


@pytest.mark.slow
def test_a_plan_resolved_again_and_a_page_without_signals_ask_as_well(
    run: Path, mark: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setenv(STATE_VARIABLE, str(tmp_path / "another"))
    with pytest.raises(RunFolderError, match="trust=True"):
        open_run(run).plan  # noqa: B018
    assert not mark.exists()
    assert cli.run(["report", str(run)]) in (0, 1)  # from what is stored: nothing runs
    assert not mark.exists()
    for part in (run / "nominal.parquet").iterdir():
        part.unlink()
    edit_json(run, "manifest.json", lambda m: m.update(tables=["verdicts"]))
    capsys.readouterr()
    assert cli.run(["report", str(run)]) == 2
    assert "--trust" in capsys.readouterr().err
    assert not mark.exists()
    assert cli.run(["report", str(run), "--trust"]) in (0, 1)
    assert mark.exists()


def test_rules_of_the_house_ask_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evaluate(events=[KNOCK], algorithms=["plain"], out=tmp_path / "run")
    monkeypatch.setenv(STATE_VARIABLE, str(tmp_path / "another"))
    assert replay(open_run(tmp_path / "run"), KNOCK).differences == ()


@pytest.mark.slow
def test_what_was_evaluated_survives_two_writers_and_half_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(STATE_VARIABLE, str(tmp_path / "state"))
    script = (
        "import sys\nfrom crashsense.rules.trust import note_evaluated\n"
        "for n in range(100): note_evaluated([f'module_{sys.argv[1]}_{n}:Rule'])\n"
    )
    writers = [subprocess.Popen([sys.executable, "-c", script, str(k)]) for k in range(3)]
    assert [writer.wait() for writer in writers] == [0, 0, 0]
    wanted = {
        hashlib.sha256(f"module module_{k}_{n}".encode()).hexdigest()
        for k in range(3)
        for n in range(100)
    }
    assert evaluated() == wanted
    file = state_file()
    assert file is not None
    with file.open("a") as out:
        out.write("0123")  # a writer was cut off
    note_evaluated(["later:Rule"])
    assert evaluated() == wanted | {hashlib.sha256(b"module later").hexdigest()}
    monkeypatch.setenv(STATE_VARIABLE, "")
    note_evaluated(["later:Rule"])
    assert evaluated() == frozenset()
