"""A short soak; ``CRASHSENSE_SOAK=600`` (seconds) makes it a long one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from soak.soaking import Soak

SECONDS = float(os.environ.get("CRASHSENSE_SOAK", "20"))
SEED = int(os.environ.get("CRASHSENSE_SOAK_SEED", "1"))


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="children are read from /proc")
def test_a_run_continues_to_the_same_tables_whatever_happens_to_it(tmp_path: Path) -> None:
    soak = Soak(tmp_path / "soak", seed=SEED)
    soak.run(SECONDS, say=print)
    print(f"seed {SEED}, {SECONDS:g} s: {dict(sorted(soak.done.items()))}")
    assert soak.done["resumed to the same tables"] == soak.done["rounds"] > 0
