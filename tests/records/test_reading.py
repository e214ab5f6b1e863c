"""Reading other records than the public one: tolerant where the meaning is clear."""

from __future__ import annotations

import numpy as np
import pytest
from exchange_writer import (
    STANDARD_GRAVITY,
    WrittenChannel,
    WrittenRecord,
    WrittenVehicle,
    pulse_g,
    wall,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.occupant import required_time_to_fire
from crashsense.records import check_record, read_record
from crashsense.records.exchange import acceleration_scale, time_scale
from crashsense.records.quality import step_of

STAGE_1 = "front_airbag_stage_1"


def one(folder, **wishes):
    events = read_record(folder, **wishes)
    assert len(events) == 1
    return events[0]


def severities(findings, check):
    return {f.severity for f in findings if f.check == check}


def test_sound_wall_test(tmp_path):
    event = one(wall(50.0, rebound=0.1).write(tmp_path))
    assert event.name == "v00042_left"
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=0.05)
    stage_1 = event.requirements[STAGE_1]
    assert stage_1.expectation == "fire"
    signal = event.signals["central_x"]
    wanted = required_time_to_fire(-signal.samples, rate_hz=1e4, start_s=signal.start_s)
    assert stage_1.required_s == float(wanted)
    assert event.metadata["offset_g"] == pytest.approx(0.05, abs=1e-6)
    assert abs(signal.samples[:400].mean()) < 1e-9


@pytest.mark.parametrize(
    ("speed_kmh", "expectation"), [(40.0, "fire"), (31.0, "open"), (10.0, "open"), (7.0, "no_fire")]
)
def test_assumed_requirement_and_its_sentences(tmp_path, speed_kmh, expectation):
    event = one(wall(speed_kmh).write(tmp_path))
    assert event.requirements[STAGE_1].expectation == expectation
    assert {event.requirements[r].expectation for r in RESTRAINTS if r != STAGE_1} == {"open"}
    told = " ".join(event.metadata["assumptions"])
    assert f"{STAGE_1}: {expectation}, assumed" in told
    assert "is used as the central sensor" in told
    assert "belts: belted, from the header" in told
    assert "assumed" in event.requirements[STAGE_1].basis


def test_what_the_user_states_overrides(tmp_path):
    folder = wall(50.0).write(tmp_path)
    event = one(folder, belts="unbelted", expect="open")
    assert not event.context.belted
    assert event.requirements[STAGE_1].expectation == "open"
    assert "stated by the user" in " ".join(event.metadata["assumptions"])
    event = one(folder, belts=True, expect={"belt_pretensioner": "fire"})
    assert event.requirements["belt_pretensioner"].required_s is not None
    assert event.requirements[STAGE_1].expectation == "fire"
    with pytest.raises(InputError) as caught:
        read_record(folder, expect="belt_pretensionr=fre")
    assert "did you mean 'belt_pretensioner'" in str(caught.value)
    assert "did you mean 'fire'" in str(caught.value)
    with pytest.raises(InputError, match="belts: got 'belt'"):
        read_record(folder, belts="belt")


def test_fire_cannot_be_stated_where_free_flight_is_never_reached(tmp_path):
    folder = wall(1.6, rebound=0.1).write(tmp_path)
    with pytest.raises(InputError, match="expect front_airbag_stage_1: got 'fire'; expected a rec"):
        read_record(folder, expect="fire")


def test_belts_of_the_header(tmp_path):
    unbelted = wall(50.0, restraints=("1|01|1|NON|NA|NA|", "1|01|2|FRT|SW|DP|BAG"))
    assert not one(unbelted.write(tmp_path / "a")).context.belted
    silent = wall(50.0, restraints=(), occupants=())
    event = one(silent.write(tmp_path / "b"))
    assert event.context.belted
    assert event.context.passenger_seat_occupied
    told = " ".join(event.metadata["assumptions"])
    assert "belts: belted, assumed" in told
    assert "both occupied, assumed" in told
    slow = one(wall(5.0, restraints=(), occupants=("1|01|H3",)).write(tmp_path / "c"))
    assert not slow.context.belted
    assert not slow.context.passenger_seat_occupied


