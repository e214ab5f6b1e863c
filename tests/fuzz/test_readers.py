"""Files changed at random, some a reader: an answer or a fault, and never anything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz.readers import ONCE_WRONG, READERS, fuzz


@pytest.mark.slow
@pytest.mark.parametrize("name", READERS)
def test_a_changed_file_is_read_or_refused(name: str, tmp_path: Path) -> None:
    if not READERS[name].is_there:
        pytest.skip(f"{READERS[name].needs} is not installed")
    numbers = [*ONCE_WRONG.get(name, ()), *range(READERS[name].count)]
    found = fuzz(name, tmp_path / "files", numbers)
    assert found.wrong == []
    assert found.inputs == len(numbers)
    # The sound file was read before; the changes bite.
    assert found.refused > 0
    assert found.read > 0
