"""From a place to a rule: which files, which classes."""

from __future__ import annotations

from pathlib import Path

import pytest

from crashsense.errors import InputError
from crashsense.rules import Rule
from crashsense.rules.loading import as_rule, load_class


def build(name: str, *methods: str, base: type = object) -> type:
    """A class with these methods."""
    body = {method: (lambda self, *args, **named: None) for method in methods}
    return type(name, (base,), {"requires": frozenset({"central_x"}), **body})


@pytest.mark.parametrize("methods", [(), ("update",), ("reset",), ("demand",)])
def test_a_class_by_sample_has_both_methods(methods: tuple[str, ...]) -> None:
    with pytest.raises(InputError, match="a subclass of Rule, or a class with reset and update"):
        as_rule(build("Mine", *methods), parameters={}, where="here")


def test_both_kinds_of_class_become_rules() -> None:
    for found in (build("Mine", "update", "reset"), build("Mine", "demand", base=Rule)):
        rule = as_rule(found, parameters={}, where="here")
        assert isinstance(rule, Rule)
        assert rule.requires == {"central_x"}


def test_an_update_that_cannot_be_called_is_none() -> None:
    found = build("Mine", "reset")
    found.update = 3  # type: ignore[attr-defined]
    with pytest.raises(InputError, match="a class with reset and update"):
        as_rule(found, parameters={}, where="here")


def test_a_file_is_looked_for_in_its_folder_and_where_it_says_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("here", "there", "there/deep"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "mine.py").write_text(f"class Mine:\n    place = {name!r}\n")
    monkeypatch.chdir(tmp_path / "here")
    there = tmp_path / "there"
    for place, folder, expected in (
        ("mine.py", None, "here"),
        ("mine.py", there, "there"),
        ("deep/mine.py", there, "there/deep"),
        (str(there / "mine.py"), None, "there"),
        (str(there / "mine.py"), tmp_path / "here", "there"),
    ):
        found = load_class(f"{place}:Mine", folder=folder)
        assert found.place == expected  # type: ignore[attr-defined]
