"""A kernel is compiled again when a file that it is made of has changed, and only then."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

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


def run(folder: Path, *command: str) -> str:
    command = command or ("outer_kernel.py",)
    # Kernels are kept beside their files, wherever the user keeps those of the program.
    beside = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    how: Any = {"cwd": folder, "env": beside, "capture_output": True, "text": True}
    done = subprocess.run([sys.executable, *command], **how)
    assert not done.stderr
    return done.stdout.strip()


def room_with_kernels(folder: Path) -> Path:
    """A folder with two kernels, one of which calls the other."""
    room = folder / "room"
    room.mkdir()
    shutil.copy(caching.__file__, room)
    for name in ("operations.py", "normal.py"):
        (folder / name).write_text("")
    (room / "inner_kernel.py").write_text(INNER.format(value=3.0))
    (room / "outer_kernel.py").write_text(OUTER)
    return room


def test_a_change_in_a_function_of_another_file_is_seen(tmp_path):
    room = room_with_kernels(tmp_path)
    assert run(room) == "7.0 0"
    assert run(room) == "7.0 1"
    (room / "inner_kernel.py").write_text(INNER.format(value=5.0))
    assert run(room) == "11.0 0"
    (tmp_path / "normal.py").write_text("# changed")
    assert run(room) == "11.0 0"
    assert run(room) == "11.0 1"


@pytest.mark.parametrize("suffix", ["nbi", "nbc"])
@pytest.mark.parametrize("left", [0, 20])
def test_a_kernel_of_which_half_a_file_is_left_is_compiled_and_kept_again(
    suffix: str, left: int, tmp_path: Path
) -> None:
    """As a power failure or a full disk leaves it."""
    room = room_with_kernels(tmp_path)
    run(room)
    damaged = list((room / "__pycache__").glob(f"*outer*.{suffix}"))
    assert damaged
    for file in damaged:
        file.write_bytes(file.read_bytes()[:left])
    assert run(room) == "7.0 0"
    assert run(room) == "7.0 1"


def test_kernels_of_the_package_look_at_all_their_files():
    made = [one for one in vars(kernels).values() if hasattr(one, "py_func")]
    assert len(made) > 10
    for one in made:
        assert one._cache._cache_file._source_stamp == caching._sources(), one


LINKED = """\
import numba
from inner_kernel import inner

inner(1.0)
library = next(iter(inner.overloads.values())).library
held = library._shared_module is not None


@numba.njit
def outer(x):
    return inner(x) + 1.0


print(sum(inner.stats.cache_hits.values()), held, outer(2.0))
"""


def test_a_loaded_kernel_is_linked_though_it_does_not_hold_what_for(tmp_path):
    room = room_with_kernels(tmp_path)
    assert run(room, "-c", "from inner_kernel import inner; print(inner(2.0))") == "6.0"
    assert run(room, "-c", LINKED) == "1 False 7.0"  # loaded, light, linked


@pytest.mark.parametrize(
    "kept",
    [
        None,
        {"name": "object"},
        ("name", "object"),
        ("name", "bitcode", b"code"),
        ("name", "object", b"code"),
        ("name", "object", (b"code", None)),
        ("name", "object", (b"code", b"compact", b"more")),
        ("name", "object", (b"code", b"compact")),
    ],
)
def test_what_another_numba_keeps_in_another_form_is_left_as_it_is(kept, monkeypatch):
    library = SimpleNamespace(_shared_module="module")
    if kept == ("name", "object", (b"code", b"compact")):  # in libraries of another form
        monkeypatch.setattr(caching, "_links_later", lambda: False)
    assert caching._light(kept, ["name"])[0] is kept
    for stored in (kept, (kept,), (kept, "about", "more")):
        asked = []

        def rebuild(context, kept, asked=asked):
            asked.append((context, kept))
            return SimpleNamespace(library=library)

        impl = SimpleNamespace(rebuild=rebuild)
        caching._load_lightly(SimpleNamespace(_cache=SimpleNamespace(_impl=impl)))
        assert impl.rebuild("context", stored).library is library
        assert asked == [("context", stored)]
        assert vars(library) == {"_shared_module": "module"}


NAMES = """\
from inner_kernel import inner

inner(1.0)
library = next(iter(inner.overloads.values())).library
print(sum("inner" in name for name in library.codegen._engine._defined_symbols))
"""


def test_of_a_loaded_kernel_only_names_that_are_called_are_looked_for(tmp_path):
    """Not those of all that it is linked from: one call of LLVM each."""
    room = room_with_kernels(tmp_path)
    run(room)
    assert run(room, "-c", NAMES) == str(len(caching._CALLED))


def test_every_kernel_is_tried_before_long_work():
    """A worker is forked with all of them: none is loaded, or compiled, once for each worker."""
    kernels.check()
    made = {name: one for name, one in vars(kernels).items() if hasattr(one, "signatures")}
    assert len(made) > 30
    assert [
        name for name, one in made.items() if name in kernels.__all__ and not one.signatures
    ] == []
