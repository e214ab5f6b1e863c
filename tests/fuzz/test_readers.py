"""Files changed at random, some a reader: an answer or a fault, and never anything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz.readers import READERS, fuzz


@pytest.mark.parametrize("name", READERS)
def test_a_changed_file_is_read_or_refused(name: str, tmp_path: Path) -> None:
    found = fuzz(name, tmp_path / "files", range(READERS[name].count))
    assert found.wrong == []
    assert found.inputs == READERS[name].count
    # The sound file was read before; the changes bite.
    assert found.refused > 0
