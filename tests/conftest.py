"""Shared fixtures."""

from __future__ import annotations

from pathlib import Path

import pytest

RECORD_10146 = Path(__file__).resolve().parents[2] / "shared" / "data" / "nhtsa_10146"


@pytest.fixture(scope="session")
def record_folder() -> Path:
    """Folder of the public crash record NHTSA 10146, which does not ship with the project."""
    if not RECORD_10146.is_dir():
        pytest.skip("the public crash record NHTSA 10146 is not beside this checkout")
    return RECORD_10146
