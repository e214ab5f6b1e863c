"""Do the tests of a room notice a change of its code? A sample of small changes, one at a time.

    python tests/mutation.py signal filters scoring --count 40 --minutes 10 --seed 1

A mutant is a module with one comparison, sign, operator, number or truth exchanged. It is written
into a copy of the checkout, and the quick tests of its room run there until one fails. What no test
notices is printed: close it by a property or an independent twin, never by today's number; or, if
the mutant does the same as the original, say why in :data:`SAME`. POSIX systems only. Exit code 1
if anything survived.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parent.parent

#: Room -> what is changed. Its tests are those of the folder ``tests/<room>``, those of the changed
#: module first.
ROOMS = {
    "signal": "signal.py",
    "filters": "filters",
    "sensing": "sensing",
    "rules": "rules",
    "scoring": "scoring.py",
    "trials": "trials",
    "results": "results",
    "campaign": "campaign",
    "records": "records",
}

#: Longest that the tests of one mutant may take, over what they take without any change; one that
#: takes longer is noticed (it hangs).
LONGEST = 4.0

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip

#: (module, line of the original, its change) -> why no test can notice.
SAME: dict[tuple[str, str, str], str] = {
    (
        "crashsense/signal.py",
        "first = max(0, int(np.ceil((first_s - self.start_s) * self.rate_hz - 1e-6)))",
        "1e-06 -> 1.5e-06",
    ): "a millionth of a sample: any bound between rounding and half a sample does the same",
    (
        "crashsense/signal.py",
        "last = min(self.size - 1, int(np.floor((last_s - self.start_s) * self.rate_hz + 1e-6)))",
        "1e-06 -> 1.5e-06",
    ): "as above",
    (
        "crashsense/sensing/channel_faults.py",
        'found.append(Fault(file, "fault", text[:80], expected))',
        "80 -> 81",
    ): "how much of a wrong text a message shows",
    (
        "crashsense/scoring.py",
        "index = np.argmax(crossed, axis=-1)",
        "sign or not left out",
    ): "demand has two axes: the last one is axis 1",
}


class _Changes(ast.NodeTransformer):
    """Visits what can be changed, and changes the one whose number is *wanted*."""

    def __init__(self, wanted: int = -1) -> None:
        self.wanted = wanted
        self.count = 0
        self.line = 0
        self.change = ""

    def _is_it(self, node: ast.expr | ast.stmt, change: str) -> bool:
        self.count += 1
        if self.count - 1 != self.wanted:
            return False
        self.line, self.change = node.lineno, change
        return True

    # What is said, and what types say, is not what is computed.
    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        if node.name in ("__repr__", "_repr_html_", "__str__"):
            return node
        node.body = [self.visit(statement) for statement in node.body]
        return node

    def visit_If(self, node: ast.If) -> ast.AST:
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return node
        return self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        self.generic_visit(node)
        for place, operator in enumerate(node.ops):
            other = COMPARISONS[type(operator)]
            if self._is_it(node, f"{type(operator).__name__} -> {other.__name__}"):
                node.ops[place] = other()
        return node

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        self.generic_visit(node)
        other = OPERATORS.get(type(node.op))
        if other and self._is_it(node, f"{type(node.op).__name__} -> {other.__name__}"):
            node.op = other()
        return node

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        self.generic_visit(node)
        if isinstance(node.op, ast.USub | ast.Not) and self._is_it(node, "sign or not left out"):
            return node.operand
        return node

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        self.generic_visit(node)
        if self._is_it(node, "and <-> or"):
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        value = node.value
        if isinstance(value, bool):
            if self._is_it(node, f"{value} -> {not value}"):
                return ast.copy_location(ast.Constant(not value), node)
        elif isinstance(value, int | float):
            new = value + 1 if isinstance(value, int) else (value * 1.5 if value else 1.0)
            if self._is_it(node, f"{value} -> {new}"):
                return ast.copy_location(ast.Constant(new), node)
        return node


def mutants(path: Path) -> int:
    """How many changes a module has."""
    found = _Changes()
    found.visit(ast.parse(path.read_text(encoding="utf-8")))
    return found.count


def mutated(path: Path, number: int) -> tuple[str, int, str]:
    """Return the text of a mutant, the line that it changes, and how."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    one = _Changes(number)
    one.visit(tree)
    return ast.unparse(ast.fix_missing_locations(tree)), one.line, one.change


