"""Rides are marched by the compiled kernels where numba is there: the same bits, sooner."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from crashsense import engine


@pytest.fixture(autouse=True, scope="module")
def _fast_engine() -> Iterator[None]:
    # Not of the package: without a package file that lasts to the end of the session, and tests of
    # other rooms in the same worker would be computed by this engine.
    with engine.using("fast" if engine.installed() else "numpy"):
        yield
