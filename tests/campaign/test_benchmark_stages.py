"""The benchmark's stages are functions that exist: they are found by name, when it runs."""

from __future__ import annotations

import pytest
from benchmarks import bench_library

PARTS = [(stage, *part) for stage, parts in bench_library.STAGES.items() for part in parts]


@pytest.mark.parametrize(("stage", "home", "name"), PARTS)
def test_a_stage_is_timed_where_its_function_is_called(stage: str, home: object, name: str):
    assert callable(getattr(home, name))
