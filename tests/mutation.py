"""Do the tests of a room notice a change of its code? A sample of small changes, one at a time.

    python tests/mutation.py signal filters scoring --sample 40 --minutes 10 --seed 1
    python tests/mutation.py rules --numpy --sample 0 --processes 16 --minutes 9.5 --out rules.txt

A mutant is a module with one comparison, sign, operator, number or truth exchanged. It is written
into a copy of the checkout, and the quick tests of its room that enter the changed function run
there until one fails; all of them where none enters it in the process of the tests or the change
stands outside functions, and anyway with ``--whole``. What no test notices is printed: close it by
a property or an independent twin, never by today's number; or, if the mutant does the same as the
original, say why in ``mutation_reasons``. ``NOT ENTERED`` says nothing of the tests: none runs
that code here, such as that of the compiled engine with ``--numpy``, or of a package that is not
installed.

Slow tests, and those of other rooms, are asked with ``--slow`` and ``--also``. A seed fixes the
order in which mutants are tried: ``--sample 300 --from 300`` takes up where ``--sample 300`` ended.
POSIX systems only. Exit code 1 if anything survived.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import dataclasses
import json
import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from mutation_reasons import SAME

CHECKOUT = Path(__file__).resolve().parent.parent

#: Room -> what is changed. Its tests are those of the folder ``tests/<room>`` and the examples in
#: its docstrings; those of the changed module first.
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

#: Longest that one test may take, over what it takes without any change, and in s more; a mutant
#: that makes it longer is noticed (it hangs).
LONGEST, MORE_S = 10.0, 30.0
#: Longest that a test may take without any change [s]: it may wait for what only pytest gives it.
ALONE_S = 600
#: Tests that run: the quick ones, unless slow ones are asked for.
CHOSEN = ["-m", "not slow"]
#: Address space of a process under test: a mutant that asks for more is noticed.
MEMORY_BYTES = 12 << 30

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip

#: Calls that declare: defaults, ranges, layouts and the size of a figure are choices, written once
#: and tested as data.
DECLARATIONS = ("parameter", "Field", "field", "TypeVar", "Tolerance", "new_figure")

#: How a line or a text of a figure looks, which no test should fix.
LOOKS = ("lw", "ms", "mew", "zorder", "fontsize", "frameon")


class _Changes(ast.NodeTransformer):
    """Visits what can be changed, and changes the one whose number is *wanted*."""

    def __init__(self, wanted: int = -1) -> None:
        self.wanted = wanted
        #: Line and change of all that is visited.
        self.found: list[tuple[int, str]] = []

    def _is_it(self, node: ast.expr | ast.stmt, change: str) -> bool:
        self.found.append((node.lineno, change))
        return len(self.found) - 1 == self.wanted

    # What is said, and what types say, is not what is computed.
    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        if isinstance(node.func, ast.Name) and node.func.id in DECLARATIONS:
            return node
        return self.generic_visit(node)

    def visit_keyword(self, node: ast.keyword) -> ast.AST:
        # zip(strict=True) says what holds anyway; observed matters for categories without rows.
        if node.arg in ("strict", "observed") or node.arg in LOOKS:
            return node
        if node.arg == "axis" and isinstance(node.value, ast.UnaryOp):
            # Nearly everywhere samples are rows, whose last axis is axis 1 as well: the sign stays.
            # That kernels of rules take samples of any shape is held by tests/rules/test_twins.py.
            node.value.operand = self.visit(node.value.operand)
            return node
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        if node.name in ("__repr__", "_repr_html_", "__str__"):
            return node
        node.body = [self.visit(statement) for statement in node.body]
        return node

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
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
        if isinstance(node.right, ast.Constant) and isinstance(node.right.value, complex):
            return node  # one number; its conjugate belongs to the same pair
        other = OPERATORS.get(type(node.op))
        if other and self._is_it(node, f"{type(node.op).__name__} -> {other.__name__}"):
            node.op = other()
        return node

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        self.generic_visit(node)
        other = OPERATORS.get(type(node.op))
        if other and self._is_it(node, f"{type(node.op).__name__}= -> {other.__name__}="):
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
        elif isinstance(value, int | float | complex):
            new = value + 1 if isinstance(value, int) else (value * 1.5 if value else 1.0)
            if self._is_it(node, f"{value} -> {new}"):
                return ast.copy_location(ast.Constant(new), node)
        return node


def changes(path: Path) -> list[tuple[int, str]]:
    """Return the line of every change of a module, and how; of like ones on a line, which."""
    found = _Changes()
    found.visit(ast.parse(path.read_text(encoding="utf-8")))
    many, seen = Counter(found.found), Counter[tuple[int, str]]()
    out = []
    for line, change in found.found:
        seen[line, change] += 1
        which = f" ({seen[line, change]})" if many[line, change] > 1 else ""
        out.append((line, f"{change}{which}"))
    return out


def mutated(path: Path, number: int) -> str:
    """Return the text of a mutant."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    _Changes(number).visit(tree)
    return ast.unparse(ast.fix_missing_locations(tree))


