"""Shared fixtures."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from crashsense.resources import CACHE_VARIABLE, STATE_VARIABLE

# Nothing asserts seconds: a busy machine is no fault of what is tested.
settings.register_profile(
    "any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any machine")

RECORD_10146 = Path(__file__).resolve().parents[2] / "shared" / "data" / "nhtsa_10146"


@pytest.fixture(scope="session")
def record_folder() -> Path:
    """Folder of the public crash record NHTSA 10146, which does not ship with the project."""
    if not RECORD_10146.is_dir():
        pytest.skip("the public crash record NHTSA 10146 is not beside this checkout")
    return RECORD_10146


#: File that takes the names of the tests that skipped: `.ci/run` runs them again with all extras.
SKIPPED_VARIABLE = "CRASHSENSE_SKIPPED"


class _Skipped:
    """Writes the names of tests, and of modules without any, that skipped."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.names: dict[str, None] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        # An expected failure is reported as skipped, too.
        if report.skipped and not hasattr(report, "wasxfail"):
            self.names[report.nodeid] = None

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.skipped:
            self.names[report.nodeid] = None

    def pytest_sessionfinish(self) -> None:
        Path(self.path).write_text("".join(f"{name}\n" for name in self.names), encoding="utf-8")


def pytest_configure(config: pytest.Config) -> None:
    path = os.environ.get(SKIPPED_VARIABLE)
    if path and not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Skipped(path))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark cases of a test as slow beyond those that its mark ``quick`` counts."""
    seen: dict[str, int] = {}
    for item in items:
        mark = item.get_closest_marker("quick")
        if mark is not None:
            name = item.nodeid.partition("[")[0]
            seen[name] = seen.get(name, 0) + 1
            if seen[name] > mark.args[0]:
                item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session", autouse=True)
def own_cache(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[None]:
    """Tests, and the programs that they start, keep what lasts in folders of their own.

    Nominal signals are the same with or without a cache, whose files are named by the digest of
    all code that they depend on: runs of the tests share it (`.pytest_cache`), as their processes
    do, unless the environment names another one.
    """
    with pytest.MonkeyPatch.context() as patch:
        if not os.environ.get(CACHE_VARIABLE):
            folder = tmp_path_factory.getbasetemp() / "nominal"
            kept = getattr(request.config, "cache", None)
            if kept is not None:
                with contextlib.suppress(OSError):  # a checkout that cannot be written
                    folder = kept.mkdir("nominal")
            patch.setenv(CACHE_VARIABLE, str(folder))
        patch.setenv(STATE_VARIABLE, str(tmp_path_factory.mktemp("state")))
        # Tests read what is said; how it is folded is looked at in tests/cli/test_printing.py.
        patch.setenv("COLUMNS", "400")
        yield
