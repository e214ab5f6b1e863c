"""The commands that list, show and check rules."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

import crashsense.rules
from crashsense.cli import main
from crashsense.rules import rule_families

EXAMPLES = Path(crashsense.rules.__file__).parent / "examples"


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    code = stop.value.code
    captured = capsys.readouterr()
    return int(code or 0), captured.out, captured.err


def test_list_names_every_family_with_unit_and_range(capsys) -> None:
    code, out, _ = run(capsys, "rules")
    assert code == 0
    for name, family in rule_families().items():
        assert f"  {name}: {family.title}" in out
    assert "threshold_m_s [m/s]" in out
    assert "(0, 50]" in out
    assert "does not decide the exit code" in out


def test_show_prints_the_card(capsys) -> None:
    code, out, _ = run(capsys, "rules", "show", "predicted_displacement")
    assert code == 0
    assert "S_p = S + V tau + a tau^2 / 2" in out


@pytest.mark.parametrize("name", ["plain", "guarded"])
def test_show_prints_the_file_of_an_algorithm_with_its_comments(capsys, name: str) -> None:
    code, out, _ = run(capsys, "rules", "show", name)
    file = EXAMPLES.parent / "algorithms" / f"{name}.toml"
    assert code == 0
    assert out == file.read_text(encoding="utf-8")
    assert out.startswith("# ")


def test_unknown_name_offers_the_nearest(capsys) -> None:
    code, out, err = run(capsys, "rules", "show", "velocity_chang")
    assert code == 2
    assert "did you mean 'velocity_change'" in err
    assert out == ""


def test_check_rule(capsys, tmp_path: Path) -> None:
    place = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
    code, out, _ = run(capsys, "check-rule", place, "--parameter", "threshold_m_s=2.0")
    assert code == 0
    assert "0 failed" in out
    (tmp_path / "bad.py").write_text(
        "class Bad:\n"
        "    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame): return -1.0\n"
    )
    code, out, _ = run(capsys, "check-rule", f"{tmp_path / 'bad.py'}:Bad")
    assert code == 1
    assert "FAILED  evaluates, finite, " in out
    assert "total demand is -1 at draw 0, sample 0" in out
    code, _, err = run(capsys, "check-rule", place, "--parameter", "threshold")
    assert code == 2
    assert "expected NAME=VALUE" in err


C_SOURCE = EXAMPLES / "leaky_velocity.c"
COMPILER = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


@pytest.mark.skipif(COMPILER is None, reason="no C compiler on this machine")
@pytest.mark.slow
def test_check_rule_takes_a_c_library(capsys, tmp_path: Path) -> None:
    def build(name: str, source: str) -> str:
        (tmp_path / f"{name}.c").write_text(source)
        library = tmp_path / f"{name}.so"
        command = [str(COMPILER), "-shared", "-fPIC", f"-I{EXAMPLES}", "-o", str(library)]
        subprocess.run([*command, str(tmp_path / f"{name}.c")], check=True, capture_output=True)
        return str(library)

    source = C_SOURCE.read_text()
    given = ["--parameter", 'channels=["-central_x"]', "--parameter", "parameters=[2.0, 20.0]"]
    code, out, _ = run(capsys, "check-rule", build("good", source), *given)
    assert code == 0
    assert "0 failed" in out
    # A static that lives on between evaluations: the past decides.
    kept = source.replace(
        "    struct state *s = state;\n", "    struct state *s = state; static double sum;\n"
    ).replace("? s->velocity / s->threshold", "? (sum += 1e-3)")
    assert kept.count("sum") == 2
    code, out, _ = run(capsys, "check-rule", build("bad", kept), *given)
    assert code == 1
    assert "FAILED  deterministic" in out


@pytest.mark.skipif(COMPILER is None, reason="no C compiler on this machine")
def test_faults_of_a_c_library_come_before_the_checks(capsys, tmp_path: Path) -> None:
    library = tmp_path / "mine.so"
    command = [str(COMPILER), "-shared", "-fPIC", f"-I{EXAMPLES}", "-o", str(library)]
    subprocess.run([*command, str(C_SOURCE)], check=True, capture_output=True)
    for given, message in (
        ([], "parameters: got []; expected parameters that the library accepts"),
        (["--parameter", "parameter=[1.0]"], "did you mean 'parameters'"),
        (["--parameter", 'channels=["-central_x", "-central_y"]'], "expected 1 channels"),
    ):
        code, out, err = run(capsys, "check-rule", str(library), *given)
        assert (code, out) == (2, "")
        assert message in err
    code, out, err = run(capsys, "check-rule", str(tmp_path / "none.so"))
    assert (code, out) == (2, "")
    assert "a C shared library that exists" in err


def test_check_rule_takes_the_rules_of_an_algorithm(capsys, tmp_path: Path) -> None:
    shutil.copy(EXAMPLES / "per_sample_rule.py", tmp_path / "mine.py")
    (tmp_path / "mine.toml").write_text(
        '[definitions.own]\nfamily = "python"\nfile = "mine.py:LeakyVelocity"\n'
        "parameters = { threshold_m_s = 2.0 }\n"
        '[rules.front_airbag_stage_1]\nuse = "own"\n'
        '[rules.belt_pretensioner]\nuse = "own"\n'
        '[rules.side_airbag_left]\nfamily = "velocity_change"\n'
    )
    code, out, _ = run(capsys, "check-rule", str(tmp_path / "mine.toml"))
    assert code == 0
    assert out.count("checks passed") == 1
    assert out.startswith("rules.front_airbag_stage_1 (mine.py:LeakyVelocity):")
    code, _, err = run(capsys, "check-rule", str(tmp_path / "mine.toml"), "--parameter", "a=1")
    assert code == 2
    assert "no parameter: those of the algorithm count" in err


def test_check_rule_takes_an_algorithm_of_families_only(capsys, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(
        '[rules.side_airbag_left]\nfamily = "jerk"\n'
        '[rules.side_airbag_right]\nmirror_of = "side_airbag_left"\n'
        '[rules.curtain_left]\nsame_as = "side_airbag_left"\n'
    )
    code, out, _ = run(capsys, "check-rule", str(tmp_path / "mine.toml"))
    assert code == 0
    assert "rules.side_airbag_left (jerk):" in out
    assert "curtain_left" not in out
    (tmp_path / "latch.toml").write_text(
        '[rules.side_airbag_left]\nfamily = "held"\nhold_ms = 1e6\nrule = { family = "jerk" }\n'
    )
    code, out, _ = run(capsys, "check-rule", str(tmp_path / "latch.toml"))
    assert code == 1
    assert "FAILED  does_not_latch" in out


@pytest.mark.quick(1)
@pytest.mark.parametrize("line", ["os._exit(0)", "sys.exit(0)", "raise BaseException('boo')"])
def test_a_file_that_ends_the_program_is_bad_input(capsys, line: str, tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(f"import os, sys\n{line}\n")
    code, out, err = run(capsys, "check-rule", f"{tmp_path}/mine.py:Mine")
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert "mine.py" in err


@pytest.mark.quick(1)
@pytest.mark.parametrize("value", ["9" * 5000, "[" * 3000, "1" + "0" * 400])
def test_a_value_that_nobody_means_is_one_fault(capsys, value: str) -> None:
    place = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
    code, out, err = run(capsys, "check-rule", place, "--parameter", f"threshold_m_s={value}")
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert len(err) < 1500


def test_what_cannot_be_tested_is_not_printed_as_passed(capsys) -> None:
    place = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
    code, out, _ = run(capsys, "check-rule", place, "--rules-in-process")
    assert code == 0
    assert "not tested  rates: the rule declares no rates" in out
    assert "passed  rates" not in out
    assert "14 of 15 checks passed, 0 failed, 1 not tested" in out


def test_show_prints_an_algorithm_file(capsys, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    code, _, _ = run(capsys, "new", "rule", str(file))
    assert code == 0
    code, out, _ = run(capsys, "rules", "show", str(file))
    assert code == 0
    assert 'name = "mine"' in out
    assert "LeakyVelocity" in out
    code, out, err = run(capsys, "rules", "show", str(tmp_path / "nowhere.toml"))
    assert code == 2
    assert out == ""
    assert "nowhere.toml: expected an algorithm file that exists" in err


def test_one_error_of_a_rule_is_said_once(capsys, tmp_path: Path) -> None:
    (tmp_path / "bad.py").write_text(
        "class Bad:\n"
        "    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame): return frame.nope\n"
    )
    code, out, _ = run(capsys, "check-rule", f"{tmp_path / 'bad.py'}:Bad")
    assert code == 1
    (line,) = [line for line in out.splitlines() if line.startswith("FAILED")]
    assert line.startswith("FAILED  evaluates, finite, causal, deterministic, ")
    assert line.count("the rule raised AttributeError") == 1
    stopped = line.removeprefix("FAILED  ").split(": ")[0].split(", ")
    assert f"{len(stopped)} failed" in out


@pytest.mark.quick(1)
@pytest.mark.parametrize("value", ["0", "-1.0", "nan", "inf"])
def test_the_template_rule_refuses_an_impossible_threshold(capsys, tmp_path: Path, value) -> None:
    file = tmp_path / "mine.toml"
    run(capsys, "new", "rule", str(file))
    for place in (f"{file.with_suffix('.py')}", f"{EXAMPLES / 'per_sample_rule.py'}"):
        argument = f"threshold_m_s={value}"
        code, out, err = run(
            capsys, "check-rule", f"{place}:LeakyVelocity", "--parameter", argument
        )
        assert code == 2
        assert out == ""
        assert "expected m/s, more than 0" in err