@pytest.mark.parametrize("struck_speed", ["0", ""])
def test_two_vehicles_one_of_them_at_rest(tmp_path, struck_speed):
    # 60 km/h closing, 1200 kg into 1800 kg: (1 + e) 60 x 1800/3000 = 36 (1 + e) for vehicle 1 and
    # 24 (1 + e) for vehicle 2, which stands and is pushed backwards: its velocity change is
    # negative too.
    restitution = 0.1
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-36 * (1 + restitution)), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(-36 * (1 + restitution)), "RIGHT REAR SILL X"),
            WrittenChannel(3, pulse_g(-24 * (1 + restitution)), "VEHICLE CG X", vehicle=2),
        ],
        vehicles=[
            WrittenVehicle(1, mass="1200", speed="60"),
            WrittenVehicle(2, mass="1800", speed=struck_speed),
        ],
        closing_speed="60",
        configuration="VTV",
        barrier=False,
        restraints=("1|01|1|3PT|BC|NA|", "2|01|1|NON|BC|NA|"),
        occupants=("1|01|H3", "2|01|H3"),
    )
    folder = record.write(tmp_path)
    events = {e.name: e for e in read_record(folder)}
    assert sorted(events) == [
        "v00042_vehicle_1_left",
        "v00042_vehicle_1_right",
        "v00042_vehicle_2_centre",
    ]
    changes = {name: e.metadata["velocity_change_kmh"] for name, e in events.items()}
    assert changes["v00042_vehicle_1_left"] == pytest.approx(-39.6, abs=0.05)
    assert changes["v00042_vehicle_2_centre"] == pytest.approx(-26.4, abs=0.05)
    assert events["v00042_vehicle_1_left"].requirements[STAGE_1].expectation == "fire"
    assert events["v00042_vehicle_2_centre"].requirements[STAGE_1].expectation == "open"
    assert not events["v00042_vehicle_2_centre"].context.belted
    assert severities(check_record(folder), "velocity change") == {"info"}


def test_polarity_of_a_struck_vehicle_at_rest(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-33.0), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(+33.0), "LEFT REAR SILL X", vehicle=2),
        ],
        vehicles=[WrittenVehicle(1, speed="60"), WrittenVehicle(2, speed="0")],
        closing_speed="60",
        configuration="VTV",
        barrier=False,
    )
    with pytest.raises(InputError) as caught:
        read_record(record.write(tmp_path / "front"))
    assert len(caught.value.faults) == 1
    assert "v00042.002: channel 2: velocity change: got '+33.0 km/h'" in str(caught.value)
    assert "negative" in str(caught.value)
    # The same signs are right where the second vehicle is struck from behind.
    record.vehicles[1].damage = "06BDEW2"
    events = {e.name: e for e in read_record(record.write(tmp_path / "rear"))}
    struck = events["v00042_vehicle_2_left"]
    assert struck.family == "rear"
    assert {r.expectation for r in struck.requirements.values()} == {"open"}
    assert "struck from the rear" in struck.requirements[STAGE_1].basis


def test_vehicle_without_files_is_named_and_the_other_is_read(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-33.0), "LEFT REAR SILL X"),
            WrittenChannel(2, None, "LEFT REAR SILL X", vehicle=2),
        ],
        vehicles=[WrittenVehicle(1), WrittenVehicle(2, speed="0")],
        closing_speed="60",
        configuration="VTV",
        barrier=False,
    )
    folder = record.write(tmp_path)
    assert [e.name for e in read_record(folder)] == ["v00042_vehicle_1_left"]
    assert any("vehicle 2" in f.field and "no event" in f.note for f in check_record(folder))


def channels_at(*places: str) -> list[WrittenChannel]:
    return [WrittenChannel(i, pulse_g(-55.0), words) for i, words in enumerate(places, start=1)]


@pytest.mark.parametrize(
    ("places", "taken"),
    [
        (["LEFT FLOORPAN X", "LEFT REAR SILL X", "LEFT REAR SEAT CROSSMEMBER X"], [3]),
        (["VEHICLE C.G. X", "LEFT REAR SILL X", "RIGHT FRONT SILL X"], [2, 3]),
        (["LEFT FRONT SILL X", "LEFT REAR SILL X", "RIGHT REAR SILL X"], [2, 3]),
        (["VEHICLE CG X", "TUNNEL X", "FLOOR X"], [1]),
        (["LEFT REAR FLOORPAN X", "RIGHT REAR FLOORPAN X", "TRUNK FLOOR X"], [1, 2]),
        (["DASH PANEL CENTER X", "TUNNEL X", "STEERING COLUMN X"], [2]),
        (["TOP OF ENGINE X", "RIGHT FRONT BRAKE CALIPER X", "REAR DECK X"], [3]),
        (["LEFT FRONT SEAT CROSSMEMBER X", "LEFT REAR SILL X"], [1]),
        (["FRONT CROSSMEMBER X", "LEFT TOEPAN X", "RIGHT REAR DECK X"], [3]),
        (["REAR X-MEMBER, LT X", "REAR X-MEMBER, RT X", "VEHICLE COG X"], [1, 2]),
        (["ENGINE CROSSMEMBER X", "RIGHT B-PILLAR SILL X", "LEFT SILL X"], [3]),
    ],
)
def test_stiff_places_first(tmp_path, places, taken):
    folder = WrittenRecord(channels_at(*places)).write(tmp_path)
    events = read_record(folder)
    assert sorted(e.metadata["channel"] for e in events) == taken
    assert all("rank" in e.metadata["assumptions"][0] for e in events)


