"""Every number of a sensor file replaced by what no quantity has: faults name file and field."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash

from crashsense.errors import InputError
from crashsense.sensing import ControlUnit, Sensor, SensorSet, load_sensor_set, sense
from crashsense.sensing.fault_cards import FAULT_CARDS, fault_file_names
from crashsense.sensing.faults import StuckValue, make_fault
from crashsense.sensing.sensor_file import _UNIT_NUMBERS, _WHOLE, file_names

#: What a number may be mistaken for, or must never be.
IMPOSSIBLE = [
    "1" + "0" * 400,
    "nan",
    "inf",
    "-inf",
    "1e300",
    "1e-200",
    "true",
    '"x"',
    "[1]",
    "{a=1}",
]

FILE = '[parts.a]\n{part}\n{fault}\n[control_unit]\n{unit}\n[sensors]\ncentral_x = "a"\n'


def _refused(path: Path, field: str, **text: str) -> None:
    path.write_text(FILE.format(**{"part": "range_g = 50.0", "fault": "", "unit": ""} | text))
    with pytest.raises(InputError) as caught:
        load_sensor_set(path)
    lines = str(caught.value).splitlines()
    assert all(line.startswith(str(path)) for line in lines)
    assert any(field in line for line in lines)


@pytest.mark.parametrize("field", [*file_names("accelerometer"), *_WHOLE])
def test_numbers_of_a_part(tmp_path: Path, field: str) -> None:
    for value in IMPOSSIBLE:
        own = "" if field == "range_g" else "range_g = 50.0\n"
        _refused(tmp_path / "mine.toml", field, part=f"{own}{field} = {value}")


@pytest.mark.parametrize("field", [*_UNIT_NUMBERS, "temperature_c"])
def test_numbers_of_the_control_unit(tmp_path: Path, field: str) -> None:
    more = ["[nan, 40]", "[-40, 1e300]", f"[-1{'0' * 400}, 40]"] if field == "temperature_c" else []
    for value in [*IMPOSSIBLE, *more]:
        _refused(tmp_path / "mine.toml", field, unit=f"{field} = {value}")


@pytest.mark.parametrize(
    ("kind", "field"), [(kind, field) for kind, card in FAULT_CARDS.items() for field in card[1]]
)
def test_numbers_of_a_fault(tmp_path: Path, kind: str, field: str) -> None:
    names = {name: key for name, (key, _) in fault_file_names(kind, unit="g").items()}
    card = FAULT_CARDS[kind][1]
    others = [f"{names[name]} = {card[name].example}" for name in card if name != field]
    for value in IMPOSSIBLE:
        lines = ["[[parts.a.faults]]", f'kind = "{kind}"', *others, f"{names[field]} = {value}"]
        _refused(tmp_path / "mine.toml", names[field], fault="\n".join(lines))


def test_rates_that_would_need_gigabytes_or_have_no_ratio() -> None:
    with pytest.raises(InputError, match="1 to 1000000 Hz"):
        ControlUnit(internal_rate_hz=1e10)
    with pytest.raises(InputError, match="sampling rate of 1 Hz or more"):
        Sensor(part="a", range=1.0, sample_rate_hz=1e-6, corner_hz=1e-7)
    with pytest.raises(InputError, match="corner of 1 Hz or more"):
        Sensor(part="a", range=1.0, corner_hz=1e-6)
    with pytest.raises(InputError, match="0 to 100000 us"):
        Sensor(part="a", range=1.0, slot_start_s=1e12)


def test_the_slowest_and_longest_that_are_let_through_stay_small() -> None:
    slow = Sensor(part="a", range=500.0, sample_rate_hz=2.0, corner_hz=1.0, slot_start_s=0.1)
    tested = SensorSet("slow", sensors={"central_x": slow})
    out = sense({"central_x": acceleration(crash())}, tested, draws=[0, 1])
    assert np.isfinite(out.samples.channels["central_x"]).any()


def test_faults_in_python() -> None:
    for code in (10**400, 2**40, 1.5, float("nan"), True):
        with pytest.raises(InputError, match="code"):
            make_fault("stuck_value", code=code)
    with pytest.raises(InputError, match="24 bits"):
        StuckValue(code=2**24)
    with pytest.raises(InputError, match="finite"):
        make_fault("offset_step", step=float("inf"))


def test_tables_in_place_of_each_other(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    for text, told in (
        ("sensors = 3", "sensors: got 3; expected a table"),
        ("parts = [1]", "parts: expected a table"),
        ("control_unit = 'x'", "control_unit: got 'x'; expected a table"),
        ("name = 3", "name: got 3; expected text"),
        ("[parts]\na = 3", "parts.a: got 3; expected a table"),
    ):
        path.write_text(text)
        with pytest.raises(InputError, match=re.escape(told)):
            load_sensor_set(path)
