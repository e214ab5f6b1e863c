"""Shared fixtures."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from crashsense.resources import CACHE_VARIABLE, STATE_VARIABLE

RECORD_10146 = Path(__file__).resolve().parents[2] / "shared" / "data" / "nhtsa_10146"


@pytest.fixture(scope="session")
def record_folder() -> Path:
    """Folder of the public crash record NHTSA 10146, which does not ship with the project."""
    if not RECORD_10146.is_dir():
        pytest.skip("the public crash record NHTSA 10146 is not beside this checkout")
    return RECORD_10146


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tests, and the programs that they start, keep what lasts in folders of their own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(CACHE_VARIABLE, str(tmp_path_factory.mktemp("cache")))
        patch.setenv(STATE_VARIABLE, str(tmp_path_factory.mktemp("state")))
        # Tests read what is said; how it is folded is looked at in tests/cli/test_printing.py.
        patch.setenv("COLUMNS", "400")
        yield
