"""A measured record over impact speed: at its own speed it is the record itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from exchange_writer import pulse_g, wall

from crashsense.errors import InputError
from crashsense.records import read_record
from crashsense.studies.severity import study_severity
from crashsense.studies.severity_records import record_sweeps

STAGE_1 = "front_airbag_stage_1"


@pytest.fixture(scope="module", params=["made up", "public"])
def record(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record: the public one needs data that does not ship with the project."""
    if request.param == "public":
        return request.getfixturevalue("record_folder")
    channel = {"values": pulse_g(-56.0)}
    return wall(56.0, channel=channel).write(tmp_path_factory.mktemp("record") / "v1")


def test_a_record_at_its_own_speed_is_the_record(record: Path) -> None:
    event = read_record(record)[0]
    (sweep,) = record_sweeps(event, speeds_kmh=[40.0])
    same = sweep.at(sweep.own_kmh)
    np.testing.assert_array_equal(
        same.signals["central_x"].samples, event.signals["central_x"].samples
    )
    asked, before = same.requirements[STAGE_1], event.requirements[STAGE_1]
    assert asked.expectation == before.expectation == "fire"
    assert asked.required_s == pytest.approx(before.required_s, abs=1e-9)


def test_what_is_asked_follows_the_velocity_change(record: Path) -> None:
    event = read_record(record)[0]
    (sweep,) = record_sweeps(event, speeds_kmh=[10.0, 60.0])
    no_fire_to, fire_from = sweep.limits(STAGE_1, [6.0, 60.0])
    assert no_fire_to is not None
    assert fire_from is not None
    change = event.metadata["velocity_change_kmh"] / sweep.own_kmh
    assert abs(change * fire_from) == pytest.approx(35.0, abs=0.02)
    assert sweep.at(fire_from - 0.1).requirements[STAGE_1].expectation == "open"
    assert sweep.at(fire_from + 0.1).requirements[STAGE_1].expectation == "fire"
    assert sweep.at(no_fire_to - 0.1).requirements[STAGE_1].expectation == "no_fire"


def test_faster_is_no_less_likely_to_fire(record: Path) -> None:
    event = read_record(record)[0]
    found = study_severity(event, speeds_kmh=[15.0, 50.0], draws=4)
    rows = found.table[found.table["restraint"] == STAGE_1].set_index("speed_kmh")
    assert rows.loc[15.0, "fired"] == 0
    assert rows.loc[50.0, "fired"] == 4
    assert any("amplitude scaled" in note for note in found.notes)


def test_speeds_too_far_from_the_record_are_refused(record: Path) -> None:
    with pytest.raises(InputError, match="--speeds"):
        study_severity(str(record), speeds_kmh=[2.0, 50.0], draws=1)
