"""A number in a file has the unit that its name ends in, by a library's own table of units."""

from __future__ import annotations

import pytest
from scipy import constants

from crashsense.sensing import element_file, load_sensor_set
from crashsense.sensing.element import Element
from crashsense.sensing.element_file import element_from_table
from crashsense.sensing.fault_cards import FAULT_CARDS, fault_file_names
from crashsense.sensing.sensor import KINDS
from crashsense.sensing.sensor_file import _UNIT_NUMBERS, UNITS, file_names

#: Word in a name -> its SI value.
WORDS = {
    "um": constants.micro, "nm": constants.nano, "m": 1.0, "m3": 1.0, "ug": constants.nano,
    "kg": 1.0, "ff": constants.femto, "pf": constants.pico, "v": 1.0, "nv": constants.nano,
    "n": 1.0, "pa": 1.0, "kpa": constants.kilo, "gpa": constants.giga, "g": constants.g,
    "ppm": constants.micro, "k": 1.0, "s": 1.0, "ms": constants.milli, "us": constants.micro,
    "hz": 1.0, "rthz": 1.0, "deg": constants.degree, "kmh": constants.kilo / constants.hour,
}  # fmt: skip


def unit_of(name: str) -> float:
    """SI value of one unit of a name: ``noise_nv_per_rthz``; 1 where it ends in none."""
    value, below = 1.0, False
    for word in name.split("_")[1:]:
        below = below or word == "per"
        value *= WORDS.get(word, 1.0) ** (-1.0 if below else 1.0)
    return value


@pytest.mark.parametrize("table", element_file.NUMBERS)
def test_numbers_of_an_element_file(table: str) -> None:
    for name, (field, factor) in element_file.NUMBERS[table].items():
        assert factor == pytest.approx(unit_of(name), rel=1e-15), name
        assert field in Element.__dataclass_fields__
    assert len({field for field, _ in element_file.NUMBERS[table].values()}) == len(
        element_file.NUMBERS[table]
    )


@pytest.mark.parametrize("kind", KINDS)
def test_numbers_of_a_sensor_file(kind: str) -> None:
    for name, (_, factor) in file_names(kind).items():
        assert factor == pytest.approx(unit_of(name), rel=1e-15), name
    assert any(unit_of(name) != 1.0 for name in file_names(kind))


def test_numbers_of_the_control_unit() -> None:
    for name, (_, factor) in _UNIT_NUMBERS.items():
        assert factor == pytest.approx(unit_of(name), rel=1e-15), name


@pytest.mark.parametrize("kind", FAULT_CARDS)
def test_numbers_of_faults(kind: str) -> None:
    for unit, scale in UNITS.values():
        for name, factor in fault_file_names(kind, unit=unit).values():
            assert (factor or scale) == pytest.approx(unit_of(name), rel=1e-15), name


def test_a_number_is_taken_times_its_unit(tmp_path) -> None:  # noqa: ANN001
    """From the file to the object, with numbers that no other field has."""
    path = tmp_path / "mine.toml"
    path.write_text(
        "[control_unit]\nread_ms = 0.35\ntask_ms = 0.7\n"
        "[parts.a]\nrange_g = 41.0\nslot_start_us = 13.0\nmounting_angle_deg = 3.0\n"
        '[[parts.a.faults]]\nkind = "destroyed_at_crush"\ncrush_m = 0.21\n'
        'closing_speed_kmh = 36.0\n[[parts.a.faults]]\nkind = "offset_step"\nstep_g = 2.0\n'
        'from_ms = 7.0\n[sensors]\ncentral_x = "a"\n',
        encoding="utf-8",
    )
    found = load_sensor_set(path)
    unit, part = found.control_unit, found.sensor("central_x")
    assert (unit.read_s, unit.task_s) == pytest.approx((0.35e-3, 0.7e-3))
    assert (part.range, part.slot_start_s) == pytest.approx((41.0 * constants.g, 13e-6))
    assert part.mounting_angle == pytest.approx(3.0 * constants.degree)
    crush, step = part.faults
    assert (crush.crush_m, crush.closing_speed_m_s) == pytest.approx((0.21, 10.0))
    assert (step.step, step.from_s) == pytest.approx((2.0 * constants.g, 7e-3))


def test_a_pressure_is_meant_at_its_temperature_and_springs_may_lean() -> None:
    table = {
        "mass": {"length_um": 500.0, "width_um": 400.0, "thickness_um": 25.0},
        "spring": {"stiffness_n_per_m": 300.0},
        "electrodes": {"gap_um": 2.0, "fingers": 40, "overlap_um": 120.0},
        "read_out": {"feedback_ff": 100.0},
        "gas": {"pressure_pa": 50e3, "temperature_c": 100.0},
        "axes": {
            "names": ["x", "y"], "shared_mass": True, "lean_deg": 2.0, "stiffness_ratio": 2.0,
        },
    }  # fmt: skip
    one = element_from_table(table, file="x", name="y")
    # The gas in a sealed cavity keeps p / T: what it has at 25 degC counts.
    assert one.pressure == pytest.approx(50e3 * 298.15 / 373.15)
    assert one.coupling == pytest.approx(0.01744, abs=1e-5)
    assert one.stiffness == 300.0
