"""The commands that list, show and check rules."""

from __future__ import annotations

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
    code, out, _ = run(capsys, "rules", "show", "plain")
    assert "[rules.front_airbag_stage_1]" in out


def test_unknown_name_offers_the_nearest(capsys) -> None:
    code, out, err = run(capsys, "rules", "show", "velocity_chang")
    assert code == 2
    assert "did you mean 'velocity_change'" in err
    assert out == ""


def test_check_rule(capsys, tmp_path: Path) -> None:
    place = f"{EXAMPLES / 'per_sample_rule.py'}:LeakyVelocity"
    code, out, _ = run(capsys, "check-rule", place, "--parameter", "threshold_m_s=2.0")
    assert code == 0
    assert "13 of 13 checks passed" in out
    (tmp_path / "bad.py").write_text(
        "class Bad:\n"
        "    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame): return -1.0\n"
    )
    code, out, _ = run(capsys, "check-rule", f"{tmp_path / 'bad.py'}:Bad")
    assert code == 1
    assert "FAILED  finite: not finite: demand is negative somewhere" in out
    code, _, err = run(capsys, "check-rule", place, "--parameter", "threshold")
    assert code == 2
    assert "expected NAME=VALUE" in err


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
    assert "nowhere.toml: expected a file that can be read" in err


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
    assert line.startswith("FAILED  finite, causal, deterministic, ")
    assert line.count("the rule raised AttributeError") == 1
    stopped = line.removeprefix("FAILED  ").split(": ")[0].split(", ")
    assert f"{13 - len(stopped)} of 13 checks passed" in out


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
