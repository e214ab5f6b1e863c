"""Provenance of a run: what made it, and when (provenance.json)."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from datetime import UTC, date, datetime
from importlib import metadata
from typing import TYPE_CHECKING, Any

import crashsense
from crashsense.errors import RunFolderError
from crashsense.results.folder import RunFolder
from crashsense.results.sealed import read_sealed
from crashsense.results.tables import SCHEMA_VERSION

if TYPE_CHECKING:
    from crashsense.plan import Plan

PROVENANCE = "provenance.json"

PACKAGES = ("numpy", "scipy", "pandas", "pyarrow")


def versions(engine: str) -> dict[str, str]:
    """Versions of what makes rows; numba where it computes."""
    found = {"crashsense": crashsense.__version__, "python": platform.python_version()}
    for package in (*PACKAGES, "numba") if engine == "fast" else PACKAGES:
        found[package] = metadata.version(package)
    return found


def provenance(plan: Plan, manifest: Mapping[str, Any], *, finished: str) -> dict[str, Any]:
    """Return what provenance.json holds, from a run's manifest."""
    from crashsense.plan.requirements import waivers_of

    identity = manifest["identity"]
    return {
        "schema_version": SCHEMA_VERSION,
        "begun": manifest.get("begun"),
        "finished": finished,
        "engine": identity["engine"],
        "path": identity["path"],
        "versions": identity["versions"],
        "code_sha256": identity["code"],
        **plan.keys.of("draws"),
        "rules_in_process": plan.keys.rules_in_process,
        "inputs_sha256": identity["inputs"],
        "waivers": waivers_of(plan.events, on=date.today()),
    }


def now() -> str:
    """Date and time, to the second, universal time."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def finished_before(folder: RunFolder) -> str | None:
    """When the run was first finished, if it was: later work does not change that."""
    try:
        return str(read_sealed(folder.path / PROVENANCE)["finished"])
    except (RunFolderError, KeyError):
        return None