def functions(path: Path) -> dict[int, int]:
    """Return the first line of the innermost function around each line; other lines are absent.

    Absent, too, are functions whose result is kept: only the first test that asks enters them.
    """
    around: dict[int, int] = {}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            if any("cache" in ast.unparse(one) for one in node.decorator_list):
                continue
            first = min([node.lineno, *(one.lineno for one in node.decorator_list)])
            # ast.walk meets an outer function before those inside it.
            around.update(dict.fromkeys(range(first, (node.end_lineno or first) + 1), first))
    return around


@dataclasses.dataclass(frozen=True)
class Mutant:
    """One change: the module within the checkout, the change's number, its line, and how."""

    module: str
    number: int
    line: int
    change: str
    said: str

    def __str__(self) -> str:
        return f"{self.module}:{self.line}: {self.change}\n    {self.said}"


def sampled(
    room: str, *, seed: int, first: int, count: int, module: str = ""
) -> tuple[list[Mutant], int]:
    """Return *count* mutants of a room (0: all) from place *first* of the seed's order; and all.

    *module*: part of the name of those that are changed.
    """
    place = CHECKOUT / "crashsense" / ROOMS[room]
    files = [place] if place.is_file() else sorted(place.rglob("*.py"))
    files = [file for file in files if module in file.stem]
    known = {file: changes(file) for file in files}
    points = [(file, number) for file in files for number in range(len(known[file]))]
    random.Random(f"{seed} {room}").shuffle(points)
    chosen = []
    for file, number in points[first : first + count if count else None]:
        line, change = known[file][number]
        said = file.read_text(encoding="utf-8").splitlines()[line - 1].strip()
        chosen.append(Mutant(str(file.relative_to(CHECKOUT)), number, line, change, said))
    return chosen, len(points)


def files_of(room: str, named: str, also: Iterable[str] = ()) -> list[Path]:
    """Return files of tests, and modules with examples, with *named* in the name.

    Those of a room, and tests of the folders *also*: what is mutated may be held by another room.
    """
    place = CHECKOUT / "crashsense" / ROOMS[room]
    modules = [place] if place.is_file() else sorted(place.rglob("*.py"))
    folders = [CHECKOUT / "tests" / name for name in (room, *also)]
    files = [file for folder in folders for file in sorted(folder.rglob("test_*.py"))]
    files += [file for file in modules if ">>> " in file.read_text(encoding="utf-8")]
    return [file for file in files if named in file.stem]


def copy_checkout(copy: Path) -> None:
    """Copy what tests need."""
    copy.mkdir(parents=True)
    for name in ("crashsense", "tests", "pulses", "safety_notes", "pyproject.toml", "README.md"):
        source = CHECKOUT / name
        if source.is_dir():
            left_out = shutil.ignore_patterns("__pycache__", "benchmarks")
            shutil.copytree(source, copy / name, ignore=left_out)
        else:
            shutil.copy(source, copy / name)
    (copy / "reports").symlink_to(CHECKOUT / "reports")


class _Watch:
    """Takes the time of each test, and which functions of the checkout it enters."""

    def __init__(self, copy: Path, found: Path) -> None:
        self.inside = f"{copy / 'crashsense'}{os.sep}"
        self.start = len(f"{copy}{os.sep}")
        self.found = found
        self.tests: dict[str, dict[str, Any]] = {}

    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> Iterator[None]:
        entered: set[tuple[str, int]] = set()

        def enters(frame: Any, event: str, argument: object) -> None:
            code = frame.f_code
            if event == "call" and code.co_filename.startswith(self.inside):
                entered.add((code.co_filename[self.start :], code.co_firstlineno))

        began = time.monotonic()
        signal.alarm(ALONE_S)  # ends the process
        sys.setprofile(enters)
        try:
            yield
        finally:
            sys.setprofile(None)
            signal.alarm(0)
        self.tests[item.nodeid] = {
            "s": time.monotonic() - began,
            "enters": sorted(f"{file}:{line}" for file, line in entered),
        }

    def pytest_sessionfinish(self) -> None:
        self.found.write_text(json.dumps(self.tests), encoding="utf-8")


