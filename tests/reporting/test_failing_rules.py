"""Rules that fail: the page is written all the same and says so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from crashsense import cli

PER_SAMPLE = (
    "import sys\n"
    "class Mine:\n"
    "    requires = frozenset({'central_x'})\n"
    "    def reset(self, *, rate_hz, context): self.calls = 0\n"
    "    def update(self, frame):\n"
    "        x = 0.0\n"
    "        FAIL\n"
    "        return 0.0\n"
)
BLOCK = (
    "import sys\n"
    "import numpy as np\n"
    "from crashsense.rules import Rule\n"
    "class Mine(Rule):\n"
    "    scales = True\n"
    "    @property\n"
    "    def requires(self): return frozenset({'central_x'})\n"
    "    def demand(self, samples):\n"
    "        x = 0.0\n"
    "        FAIL\n"
    "        return np.zeros((samples.draws, samples.size))\n"
)
ALGORITHM = (
    'name = "mine"\n[rules.front_airbag_stage_1]\nfamily = "python"\nfile = "mine.py:Mine"\n'
)


def run_with(source: str, *, folder: Path) -> int:
    """Run one event of the library with an algorithm of one rule, through the command line."""
    (folder / "mine.py").write_text(source)
    (folder / "mine.toml").write_text(ALGORITHM)
    arguments = ["--algorithm", str(folder / "mine.toml"), "--events", "pole_centre_29"]
    return cli.run(["evaluate", *arguments, "--out", str(folder / "run"), "--workers", "1"])


@pytest.mark.quick(1)
@pytest.mark.parametrize("source", [PER_SAMPLE, BLOCK], ids=["per sample", "block"])
@pytest.mark.parametrize(
    ("failing", "words"),
    [
        ("raise RuntimeError('boom')", "RuntimeError: boom"),
        ("1 / x", "ZeroDivisionError: float division by zero"),
        ("sys.exit(3)", "SystemExit: 3"),
    ],
)
def test_a_rule_that_fails_ends_no_page(source, failing, words, tmp_path, capsys):
    code = run_with(source.replace("FAIL", failing), folder=tmp_path)
    out = capsys.readouterr().out
    assert code == 1
    assert "because THE RULE FAILED" in out
    page = (tmp_path / "run" / "report.html").read_text()
    section = page[page.index('id="event-pole_centre_29"') :]
    said = re.search(r"<pre[^>]*>(.*?)</pre>", section, re.DOTALL)
    assert said is not None
    assert said[1].startswith("the rule failed: ")
    assert words in said[1]
    assert "1 requirement is not met because THE RULE FAILED: front bag, stage 1 1" in page


@pytest.mark.slow
def test_a_rule_that_fails_only_when_asked_again_ends_no_page(tmp_path, capsys):
    source = BLOCK.replace("FAIL", "self.calls = getattr(self, 'calls', 0) + 1").replace(
        "        return np", "        if self.calls > 2: sys.exit(3)\n        return np"
    )
    assert run_with(source, folder=tmp_path) == 1
    assert "missed" in capsys.readouterr().out
    page = (tmp_path / "run" / "report.html").read_text()
    assert "the rule failed: " in page
    assert "SystemExit: 3" in page


@pytest.mark.slow
def test_with_two_sensor_sets_why_names_them(tmp_path, capsys):
    (tmp_path / "mine.py").write_text(PER_SAMPLE.replace("FAIL", "pass"))
    (tmp_path / "mine.toml").write_text(ALGORITHM)
    arguments = ["--algorithm", str(tmp_path / "mine.toml"), "--events", "pole_centre_29"]
    arguments += ["--sensor-set", "standard", "--sensor-set", "central_35g", "--workers", "1"]
    assert cli.run(["evaluate", *arguments, "--out", str(tmp_path / "run")]) == 1
    capsys.readouterr()
    page = (tmp_path / "run" / "report.html").read_text()
    heads = re.findall(r"<summary>Why: (.*?)</summary>", page)
    assert heads == [f"mine / {s}, front_airbag_stage_1" for s in ("standard", "central_35g")]
