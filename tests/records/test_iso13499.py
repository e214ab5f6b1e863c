"""What the test and channel files of ISO/TS 13499 say, descriptor by descriptor."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crashsense.errors import InputError
from crashsense.records import iso13499, manifest
from crashsense.records.header import ChannelInfo, Record
from crashsense.records.motion import struck_from

CODE = "10SILBLERE00ACX0"


def written(folder: Path, test: dict[str, str], *channels: dict[str, Any]) -> Record:
    """The header of a test with these descriptors, a few values a channel."""
    lines = {"Number of test objects": "1"} | test
    (folder / "t.mme").write_text("".join(f"{k:<28}:{v}\n" for k, v in lines.items()))
    for number, given in enumerate(channels or ({},), start=1):
        head = {"Channel code": CODE, "Unit": "m/(s*s)"} | given
        values = head.pop("values", "0\n1\n2\n")
        text = "".join(f"{k:<28}:{v}\n" for k, v in head.items()) + values
        (folder / f"t.{number:03d}").write_text(text)
    return iso13499.read_header(folder / "t.mme")


def channel(folder: Path, **head: str) -> ChannelInfo:
    names = {key.replace("_", " "): value for key, value in head.items()}
    (found,) = written(folder, {}, names).channels
    return found


@pytest.mark.parametrize(
    ("value", "kmh"),
    [("10", 36.0), ("10 m/s", 36.0), ("10 km/h", 10.0), ("-10", -36.0), ("1.5e1 KM/H", 15.0),
     ("0.1", 0.36), ("NOVALUE", None), ("-", None), ("fast", None), ("0", 0.0)],
)  # fmt: skip
def test_velocities_are_in_m_s_unless_a_unit_follows(
    tmp_path: Path, value: str, kmh: float | None
) -> None:
    one = written(tmp_path, {"Velocity test object 1": value})
    (vehicle,) = one.vehicles
    assert vehicle.speed_kmh == (None if kmh is None else pytest.approx(kmh))
    # What stood, or is not told, closes on nothing.
    closing = abs(kmh) if kmh else None
    assert one.test.closing_speed_kmh == (None if closing is None else pytest.approx(closing))
    assert [f.field for f in one.findings] == (["velocity"] if closing is None else [])
    stated = written(tmp_path, {"Closing speed": value, "Velocity test object 1": "99"})
    assert stated.test.closing_speed_kmh == pytest.approx(99 * 3.6 if kmh is None else abs(kmh))


def test_of_two_that_move_none_tells_the_closing_speed(tmp_path: Path) -> None:
    second = {"Channel code": f"2{CODE[1:]}"}
    for speeds, closing in (
        (("10", "10"), None), (("10", "0"), 36.0), (("0", "-5"), 18.0), (("0", "0"), None),
        (("10", "NOVALUE"), 36.0),
    ):  # fmt: skip
        test = {f"Velocity test object {n}": speed for n, speed in enumerate(speeds, start=1)}
        found = written(tmp_path, test, {}, second)
        assert [v.number for v in found.vehicles] == [1, 2]
        assert found.test.closing_speed_kmh == (closing and pytest.approx(closing))
        assert found.test.configuration == "VTV"


@pytest.mark.parametrize(
    ("value", "mass_kg"),
    [("1500", 1500.0), ("1500 kg", 1500.0), ("3300 lb", None), ("0", None), ("-1", None),
     ("NOVALUE", None), ("0.5", 0.5)],
)  # fmt: skip
def test_masses_are_in_kg(tmp_path: Path, value: str, mass_kg: float | None) -> None:
    (vehicle,) = written(tmp_path, {"Mass test object 1": value}).vehicles
    assert vehicle.mass_kg == mass_kg


@pytest.mark.parametrize(
    ("side", "family"),
    [("FR", "frontal"), ("re", "rear"), ("LE", "side"), ("RIGHT", "side"), ("NOVALUE", "frontal")],
)
def test_the_side_that_was_struck(tmp_path: Path, side: str, family: str) -> None:
    found = struck_from(written(tmp_path, {"Impact side test object 1": side}), 1)
    assert found.family == family
    assert found.basis.startswith("assumed") == (side == "NOVALUE")


def test_points_and_step_of_a_channel(tmp_path: Path) -> None:
    times = {"Time_of_first_sample": "-0.05", "Sampling_interval": "0.0001"}
    for count, first, last in (("3000", -500, 2499), ("1", -500, -500), ("NOVALUE", -500, None)):
        found = channel(tmp_path, **times, Number_of_samples=count)
        assert (found.first_point, found.last_point, found.step_s) == (first, last, 1e-4)
    for step in ("0", "-0.1", "NOVALUE"):
        found = channel(tmp_path, **times | {"Sampling_interval": step}, Number_of_samples="9")
        assert (found.first_point, found.last_point, found.step_s) == (None, None, None)
    found = channel(tmp_path, Sampling_interval="0.0001", Number_of_samples="9")
    assert (found.first_point, found.last_point) == (None, None)


@pytest.mark.parametrize(
    ("head", "rating"),
    [({"Channel_amplitude_class": "9806.65"}, 1000.0),
     ({"Channel_amplitude_class": "-98.0665"}, 10.0),
     ({"Channel_amplitude_class": "200", "Unit": "g"}, 200.0),
     ({"Channel_amplitude_class": "0"}, None), ({}, None)],
)  # fmt: skip
def test_the_amplitude_class_is_in_the_unit_of_the_channel(
    tmp_path: Path, head: dict[str, str], rating: float | None
) -> None:
    found = channel(tmp_path, **head).rating
    assert found == (None if rating is None else pytest.approx(rating))


@pytest.mark.parametrize(
    ("code", "cut_off", "hz"),
    # SAE J211: the corner is 5/3 of the class, of 60: 100 Hz; 0 is no filter.
    [(CODE, "400 Hz", 400.0), (CODE, "400", 400.0), (CODE, "0.4 kHz", None), (CODE, "0", None),
     (f"{CODE[:-1]}D", "400", 100.0), (f"{CODE[:-1]}A", "NOVALUE", 1650.0), (CODE, "-", None)],
)  # fmt: skip
def test_the_filter_of_a_channel(tmp_path: Path, code: str, cut_off: str, hz: float | None) -> None:
    found = channel(tmp_path, Channel_code=code, Cut_off_frequency=cut_off)
    assert found.prefilter_hz == hz


@pytest.mark.parametrize(
    ("status", "flag"),
    [("ok", ""), ("failed", "CF"), ("No Data", "NO"), ("meaningless data", "MN"), ("NOVALUE", "")],
)
def test_the_status_of_a_channel(tmp_path: Path, status: str, flag: str) -> None:
    assert channel(tmp_path, Data_status=status).status == flag


def test_values_and_times_of_a_channel(tmp_path: Path) -> None:
    """Without a first time it is zero; what is no value is NaN."""
    for unit, scale in (("m/(s*s)", 1.0), ("g", 9.80665)):
        head = {"Unit": unit, "Sampling interval": "0.5", "values": "1\n\nnovalue\n-3e0\n"}
        one = written(tmp_path, {}, head)
        found = iso13499.read_channel(one, one.channels[0])
        np.testing.assert_array_equal(found.times_s, [0.0, 0.5, 1.0])
        np.testing.assert_allclose(found.values, [scale, np.nan, -3.0 * scale])
    late = written(tmp_path, {}, head | {"Time of first sample": "-0.25"})
    np.testing.assert_array_equal(
        iso13499.read_channel(late, late.channels[0]).times_s, [-0.25, 0.25, 0.75]
    )


@pytest.mark.parametrize(("times", "told"), [("0\n1\n2\n", ""), ("0\n1\n", "3 times, as many as")])
def test_times_of_another_channel(tmp_path: Path, times: str, told: str) -> None:
    """An explicit channel of times goes before a step that is stated as well."""
    clock = {"Channel code": "10TIRS000000TI00", "Unit": "s", "values": times}
    mine = {"Reference channel": "Explicit", "Reference channel name": "10tirs000000ti00 / time",
            "Sampling interval": "7"}  # fmt: skip
    one = written(tmp_path, {}, mine, clock)
    if told:
        with pytest.raises(InputError, match=told):
            iso13499.read_channel(one, one.channels[0])
    else:
        found = iso13499.read_channel(one, one.channels[0])
        np.testing.assert_array_equal(found.times_s, [0.0, 1.0, 2.0])


def test_the_folder_of_channels_is_known_by_its_name(tmp_path: Path) -> None:
    """Other folders may lie beside it; a file of that name is none."""
    (tmp_path / "Aerial view").mkdir()
    (tmp_path / "CHANNEL").write_text("x")
    assert len(written(tmp_path, {}).channels) == 1  # beside the test file
    (tmp_path / "CHANNEL").unlink()
    (tmp_path / "channel").mkdir()
    (tmp_path / "t.001").rename(tmp_path / "channel" / "T.002")
    found = iso13499.read_header(tmp_path / "t.mme")
    assert found.files == {2: tmp_path / "channel" / "T.002"}


def test_a_channel_of_no_numbered_object_leaves_the_first_vehicle(tmp_path: Path) -> None:
    found = written(tmp_path, {"Mass test object 1": "900"}, {"Channel code": f"B{CODE[1:]}"})
    assert [one.vehicle for one in found.channels] == [0]
    assert [(one.number, one.mass_kg) for one in found.vehicles] == [(1, 900.0)]


def test_what_is_a_test_file() -> None:
    for text, good in (
        ("Data format edition number  :1.6\n", True),
        ("\xef\xbb\xbfNumber of test objects:1\n", True),
        ("NAME OF TEST OBJECT 1   : a car\n", True),
        ("Number of test objects:1\nChannel code:10\n", False),
        ("Title: a letter\n", False),
        ("x\n" * 79 + "Number of test objects:1\n", True),
        ("x\n" * 80 + "Number of test objects:1\n", False),
    ):
        assert iso13499.recognises(text) == good, text[:40]


@pytest.mark.parametrize("text", ["Gelände", "Geländé ß"])
def test_words_in_utf_8_and_in_iso_8859_1(text: str) -> None:
    for encoding in ("utf-8", "utf-8-sig", "latin-1"):
        assert iso13499._text(text.encode(encoding)) == text


# --- manifest ------------------------------------------------------------------------------------


def test_records_of_a_folder_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hidden files and channel files are no records."""
    monkeypatch.setattr(manifest, "MOST_RECORDS", 3)
    for name in ("a.csv", "b.csv", ".hidden", "v1.001"):
        (tmp_path / name).write_text("x")
    (tmp_path / "v1").mkdir()
    assert [one.name for one in manifest.entries_of(tmp_path)] == ["a.csv", "b.csv", "v1"]
    (tmp_path / "c.csv").write_text("x")
    with pytest.raises(InputError, match="got 4; expected at most 3"):
        manifest.entries_of(tmp_path)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_manifest_as_csv_with_any_separator(tmp_path: Path, separator: str) -> None:
    (tmp_path / "a.csv").write_text("x")
    rows = [["record", "mass_kg", "notes"], ["a.csv", " 900 ", "wet"], ["a.csv", "", " "]]
    text = "\n".join(separator.join(row) for row in rows[:2])
    (tmp_path / "records.csv").write_text("\n" + text + "\n")
    (found,) = manifest.entries_of(tmp_path)
    assert (found.mass_kg, found.notes, found.family, found.belts) == (900.0, "wet", "", None)
    (tmp_path / "records.csv").write_text(f"\n\n{text}\n\na.csv{separator * 3}more")
    with pytest.raises(InputError, match="line 6: got 'more cells'; expected 3 cells"):
        manifest.entries_of(tmp_path)
    text = "\n".join(separator.join(row) for row in [rows[0], rows[2]])
    (tmp_path / "records.csv").write_text(text)
    (found,) = manifest.entries_of(tmp_path)
    assert (found.mass_kg, found.notes) == (None, "")
    text = "\n".join(separator.join(row) for row in rows)
    (tmp_path / "records.csv").write_text(text)
    with pytest.raises(InputError, match="each record once"):
        manifest.entries_of(tmp_path)
