"""Shipped parts and sets, and a user's sensor file."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from crashsense.channels import CHANNELS
from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.sensing import (
    ControlUnit,
    Sensor,
    SensorSet,
    find_part,
    load_sensor_set,
    part_names,
    sensor_set_names,
)
from crashsense.sensing.fault_cards import FAULT_CARDS, fault_example
from crashsense.sensing.faults import FAULT_KINDS
from crashsense.sensing.sensor_file import file_names
from crashsense.units import STANDARD_GRAVITY as G

GOOD = """
name = "mine"
[control_unit]
task_ms = 1.0
[parts.narrow]
range_g = 50.0
noise_g_per_rthz = 0.001
[[parts.narrow.faults]]
kind = "offset_step"
step_g = 3.0
from_ms = 20.0
[sensors]
central_x = "narrow"
upfront_left_x = "upfront_240g"
"""


def test_the_catalogue_holds_what_is_needed() -> None:
    names = part_names()
    for wanted in (35, 50, 70, 100, 120):
        assert f"central_{wanted}g" in names
    for wanted in (120, 240, 480):
        assert f"upfront_{wanted}g" in names
    for wanted in (100, 240):
        assert f"side_{wanted}g" in names
    kinds = {find_part(name).kind for name in names}
    assert kinds == {"accelerometer", "pressure", "roll_rate"}
    assert "standard" in sensor_set_names()


@pytest.mark.parametrize("name", part_names())
def test_every_number_of_a_shipped_part_has_a_basis(name: str) -> None:
    part = find_part(name)
    default = Sensor(part="default", range=1.0, kind=part.kind)
    stated = {
        key
        for key, (field, _) in file_names(part.kind).items()
        if getattr(part, field) != getattr(default, field)
    }
    assert len(stated) > 8
    assert stated <= set(part.basis)
    assert part.faults == ()


def test_the_safing_element_is_another_part_than_the_main_one() -> None:
    standard = load_sensor_set()
    main, safing = standard.sensor("central_x"), standard.sensor("central_safing_x")
    assert main.part != safing.part
    assert main.noise_density != safing.noise_density
    assert main.filter_kind != safing.filter_kind


@pytest.mark.parametrize("name", sensor_set_names())
def test_every_shipped_set_covers_the_channels_that_algorithms_read(name: str) -> None:
    missing = set(CHANNELS) - set(load_sensor_set(name).sensors)
    assert missing == {"powertrain_x"}


def test_own_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    mine = load_sensor_set(path)
    assert mine.name == "mine"
    assert mine.control_unit.task_s == pytest.approx(1e-3)
    sensor = mine.sensor("central_x")
    assert sensor.range == pytest.approx(50 * G)
    assert sensor.front_end == sensor.range
    assert sensor.faults[0].step == pytest.approx(3 * G)
    assert sensor.faults[0].from_s == pytest.approx(0.02)
    assert mine.sensor("upfront_left_x") == find_part("upfront_240g")


def test_all_faults_of_a_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(
        """
