"""A loop is compiled where that pays, kept on disk, loaded by the next process, made again."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from select import select
from typing import Any

import numpy as np
import pytest

pytest.importorskip("numba", reason="needs the extra fast")

from crashsense import operations as op
from crashsense import processes
from crashsense.compiled import caching
from crashsense.compiled.caching import Kept
from crashsense.compiled.parts import FUSED_PIECE, MADE_FROM, MOST, Parts, share_loops
from crashsense.compiled.rules import PIECE

#: A channel, times a number.
ROWS = np.array([[op.READ, 0, 0, 0, 0, 0, 0], [op.TIMES, 1, 0, 0, 0, 0, 0]])
ROOTS = np.array([[1, 1, -1]])


def parts(folder: Path, *, apart: bool = False) -> Parts:
    return Parts(folder, loaded_from=1000, made_from=5000, apart=apart)


def address(found: tuple[np.ndarray, int]) -> int:
    ((first, last, where),), _ = found
    assert (first, last) == (0, 2)
    return int(where)


def test_a_loop_is_made_once_its_work_is_long(tmp_path: Path) -> None:
    ours = parts(tmp_path)
    told = [ours.of(ROWS, ROOTS, work=2000) for _ in range(3)]
    assert [bool(address(one)) for one in told] == [False, False, True]
    assert [piece for _, piece in told] == [PIECE, PIECE, FUSED_PIECE]
    assert len(list(tmp_path.glob("*.code"))) == 1
    # Its numbers are no part of it, its structure is.
    other = ROWS.copy()
    other[1, 5:] = 3, 4
    assert address(ours.of(other, ROOTS, work=1))
    other[1, 0] = op.OVER
    assert not address(ours.of(other, ROOTS, work=1))


def test_a_kept_loop_is_loaded_for_less_work(tmp_path: Path) -> None:
    assert address(parts(tmp_path).of(ROWS, ROOTS, work=5000))
    ours = parts(tmp_path)
    assert [bool(address(ours.of(ROWS, ROOTS, work=600))) for _ in range(2)] == [False, True]
    assert not address(parts(tmp_path / "elsewhere").of(ROWS, ROOTS, work=4000))


def test_a_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path: Path) -> None:
    assert address(parts(tmp_path / "is" / "not" / "there").of(ROWS, ROOTS, work=5000))


forking = pytest.mark.skipif(not processes.forks(), reason="no fork server")


@forking
def test_a_loop_is_made_by_a_process_that_ends_while_work_goes_on(tmp_path: Path) -> None:
    ours = parts(tmp_path, apart=True)
    assert not address(ours.of(ROWS, ROOTS, work=5000))
    os.waitpid(ours._maker, 0)
    assert not ours.kept.functions  # nothing was compiled here
    assert address(ours.of(ROWS, ROOTS, work=1))
    assert len(list(tmp_path.glob("*.code"))) == 1


@forking
def test_of_several_processes_one_makes_a_loop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe, made = tmp_path / "pipe", Kept.make
    os.mkfifo(pipe)

    def make(*given: Any) -> None:
        assert select([os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)], [], [], 30.0)[0]
        made(*given)

    monkeypatch.setattr(Kept, "make", make)
    one, two, here = parts(tmp_path, apart=True), parts(tmp_path, apart=True), parts(tmp_path)
    for process in (one, one, two, here):  # it is still being made
        assert not address(process.of(ROWS, ROOTS, work=5000))
    assert (two._maker, two._tried) == (0, set())
    begin = os.open(pipe, os.O_RDWR)
    os.write(begin, b"go")
    os.waitpid(one._maker, 0)
    os.close(begin)
    for process in (one, two, here):
        assert address(process.of(ROWS, ROOTS, work=1))


@forking
@pytest.mark.parametrize("fails", ["process", "folder", "compiler"])
def test_a_loop_that_a_process_cannot_make_is_made_here(
    fails: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object, **__: object) -> int:
        raise OSError("no process")

    ours = parts(tmp_path / "not" / "there" if fails == "folder" else tmp_path, apart=True)
    with monkeypatch.context() as failing:
        if fails == "process":
            failing.setattr(processes, "apart", none)
        if fails == "compiler":
            failing.setattr(Kept, "make", none)
        first = address(ours.of(ROWS, ROOTS, work=5000))
        assert bool(first) == (fails == "process")
        if not first:
            os.waitpid(ours._maker, 0)
    assert address(ours.of(ROWS, ROOTS, work=1))


def test_workers_make_loops_apart_and_the_sooner_the_more_they_are(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    ours = Parts(tmp_path)
    monkeypatch.setattr("crashsense.compiled.parts._parts", lambda: ours)
    share_loops(16)
    assert (ours.apart, ours.made_from) == (processes.forks(), MADE_FROM // 16)


def test_a_long_program_is_cut(tmp_path: Path) -> None:
    rows = np.zeros((2 * MOST + 10, op.COLUMNS), dtype=np.int64)
    rows[:, 0] = op.TIMES
    cut, _ = Parts(tmp_path, made_from=10**9).of(rows, ROOTS, work=1)
    ends = [(0, MOST), (MOST, 2 * MOST), (2 * MOST, 2 * MOST + 10)]
    assert [tuple(part) for part in cut.tolist()] == [(*end, 0) for end in ends]


# --- kept code ------------------------------------------------------------------------------------

USER = """\
import ctypes
import sys
from pathlib import Path

