"""Bad records: one line a fault, naming file, field, value and what was expected."""

from __future__ import annotations

import numpy as np
import pytest
from exchange_writer import WrittenChannel, WrittenRecord, WrittenVehicle, pulse_g, wall
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.errors import InputError
from crashsense.records import check_record, read_record

GOOD = pulse_g(-55.0)


def flat_topped(count: int):
    """The good pulse whose *count* lowest samples are cut off at one level."""
    return np.maximum(GOOD, np.sort(GOOD)[count - 1])


def changed(index: int, value: float):
    values = GOOD.copy()
    values[index] = value
    return values


def refused(path, **wishes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_record(path, **wishes)
    lines = str(caught.value).splitlines()
    assert lines
    assert len(lines) == len(caught.value.faults)
    assert all("expected" in line for line in lines)
    return lines


def test_missing_path(tmp_path):
    (line,) = refused(tmp_path / "nowhere")
    assert (
        "nowhere: record: expected a record's folder or header, or a table; nothing is there"
        in line
    )


def test_empty_folder(tmp_path):
    (line,) = refused(tmp_path)
    assert "folder: got 'an empty folder'; expected a header of a supported format: EV5" in line


@pytest.mark.parametrize(
    ("content", "seen"),
    [
        (b"", "an empty file"),
        (b"  \n \n", "an empty file"),
        (bytes(range(256)) * 8, "binary data"),
        (b"run,acceleration\n0.0,1.0\n", "text of an unknown format"),
        ("time_s,central_x_g\n".encode("utf-16"), "text in UTF-16"),
    ],
)
def test_file_that_is_no_header(tmp_path, content, seen):
    path = tmp_path / "v1.EV5"
    path.write_bytes(content)
    (line,) = refused(path)
    assert f"content: got {seen!r}; expected a header of a supported format: EV5" in line
    assert any(seen in text for text in refused(tmp_path))


def test_channel_file_in_place_of_the_record(tmp_path):
    (line,) = refused(wall(50.0).write(tmp_path) / "v00042.001")
    assert "this looks like a channel file: give its folder or header" in line


@pytest.mark.parametrize(
    ("content", "seen"),
    [
        (b"", "content: got 'an empty file'; expected two columns"),
        (b"\x00\x01\x02" * 100, "content: got 'binary data'; expected text in two columns"),
        (b"0.0\t1.0\n0.0001\tone\n", "line 2: got 'one'; expected a number"),
        (b"0.0\t1.0\t2.0\n", "line 1: got '0.0\\t1.0\\t2.0'; expected two columns"),
        (b"0.0\t1.0\n0.0001\n", "line 2: got '0.0001'; expected two columns"),
        (b"0.0\t********\n", "line 1: got '********'; expected a number"),
    ],
)
def test_channel_file_that_is_no_channel(tmp_path, content, seen):
    folder = wall(50.0).write(tmp_path)
    (folder / "v00042.001").write_bytes(content)
    (line,) = refused(folder)
    assert line.startswith(f"v00042.001: {seen}")


@pytest.mark.parametrize(
    ("channel", "field", "seen", "expected"),
    [
        ({"values": changed(700, np.nan)}, "sample 701", "'nan'", "finite numbers"),
        ({"values": changed(9, np.inf)}, "sample 10", "'inf'", "finite numbers"),
        ({"values": GOOD[:900], "last": 2000}, "samples", "900", "2501 samples (header: first"),
        ({"values": -GOOD}, "velocity change", "'+55.0 km/h'", "a negative longitudinal velocity"),
        ({"values": GOOD * 9.80665}, "unit G'S", "'-539.4 km/h velocity change'", "looks like m/s"),
        ({"unit": "M/S2"}, "unit M/S2", "'-5.6 km/h velocity change'", "looks like g given as m/s"),
        ({"values": GOOD * 0.01}, "velocity change", "'-0.6 km/h'", "unit, scale or header is"),
        ({"values": GOOD * 3}, "velocity change", "'-165.0 km/h'", "50.0 to 70.0 km/h"),
        ({"values": GOOD[:10]}, "samples", "10", "100 samples or more"),
        ({"values": GOOD + 30.0}, "before contact", "'offset +30.050 g", "offset within 1 g"),
    ],
)
def test_bad_channel(tmp_path, channel, field, seen, expected):
    lines = refused(wall(50.0, channel=channel).write(tmp_path))
    hits = [line for line in lines if f"v00042.001: channel 1: {field}: got {seen}" in line]
    assert len(hits) == 1
    assert expected in hits[0]


def test_times_that_do_not_increase(tmp_path):
    times = (np.arange(GOOD.size) - 500) * 1e-4
    times[[1200, 1201]] = times[[1201, 1200]]
    (line,) = refused(wall(50.0, channel={"values": GOOD, "times": times}).write(tmp_path))
    assert "sample 1202: got '0.07 s after 0.0701 s'; expected increasing times" in line


def test_times_that_are_uneven(tmp_path):
    times = (np.arange(GOOD.size) - 500) * 1e-4
    times[1200:] += 3e-4
    (line,) = refused(wall(50.0, channel={"values": GOOD, "times": times}).write(tmp_path))
    assert "sample 1201: got '0.0004 s among steps of 0.0001 s'; expected an even time" in line


@pytest.mark.parametrize(
    ("step_us", "expected"),
    [("100", "a step of 0.0001 s (header) (times look like milliseconds)"), ("", "below 0.005 s")],
)
def test_milliseconds_given_as_seconds(tmp_path, step_us, expected):
    times = (np.arange(GOOD.size) - 500) * 0.1
    channel = {"values": GOOD, "times": times, "step_us": step_us}
    (line,) = refused(wall(50.0, channel=channel).write(tmp_path))
    assert "v00042.001: channel 1: time step: got '0.1 s'; expected" in line
    assert expected in line
    assert "times look like milliseconds" in line


def test_time_zero_that_disagrees_with_the_header(tmp_path):
    times = np.arange(GOOD.size) * 1e-4
    (line,) = refused(wall(50.0, channel={"values": GOOD, "times": times}).write(tmp_path))
    assert "first time: got '0 s'; expected -0.05 s (header: first point -500)" in line


@pytest.mark.parametrize(("unit", "axis"), [("NWT", "XG"), ("VOLTS", "XG"), ("", "XG")])
def test_unit_that_is_no_acceleration(tmp_path, unit, axis):
    (line,) = refused(wall(50.0, channel={"unit": unit, "axis": axis}).write(tmp_path))
    assert f"v00042.EV5: channel 1: unit: got {unit!r}; expected an acceleration unit" in line


def test_unknown_time_unit(tmp_path):
    (line,) = refused(wall(50.0, channel={"time_unit": "HRS"}).write(tmp_path))
    assert "v00042.EV5: channel 1: time unit: got 'HRS'; expected a time unit: SEC or MSEC" in line


def test_record_too_short_for_free_flight(tmp_path):
    channel = {"values": pulse_g(-55.0, end_s=0.045)}
    record = wall(50.0, closing_speed="", channel=channel)
    record.vehicles = [WrittenVehicle(speed="")]
    (line,) = refused(record.write(tmp_path))
    assert "channel 1: end: got '45.0 ms'; expected long enough for free flight of 127 mm" in line


def test_record_that_starts_after_contact(tmp_path):
    values = pulse_g(-55.0)[520:]
    (line,) = refused(wall(50.0, channel={"values": values, "first": 200}).write(tmp_path))
    assert "'the record starts at 20.0 ms'" in line
    assert "the contact is missing" in line


def test_no_usable_channel_at_all(tmp_path):
    record = WrittenRecord([WrittenChannel(1, GOOD, "LEFT REAR SILL Y", axis="YG")])
    (line,) = refused(record.write(tmp_path / "a"))
    assert "channels: got '1 listed, none suits'; expected a longitudinal acceleration" in line
    record = WrittenRecord([WrittenChannel(1, None, "LEFT REAR SILL X")])
    (line,) = refused(record.write(tmp_path / "b"))
    assert "no file for 1" in line
    record = WrittenRecord([WrittenChannel(1, GOOD, "LEFT B-PILLAR X")])
    (line,) = refused(record.write(tmp_path / "c"))
    assert "with a file: 1 (left pillar)" in line


def test_faults_of_a_header_all_at_once(tmp_path):
    record = wall(50.0, closing_speed="fast", vehicles=[WrittenVehicle(mass="heavy")])
    record.channels[0].step_us = "100"
    folder = record.write(tmp_path)
    header = folder / "v00042.EV5"
    text = header.read_text().replace("|-500|", "|soon|")
    header.write_text(text.replace("----- END -----", "1|2|AC|NA\n----- END -----"))
    lines = refused(folder)
    assert len(lines) == 4
    assert any("TEST: closing speed: got 'fast'" in line for line in lines)
    assert any("VEHICLE 1: test mass: got 'heavy'" in line for line in lines)
    assert any("channel 1: first point: got 'soon'" in line for line in lines)
    assert any("channel 2: got '4 fields'" in line for line in lines)


def test_header_without_channels_and_with_twins(tmp_path):
    folder = WrittenRecord([]).write(tmp_path / "none")
    (line,) = refused(folder)
    assert "v00042.EV5: INSTRUMENTATION: expected a section" in line
    twins = WrittenRecord([WrittenChannel(1, GOOD), WrittenChannel(1, GOOD)])
    (line,) = refused(twins.write(tmp_path / "twins"))
    assert "channel number: got 1; expected each channel number once" in line


def test_faults_of_several_channels_all_at_once(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, changed(700, np.nan), "LEFT REAR SILL X"),
            WrittenChannel(2, GOOD[:900], "RIGHT REAR SILL X", last=2000),
            WrittenChannel(3, changed(3, np.nan), "LEFT REAR SILL Z", axis="ZG"),
        ]
    )
    lines = refused(record.write(tmp_path))
    assert [line.split(":")[0] for line in lines] == ["v00042.001", "v00042.002", "v00042.003"]


