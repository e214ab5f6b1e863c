"""Which channel is taken: by what it is and by how it measured; what sets the required time."""

from __future__ import annotations

import numpy as np
import pytest
from exchange_writer import WrittenChannel, WrittenRecord, WrittenVehicle
from rough_pulse import rough_g

from crashsense.errors import InputError
from crashsense.records import check_record, inspect_record, read_record
from crashsense.records.locations import place_of

STAGE_1 = "front_airbag_stage_1"
GOOD = rough_g(-55.0)


def record_of(*channels: WrittenChannel, **changes) -> WrittenRecord:
    return WrittenRecord(list(channels), **changes)


def findings_on(folder, check):
    return [f for f in check_record(folder) if f.check == check]


def noisy(rms_g: float, *, seed: int = 3):
    return GOOD + rms_g * np.random.default_rng(seed).standard_normal(GOOD.size)


def test_a_noisy_channel_at_the_best_place_is_passed_over_with_its_reason(tmp_path):
    folder = record_of(
        WrittenChannel(1, noisy(6.0), "LEFT REAR SEAT CROSSMEMBER X"),
        WrittenChannel(2, GOOD, "", attachment="SILR"),
        WrittenChannel(3, rough_g(-55.0, seed=2), "", attachment="SIRR"),
    ).write(tmp_path)
    events = read_record(folder)
    assert [e.metadata["channel"] for e in events] == [2, 3]
    assert events[0].requirements[STAGE_1].required_s == pytest.approx(
        events[0].metadata["free_flight_ms"] / 1e3 - 0.030
    )
    (told,) = [f for f in findings_on(folder, "ranking") if "channel 1 " in f.field]
    assert told.severity == "warning"
    assert "passed over: offset" in str(told)
    assert "noise 5.9" in str(told) or "noise 6." in str(told)
    ranks = [f.field for f in findings_on(folder, "ranking")]
    assert ["rank 1" in ranks[0], "channel 2" in ranks[0], "channel 1" in ranks[2]] == [True] * 3


def test_a_channel_that_fails_sets_no_requirement_even_where_it_is_the_only_one(tmp_path):
    folder = record_of(WrittenChannel(1, noisy(6.0), "LEFT REAR SILL X")).write(tmp_path)
    (event,) = read_record(folder)
    assert event.requirements[STAGE_1].expectation == "open"
    assert event.requirements[STAGE_1].required_s is None
    assert np.isnan(event.metadata["required_ms"])
    assert any("no requirement is derived" in text for text in event.metadata["assumptions"])
    with pytest.raises(InputError, match="expected a channel that passes the check"):
        read_record(folder, expect="fire")


def test_a_named_channel_sets_the_required_time_too_unless_another_is_named(tmp_path):
    # Two codes that nothing knows: the place is unknown, the wish is not.
    folder = record_of(
        WrittenChannel(1, noisy(6.0), "LEFT REAR SEAT CROSSMEMBER X"),
        WrittenChannel(2, rough_g(-55.0, duration_s=0.09), "", attachment="QQQQ"),
        WrittenChannel(3, GOOD, "TUNNEL X"),
    ).write(tmp_path)
    (event,) = read_record(folder, channel=2)
    own = event.metadata["free_flight_ms"] - 30.0
    assert event.metadata["required_ms"] == pytest.approx(own)
    (tunnel,) = read_record(folder, channel=3)
    assert event.metadata["required_ms"] < tunnel.metadata["required_ms"] - 1.0
    (named,) = read_record(folder, channel=2, required_from=3)
    assert named.metadata["required_ms"] == tunnel.metadata["required_ms"]
    assert any("from channel 3" in text for text in named.metadata["assumptions"])
    # A bad one that is named senses, and sets nothing.
    (bad,) = read_record(folder, channel=1)
    assert bad.requirements[STAGE_1].required_s is None


@pytest.mark.parametrize(
    ("wish", "numbers"),
    [
        ("sill", [1, 2]),
        ("left sill", [1]),
        ("right rear sill", [2]),
        ("rocker", [1, 2]),
        ("floor pan", [3]),
        ("b-pillar", [4]),
        ("VECG", [5]),
        ("centre of gravity", [5]),
        ("sills", [1, 2]),
    ],
)
def test_words_find_channels(tmp_path, wish, numbers):
    folder = record_of(
        WrittenChannel(1, GOOD, "LEFT REAR SILL X"),
        WrittenChannel(2, GOOD, "RIGHT REAR SILL X"),
        WrittenChannel(3, GOOD, "CENTER FLOORPAN X"),
        WrittenChannel(4, GOOD, "LEFT B-PILLAR LOWER X"),
        WrittenChannel(5, GOOD, "", attachment="VECG"),
    ).write(tmp_path)
    assert [e.metadata["channel"] for e in read_record(folder, channel=wish)] == numbers


