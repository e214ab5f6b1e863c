"""A design has what was asked for, each part of it by the formula that it follows from."""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace
from math import pi, sqrt
from pathlib import Path

import pytest

import crashsense.cli
from crashsense.sensing import mechanics
from crashsense.sensing.element_card import element_rows
from crashsense.sensing.element_design import Design, Process, design_element, trade_points
from crashsense.sensing.element_file import element_from_table
from crashsense.units import STANDARD_GRAVITY as G

#: Of a design that its range, its bandwidth, the supply decides.
RANGE = {"range_m_s2": 100 * G, "bandwidth_hz": 1500.0, "noise_density": 1e-3 * G}
#: The same with any noise: the smallest comb does.
EASY = RANGE | {"noise_density": 1.0}
BANDWIDTH = {"range_m_s2": 35 * G, "bandwidth_hz": 20_000.0, "noise_density": 1e-3 * G}
SUPPLY = {"range_m_s2": 5 * G, "bandwidth_hz": 400.0, "noise_density": 0.1e-3 * G}


def row(found: Design, name: str) -> float:
    return next(one.value for one in element_rows(found.element) if one.name == name)


def own_hz(found: Design) -> float:
    """Resonance of mass and springs, softened by the drive, without the gas."""
    return 1.0 / (2 * pi * sqrt(float(found.element.state().compliance)))


@pytest.mark.parametrize("quality", [0.5, 0.8, 2.0])
def test_bandwidth_is_where_the_transfer_function_has_lost_3_db(quality: float) -> None:
    found = design_element(**BANDWIDTH | {"noise_density": 1.0}, quality=quality)
    r = 20_000.0 / own_hz(found)
    gain = 1.0 / abs(complex(1 - r * r, r / quality))
    assert gain == pytest.approx(sqrt(0.5), rel=1e-9)
    # The gap is then the one that keeps the cubic part, or the smallest that can be made.
    x = 35 * G * float(found.element.state().compliance)
    assert found.element.gap == pytest.approx(max(2e-6, x / sqrt(0.01)), rel=1e-9)


@pytest.mark.parametrize("nonlinearity", [0.005, 0.02])
def test_range_deflects_the_smallest_gap_as_far_as_it_is_linear(nonlinearity: float) -> None:
    found = design_element(**EASY, nonlinearity=nonlinearity)
    x = 100 * G * float(found.element.state().compliance)
    assert x == pytest.approx(2e-6 * sqrt(nonlinearity), rel=1e-9)
    assert found.element.gap == pytest.approx(2e-6)
    assert found.binds[0].startswith("range")


@pytest.mark.parametrize("asked", [RANGE, BANDWIDTH, SUPPLY])
def test_what_every_design_has(asked: dict[str, float]) -> None:
    found = design_element(**asked)
    one = found.element
    assert (found.range, found.bandwidth_hz) == (asked["range_m_s2"], asked["bandwidth_hz"])
    scales = one.full_scales()
    # The amplifier ends a quarter above the range, so that no other limit is cut by it.
    assert scales["amplifier"] == pytest.approx(1.25 * found.range, rel=1e-9)
    assert one.stop == pytest.approx(0.8 * one.gap)
    # Half of the fingers stand on each edge: finger, partner, near gap and three gaps apart.
    carried = one.fingers / 2 * (2 * 3e-6 + one.gap + 3 * one.gap)
    assert one.plate_length == pytest.approx(max(carried, 300e-6))
    assert one.plate_width == pytest.approx(Process().aspect * one.plate_length)
    # The pull-in voltage keeps a tenth above the supply, here exactly where it binds.
    pull = row(found, "pull-in voltage")
    assert pull >= 1.1 * 3.3 * (1 - 1e-9)
    assert (pull == pytest.approx(1.1 * 3.3)) == (asked is SUPPLY)
    assert ("pull-in" in found.binds[0]) == (asked is SUPPLY)


@pytest.mark.parametrize("quality", [15.0, 60.0])
def test_pressure_gives_the_quality_that_was_asked_for(quality: float) -> None:
    found = design_element(**EASY, quality=quality)
    low, high = Process().pressures
    assert low < found.element.pressure < high
    assert float(found.element.state().quality) == pytest.approx(quality, rel=1e-4)
    assert len(found.binds) == 2  # nothing to say of the gas


def test_a_quality_that_no_gas_gives_is_said() -> None:
    made = Process(pressures=(6e3, 90e3))
    least, most = (
        design_element(**EASY, quality=quality, process=made) for quality in (0.1, 100.0)
    )
    assert least.element.pressure == 90e3
    assert "it rings" in least.binds[2]
    assert most.element.pressure == 6e3
    assert "still damps" in most.binds[2]
    for one in (least, most):
        assert f"{float(one.element.state().quality):.2f}" in one.binds[2]