@pytest.mark.parametrize(
    ("attachment", "name"),
    [("FLLR", "v00042_left"), ("FLRR", "v00042_right"), ("VECG", "v00042_centre")],
)
def test_place_from_the_attachment_code_where_words_are_blank(tmp_path, attachment, name):
    channel = WrittenChannel(7, pulse_g(-55.0), "", attachment=attachment)
    assert one(WrittenRecord([channel]).write(tmp_path)).name == name


def test_axis_from_the_words_where_the_field_is_blank(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(0.0), "LEFT REAR X-MEMBER Z", axis=""),
            WrittenChannel(2, pulse_g(-55.0), "LEFT REAR X-MEMBER X", axis=""),
        ]
    )
    event = one(record.write(tmp_path))
    assert event.metadata["channel"] == 2
    assert "central_z" in event.signals


def test_channel_of_the_users_choice(tmp_path):
    record = WrittenRecord(
        [
            *channels_at("LEFT REAR SEAT CROSSMEMBER X", "TUNNEL X", "LEFT DASH PANEL X"),
            WrittenChannel(4, pulse_g(-5.0), "LEFT REAR SEAT CROSSMEMBER Y", axis="YG"),
            WrittenChannel(5, None, "RIGHT REAR SILL X"),
        ]
    )
    folder = record.write(tmp_path)
    assert one(folder, channel="tunnel").metadata["channel"] == 2
    assert one(folder, channel=3).metadata["asked_for"]
    assert {e.metadata["channel"] for e in read_record(folder, channel="1,2")} == {1, 2}
    with pytest.raises(InputError) as caught:
        read_record(folder, channel=[4, 5, 77])
    assert len(caught.value.faults) == 3
    assert "channel: got '4 (AC YG at OTHR)'; expected a longitudinal (x)" in str(caught.value)
    assert "channel 5: got 'no file'" in str(caught.value)
    assert "channel: got '77'" in str(caught.value)
    with pytest.raises(InputError, match="did you mean 'tunnel'"):
        read_record(folder, channel="tunel")


def test_primary_before_redundant_and_failed_never(tmp_path):
    words = "LEFT REAR SILL X"
    values = pulse_g(-55.0)
    channels = [
        WrittenChannel(1, values, words, status="CF"),
        WrittenChannel(2, values, words, redundancy="R"),
    ]
    folder = WrittenRecord(channels).write(tmp_path / "a")
    event = one(folder)
    assert event.metadata["channel"] == 2
    assert any("redundant" in str(f) for f in event.metadata["findings"])
    assert any("channel 1" in f.field and "refused" in f.note for f in check_record(folder))
    channels.append(WrittenChannel(3, values, words))
    assert one(WrittenRecord(channels).write(tmp_path / "b")).metadata["channel"] == 3


def test_companions_of_the_chosen_channel(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-55.0), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(0.0, ringing_g=20.0), "LEFT REAR SILL Z", axis="ZG"),
            WrittenChannel(3, pulse_g(0.0, ringing_g=30.0), "RIGHT REAR SILL Z", axis="ZG"),
            WrittenChannel(4, pulse_g(-60.0), "BOTTOM OF ENGINE X"),
            WrittenChannel(5, pulse_g(-58.0), "TOP OF ENGINE X"),
        ]
    )
    event = one(record.write(tmp_path))
    assert "channel" in event.metadata
    assert "v00042.002" in event.signals["central_z"].history[0]
    assert "v00042.005" in event.signals["powertrain_x"].history[0]
    assert "central_safing_x" not in event.signals
    assert "rear_seat_crossmember_x" not in event.signals


def test_failed_companions_are_left_out(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-55.0), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(0.0), "LEFT REAR SILL Z", axis="ZG", status="CF"),
            WrittenChannel(3, pulse_g(-60.0), "BOTTOM OF ENGINE X"),
            WrittenChannel(4, pulse_g(-58.0), "TOP OF ENGINE X", status="MN"),
        ]
    )
    event = one(record.write(tmp_path))
    assert "central_z" not in event.signals
    assert "v00042.003" in event.signals["powertrain_x"].history[0]