@pytest.mark.parametrize(
    ("code", "place", "side", "end", "level"),
    [
        ("SILF", "sill", "left", "front", ""),
        ("SIRR", "sill", "right", "rear", ""),
        ("SLLR", "sill", "left", "rear", ""),
        ("FLLR", "floor", "left", "rear", ""),
        ("FPRF", "floor", "right", "front", ""),
        ("SELR", "seat", "left", "rear", ""),
        ("CMRR", "rear_seat_crossmember", "right", "rear", ""),
        ("DPLC", "dash", "left", "", ""),
        ("DRLF", "door", "left", "front", ""),
        ("BPLL", "pillar", "left", "", "lower"),
        ("APRU", "pillar", "right", "", "upper"),
        ("FRLF", "frame", "left", "front", ""),
        ("ENGN", "engine", "", "", ""),
        ("VECG", "centre_of_gravity", "centre", "", ""),
        ("QQQQ", "unknown", "", "", ""),
        # ISO/TS 13499, RED B 1.6.2: main location and fine locations.
        ("SILBLERE00", "sill", "left", "rear", ""),
        ("SECMRI0000", "seat_crossmember", "right", "", ""),
        ("VEHCCG0000", "centre_of_gravity", "centre", "", ""),
        ("TUNN000000", "tunnel", "", "", ""),
        ("CTUN000000", "control_unit", "", "", ""),
        ("BPILLELO00", "pillar", "left", "", "lower"),
        ("DASHMI0000", "dash", "centre", "", ""),
    ],
)
def test_location_codes(tmp_path, code, place, side, end, level):
    record = record_of(WrittenChannel(1, GOOD, "", attachment=code))
    from crashsense.records.exchange import read_header

    (info,) = read_header(record.write(tmp_path) / "v00042.EV5").channels
    found = place_of(info)
    assert (found.place, found.side, found.end, found.level) == (place, side, end, level)


def test_the_odd_one_of_three_is_not_believed(tmp_path):
    folder = record_of(
        WrittenChannel(1, GOOD * 0.6, "LEFT REAR SEAT CROSSMEMBER X"),
        WrittenChannel(2, GOOD, "LEFT REAR SILL X"),
        WrittenChannel(3, GOOD, "RIGHT REAR SILL X"),
        closing_speed="",
        vehicles=[WrittenVehicle(speed="")],
    ).write(tmp_path)
    assert [e.metadata["channel"] for e in read_record(folder)] == [2, 3]
    (told,) = [f for f in findings_on(folder, "ranking") if "channel 1 " in f.field]
    assert "agreement: 27% from the other channels" in str(told)


def test_a_channel_of_the_other_vehicle_is_told(tmp_path):
    light, heavy = rough_g(-48.0), rough_g(-26.0, seed=5)
    folder = record_of(
        WrittenChannel(1, heavy, "LEFT REAR SILL X"),
        WrittenChannel(2, light, "RIGHT REAR SILL X"),
        WrittenChannel(3, light, "VEHICLE CG X"),
        WrittenChannel(4, heavy, "LEFT REAR SILL X", vehicle=2),
        WrittenChannel(5, heavy, "RIGHT REAR SILL X", vehicle=2),
        vehicles=[WrittenVehicle(1, mass="1000"), WrittenVehicle(2, mass="1850", speed="20")],
        closing_speed="70",
        configuration="VTV",
        barrier=False,
    ).write(tmp_path)
    told = [f for f in findings_on(folder, "agreement") if "vehicle 2 does" in f.note]
    assert [f.field for f in told] == ["channel 1: vehicle"]
    assert [e.name for e in read_record(folder)] == [
        "v00042_vehicle_1_right",
        "v00042_vehicle_2_left",
        "v00042_vehicle_2_right",
    ]


def test_left_words_under_a_right_code(tmp_path):
    channel = WrittenChannel(1, GOOD, "LEFT REAR SILL X", attachment="SIRR")
    folder = record_of(channel).write(tmp_path)
    (told,) = findings_on(folder, "sides")
    assert "left and right may be exchanged" in str(told)


def test_axes_that_look_swapped(tmp_path):
    folder = record_of(
        WrittenChannel(1, rough_g(-12.0), "LEFT REAR SILL X"),
        WrittenChannel(2, GOOD, "LEFT REAR SILL Y", axis="YG"),
        closing_speed="",
        vehicles=[WrittenVehicle(speed="")],
    ).write(tmp_path)
    (told,) = findings_on(folder, "axes")
    assert "axes look swapped" in str(told)


def test_a_filtered_channel_comes_after_an_unfiltered_one(tmp_path):
    from crashsense.filters.channel_class import channel_class_filter

    slow = channel_class_filter(GOOD, rate_hz=1e4, channel_class=60)
    folder = record_of(
        WrittenChannel(1, slow, "LEFT REAR SEAT CROSSMEMBER X"),
        WrittenChannel(2, GOOD, "LEFT FLOORPAN X"),
    ).write(tmp_path / "both")
    assert [e.metadata["channel"] for e in read_record(folder)] == [2]
    alone = record_of(WrittenChannel(1, slow, "LEFT REAR SILL X")).write(tmp_path / "alone")
    (event,) = read_record(alone)
    # The velocity is good, so the requirement stands; what depends on ringing is warned of.
    assert event.requirements[STAGE_1].expectation == "fire"
    assert event.metadata["filtered"]
    assert any("range cannot be judged" in text for text in event.metadata["assumptions"])


def test_figures_of_every_usable_channel(tmp_path):
    folder = record_of(
        WrittenChannel(1, noisy(6.0), "LEFT REAR SEAT CROSSMEMBER X"),
        WrittenChannel(2, GOOD, "LEFT REAR SILL X"),
    ).write(tmp_path)
    bad, good = inspect_record(folder).figures
    assert (bad.channel, bad.state) == ("1", "fails the check")
    assert np.isnan(bad.required_ms)
    assert (good.channel, good.state) == ("2", "taken")
    assert good.velocity_change_kmh == pytest.approx(-55.0, abs=1.0)
    assert good.required_ms == pytest.approx(good.free_flight_ms - 30.0)
