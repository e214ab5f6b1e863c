"""Rides are marched by the compiled kernels where numba is there: the same bits, sooner."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from crashsense import engine


@pytest.fixture(autouse=True, scope="package")
def _fast_engine() -> Iterator[None]:
    with engine.using("fast" if engine.installed() else "numpy"):
        yield
