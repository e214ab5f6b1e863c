"""Sensing and judging have one home: no other room calls sensors, the guard of rules or scoring."""

from __future__ import annotations

import ast
from pathlib import Path

import crashsense

PACKAGE = Path(crashsense.__file__).parent

#: Module -> names that only the room `trials` may take from it (and the room that defines them).
RESERVED = {
    "crashsense.sensing": {"sense", "sense_in_parts", "NoiseBank", "joined"},
    "crashsense.scoring": {"score", "judge", "reached", "cannot_be_met", "first_crossing"},
    "crashsense.rules.checked": {"evaluate_rule", "active_channels"},
}


def taken_from_reserved(source: str) -> set[str]:
    """Reserved names that a module imports, or reaches through an imported module."""
    found = set()
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for home, names in RESERVED.items():
                inside = node.module == home or node.module.startswith(f"{home}.")
                if inside:
                    found |= {alias.name for alias in node.names} & names
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            module = {"scoring": "crashsense.scoring", "sensing": "crashsense.sensing"}.get(
                node.value.id, ""
            )
            found |= {node.attr} & RESERVED.get(module, set())
    return found


def test_only_trials_sense_and_score() -> None:
    takers = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        room = path.relative_to(PACKAGE).parts[0]
        if room not in ("sensing", "scoring.py", "rules", "trials"):
            takers[str(path.relative_to(PACKAGE))] = taken_from_reserved(path.read_text("utf-8"))
    assert len(takers) > 100
    assert {name: taken for name, taken in takers.items() if taken} == {}


def test_trials_do_and_the_check_sees_it() -> None:
    found = set()
    for path in (PACKAGE / "trials").glob("*.py"):
        found |= taken_from_reserved(path.read_text("utf-8"))
    assert {"sense_in_parts", "judge", "reached", "evaluate_rule"} <= found
    assert taken_from_reserved("from crashsense import scoring\nscoring.judge()") == {"judge"}
    assert taken_from_reserved("from crashsense.sensing.sense import sense") == {"sense"}