@contextlib.contextmanager
def copy_of_checkout() -> Iterator[Path]:
    """Yield a copy of what tests need, in a temporary folder."""
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copy = Path(folder) / "checkout"
        copy.mkdir()
        for name in (
            "crashsense",
            "tests",
            "pulses",
            "safety_notes",
            "pyproject.toml",
            "README.md",
        ):
            source = CHECKOUT / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(source, copy / name)
        (copy / "reports").symlink_to(CHECKOUT / "reports")
        yield copy


def survives(copy: Path, room: str, *, module: str = "", longest_s: float = 3600.0) -> bool:
    """Run the quick tests of a room in a process that has loaded the numeric stack already."""
    folder = copy / "tests" / room
    first = sorted(str(path) for path in folder.glob(f"test_{module}*.py")) if module else []
    child = os.fork()
    if child == 0:
        os.setsid()
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        os.chdir(copy)
        sys.path.insert(0, str(copy))
        os.environ["PYTHONPATH"] = str(copy)
        import pytest

        options = ["-x", "-q", "-p", "no:cacheprovider", "-m", "not slow", "--hypothesis-seed=0"]
        try:
            code = int(pytest.main([*options, *first, str(folder)]))
        except BaseException:
            code = 99
        os._exit(code)
    deadline = time.monotonic() + longest_s
    while time.monotonic() < deadline:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status) == 0
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return False


def main() -> int:
    """Sample, run, print what survived."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("rooms", nargs="*", default=list(ROOMS), metavar="ROOM")
    parser.add_argument("--count", type=int, default=20, help="mutants a room")
    parser.add_argument("--minutes", type=float, default=10.0, help="stop after so many")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--numpy", action="store_true", help="without numba: no kernel is compiled for the copy"
    )
    given = parser.parse_args()
    if given.numpy:
        sys.modules["numba"] = None  # type: ignore[assignment]
    for name in ("pandas", "pyarrow.parquet", "pytest", "scipy.signal"):
        __import__(name)
    end = time.monotonic() + 60.0 * given.minutes
    alive = done = reasoned = 0
    with copy_of_checkout() as copy:
        for room in given.rooms:
            began = time.monotonic()
            if not survives(copy, room):
                print(f"{room}: its quick tests fail without any change", flush=True)
                return 2
            longest_s = 60.0 + LONGEST * (time.monotonic() - began)
            place = copy / "crashsense" / ROOMS[room]
            files = [place] if place.is_file() else sorted(place.rglob("*.py"))
            points = [(file, number) for file in files for number in range(mutants(file))]
            draw = random.Random(f"{given.seed} {room}")
            for file, number in draw.sample(points, min(given.count, len(points))):
                if time.monotonic() > end:
                    break
                original = file.read_text(encoding="utf-8")
                text, line, change = mutated(file, number)
                module = str(file.relative_to(copy))
                said = original.splitlines()[line - 1].strip()
                if (module, said, change) in SAME:
                    reasoned += 1
                    continue
                file.write_text(text, encoding="utf-8")
                try:
                    lives = survives(copy, room, module=file.stem, longest_s=longest_s)
                finally:
                    file.write_text(original, encoding="utf-8")
                done += 1
                alive += lives
                if lives:
                    print(f"SURVIVED {module}:{line}: {change}\n    {said}", flush=True)
    print(
        f"seed {given.seed}: {done} mutants of {', '.join(given.rooms)}; {alive} survived, "
        f"{reasoned} more are known to do the same as the original"
    )
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
