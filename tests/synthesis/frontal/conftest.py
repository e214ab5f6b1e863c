"""Frontal tests compute with the fastest engine there is; test_lumped holds the twins together."""

import pytest

from crashsense import engine


@pytest.fixture(autouse=True)
def fastest_engine():
    with engine.using("fast" if engine.installed() else "numpy"):
        yield
