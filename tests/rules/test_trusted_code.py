"""Code that this user has evaluated: one private file of checksums."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

import pytest

from crashsense.resources import STATE_VARIABLE
from crashsense.rules.trust import digest_of, evaluated, note_evaluated, state_file


@pytest.fixture
def rule(tmp_path: Path) -> str:
    (tmp_path / "mine.py").write_text("class Mine: ...\n")
    return f"{tmp_path}/mine.py:Mine"


def test_the_file_is_made_where_it_is_wanted_and_is_nobody_elses(
    rule: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(STATE_VARIABLE, str(tmp_path / "not" / "yet" / "there"))
    assert evaluated() == frozenset()
    before = os.umask(0)
    try:
        note_evaluated([rule])
    finally:
        os.umask(before)
    content = (tmp_path / "mine.py").read_bytes()
    assert evaluated() == {hashlib.sha256(content).hexdigest()} == {digest_of(rule)}
    path = state_file()
    assert path is not None
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == stat.S_IRUSR | stat.S_IWUSR
    noted = path.read_bytes()
    note_evaluated([rule, rule, str(tmp_path / "gone.py:Mine")])
    assert path.read_bytes() == noted  # nothing is noted twice
    (tmp_path / "mine.py").write_text("class Mine: pass\n")
    assert digest_of(rule) not in evaluated()
    note_evaluated([rule])
    assert len(evaluated()) == 2
    assert digest_of(rule) in evaluated()


def test_without_a_folder_of_the_user_nothing_is_noted_or_known(
    rule: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(STATE_VARIABLE, "")
    assert state_file() is None
    note_evaluated([rule])
    assert evaluated() == frozenset()


def test_a_module_is_known_by_its_name_and_a_missing_file_not_at_all(tmp_path: Path) -> None:
    assert digest_of("mine.rules:Mine") == hashlib.sha256(b"module mine.rules").hexdigest()
    assert digest_of(f"{tmp_path}/gone.py:Mine") is None
    assert digest_of("gone.so") is None
