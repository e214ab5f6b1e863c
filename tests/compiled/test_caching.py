"""A kernel is compiled again when a file that it is made of has changed, and only then."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("numba")

from crashsense.compiled import caching, kernels

INNER = "from caching import kernel\n\n\n@kernel()\ndef inner(x):\n    return {value} * x\n"
OUTER = """\
from inner_kernel import inner
from caching import kernel


@kernel()
def outer(x):
    return inner(x) + 1.0


print(outer(2.0), sum(outer.stats.cache_hits.values()))
"""


def run(folder: Path) -> str:
    done = subprocess.run(
        [sys.executable, "outer_kernel.py"], cwd=folder, capture_output=True, text=True
    )
    assert not done.stderr
    return done.stdout.strip()


def test_a_change_in_a_function_of_another_file_is_seen(tmp_path):
    room = tmp_path / "room"
    room.mkdir()
    shutil.copy(caching.__file__, room)
    for name in ("operations.py", "normal.py"):
        (tmp_path / name).write_text("")
    (room / "inner_kernel.py").write_text(INNER.format(value=3.0))
    (room / "outer_kernel.py").write_text(OUTER)
    assert run(room) == "7.0 0"
    assert run(room) == "7.0 1"
    (room / "inner_kernel.py").write_text(INNER.format(value=5.0))
    assert run(room) == "11.0 0"
    (tmp_path / "normal.py").write_text("# changed")
    assert run(room) == "11.0 0"
    assert run(room) == "11.0 1"


def test_kernels_of_the_package_look_at_all_their_files():
    made = [one for one in vars(kernels).values() if hasattr(one, "py_func")]
    assert len(made) > 10
    for one in made:
        assert one._cache._cache_file._source_stamp == caching._sources(), one