@pytest.mark.parametrize(
    ("changes", "check", "words"),
    [
        ({"channel": {"values": pulse_g(-45.0)}}, "velocity change", "scale or header in doubt"),
        ({"channel": {"values": GOOD + 2.0}}, "offset", "offset +2.050 g"),
        ({"channel": {"prefilter": "8000"}}, "rate", "aliasing is possible"),
        ({"channel": {"prefilter": "100"}}, "rate", "already filtered"),
        ({"channel": {"rating": "10"}}, "range", "within the instrument's 10 g"),
        ({"channel": {"values": np.maximum(GOOD, -15.0)}}, "range", "looks clipped"),
        ({"channel": {"values": flat_topped(12)}}, "range", "looks clipped"),
        ({"channel": {"status": "XX"}}, "channel status", "a known status flag"),
        ({"channel": {"last": 1400}}, "number of samples", "1901 samples"),
        ({"channel": {"values": pulse_g(-55.0, end_s=0.12)}}, "length", "150 ms or more"),
        ({"channel": {"values": pulse_g(-55.0, late_s=0.03)}}, "time zero", "time zero may be"),
        ({"channel": {"values": pulse_g(-55.0, late_s=-0.02)}}, "time zero", "time zero may be"),
        ({"vehicles": [WrittenVehicle(mass="1.5")]}, "header", "a mass in kg, 300 to 40000"),
        ({"vehicles": [WrittenVehicle(speed="31")]}, "header", "stated: 31 km/h"),
    ],
)
def test_warnings_do_not_stop(tmp_path, changes, check, words):
    folder = wall(50.0, **changes).write(tmp_path)
    assert len(read_record(folder)) == 1
    warned = [str(f) for f in check_record(folder) if f.severity == "warning"]
    assert [text for text in warned if text.startswith(f"warning: {check}:") and words in text]


