"""Files changed at random, some a reader: an answer or a fault, and never anything else."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from fuzz import readers
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


@pytest.mark.slow
@pytest.mark.parametrize("name", READERS)
def test_a_sound_file_does_not_depend_on_time_or_folder(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not READERS[name].is_there:
        pytest.skip(f"{READERS[name].needs} is not installed")
    places = tmp_path / "one", tmp_path / "another"
    made = []
    for place, zone, wait_s in zip(places, ("UTC", "Asia/Tokyo"), (0.0, 1e5), strict=True):
        place.mkdir()
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        now = time.time() + wait_s
        with monkeypatch.context() as clock:
            clock.setattr(time, "time", lambda now=now: now)
            made.append(readers.prepared(name, place)[2])
    monkeypatch.undo()
    time.tzset()
    assert made[0] == made[1]