def test_required_time_is_the_passenger_cells(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-55.0), "RIGHT REAR SILL X"),
            WrittenChannel(2, pulse_g(-58.0, duration_s=0.03), "TOP OF ENGINE X"),
        ]
    )
    folder = record.write(tmp_path / "both")
    engine, sill = one(folder, channel=2), one(folder, channel=1)
    assert engine.requirements[STAGE_1] == sill.requirements[STAGE_1]
    assert engine.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=0.05)
    alone = WrittenRecord(record.channels[1:]).write(tmp_path / "engine")
    event = one(alone, channel=2)
    assert event.requirements[STAGE_1].required_s < sill.requirements[STAGE_1].required_s
    warned = [str(f) for f in event.metadata["findings"] if f.severity == "warning"]
    assert any("no channel of the cell has a file" in text for text in warned)


def test_short_channel_is_passed_over_by_name(tmp_path):
    short = pulse_g(-55.0, end_s=0.066)
    record = WrittenRecord(
        [
            WrittenChannel(1, short, "LEFT REAR SEAT CROSSMEMBER X"),
            WrittenChannel(2, pulse_g(-55.0), "RIGHT REAR SEAT CROSSMEMBER X"),
        ]
    )
    folder = record.write(tmp_path)
    assert one(folder).metadata["channel"] == 2
    (finding,) = [f for f in check_record(folder) if f.field.startswith("channel 1 ")]
    assert "shorter than the others, last point at 66.0 ms" in str(finding)
    assert "never padded" in finding.note
    asked = one(folder, channel=1)
    assert asked.signals["central_x"].end_s == pytest.approx(0.066)


def test_short_companion_cuts_nothing(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-55.0), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(-55.0, end_s=0.066), "TOP OF ENGINE X"),
            WrittenChannel(3, pulse_g(0.0, end_s=0.3), "LEFT REAR SILL Z", axis="ZG"),
        ]
    )
    folder = record.write(tmp_path)
    event = one(folder)
    assert "powertrain_x" not in event.signals
    assert {s.size for s in event.signals.values()} == {2501}
    assert "central_z" in event.signals
    assert any("left out there" in f.note for f in check_record(folder))


def test_flipped_companion_is_left_out(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-55.0), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(+58.0), "TOP OF ENGINE X"),
        ]
    )
    folder = record.write(tmp_path)
    assert "powertrain_x" not in one(folder).signals
    assert [f for f in check_record(folder) if "left out" in f.note and f.severity == "warning"]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    ("header_suffix", "suffix"), [(".ev5", ".001"), (".EV5", ".1"), (".txt", "_001.tsv")]
)
def test_line_ends_and_file_names(tmp_path, newline, header_suffix, suffix):
    record = wall(50.0, newline=newline, header_suffix=header_suffix, channel={"suffix": suffix})
    event = one(record.write(tmp_path))
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=0.05)


def test_case_of_names_and_path_to_the_header(tmp_path):
    folder = wall(50.0, name="V00042", channel={"suffix": ".001"}).write(tmp_path)
    (folder / "V00042.001").rename(folder / "v00042.001")
    assert one(folder / "V00042.EV5").name == "v00042_left"


@pytest.mark.parametrize(
    ("unit", "scale"),
    [("G'S", 1.0), ("G", 1.0), ("gs", 1.0), ("M/S2", STANDARD_GRAVITY), ("m/s^2", 9.80665)]
    + [("M/S**2", STANDARD_GRAVITY), ("M/SEC2", STANDARD_GRAVITY), ("MPS2", STANDARD_GRAVITY)],
)
def test_units_of_acceleration(tmp_path, unit, scale):
    channel = {"unit": unit, "values": pulse_g(-55.0) * scale, "rating": "20000"}
    event = one(wall(50.0, channel=channel).write(tmp_path))
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=0.05)


def test_units_that_are_none():
    assert acceleration_scale("NWT") is None
    assert acceleration_scale("MM") is None
    assert acceleration_scale("") is None
    assert (time_scale("SEC"), time_scale("MSEC"), time_scale("HOURS")) == (1.0, 1e-3, None)


def test_milliseconds_that_say_so_are_read(tmp_path):
    values = pulse_g(-55.0)
    times = (np.arange(values.size) - 500) * 0.1
    channel = {"values": values, "times": times, "time_unit": "MSEC"}
    assert one(wall(50.0, channel=channel).write(tmp_path)).signals["central_x"].start_s == -0.05


