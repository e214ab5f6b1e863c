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