class _Order:
    """Puts tests that enter the changed function first, and ends one that takes too long."""

    def __init__(
        self, tests: dict[str, dict[str, Any]], entered: Iterable[str], *, whole: bool
    ) -> None:
        self.tests = tests
        wanted = set(entered)
        self.first = {name for name, one in tests.items() if wanted & set(one["enters"])}
        self.only = bool(self.first) and not whole
        self.files: dict[str, float] = {}
        for name in self.first:
            file = name.partition("::")[0]
            self.files[file] = self.files.get(file, 0.0) + tests[name]["s"]

    def _place(self, name: str) -> tuple[bool, float, str]:
        file = name.partition("::")[0]
        return name not in self.first, self.files.get(file, 1e9), file

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items.sort(key=lambda item: self._place(item.nodeid))
        if self.only:
            items[:] = [item for item in items if item.nodeid in self.first]

    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> Iterator[None]:
        usual_s = self.tests.get(item.nodeid, {"s": 10.0})["s"]
        signal.alarm(int(MORE_S + LONGEST * usual_s))  # ends the process
        try:
            yield
        finally:
            signal.alarm(0)


def run_tests(copy: Path, folders: list[Path], plugin: Any) -> int:
    """Run tests, in a process that has loaded the numeric stack already; return its code."""
    import pytest

    # A hook around a test is marked where pytest is known to be there.
    type(plugin).pytest_runtest_protocol = pytest.hookimpl(hookwrapper=True)(
        type(plugin).pytest_runtest_protocol
    )
    child = os.fork()
    if child == 0:
        os.setsid()
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        os.chdir(copy)
        sys.path.insert(0, str(copy))
        os.environ["PYTHONPATH"] = str(copy)
        options = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0", *CHOSEN]
        try:
            code = int(pytest.main([*options, *map(str, folders)], plugins=[plugin]))
        except BaseException:
            code = 99
        os._exit(code)
    _, status = os.waitpid(child, 0)
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child, signal.SIGKILL)  # what the tests left running
    return os.waitstatus_to_exitcode(status)


#: The copy of the checkout in which this process works.
_own: list[Path] = []


def _begin(root: str) -> None:
    copy = Path(root) / f"{os.getpid()}" / "checkout"
    copy_checkout(copy)
    _own.append(copy)


#: Codes of pytest: all passed, none was collected (all are slow).
PASSED = (0, 5)


def watched(file: str) -> tuple[str, dict[str, dict[str, Any]] | None]:
    """Run one file of tests without any change; return what is known of each test, None: fails."""
    copy = _own[0]
    found = copy.parent / "found.json"
    found.unlink(missing_ok=True)
    code = run_tests(copy, [copy / file], _Watch(copy, found))
    if code not in PASSED or not found.exists():
        return file, None
    return file, json.loads(found.read_text(encoding="utf-8"))


#: What may be said of a mutant that no test notices.
SURVIVED, NOT_ENTERED = "SURVIVED", "NOT ENTERED"


def survives(
    one: Mutant, tests: dict[str, dict[str, Any]], *, end: float, whole: bool
) -> str | None:
    """Run the tests on a mutant: how it survives, empty if it does not; None: no time is left."""
    if time.time() > end:
        return None
    copy = _own[0]
    place = copy / one.module
    first = functions(place).get(one.line)
    entered = [f"{one.module}:{first}"]
    if first is None:  # of the module or a class: those that enter its functions, then all others
        whole = True
        entered = [name for test in tests.values() for name in test["enters"]]
        entered = [name for name in entered if name.startswith(f"{one.module}:")]
    original = place.read_text(encoding="utf-8")
    place.write_text(mutated(place, one.number), encoding="utf-8")
    try:
        _forget(place)
        order = _Order(tests, entered, whole=whole)
        files = [copy / file for file in sorted(order.files)] if order.only else []
        files = files or sorted({copy / name.partition("::")[0] for name in tests})
        if run_tests(copy, files, order) not in PASSED:
            return ""
        return SURVIVED if order.first else NOT_ENTERED
    finally:
        place.write_text(original, encoding="utf-8")
        _forget(place)


