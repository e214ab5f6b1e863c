"""Every format besides the two that have tests of their own: good files, broken files, round trips.

ISO/TS 13499 as public programs write it; MDF4 and TDMS where their packages are installed.
"""

from __future__ import annotations

import io
import json
import stat
import sys
import tempfile
import types
import zipfile

import numpy as np
import pytest
from exchange_writer import WrittenChannel, WrittenRecord, wall
from hypothesis import given, settings
from hypothesis import strategies as st
from rough_pulse import rough_g

from crashsense.errors import InputError, MissingExtraError
from crashsense.records import archives, check_record, formats, read_record
from crashsense.records.writing import write_iso13499, write_signals
from crashsense.synthesis import load_events
from crashsense.temporary import HELD
from crashsense.units import STANDARD_GRAVITY

STAGE_1 = "front_airbag_stage_1"
PULSE = rough_g(-55.0)
TIMES = (np.arange(PULSE.size) - 500) / 1e4


def one(path, **wishes):
    (event,) = read_record(path, **wishes)
    return event


def refused(path) -> str:
    with pytest.raises(InputError) as caught:
        read_record(path)
    assert caught.value.faults
    return str(caught.value)


# --- ISO/TS 13499 -------------------------------------------------------------------------------


def mme(folder, *, channels=None, test=None, name="fictional", channel_folder="Channel"):
    """Write a test by hand: what a laboratory sends."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = {
        "Data format edition number": "1.6",
        "Laboratory name": "SECRETLAB",
        "Type of the test": "Frontal Impact rigid barrier",
        "Number of test objects": "1",
        "Name of test object 1": "SECRETCAR",
        "Velocity test object 1": "13.89",
        "Mass test object 1": "1500",
        "Impact side test object 1": "FR",
    } | (test or {})
    (folder / f"{name}.mme").write_text("".join(f"{k:<28}:{v}\n" for k, v in lines.items()))
    where = folder / channel_folder if channel_folder else folder
    where.mkdir(exist_ok=True)
    for number, wanted in enumerate(channels or [{}], start=1):
        channel = dict(wanted)
        values = channel.pop("values", PULSE * STANDARD_GRAVITY)
        head = {
            "Test object number": "1",
            "Name of the channel": "SILL LEFT REAR",
            "Channel code": "10SILBLERE00ACX0",
            "Unit": "m/(s*s)",
            "Reference channel": "implicit",
            "Time of first sample": "-0.05",
            "Sampling interval": "0.0001",
            "Number of samples": str(len(values)),
        } | channel
        text = "".join(f"{k:<28}:{v}\n" for k, v in head.items())
        text += "\n".join(v if isinstance(v, str) else f"{v:.7g}" for v in values)
        (where / f"{name}.{number:03d}").write_text(text + "\n")
    return folder


def test_a_test_of_the_exchange_format(tmp_path):
    event = one(mme(tmp_path))
    assert event.name == "fictional_left"
    assert event.metadata["place"] == "sill"
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)
    assert event.metadata["speed_kmh"] == pytest.approx(50.0, abs=0.01)
    assert event.metadata["mass_kg"] == 1500.0
    assert event.requirements[STAGE_1].expectation == "fire"
    assert "SECRET" not in f"{event.title} {dict(event.metadata)}"
    assert len(event.metadata["files"]) == 2


@pytest.mark.parametrize("form", ["file", "zip", "flat", "nested zip"])
def test_forms_of_a_test(tmp_path, form):
    folder = mme(tmp_path / "t", channel_folder="" if form == "flat" else "CHANNEL")
    path = folder
    if form == "file":
        path = folder / "fictional.mme"
    if "zip" in form:
        path = tmp_path / "t.zip"
        with zipfile.ZipFile(path, "w") as archive:
            for place in sorted(folder.rglob("*")):
                prefix = "deep/er/" if form == "nested zip" else ""
                archive.write(place, prefix + str(place.relative_to(folder)))
    event = one(path)
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)
    if "zip" in form:
        assert event.metadata["files"] == [str(path)]


def test_times_of_a_reference_channel_and_units_in_g(tmp_path):
    folder = mme(
        tmp_path,
        channels=[
            {
                "Channel code": "10TIRS000000TI00",
                "Unit": "s",
                "values": list(TIMES),
            },
            {
                "Reference channel": "explicit",
                "Reference channel name": "10TIRS000000TI00",
                "Time of first sample": "NOVALUE",
                "Sampling interval": "NOVALUE",
                "Unit": "g",
                "values": PULSE,
            },
        ],
    )
    event = one(folder)
    assert event.signals["central_x"].start_s == pytest.approx(-0.05)
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)


@pytest.mark.parametrize(
    ("channel", "told"),
    [
        ({"Channel code": "SILL"}, "Channel code: got 'SILL'; expected a code of 16 characters"),
        ({"Unit": "N"}, "Unit: got 'N'; expected an acceleration unit"),
        (
            {"Sampling interval": "NOVALUE"},
            "expected 'Time of first sample' and 'Sampling interval'",
        ),
        ({"values": []}, "got 'no values'"),
        ({"values": ["1.0", "abc", *["0"] * 200]}, "value 2: got 'abc'; expected a number"),
        ({"values": ["NOVALUE", *PULSE[1:] * 9.8]}, "expected finite numbers"),
        ({"Number of samples": "9000"}, "truncated channel"),
        ({"values": [f"1{'0' * 400}", *["0"] * 3000]}, "expected finite numbers"),
    ],
)
def test_broken_channels(tmp_path, channel, told):
    assert told in refused(mme(tmp_path, channels=[channel]))


def test_a_test_without_channels(tmp_path):
    folder = mme(tmp_path)
    (folder / "Channel" / "fictional.001").unlink()
    assert "expected channel files fictional.001" in refused(folder)
    (folder / "Channel").rmdir()
    assert "expected a folder 'Channel'" in refused(folder)


@pytest.mark.parametrize("ending", [".mme", ".zip"])
@pytest.mark.parametrize("name", ["wall_full_56", "wall_full_64"])
def test_what_is_written_comes_back(tmp_path, name, ending):
    (event,) = load_events([name])
    path = tmp_path / f"{name}{ending}"
    write_iso13499(event, path)
    back = one(path)
    for channel in ("central_x", "powertrain_x"):
        if channel in event.signals:
            written = event.signals[channel].samples
            quiet = written[event.signals[channel].times_s < -0.001].mean()
            assert np.allclose(back.signals[channel].samples, written - quiet, atol=1e-9)
    assert back.metadata["place"] == "control_unit"


@settings(max_examples=20, deadline=None)
@given(
    values=st.lists(st.floats(-500, 500, allow_subnormal=False), min_size=120, max_size=200),
    ending=st.sampled_from([".csv", ".parquet", ".zip"]),
)
def test_round_trips_keep_values(tmp_path_factory, values, ending):
    from crashsense.event import RESTRAINTS, Context, Event, Requirement
    from crashsense.signal import Signal

    samples = np.concatenate((np.zeros(500), values, np.zeros(900)))
    signal = Signal(samples, rate_hz=1e4, start_s=-0.05, unit="m/s^2", axis="x", location="central")
    event = Event(
        "round",
        family="frontal",
        occurrence="round",
        context=Context(belted=True),
        signals={"central_x": signal},
        requirements={name: Requirement("open", basis="a test") for name in RESTRAINTS},
    )
    path = tmp_path_factory.mktemp("round") / f"round{ending}"
    if ending == ".zip":
        write_iso13499(event, path)
        (record,) = formats.open_records(path)
        found = formats.reader_of(record).read_channel(record, record.channels[0]).values
        assert np.array_equal(found, samples)
        return
    write_signals(event, path)
    from crashsense.records.table import read_table

    found = read_table(path).columns["central_x"]
    assert np.allclose(found, samples, rtol=1e-8, atol=1e-12)


# --- archives -----------------------------------------------------------------------------------


def zipped(path, **files):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def test_a_zipped_folder_of_the_governments_format(tmp_path):
    folder = wall(50.0).write(tmp_path / "v00042")
    path = tmp_path / "v00042.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for place in folder.iterdir():
            archive.write(place, f"v00042/{place.name}")
    event = one(path)
    assert event.name == "v00042_left"
    assert event.metadata["files"] == [str(path)]
    assert set(event.metadata["sha256"]) == {"v00042.zip"}


@pytest.mark.parametrize(
    ("member", "told"),
    [
        ("../../outside.EV5", "a name inside the archive"),
        ("/etc/outside.EV5", "a name inside the archive"),
        ("C:/outside.EV5", "a name inside the archive"),
        ("a\\..\\..\\b.EV5", "a name inside the archive"),
    ],
)
def test_paths_that_leave_the_archive(tmp_path, member, told):
    path = zipped(tmp_path / "a.zip", **{member: "x"})
    assert told in refused(path)
    assert not list(tmp_path.parent.glob("outside*"))


def test_links_bombs_and_damage(tmp_path, monkeypatch):
    link = tmp_path / "link.zip"
    with zipfile.ZipFile(link, "w") as archive:
        info = zipfile.ZipInfo("v1.EV5")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/passwd")
    assert "links are not followed" in refused(link)
    bomb = zipped(tmp_path / "bomb.zip", **{"v1.EV5": b"\x00" * (64 << 20)})
    assert bomb.stat().st_size < 200_000
    assert "bytes unpacked" in refused(bomb)
    whole = wall(50.0).write(tmp_path / "v")
    good = tmp_path / "good.zip"
    with zipfile.ZipFile(good, "w", zipfile.ZIP_DEFLATED) as archive:
        for place in whole.iterdir():
            archive.write(place, place.name)
    content = bytearray(good.read_bytes())
    content[len(content) // 3] ^= 0xFF
    damaged = tmp_path / "damaged.zip"
    damaged.write_bytes(bytes(content))
    left = tmp_path / "temporary"
    left.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(left))
    assert "damaged.zip" in refused(damaged)
    assert not [place for place in left.rglob("*") if place.is_file() and place.name != HELD]
    (tmp_path / "cut.zip").write_bytes(good.read_bytes()[:500])
    assert "a whole zip archive" in refused(tmp_path / "cut.zip")
    assert "none of them a header" in refused(zipped(tmp_path / "n.zip", **{"a.txt": "hello"}))


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_no_bytes_make_an_archive_crash(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("zip") / "a.zip"
    path.write_bytes(b"PK\x03\x04" + content)
    refused(path)


# --- NumPy --------------------------------------------------------------------------------------


def test_a_numpy_archive_with_names_of_channels(tmp_path):
    path = tmp_path / "crash.npz"
    np.savez(path, time_s=TIMES, central_x_g=PULSE, metadata='{"family": "frontal"}')
    event = one(path)
    assert event.name == "crash"
    assert event.metadata["format"] == "npz"
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)
    si = tmp_path / "si.npz"
    units = json.dumps({"central_x": "m/s^2"})
    np.savez(si, rate_hz=1e4, start_s=-0.05, central_x=PULSE * STANDARD_GRAVITY, units=units)
    found = one(si).signals["central_x"].samples
    assert np.allclose(found, event.signals["central_x"].samples, atol=1e-9)


def test_a_numpy_archive_with_names_of_a_laboratory(tmp_path):
    path = tmp_path / "lab.npz"
    np.savez(path, **{"time_s": TIMES, "10SILBRIRE00ACX0": PULSE, "LEFT_SILL_REAR_X": PULSE})
    assert [e.metadata["channel"] for e in read_record(path)] == [2, 1]
    assert one(path, channel="right sill").metadata["place"] == "sill"


@pytest.mark.parametrize(
    ("arrays", "told"),
    [
        ({"central_x_g": PULSE}, "time_s: expected an array time_s, or rate_hz and start_s"),
        ({"time_s": TIMES[:-5], "central_x_g": PULSE}, "3001 times, one a value"),
        ({"time_s": TIMES, "central_x_g": PULSE.reshape(1, -1)}, "expected one row of numbers"),
        ({"time_s": TIMES, "central_x_g": np.array([None] * 9)}, "NumPy archive of plain arrays"),
        ({"rate_hz": np.nan, "start_s": 0.0, "central_x_g": PULSE}, "a rate of 1 Hz to 10 MHz"),
        ({"time_s": TIMES, "central_x": PULSE, "units": "[]"}, "units: got '[]'"),
        ({"time_s": TIMES, "central_x": PULSE, "units": '{"central_x": "N"}'}, "unit: got 'N'"),
        ({"time_s": TIMES, "central_x_g": PULSE, "centrl_y_g": PULSE}, "did you mean"),
        ({"time_s": TIMES, "central_x_g": np.where(TIMES == 0.01, np.nan, PULSE)}, "finite number"),
    ],
)
def test_broken_numpy_archives(tmp_path, arrays, told):
    np.savez(tmp_path / "a.npz", **arrays)
    assert told in refused(tmp_path / "a.npz")


# --- MDF4 and TDMS ------------------------------------------------------------------------------


def test_mdf4(tmp_path):
    asammdf = pytest.importorskip("asammdf", reason="the extra mdf is not installed")
    path = tmp_path / "run.mf4"
    with asammdf.MDF(version="4.10") as file:
        file.append(
            [
                asammdf.Signal(PULSE, TIMES, unit="g", name="central_x"),
                asammdf.Signal(PULSE * 0.1, TIMES, unit="g", name="central_y"),
            ]
        )
        file.save(path)
    event = one(path)
    assert event.metadata["format"] == "MDF4"
    assert set(event.signals) == {"central_x", "central_y"}
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)
    broken = path.read_bytes()[:700]
    (tmp_path / "cut.mf4").write_bytes(broken)
    assert "a whole MDF4 file" in refused(tmp_path / "cut.mf4")


def test_tdms(tmp_path):
    nptdms = pytest.importorskip("nptdms", reason="the extra tdms is not installed")
    path = tmp_path / "run.tdms"
    base = {"wf_increment": 1e-4, "wf_start_offset": -0.05}
    with nptdms.TdmsWriter(path) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject(
                    "vehicle",
                    "10SILBLERE00ACX0",
                    PULSE,
                    properties={**base, "unit_string": "g", "description": "left rear sill"},
                )
            ]
        )
    event = one(path)
    assert event.metadata["place"] == "sill"
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)
    (tmp_path / "cut.tdms").write_bytes(path.read_bytes()[:60])
    assert "cut.tdms" in refused(tmp_path / "cut.tdms")


@pytest.mark.parametrize(("module", "begins"), [("asammdf", b"MDF     4.10"), ("nptdms", b"TDSm")])
def test_a_missing_package_is_told(tmp_path, monkeypatch, module, begins):
    monkeypatch.setitem(sys.modules, module, None)
    path = tmp_path / f"a_{module}"
    path.write_bytes(begins + bytes(100))
    with pytest.raises(MissingExtraError, match=r"pip install '\.\["):
        read_record(path)


# --- single channels, formats of others ---------------------------------------------------------


@pytest.mark.parametrize("separator", ["\t", "  "])
def test_a_single_channel_without_header(tmp_path, separator):
    rows = "\n".join(f"{t:.6f}{separator}{v:.6f}" for t, v in zip(TIMES, PULSE, strict=True))
    path = tmp_path / "v00042_093.tsv"
    path.write_text(f"LEFT REAR SEAT CROSSMEMBER X\nG'S\n{rows}\n")
    event = one(path)
    assert event.metadata["place"] == "rear_seat_crossmember"
    assert event.metadata["velocity_change_kmh"] == pytest.approx(-55.0, abs=1.0)
    bare = tmp_path / "bare.txt"
    bare.write_text(rows)
    event = one(bare)
    told = " ".join(event.metadata["assumptions"])
    assert "assumed along x" in told
    assert "g or m/s^2" in told
    path.write_text(f"{rows}\n0.3 oops\n")
    assert "expected" in refused(path)


def test_a_companys_own_format(tmp_path, monkeypatch):
    class Point:
        def __init__(self, name, loaded):
            self.name, self.loaded = name, loaded

        def load(self):
            if isinstance(self.loaded, Exception):
                raise self.loaded
            return self.loaded

    from crashsense.records.series import Content, Series, opened_as, samples_of

    def load(path):
        values = np.frombuffer(path.read_bytes()[4:], dtype="<f8")
        return Content([Series("LEFT SILL X", "g", TIMES, values)])

    own = types.SimpleNamespace(
        NAME="own",
        TITLE="a format of a company",
        recognises=lambda opening: opening.startswith("OWN!"),
        read_header=lambda path: opened_as(path, load(path), format="own", load=load),
        read_channel=lambda record, channel: samples_of(record, channel, load(record.path).series),
    )
    points = [
        Point("a", own),
        Point("b", types.SimpleNamespace(NAME="half")),
        Point("c", ImportError("gone")),
        Point("d", types.SimpleNamespace(**{**vars(own), "NAME": "EV5"})),
    ]
    monkeypatch.setattr(formats, "entry_points", lambda group: points)
    formats.installed.cache_clear()
    try:
        path = tmp_path / "x.own"
        path.write_bytes(b"OWN!" + PULSE.astype("<f8").tobytes())
        assert one(path).metadata["format"] == "own"
        assert "own (a format of a company)" in formats.supported()
        wrong = formats.installed()[1]
        assert [text.split(":")[0] for text in wrong] == ["b", "c", "d"]
    finally:
        monkeypatch.undo()
        formats.installed.cache_clear()


def outcome(path):
    """Findings of a record that can be read, or the faults of one that cannot."""
    try:
        return check_record(path)
    except InputError as error:
        return error.faults or None
    except MissingExtraError:
        return ()


# --- any bytes ----------------------------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(
    head=st.sampled_from(
        [b"", b"time_s,central_x_g\n", b"----- EV5 -----\n----- TEST -----\n", b"PAR1", b"TDSm",
         b"MDF     4.10", b"Data format edition number  :1.6\n", b"# family: frontal\n"]
    ),
    body=st.binary(max_size=300),
)  # fmt: skip
def test_no_bytes_crash_a_reader(tmp_path_factory, head, body):
    path = tmp_path_factory.mktemp("any") / "a.bin"
    path.write_bytes(head + body)
    assert outcome(path) is not None


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_mutated_record_is_read_or_refused(tmp_path_factory, data):
    folder = wall(50.0, channel={"values": PULSE}).write(tmp_path_factory.mktemp("mutated"))
    name = data.draw(st.sampled_from(["v00042.EV5", "v00042.001"]))
    content = bytearray((folder / name).read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    (folder / name).write_bytes(bytes(content))
    assert outcome(folder) is not None


def test_an_archive_of_arrays_is_no_archive_of_records(tmp_path):
    buffer = io.BytesIO()
    np.savez(buffer, a=np.zeros(3))
    (tmp_path / "a.zip").write_bytes(buffer.getvalue())
    assert "time_s" in refused(tmp_path / "a.zip")
    assert len(archives.members(tmp_path / "a.zip")) == 1


def test_channels_of_a_record_are_few_enough_for_a_screen(tmp_path):
    record = WrittenRecord([WrittenChannel(i, PULSE, "LEFT REAR SILL X") for i in range(1, 4)])
    assert len(read_record(record.write(tmp_path))) == 1


@pytest.mark.parametrize(
    ("times", "told"),
    [
        (TIMES - 10.0, "times before and after time zero"),
        (TIMES * 1e-6, "a step of 1e-07 to 0.005 s"),
        (TIMES * 1e3, "a step of 1e-07 to 0.005 s"),
    ],
)
def test_times_that_hold_no_crash(tmp_path, times, told):
    np.savez(tmp_path / "a.npz", **{"time_s": times, "LEFT SILL X": PULSE})
    assert told in refused(tmp_path / "a.npz")
