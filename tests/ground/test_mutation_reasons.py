"""What the mutation tool changes, and reasons why no test can notice: of lines that are there."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from mutation_reasons import SAME

mutation = pytest.importorskip("mutation", reason="the tool needs a POSIX system")

CHECKOUT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("module", sorted({module for module, *_ in SAME}))
def test_a_reason_names_a_line_that_is_there(module: str) -> None:
    lines = {line.strip() for line in (CHECKOUT / module).read_text(encoding="utf-8").splitlines()}
    assert not [said for file, said, _ in SAME if file == module and said not in lines]


#: Code -> how it may be changed.
CHANGED = {
    "def f(a, b):\n    return a < b + 1": ["Add -> Sub", "Lt -> LtE", "1 -> 2"],
    "def f(a, b):\n    return not (a and b)": ["and <-> or", "sign or not left out"],
    "def f(a):\n    return a.sum(axis=-1)": ["1 -> 2"],
    "def f(a):\n    return a[1:] + 1": ["1 -> 2 (1)", "1 -> 2 (2)", "Add -> Sub"],
    "POLES = (-1.5 + 2.0j,)": ["1.5 -> 2.25", "2j -> 3j", "sign or not left out"],
    # What is not computed: how it looks, what is declared, what a message or a type says.
    "def f(axes, x):\n    axes.plot(x, 2 * x, lw=0.8, zorder=3)": ["Mult -> Div", "2 -> 3"],
    "x: Literal[1] = parameter(1.0, low=-2.0)": [],
    "def f(a):\n    raise ValueError(f'{a + 1}')": [],
    "def f(a: int = 3):\n    return zip(a, a, strict=True)": [],
}


@pytest.mark.parametrize("code", CHANGED)
def test_the_tool_changes_what_is_computed_and_nothing_else(code: str, tmp_path: Path) -> None:
    module = tmp_path / "module.py"
    module.write_text(code, encoding="utf-8")
    found = mutation.changes(module)
    assert sorted(change for _, change in found) == sorted(CHANGED[code])
    texts = {mutation.mutated(module, number) for number in range(len(found))}
    assert len({ast.unparse(ast.parse(code)), *texts}) == 1 + len(found)


@pytest.mark.parametrize("module", sorted({module for module, *_ in SAME}))
def test_a_reason_is_one_of_a_change_that_there_is(module: str) -> None:
    """Of several like ones on a line it says which."""
    path = CHECKOUT / module
    lines = path.read_text(encoding="utf-8").splitlines()
    known = {(lines[line - 1].strip(), change) for line, change in mutation.changes(path)}
    named = {(said, change) for file, said, change in SAME if file == module and change}
    assert named <= known
