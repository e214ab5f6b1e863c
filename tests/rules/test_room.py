"""How the room is built: no circle of imports, and what the families are, they say themselves."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import crashsense.rules
from crashsense.rules import rule_families
from crashsense.rules.composite import Composite

ROOM = Path(crashsense.rules.__file__).parent

#: Families that another module may ask for by class: what is loaded is loaded apart.
FOREIGN = {"PythonRule", "CLibraryRule"}


def test_no_circle_of_imports() -> None:
    grimp = pytest.importorskip("grimp")
    graph = grimp.build_graph("crashsense")
    room = {name for name in graph.modules if name.startswith("crashsense.rules.")}
    assert len(room) > 20
    below = {name: graph.find_modules_directly_imported_by(name) & room for name in room}

    def reached(start: str) -> set[str]:
        found: set[str] = set()
        ahead = [start]
        while ahead:
            new = below[ahead.pop()] - found
            found |= new
            ahead += new
        return found

    assert [name for name in sorted(room) if name in reached(name)] == []


def test_no_module_asks_which_family_a_rule_is() -> None:
    """A new family or operator is one class: nothing else has to learn of it."""
    names = {family.__name__ for family in rule_families().values()} - FOREIGN
    assert "Armed" in names
    asked = [
        (path.name, node.lineno)
        for path in sorted(ROOM.glob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and getattr(node.func, "id", "") == "isinstance"
        and names & {getattr(item, "id", "") for item in ast.walk(node.args[1])}
    ]
    assert asked == []


def test_every_operator_says_which_children_a_sweep_leaves_alone() -> None:
    said = {
        name: set(family.unswept)
        for name, family in rule_families().items()
        if issubclass(family, Composite) and family.unswept
    }
    assert said == {
        "armed": {"arming"},
        "gated": {"gate"},
        "raised_by": {"measure"},
        "lowered_by": {"measure"},
        "staged": {"measure"},
        "reset_after_quiet": {"activity"},
    }