nmae = "x"
[control_unit]
tick_rate_hz = -5
[parts.a]
range_g = -10.0
bits = 0
corner_hz = 4000.0
noise_g_per_rthz = -0.1
failed_code = 12
[parts.b]
rnage_g = 50.0
[[parts.b.faults]]
kind = "stuk_value"
[sensors]
central_x = "a"
central_xx = "b"
upfront_left_x = "upfront_24g"
"""
    )
    with pytest.raises(InputError) as caught:
        load_sensor_set(path)
    text = str(caught.value)
    for word in (
        "nmae",
        "tick_rate_hz",
        "range_g: got -10.0",
        "bits: got 0",
        "corner_hz: got 4000.0",
        "noise_g_per_rthz: got -0.1",
        "did you mean 'range_g'",
        "did you mean 'stuck_value'",
        "did you mean 'central_x'",
        "did you mean 'upfront_240g'",
    ):
        assert word in text
    assert all(str(path) in line for line in text.splitlines())


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"bits": 0}, "word length of 4 to 24 bits"),
        ({"range": 0.0}, "full scale above 0"),
        ({"range": float("nan")}, "finite"),
        ({"noise_density": -1.0}, "0 or more"),
        ({"corner_hz": 1500.0}, "alias"),
        ({"failed_code": 300}, "outside the payload range"),
        ({"code_limit": 512}, "payload limit inside"),
        ({"filter_order": 5}, "2, 3 or 4 poles"),
        ({"stop": 0.5}, "at or beyond the range"),
        ({"lost_frame_probability": 1.0}, "below 1"),
        ({"on_lost": "drop"}, "'hold' or 'flag'"),
        ({"filter_kind": "besel"}, "did you mean 'bessel'"),
    ],
)
def test_impossible_parameters(change: dict[str, object], reason: str) -> None:
    values = {"part": "x", "range": 1.0} | change
    with pytest.raises(InputError, match=reason):
        Sensor(**values)


def test_impossible_sets() -> None:
    with pytest.raises(InputError, match="below Nyquist"):
        SensorSet(
            "x",
            sensors={
                "central_x": Sensor(
                    part="p", range=1.0, corner_hz=4900.0, corner_tolerance=0.05, sample_rate_hz=1e4
                )
            },
            control_unit=ControlUnit(tick_rate_hz=1e4),
        )
    with pytest.raises(InputError, match="divides the internal"):
        SensorSet("x", sensors={"central_x": Sensor(part="p", range=1.0, sample_rate_hz=3000.0)})
    with pytest.raises(InputError, match="a sensor for rad/s"):
        SensorSet("x", sensors={"central_roll_rate": Sensor(part="p", range=1.0)})
    with pytest.raises(InputError, match="whole multiple of the tick rate"):
        ControlUnit(tick_rate_hz=3000.0)
    with pytest.raises(InputError, match="did you mean 'standard'"):
        load_sensor_set("standart")
    with pytest.raises(InputError, match="that exists"):
        load_sensor_set("nowhere.toml")


@pytest.mark.parametrize(("text", "name"), [("", "my_set"), ('name = "other"\n', "other")])
def test_a_set_has_the_name_that_its_file_states_or_that_of_its_file(
    tmp_path: Path, text: str, name: str
) -> None:
    path = tmp_path / "my_set.toml"
    path.write_text(text + '[sensors]\ncentral_x = "central_50g"\n', encoding="utf-8")
    assert load_sensor_set(path).name == name


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('kind = "acelerometer"\n[sensors]\ncentral_x = "a"', "did you mean 'accelerometer'"),
        ("kind = 3\n[sensors]\ncentral_x = 'a'", "parts.a: kind: got 3"),
        ('[sensors]\ncentral_roll_rate = "a"', "central_roll_rate: kind: .* a sensor for rad/s"),
        ('[control_unit]\ntick_rate_hz = 900\n[sensors]\ncentral_x = "a"', "whole multiple"),
        ("sample_rate_hz = 3000.0\n[sensors]\ncentral_x = 'a'", "divides the internal"),
    ],
)
def test_what_cannot_be_a_part_or_a_set_of_a_file(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(f"[parts.a]\nrange_g = 50.0\n{text}\n", encoding="utf-8")
    with pytest.raises(InputError, match=told):
        load_sensor_set(path)


def test_not_toml(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xff\xfe\x00 not text")
    with pytest.raises(InputError, match="a sensor file in UTF-8"):
        load_sensor_set(path)


def test_changed_keeps_the_head_room() -> None:
    part = find_part("central_120g").changed(range=50 * G, bits=12)
    assert part.front_end == pytest.approx(50 * G)
    assert part.stop == pytest.approx(100 * G)
    assert part.code_limit == 1920


def test_sensors_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sensors"]) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in (*part_names(), *sensor_set_names()))
    assert run(["sensors", "show", "upfront_240g"]) == 0
    assert "range_g" in capsys.readouterr().out
    assert run(["sensors", "show", "standard"]) == 0
    assert "1.645" in capsys.readouterr().out
    assert run(["sensors", "show", "upfront_24g"]) == 2
    assert "did you mean 'upfront_240g'" in capsys.readouterr().err


def test_every_fault_has_a_card_whose_example_loads(tmp_path: Path) -> None:
    assert set(FAULT_CARDS) == set(FAULT_KINDS)
    for kind, cls in FAULT_KINDS.items():
        assert set(FAULT_CARDS[kind][1]) == {item.name for item in fields(cls)}
        path = tmp_path / f"{kind}.toml"
        path.write_text(
            "[parts.my_central]\nrange_g = 50.0\n"
            + fault_example(kind)
            + '[sensors]\ncentral_x = "my_central"\n',
            encoding="utf-8",
        )
        (fault,) = load_sensor_set(path).sensor("central_x").faults
        assert fault.kind == kind


def test_faults_of_a_file_are_told_in_its_own_names(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(
        """
[control_unit]
read_ms = -1
[parts.a]
range_g = 50.0
[[parts.a.faults]]
kind = "offset_step"
from_ms = "x"
[[parts.a.faults]]
kind = "lost_frames"
from_ms = 20
until_ms = 10
[[parts.a.faults]]
kind = "swapped_polarity"
step_g = 1.0
[sensors]
central_x = "a"
""",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        load_sensor_set(path)
    text = str(caught.value)
    for words in (
        "control_unit.read_ms: got -1; expected 0 to less than 1000 ms",
        "faults[0]: step_g: expected a value",
        "faults[0]: from_ms: got 'x'; expected a number",
        "faults[1]: until_ms: got 10; expected later than the beginning, 20 ms",
        "faults[2]: step_g: got 1.0; expected one of from_ms",
    ):
        assert words in text
    assert "_s:" not in text


def test_faults_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sensors", "faults"]) == 0
    out = capsys.readouterr().out
    for kind in FAULT_KINDS:
        assert f"\n{kind}: " in out
        assert f'kind = "{kind}"' in out
    assert run(["sensors", "show", "stuck_value"]) == 0
    shown = capsys.readouterr().out
    assert "from_ms" in shown
    assert "[ms]" in shown
    assert run(["sensors", "faults", "stuck_valu"]) == 2
    assert "did you mean 'stuck_value'" in capsys.readouterr().err


def test_show_of_a_file_prints_its_own_parts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "my_sensor.toml"
    assert run(["new", "sensor", str(path)]) == 0
    text = path.read_text(encoding="utf-8")
    assert "crashsense sensors faults" in text
    # the commented example in the template is a good one
    example = re.sub(r"(?m)^# (\[\[parts|kind = |step_g|from_ms)", r"\1", text)
    assert example != text
    path.write_text(example, encoding="utf-8")
    capsys.readouterr()
    assert run(["sensors", "show", str(path)]) == 0
    out = capsys.readouterr().out
    assert re.search(r"range_g +70 +to be tried against 50 g", out)
    assert re.search(r"fault offset_step +step_g = 5, from_ms = 20", out)
    assert "Shipped parts" in out