def test_low_rate_is_a_warning_and_a_very_low_one_an_error(tmp_path):
    def at(rate: float) -> dict:
        step = f"{1e6 / rate:g}"
        first = round(-0.05 * rate)
        values = pulse_g(-55.0, rate_hz=rate, ringing_g=0.0)
        return {"values": values, "step_us": step, "first": first, "prefilter": ""}

    folder = wall(50.0, channel=at(4000.0)).write(tmp_path / "low")
    assert len(read_record(folder)) == 1
    assert [f for f in check_record(folder) if f.check == "rate" and f.severity == "warning"]
    (line,) = refused(wall(50.0, channel=at(800.0)).write(tmp_path / "lower"))
    assert "rate: got '800 Hz'; expected 8000 Hz or more for class 1000 (8 x FH)" in line


def test_sides_that_disagree_are_reported(tmp_path):
    record = WrittenRecord(
        [
            WrittenChannel(1, pulse_g(-55.0), "LEFT REAR SILL X"),
            WrittenChannel(2, pulse_g(-65.0), "RIGHT REAR SILL X"),
        ]
    )
    findings = check_record(record.write(tmp_path))
    assert [f for f in findings if "against each other" in f.field and f.severity == "warning"]


def test_check_reports_errors_as_findings(tmp_path):
    folder = wall(50.0, channel={"values": -GOOD}).write(tmp_path)
    errors = [f for f in check_record(folder) if f.severity == "error"]
    assert [f.check for f in errors] == ["polarity"]


@pytest.mark.slow
@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    which=st.sampled_from(["v00042.EV5", "v00042.001"]),
    place=st.floats(0.0, 1.0),
    junk=st.binary(min_size=0, max_size=12),
    cut=st.integers(0, 400),
)
def test_damaged_files_give_faults_and_never_a_traceback(tmp_path_factory, which, place, junk, cut):
    folder = wall(50.0).write(tmp_path_factory.mktemp("damaged"))
    raw = (folder / which).read_bytes()
    at = round(place * len(raw))
    (folder / which).write_bytes(raw[:at] + junk + raw[at + cut :])
    lines: list[str] = ["read"]
    try:
        read_record(folder)
    except InputError as error:
        lines = [str(fault) for fault in error.faults]
    # Anything but a fault would have left this test by itself.
    assert lines
    assert all(line and "\n" not in line and "\r" not in line for line in lines)


def test_a_header_of_too_many_channels_is_refused_at_once(tmp_path):
    row = "1|{}|AC|NA|OTHR|XG|SEC|G'S|2800|M|D|2000|10|0.0|-500|2000|100|AM|P|LEFT REAR SILL X"
    rows = "\n".join(row.format(number) for number in range(1, 20_000))
    text = f"----- EV5 -----\n----- TEST -----\n----- INSTRUMENTATION -----\n{rows}\n"
    (tmp_path / "v00042.EV5").write_text(text)
    (line,) = refused(tmp_path)
    assert "INSTRUMENTATION: got '19999 rows'; expected at most 5000 channels" in line


@pytest.mark.parametrize("number", ["1" + "0" * 400, "nan", "inf", "5e-324", "1e-320"])
def test_numbers_of_a_header_that_no_quantity_has(tmp_path, number):
    (line,) = refused(wall(50.0, closing_speed=number).write(tmp_path))
    assert "TEST: closing speed" in line