@pytest.mark.parametrize(("step_us", "rate"), [("80", 12500.0), ("50", 20000.0), ("125", 8000.0)])
def test_other_rates_are_resampled_to_10_khz(tmp_path, step_us, rate):
    values = pulse_g(-55.0, rate_hz=rate)
    channel = {"values": values, "step_us": step_us, "first": round(-0.05 * rate)}
    event = one(wall(50.0, channel=channel).write(tmp_path))
    signal = event.signals["central_x"]
    assert signal.rate_hz == 10000.0
    assert signal.velocity().samples[-1] * 3.6 == pytest.approx(-55.0, abs=0.1)
    assert "anti-aliased" in signal.history[-1]


def test_blank_fields_are_unknown_not_zero(tmp_path):
    record = wall(
        50.0,
        vehicles=[WrittenVehicle(mass="", speed="", force_direction="", damage="")],
        closing_speed="",
        impact_angle="",
        configuration="",
        occupants=(),
        restraints=(),
        barrier=False,
        channel={"prefilter": "", "rating": "", "step_us": "", "occupant": ""},
    )
    folder = record.write(tmp_path)
    event = one(folder)
    assert event.metadata["mass_kg"] is None
    assert event.metadata["speed_kmh"] is None
    assert event.requirements[STAGE_1].expectation == "fire"
    assert any(f.note == "cannot be checked" for f in check_record(folder))


def test_odd_characters_in_a_comment_split_no_row(tmp_path):
    channel = WrittenChannel(1, pulse_g(-55.0), "LEFT REAR SILL X \x85 \x0b ~|SEE NOTE")
    record = WrittenRecord([channel])
    folder = record.write(tmp_path)
    (folder / "v00042.EV5").write_bytes(record.header().encode("latin-1") + b"\x1a")
    assert one(folder).name == "v00042_left"


def test_struck_vehicle_at_rest_is_no_wall_test(tmp_path):
    # One vehicle listed, at rest, struck in front by a moving barrier whose mass is not given.
    record = wall(50.0, configuration="", vehicles=[WrittenVehicle(speed="0")])
    record.channels[0].values = pulse_g(-24.0)
    findings = check_record(record.write(tmp_path))
    checked = [f for f in findings if f.check == "velocity change"]
    assert [f.note for f in checked] == ["cannot be checked"]


def test_speed_of_the_vehicle_takes_the_place_of_a_missing_closing_speed(tmp_path):
    folder = wall(50.0, closing_speed="", vehicles=[WrittenVehicle(speed="50")]).write(tmp_path)
    (finding,) = [f for f in check_record(folder) if f.check == "velocity change"]
    assert "50.0 to 70.0 km/h" in finding.expected
    assert finding.severity == "info"


def test_folder_with_two_records(tmp_path):
    wall(50.0).write(tmp_path)
    wall(40.0, name="v00043").write(tmp_path)
    assert [e.name for e in read_record(tmp_path)] == ["v00042_left", "v00043_left"]


def test_maker_and_contractor_stay_behind(tmp_path):
    event = one(wall(50.0).write(tmp_path))
    shown = f"{event.title} {dict(event.metadata)} {event.requirements} {event.signals}"
    assert "SECRET" not in shown
    assert "v00042.EV5" in shown


def test_side_impact_is_not_judged_as_frontal(tmp_path):
    record = wall(
        50.0,
        impact_angle="270",
        configuration="ITV",
        vehicles=[WrittenVehicle(damage="09LYEW3")],
        barrier=False,
        channel={"values": pulse_g(+3.0)},
    )
    event = one(record.write(tmp_path))
    assert event.family == "side"
    assert {r.expectation for r in event.requirements.values()} == {"open"}


@settings(max_examples=15, deadline=None, derandomize=True)
@given(scale=st.floats(0.7, 1.35))
def test_velocity_of_a_scaled_record_scales(tmp_path_factory, scale):
    base = pulse_g(-50.0, offset_g=0.0)
    folder = tmp_path_factory.mktemp("scaled")
    record = wall(50.0 * scale, channel={"values": base * scale})
    event = one(record.write(folder))
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-50.0 * scale, abs=0.02)


@pytest.mark.parametrize("rate_hz", [1000, 8192, 9600, 10000, 12000, 12500, 16384, 20000, 1e6 / 30])
@pytest.mark.parametrize("count", [800, 3001, 30001])
@pytest.mark.parametrize("start_s", [0.0, -0.0123457])
def test_the_step_is_freed_from_the_rounding_of_six_decimals(rate_hz, count, start_s):
    times = np.round(start_s + np.arange(count) / rate_hz, 6)
    assert 1.0 / step_of(times) == pytest.approx(rate_hz, rel=1e-12)
