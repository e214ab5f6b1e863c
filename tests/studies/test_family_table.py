"""Fire times of every family on the public crash record, beside its required time."""

from __future__ import annotations

from pathlib import Path

import pytest

from crashsense.records import read_record
from crashsense.studies.family_table import as_text, candidates, family_table


def test_fire_times_on_the_public_record(record_folder: Path, capsys) -> None:
    rows = family_table(read_record(record_folder))
    with capsys.disabled():
        print("\n" + as_text(rows))
    assert len(rows) == 2 * len(candidates())
    by_rule = {(row.event, row.rule): row for row in rows}
    for event in ("v10146_left", "v10146_right"):
        # Computed from the record: velocity change reaches 1.5 m/s at 15-17 ms; the chain adds its
        # delay (0.7 ms of filter, transport, task and up to one tick), and ringing one period.
        plain = by_rule[event, "velocity_change"]
        assert plain.fire_ms is not None
        assert 15.0 <= plain.fire_ms <= 19.0
        # Computed from the record by double integration: 127 mm at 46.8-47.4 ms, less 30 ms.
        assert plain.required_ms == pytest.approx(17.1, abs=0.6)
        # 18.4 m/s in all over the threshold of 1.5 m/s.
        assert plain.largest_demand == pytest.approx(18.4 / 1.5, rel=0.03)
        # No safing channel on the record: being late is a result, but this must be seen.
        guarded = by_rule[event, "guarded (algorithm)"]
        assert guarded.note == "arming from the same element"
        assert guarded.fire_ms is not None
        # A frontal impact is no rear impact.
        assert by_rule[event, "rear_velocity"].fire_ms is None