def _forget(place: Path) -> None:
    # A compiled module is taken for that of a source of the same size and second.
    for compiled in (place.parent / "__pycache__").glob(f"{place.stem}.*.pyc"):
        compiled.unlink()


def try_room(room: str, given: argparse.Namespace, say: Any) -> tuple[int, int] | None:
    """Try the mutants of a room; return how many were done and survived, None if tests fail."""
    end = time.time() + 60.0 * given.minutes
    context = multiprocessing.get_context("fork")
    with (
        tempfile.TemporaryDirectory(prefix="mutation-") as root,
        ProcessPoolExecutor(given.processes, context, _begin, (root,)) as pool,
    ):
        files = files_of(room, given.tests, given.also)
        tests: dict[str, dict[str, Any]] = {}
        failing = []
        for file, found in pool.map(watched, [str(file.relative_to(CHECKOUT)) for file in files]):
            if found is None:
                failing.append(file)
            tests.update(found or {})
        if failing:
            say(f"{room}: tests fail without any change: {', '.join(failing)}")
            return None
        spent_s = sum(test["s"] for test in tests.values())
        which = {"first": given.first, "count": given.sample, "module": given.module}
        chosen, total = sampled(room, seed=given.seed, **which)
        say(f"{room}: {len(tests)} tests of {spent_s:.0f} s; {total} mutants")
        asked = [
            one
            for one in chosen
            if not {(one.module, one.said, change) for change in ("", one.change)} & SAME.keys()
        ]
        jobs = {pool.submit(survives, one, tests, end=end, whole=given.whole): one for one in asked}
        done = alive = left = idle = 0
        for job in as_completed(jobs):
            lives = job.result()
            done += lives is not None
            left += lives is None
            alive += lives == SURVIVED
            idle += lives == NOT_ENTERED
            if lives:
                say(f"{lives} {jobs[job]}")
        known = len(chosen) - len(asked)
        say(
            f"{room}, seed {given.seed}, from {given.first}: {done} mutants, {alive} survived, "
            f"{idle} in code that no test enters; {known} more are known to do the same as the "
            f"original; {left} left for lack of time"
        )
        return done, alive


def main() -> int:
    """Sample, run, print what survived."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("rooms", nargs="*", default=list(ROOMS), metavar="ROOM")
    parser.add_argument("--sample", type=int, default=20, help="mutants a room; 0: all")
    parser.add_argument("--from", type=int, default=0, dest="first", help="leave out so many")
    parser.add_argument("--module", default="", help="only modules with this in their name")
    parser.add_argument("--tests", default="", help="only files of tests with this in their name")
    parser.add_argument(
        "--also", action="append", default=[], metavar="ROOM", help="tests of this room, too"
    )
    parser.add_argument("--slow", action="store_true", help="slow tests, too")
    parser.add_argument("--minutes", type=float, default=10.0, help="for each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1, help="each in a copy of its own")
    parser.add_argument(
        "--whole", action="store_true", help="also tests that do not enter the changed function"
    )
    parser.add_argument("--out", type=Path, help="also write there what is printed")
    parser.add_argument(
        "--numpy", action="store_true", help="without numba: no kernel is compiled for the copies"
    )
    given = parser.parse_args()
    unknown = [room for room in given.rooms if room not in ROOMS]
    if unknown:
        parser.error(f"no room {unknown[0]}: {', '.join(ROOMS)}")
    if given.slow:
        CHOSEN.clear()
    if given.numpy:
        sys.modules["numba"] = None  # type: ignore[assignment]
    for name in ("pandas", "pyarrow.parquet", "pydantic", "pytest", "scipy.signal"):
        __import__(name)
    if given.out:
        given.out.parent.mkdir(parents=True, exist_ok=True)
        given.out.write_text("", encoding="utf-8")

    def say(text: str) -> None:
        print(text, flush=True)
        if given.out:
            with given.out.open("a", encoding="utf-8") as out:
                out.write(f"{text}\n")

    results = [try_room(room, given, say) for room in given.rooms]
    if None in results:
        return 2
    return 1 if any(result and result[1] for result in results) else 0


if __name__ == "__main__":
    sys.exit(main())
