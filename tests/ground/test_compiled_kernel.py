"""A kernel is compiled again when a file that it is made of has changed, and only then."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("numba")

from crashsense import compiled, compiled_kernel

INNER = "from compiled_kernel import kernel\n\n\n@kernel()\ndef inner(x):\n    return {value} * x\n"
OUTER = """\
from compiled_inner import inner
from compiled_kernel import kernel


@kernel()
def outer(x):
    return inner(x) + 1.0


print(outer(2.0), sum(outer.stats.cache_hits.values()))
"""


def run(folder: Path) -> str:
    done = subprocess.run(
        [sys.executable, "compiled_outer.py"], cwd=folder, capture_output=True, text=True
    )
    assert not done.stderr
    return done.stdout.strip()


def test_a_change_in_a_function_of_another_file_is_seen(tmp_path):
    shutil.copy(compiled_kernel.__file__, tmp_path)
    for name in ("operations.py", "normal.py"):
        (tmp_path / name).write_text("")
    (tmp_path / "compiled_inner.py").write_text(INNER.format(value=3.0))
    (tmp_path / "compiled_outer.py").write_text(OUTER)
    assert run(tmp_path) == "7.0 0"
    assert run(tmp_path) == "7.0 1"
    (tmp_path / "compiled_inner.py").write_text(INNER.format(value=5.0))
    assert run(tmp_path) == "11.0 0"


def test_kernels_of_the_package_look_at_all_their_files():
    made = [one for one in vars(compiled).values() if hasattr(one, "py_func")]
    assert len(made) > 10
    for one in made:
        assert one._cache._cache_file._source_stamp == compiled_kernel._sources(), one