from caching import Kept
from llvmlite import ir

if len(sys.argv) > 2:
    Path("other.py").write_text(sys.argv[2])


def write(module):
    print("made")
    word = ir.IntType(64)
    function = ir.Function(module, ir.FunctionType(word, []), "five")
    ir.IRBuilder(function.append_basic_block()).ret(word(5))


kept = Kept(Path(sys.argv[1]), most=3)
if not kept.address("five"):
    kept.make("five", write)
where = kept.address("five")
print(ctypes.CFUNCTYPE(ctypes.c_int64)(where)())
"""


@pytest.fixture
def user(tmp_path: Path) -> Callable[..., list[str]]:
    """A program that keeps a function in a folder: what it prints."""
    home = tmp_path / "home"
    home.mkdir()
    (home / "caching.py").write_bytes(Path(caching.__file__).read_bytes())
    for name in ("normal", "operations"):
        (tmp_path / f"{name}.py").write_text("")
    (home / "user.py").write_text(USER)
    (tmp_path / "kept").mkdir()

    def run(*more: str) -> list[str]:
        done = subprocess.run(
            [sys.executable, "user.py", str(tmp_path / "kept"), *more],
            cwd=home,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONPATH": ""},
        )
        assert not done.stderr
        return done.stdout.split()

    return run


def test_another_process_loads_what_one_has_made(
    user: Callable[..., list[str]], tmp_path: Path
) -> None:
    assert user() == ["made", "5"]
    assert user() == ["5"]
    # The source of a kernel changes: what was kept is stale.
    assert user("x = 1\n") == ["made", "5"]
    assert user() == ["5"]
    (file,) = (tmp_path / "kept").iterdir()
    file.write_bytes(file.read_bytes()[:-1])
    assert user() == ["made", "5"]


def test_two_processes_at_once_keep_one_file(
    user: Callable[..., list[str]], tmp_path: Path
) -> None:
    home = tmp_path / "home"
    both = [
        subprocess.Popen(
            [sys.executable, "user.py", str(tmp_path / "kept")],
            cwd=home,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    assert [one.communicate()[0].split()[-1] for one in both] == ["5", "5"]
    assert [file.name for file in (tmp_path / "kept").iterdir()] == ["five.code"]
    assert user() == ["5"]


def test_the_oldest_of_many_files_gives_way(tmp_path: Path) -> None:
    for name, changed in {"old": 200, "older": 100, "new": 300}.items():
        (tmp_path / f"{name}.code").write_bytes(b"")
        os.utime(tmp_path / f"{name}.code", (changed, changed))
    Kept(tmp_path, most=3)._keep("newest", b"code")
    assert sorted(file.stem for file in tmp_path.iterdir()) == ["new", "newest", "old"]


def test_code_that_is_refused_and_cannot_be_removed_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours = parts(tmp_path)
    ours.of(ROWS, ROOTS, work=5000)
    (file,) = tmp_path.glob("*.code")
    file.write_bytes(b"damaged")

    def refuse(path: Path, *, missing_ok: bool = False) -> None:
        raise PermissionError(path)

    monkeypatch.setattr(Path, "unlink", refuse)
    again = parts(tmp_path)
    assert not address(again.of(ROWS, ROOTS, work=5000))
    assert address(again.of(ROWS, ROOTS, work=1))