def test_no_finger_more_than_the_noise_needs() -> None:
    found = design_element(**RANGE | {"noise_density": 0.6e-3 * G})
    reached = float(found.element.state().noise)
    assert "sets the size" in found.binds[1]
    # What it reaches can be had with it, and a hair less only with one finger more.
    same = design_element(**RANGE | {"noise_density": reached})
    more = design_element(**RANGE | {"noise_density": reached * (1 - 1e-9)})
    assert same.element.fingers == found.element.fingers
    assert more.element.fingers == found.element.fingers + 1


def test_the_smallest_comb_has_four_fingers_a_side() -> None:
    easy = design_element(**EASY)
    assert easy.element.fingers == 4
    assert "meets the noise already" in easy.binds[1]
    exactly = design_element(**RANGE | {"noise_density": float(easy.element.state().noise)})
    assert exactly.element.fingers == 4
    less = float(easy.element.state().noise) * (1 - 1e-9)
    assert design_element(**RANGE | {"noise_density": less}).element.fingers == 5


def test_what_a_process_states_is_what_the_element_has() -> None:
    made = Process(
        thickness=30e-6, smallest_gap=2.4e-6, smallest_beam=3.5e-6, overlap=150e-6, finger=4e-6,
        filled=0.7, pressures=(200.0, 70e3), drive=0.8, supply=3.0, parasitic=1e-12,
        amplifier_noise=100e-9, smallest_side=350e-6, aspect=0.6,
    )  # fmt: skip
    one = design_element(**EASY, process=made).element
    assert (one.thickness, one.gap, one.beam_width, one.overlap, one.filled) == (
        30e-6, 2.4e-6, 3.5e-6, 150e-6, 0.7,
    )  # fmt: skip
    assert (one.drive, one.supply, one.parasitic, one.amplifier_noise) == (0.8, 3.0, 1e-12, 100e-9)
    assert (one.plate_length, one.plate_width) == pytest.approx((350e-6, 0.6 * 350e-6))
    big = design_element(**RANGE | {"noise_density": 0.2e-3 * G}, process=made).element
    pitch = 2 * 4e-6 + 4 * big.gap
    assert big.plate_length == pytest.approx(big.fingers / 2 * pitch)


def test_the_assumed_process_is_that_of_the_element_to_start_from() -> None:
    """Two places give the same assumptions: the designer, and the file of ``new element``."""
    path = Path(crashsense.cli.__file__).parent / "templates" / "element.toml"
    one = element_from_table(tomllib.loads(path.read_text("utf-8")), file="x", name="y")
    made, partners = Process(), {"smallest_gap": "gap", "smallest_beam": "beam_width"}
    own = {"finger", "pressures", "largest_side", "smallest_side", "aspect"}
    for field in fields(made):
        if field.name not in own:
            partner = partners.get(field.name, field.name)
            assert getattr(made, field.name) == pytest.approx(getattr(one, partner)), field.name


def test_neighbours_are_the_element_with_other_beams() -> None:
    found = design_element(**EASY)
    base = found.element.state()
    for factor, point in zip((0.9, 1.3), trade_points(found, factors=(0.9, 1.3)), strict=True):
        static = float(base.static_stiffness) * factor**2
        stiffer = (static + float(base.softening)) / float(base.spring)
        one = replace(
            found.element, beam_length=found.element.beam_length * stiffer ** (-1.0 / 3.0)
        )
        state = one.state()
        assert float(state.static_stiffness) == pytest.approx(static)
        rows = {row.name: row.value for row in element_rows(one)}
        assert point.resonance_hz == pytest.approx(rows["resonance"])
        assert point.range / G == pytest.approx(rows["range"])
        assert point.bandwidth_hz == pytest.approx(rows["bandwidth, -3 dB"])
        assert point.noise_density / G * 1e6 == pytest.approx(rows["together"])
        assert point.deflection_per_g * 1e9 == pytest.approx(rows["deflection for each g"])
        per_g = rows["change of capacitance for each g"]
        assert point.capacitance_per_g * 1e18 == pytest.approx(per_g)
        assert point.footprint == pytest.approx(one.footprint)
    # Beams so soft that the drive pulls the mass in are left out.
    soft = design_element(**SUPPLY)
    assert len(trade_points(soft, factors=(0.1, 1.0))) == 1


def test_the_bandwidth_of_an_element_alone_by_its_transfer_function() -> None:
    for quality in (0.3, 0.8, 5.0):
        hz = mechanics.bandwidth_hz(resonance_hz=1000.0, quality=quality)
        assert abs(complex(1 - (hz / 1e3) ** 2, hz / 1e3 / quality)) == pytest.approx(sqrt(2.0))
