"""Two vehicles in one record: each an event of its own, told apart by part and direction."""

from __future__ import annotations

import pytest
from exchange_writer import WrittenChannel, WrittenRecord, WrittenVehicle
from rough_pulse import rough_g

from crashsense.records import check_record, read_record


def two(tmp_path, first, second, *channels, **changes):
    record = WrittenRecord(
        list(channels),
        vehicles=[WrittenVehicle(1, **first), WrittenVehicle(2, **second)],
        closing_speed="60",
        configuration="VTV",
        barrier=False,
        **changes,
    )
    return record.write(tmp_path)


STRIKING = WrittenChannel(1, rough_g(-33.0), "LEFT REAR SILL X")
SILENT = {"force_direction": "", "damage": ""}


def events_of(folder):
    return {event.name: event for event in read_record(folder)}


def test_struck_from_behind_as_the_channels_tell(tmp_path):
    folder = two(
        tmp_path,
        {"speed": "60", **SILENT},
        {"speed": "0", **SILENT},
        STRIKING,
        WrittenChannel(2, rough_g(33.0, seed=2), "RIGHT REAR SILL X", vehicle=2),
        impact_angle="",
    )
    events = events_of(folder)
    striking, struck = events["v00042_vehicle_1_left"], events["v00042_vehicle_2_right"]
    assert (striking.family, struck.family) == ("frontal", "rear")
    assert "driven forward (+3" in struck.metadata["direction"]
    assert (striking.metadata["role"], struck.metadata["role"]) == ("striking", "struck")
    assert "vehicle 2 (struck from behind)" in struck.title
    assert "vehicle 1 (striking)" in striking.title
    assert not [f for f in check_record(folder) if f.check == "polarity"]


def test_struck_in_the_side_as_the_channels_tell(tmp_path):
    folder = two(
        tmp_path,
        {"speed": "60", **SILENT},
        {"speed": "0", **SILENT},
        STRIKING,
        WrittenChannel(2, rough_g(-2.0, seed=2), "RIGHT REAR SILL X", vehicle=2),
        WrittenChannel(3, rough_g(25.0, seed=3), "RIGHT REAR SILL Y", vehicle=2, axis="YG"),
        impact_angle="",
    )
    struck = events_of(folder)["v00042_vehicle_2_right"]
    assert struck.family == "side"
    assert "more than along x" in struck.metadata["direction"]
    assert "struck in its side" in struck.title
    assert "central_y" in struck.signals


@pytest.mark.parametrize(
    ("angle", "speeds", "families"),
    [
        ("90", ("60", "0"), ("frontal", "side")),
        ("270", ("60", "0"), ("frontal", "side")),
        ("270", ("0", "60"), ("side", "frontal")),
        ("75", ("40", "40"), ("frontal", "side")),
        ("0", ("60", "0"), ("frontal", "frontal")),
        ("180", ("60", "60"), ("frontal", "frontal")),
        ("45", ("60", "0"), ("frontal", "frontal")),
    ],
)
def test_the_impact_angle_of_two_tells_where_nothing_else_does(tmp_path, angle, speeds, families):
    # Struck in its side a car hardly moves along x; no channel along y is there.
    change = rough_g(-2.0 if "side" in families else -33.0, seed=2)
    folder = two(
        tmp_path,
        {"speed": speeds[0], **SILENT},
        {"speed": speeds[1], **SILENT},
        STRIKING,
        WrittenChannel(2, change, "RIGHT REAR SILL X", vehicle=2),
        impact_angle=angle,
    )
    events = events_of(folder)
    assert tuple(event.family for event in events.values()) == families
    if "side" in families:
        told = next(e for e in events.values() if e.family == "side").metadata["direction"]
        assert f"impact angle {angle} deg" in told


@pytest.mark.parametrize(
    ("first", "second", "roles"),
    [
        ({"speed": "30"}, {"speed": "30"}, ("head-on", "head-on")),
        ({"speed": "60"}, {"speed": "0"}, ("striking", "struck")),
        ({"speed": "60"}, {"speed": "", "damage": "06BDEW2"}, ("striking", "struck")),
        ({"speed": "60"}, {"speed": ""}, ("", "")),
    ],
)
def test_what_the_header_tells_of_the_part(tmp_path, first, second, roles):
    change = 33.0 if second.get("damage") else -33.0
    folder = two(
        tmp_path,
        first,
        second,
        STRIKING,
        WrittenChannel(2, rough_g(change, seed=2), "LEFT REAR SILL X", vehicle=2),
    )
    events = events_of(folder)
    found = [events[f"v00042_vehicle_{n}_left"].metadata["role"] for n in (1, 2)]
    assert tuple(found) == roles


def test_what_the_header_says_is_not_overruled(tmp_path):
    # The header says struck in front: a forward velocity change is a flipped sign, not a direction.
    folder = two(
        tmp_path,
        {"speed": "60"},
        {"speed": "0"},
        STRIKING,
        WrittenChannel(2, rough_g(33.0, seed=2), "LEFT REAR SILL X", vehicle=2),
    )
    assert [f.check for f in check_record(folder) if f.severity == "error"] == ["polarity"]
