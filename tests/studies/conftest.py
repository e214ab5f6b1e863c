"""Fixtures that the tests of several studies share."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def algorithm(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The algorithm that the module of the test states in its ``ALGORITHM``, as a file."""
    path = tmp_path / "algorithm.toml"
    path.write_text(request.module.ALGORITHM, encoding="utf-8")
    return path
