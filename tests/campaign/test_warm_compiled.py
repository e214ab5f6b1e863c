"""What a fork server does before workers are forked from it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("numba")

from crashsense import engine, processes
from crashsense.campaign import warm_compiled
from crashsense.compiled import kernels


@pytest.mark.skipif(not processes.forks(), reason="no fork server")
@pytest.mark.parametrize("kept", [False, True])
def test_kernels_that_are_not_kept_are_compiled_in_a_process_that_ends(
    kept: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every worker would be forked with what a compiler leaves."""

    def choose(wanted: str, *, thorough: bool) -> tuple[str, str]:
        (tmp_path / str(os.getpid())).write_text(f"{wanted} {thorough}")
        return "fast", ""

    monkeypatch.setattr(engine, "kept", lambda: kept)
    monkeypatch.setattr(engine, "choose", choose)
    assert warm_compiled._chosen() == ("fast", "")
    asked = {file.name: file.read_text() for file in tmp_path.iterdir()}
    assert len(asked) == (1 if kept else 2)
    assert asked.pop(str(os.getpid())) == "fast True"  # loaded here in any case
    for process, what in asked.items():
        assert what == "fast True"
        with pytest.raises(ProcessLookupError):
            os.kill(int(process), 0)


def test_kernels_are_kept_when_all_have_been_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    kernels.check()
    assert engine.kept()
    one: Any = kernels.window_sum
    monkeypatch.setattr(one._cache._cache_file, "_load_index", dict)
    assert not engine.kept()


@pytest.mark.parametrize("index", [b"", b"\x80\x04", b"no index", None])
def test_a_kernel_whose_index_cannot_be_read_is_not_kept(
    index: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a power failure or a full disk leaves it: the kernel is compiled again."""
    kernels.check()
    one: Any = kernels.window_sum
    damaged = tmp_path / "damaged.nbi"
    if index is not None:
        damaged.write_bytes(index)
    monkeypatch.setattr(one._cache._cache_file, "_index_path", str(damaged))
    assert not engine.kept()


def test_an_index_that_may_not_be_read_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel says so where it is loaded."""
    kernels.check()

    def refused() -> dict[Any, Any]:
        raise PermissionError("on purpose")

    one: Any = kernels.window_sum
    monkeypatch.setattr(one._cache._cache_file, "_load_index", refused)
    assert engine.kept()


def test_kernels_of_another_numba_cannot_be_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    kernels.check()
    one: Any = kernels.window_sum
    monkeypatch.setattr(one._cache, "_cache_file", object())
    assert engine.kept()
