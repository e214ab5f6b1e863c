"""Every value of an element's card and curves, from its geometry by formulas written out again.

The card converts units by hand; here one table of units does it for all rows.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, isfinite, pi, sqrt

import numpy as np
import pytest
import scipy.signal as ss
from scipy.optimize import brentq
from sensing.elements import COMB, ELEMENTS
from sensing.sensing_helpers import part

from crashsense.errors import InputError
from crashsense.sensing import SensorSet, element_card, mechanics
from crashsense.sensing.element import DEVIATIONS, Element
from crashsense.sensing.element_card import (
    element_curves,
    element_rows,
    element_sections,
    step_response,
)
from crashsense.units import STANDARD_GRAVITY as G

EPSILON, BOLTZMANN, AIR_KELVIN = 8.8541878128e-12, 1.380649e-23, 298.15

#: Unit on the card -> how many of it are one SI unit.
UNITS = {
    "ug": 1e9, "N/m": 1.0, "Hz": 1.0, "-": 1.0, "uN s/m": 1e6, "%": 100.0, "ms": 1e3, "nm": 1e9,
    "fF": 1e15, "aF": 1e18, "mV": 1e3, "g": 1 / G, "ug/sqrt(Hz)": 1e6 / G, "pm rms": 1e12, "V": 1.0,
    "MPa": 1e-6,
}  # fmt: skip


def capacitances(one: Element, x: float) -> float:
    """What the read-out sees at a deflection: gaps of d - x and d + x, or one of d - x."""
    near, far = EPSILON * one.area / (one.gap - x), EPSILON * one.area / (one.gap + x)
    return near - far if one.differential else near


def by_formula(one: Element) -> dict[str, float]:
    """SI values of the rows of a card."""
    s, d, sides = one.state(), one.gap, 2.0 if one.differential else 1.0
    comb = one.form == "comb"
    area = one.fingers * one.overlap * one.thickness
    if not comb:
        area = one.plate_length * one.plate_width * one.filled
    mass = 2330.0 * one.plate_length * one.plate_width * one.thickness * one.filled
    across, along = one.beam_width, one.thickness
    if not comb:
        across, along = along, across
    spring = one.beams * 169e9 * along * across**3 / one.beam_length**3
    spring *= 0.5 if one.folded else 1.0
    softening = sides * EPSILON * area * one.drive**2 / d**3
    static, gas = spring - softening, float(s.gas_spring)
    f0 = sqrt((static + gas) / mass) / (2 * pi)
    damping, q = float(s.damping), sqrt((static + gas) * mass) / float(s.damping)
    knudsen = 68e-9 * 101325.0 / one.pressure / d
    thin = mechanics.viscosity(AIR_KELVIN) / (1 + 9.638 * knudsen**1.159)
    film = one.thickness if comb else one.plate_width
    rest, per_g = EPSILON * area / d, mass * G / static
    dc = (capacitances(one, 1e-4 * d) - capacitances(one, -1e-4 * d)) / (2e-4 * d)
    loss = one.parasitic / (2 * rest)
    if one.read_out == "charge":
        volts_per_g = one.drive * dc * per_g / one.feedback
        # What the amplifier adds at its input meets all capacitance there: its noise gain.
        noise_volts = 200e-9 * (1 + (sides * rest + one.parasitic) / one.feedback)
        kept = 1.0
    else:
        volts_per_g = one.gain * one.drive * (per_g / d) / (1 + loss)
        noise_volts = 200e-9 * one.gain
        kept = loss / (1 + loss)
    thermal, electronic = sqrt(4 * BOLTZMANN * AIR_KELVIN * damping) / mass, noise_volts
    electronic /= volts_per_g / G
    linear = d * sqrt(0.01 / kept) if one.differential else 0.01 * d
    z = 1 / (2 * q)
    force = EPSILON * area * one.supply**2 / (2 * d * d)
    half = max(0.1, 1 / (2 * one.package_quality))
    colder, warmer = one.state(warmer_k=-60.0), one.state(warmer_k=60.0)
    scales = {
        "by stops": one.stop * static / mass if one.stop else inf,
        "by linearity": linear * static / mass,
        "by amplifier": one.supply / 2 / (volts_per_g / G),
        "by gap": one.full_scales()["gap"],
    }
    pull = sqrt(spring * d**3 / (2 * EPSILON * area))
    if not one.differential:
        pull = sqrt(8 * spring * d**3 / (27 * EPSILON * area))
    found = scales | {
        "proof mass": mass,
        "stiffness of the beams": spring,
        "electrostatic softening": softening,
        "gas spring at resonance": gas,
        "resonance": f0,
        "squeeze number at resonance":
            12 * thin * sqrt(static / mass) * film**2 / (one.pressure * d * d),
        "damping": damping,
        "quality factor": q,
        "bandwidth, -3 dB": minus_3_db(f0, q),
        "overshoot of a step": exp(-pi * z / sqrt(1 - z * z)) if z < 1 else 0.0,
        "a step rings down to 5 % after": settled_s(f0, q),
        "deflection for each g": per_g,
        "capacitance at rest, a side": rest,
        "change of capacitance for each g": dc * per_g,
        "output for each g": volts_per_g,
        "range": min(scales.values()),
        "thermo-mechanical": thermal,
        "electronic": electronic,
        "together": sqrt(thermal**2 + electronic**2),
        "thermal motion": sqrt(BOLTZMANN * 300.0 / static),
        "pull-in voltage": pull,
        "self-test at the supply, on one side": force / static,
        "the same as acceleration": force / mass,
        # A half sine of 0.3 ms takes away the speed of a fall of 1 m.
        "shock of a 1 m drop on a hard floor": sqrt(2 * G) / (0.3e-3 * 2 / pi),
        "stress in the beams at the stop":
            3 * 169e9 * across * (one.stop or d) / (2 if one.folded else 1) / one.beam_length**2,
        "package mode from": 40e3 * (1 - half),
        "package mode to": 40e3 * (1 + half),
        "sensitivity, 60 K colder": float(colder.volts / s.volts) - 1,
        "sensitivity, 60 K warmer": float(warmer.volts / s.volts) - 1,
        "quality factor, 60 K colder": float(colder.quality / s.quality) - 1,
        "quality factor, 60 K warmer": float(warmer.quality / s.quality) - 1,
        "offset, 60 K warmer":
            60 * 0.02e-9 / float(warmer.compliance) * float(warmer.volts / s.volts),
    }  # fmt: skip
    if one.coupling:
        found["share that x reads of every other axis"] = one.coupling
    return found


def minus_3_db(f0: float, q: float) -> float:
    hz = np.linspace(0.0, 4.0, 400_001)
    gain = 1 / np.abs(1 - hz**2 + 1j * hz / q)
    return float(f0 * hz[np.flatnonzero(gain > sqrt(0.5))[-1]])


def settled_s(f0: float, q: float) -> float:
    w = 2 * pi * f0
    slowest = -np.roots([1, w / q, w * w]).real.max()
    times, response = ss.step(([w * w], [1, w / q, w * w]), T=np.linspace(0, 6 / slowest, 20_001))
    return float(times[np.flatnonzero(np.abs(response - 1) > 0.05)[-1]])


@pytest.mark.parametrize("name", ELEMENTS)
def test_every_row_of_the_card_by_its_formula(name: str) -> None:
    one = ELEMENTS[name]
    rows = {row.name: row for row in element_rows(one)}
    want = by_formula(one)
    assert set(rows) == set(want)
    for key, row in rows.items():
        coarse = {"a step rings down to 5 % after": 2e-3, "bandwidth, -3 dB": 2e-5}
        tolerance = coarse.get(key, 1e-6)
        assert row.value == pytest.approx(want[key] * UNITS[row.unit], rel=tolerance, abs=1e-9), key


def test_rows_that_only_some_elements_have() -> None:
    mass_and_spring = replace(
        COMB, stiffness=300.0, beam_length=0.0, beam_width=0.0, package_hz=0.0, centre_per_k=0.0
    )
    names = {row.name for row in element_rows(mass_and_spring)}
    absent = {name for name in by_formula(COMB) if name not in names}
    assert absent == {
        "stress in the beams at the stop", "package mode from", "package mode to",
        "offset, 60 K warmer",
    }  # fmt: skip


def test_shock_and_self_test_of_other_conditions(monkeypatch: pytest.MonkeyPatch) -> None:
    """Speed goes with the root of the height, force with the square of the voltage."""
    names = ("shock of a 1 m drop on a hard floor", "the same as acceleration")
    shock, tested = ({r.name: r.value for r in element_rows(COMB)}[name] for name in names)
    monkeypatch.setattr(element_card, "DROP_M", 2.25)
    monkeypatch.setattr(element_card, "BLOW_S", 0.1e-3)
    monkeypatch.setattr(element_card, "SELF_TEST", 0.5)
    rows = {row.name: row.value for row in element_rows(COMB)}
    assert rows["shock of a 2.25 m drop on a hard floor"] == pytest.approx(shock * 1.5 * 3.0)
    assert rows["the same as acceleration"] == pytest.approx(tested / 4.0)


def test_values_as_text_have_four_digits() -> None:
    row = element_rows(COMB)[0]
    for value, shown in ((inf, "none"), (9999.4, "9999"), (12345.6, "12346"), (-1.23456, "-1.235")):
        assert replace(row, value=value).shown == shown
    assert replace(row, value=10_000.0).shown == "10000"


@pytest.mark.parametrize("zeta", [0.02, 0.4, 1.0, 3.0])
def test_a_step_is_followed_for_six_time_constants_of_its_slowest_part(zeta: float) -> None:
    w0 = 2 * pi * 5e3
    slowest = -np.roots([1.0, 2 * zeta * w0, w0 * w0]).real.max()
    times, response = step_response(5e3, zeta)
    assert times[0] == response[0] == 0.0
    assert times[-1] * slowest == pytest.approx(6.0, rel=1e-5)
    # A turn of the fastest part is seen: 4000 times in all.
    assert times.size * zeta > 50


@pytest.mark.parametrize("name", ELEMENTS)
def test_curves_by_formula(name: str) -> None:
    one = ELEMENTS[name]
    curves, state, scales = element_curves(one), one.state(), one.full_scales()
    f0, q = float(state.resonance_hz), float(state.quality)
    assert curves.scales == {key: value for key, value in scales.items() if isfinite(value)}
    assert ("stops" in curves.scales) == bool(one.stop)
    most = min(1.5 * one.range, 0.999 * scales["gap"])
    np.testing.assert_allclose(curves.acceleration[[0, -1]], [-most, most], rtol=1e-12)
    x = curves.deflection
    np.testing.assert_allclose(x, curves.acceleration * float(state.compliance), rtol=1e-12)
    at_rest = 0.0 if one.differential else capacitances(one, 0.0)
    change = np.array([capacitances(one, at) for at in x]) - at_rest
    np.testing.assert_allclose(curves.capacitance, change, rtol=1e-9, atol=1e-24)
    w = 2 * pi * f0
    system = ss.TransferFunction([w * w], [1, w / q, w * w])
    _, response = ss.freqresp(system, 2 * pi * curves.hz)
    np.testing.assert_allclose(curves.gain, np.abs(response), rtol=1e-9)
    # From where the element is stiff to where it no longer follows.
    assert curves.gain[0] == pytest.approx(1.0, abs=1e-3)
    assert curves.gain[-1] < 0.05
    _, step = ss.step(system, T=curves.times)
    np.testing.assert_allclose(curves.step, step, atol=1e-6)
    assert curves.package_hz == one.package_hz


def test_sections_of_a_set_are_its_elements_each_once() -> None:
    twin = replace(COMB)
    other = replace(COMB, gap=2.5e-6)
    made = {
        name: part(**{**one.part_numbers(), "element": one})
        for name, one in (("central_x", COMB), ("central_y", twin), ("upfront_left_x", other))
    }
    found = element_sections(SensorSet("three", sensors=made | {"side_left_y": part()}))
    assert [one.channels for one in found] == [("central_x", "central_y"), ("upfront_left_x",)]
    assert [one.name for one in found] == ["comb", "comb"]
    assert found[0].rows == tuple(element_rows(COMB))
    assert found[0].tolerances == pytest.approx(
        {
            "gap_um": 0.03, "edge_um": 0.0, "beam_um": 0.0, "thickness_um": 0.0, "pressure": 0.05,
            "centre_nm": 4.0, "centre_nm_per_k": 0.02, "trim_left": 0.25,
        }
    )  # fmt: skip
    assert element_sections(SensorSet("none", sensors={"side_left_y": part()})) == []


def test_area_on_the_wafer_is_plate_and_fingers() -> None:
    """A pitch holds a finger, its partner, the near gap and a far one of three gaps."""
    plate = 500e-6 * 420e-6
    fingers = 40 * 120e-6 * (2 * 3e-6 + 2e-6 + 3 * 2e-6)
    assert COMB.footprint == pytest.approx(plate + 2 * fingers)
    assert ELEMENTS["one electrode"].footprint == pytest.approx(plate + fingers)
    assert ELEMENTS["plate"].footprint == pytest.approx(plate)
    wide = replace(COMB, beam_width=1e-6, gap=2.5e-6)
    assert wide.footprint == pytest.approx(plate + 2 * 40 * 120e-6 * 6 * 2.5e-6)


# --- as made, and warm ---------------------------------------------------------------------------


def test_offset_of_a_shifted_and_warmed_mass() -> None:
    """What holds the mass there, in both places where it was moved: at trim, and by warmth."""
    z = np.zeros((2, len(DEVIATIONS)))
    z[:, DEVIATIONS.index("centre")] = (1.5, -2.0)
    warm = np.array([40.0, 40.0])
    made = COMB.drawn(z, warm)
    nominal, now = COMB.state(), COMB.state(warmer_k=40.0)
    thermal = float(now.volts / nominal.volts)
    shifted = z[:, -1] * 4e-9 / float(nominal.compliance) * 0.25
    by_warmth = 40.0 * 0.02e-9 / float(now.compliance)
    np.testing.assert_allclose(made.offset, (shifted + by_warmth) * thermal, rtol=1e-12)
    np.testing.assert_allclose(made.sensitivity, thermal, rtol=1e-12)


@pytest.mark.parametrize("name", ["comb", "one electrode", "bridge", "plate"])
def test_stop_and_cubic_part_of_a_draw_are_those_of_the_element_made_so(name: str) -> None:
    one = replace(ELEMENTS[name], stop=0.0)
    wider = replace(one, gap=one.gap + 2 * 0.03e-6)
    z = np.zeros((1, len(DEVIATIONS)))
    z[0, DEVIATIONS.index("gap")] = 2.0
    made, a, b = one.drawn(z, np.zeros(1)), one.state(), wider.state()
    deflected = [float(s.compliance) / float(s.gap) for s in (a, b)]
    # The same load deflects by another share of another gap: squared, and what is kept of it.
    cubic = (deflected[1] / deflected[0]) ** 2 * float(b.divider) / float(a.divider)
    assert made.nonlinearity[0] == pytest.approx(cubic, rel=1e-12)
    # A stop at a share of the gap: the load that takes the mass there.
    assert made.stop[0] == pytest.approx(deflected[0] / deflected[1], rel=1e-12)


@pytest.mark.parametrize(("tolerance", "side"), [("gap", -1.0), ("edge", 1.0)])
def test_tolerances_may_not_pull_the_electrodes_together_at_three_sigma(
    tolerance: str, side: float
) -> None:
    """The deviation at which softening eats the spring, by root finding, is three sigma at most."""
    # Beams narrower than the gap: what edges take from them weighs more than what gaps win.
    close = replace(COMB, gap_tolerance=0.0, stop=0.0, gap=4e-6, package_hz=0.0)
    spring = float(close.state().spring)
    volts = 0.95 * sqrt(spring * close.gap**3 / (2 * EPSILON * close.area))
    close = replace(close, drive=volts, supply=volts)

    def net(moved: float) -> float:
        edge = moved if tolerance == "edge" else 0.0
        gap = close.gap + (2 * edge if edge else moved)
        spring = 3 * 169e9 * close.thickness * (close.beam_width - 2 * edge) ** 3
        softening = 2 * EPSILON * close.area * close.drive**2 / gap**3
        return spring / close.beam_length**3 - softening

    most = abs(brentq(net, 0.0, side * 0.5e-6)) / 3.0
    field = f"{tolerance}_tolerance"
    replace(close, **{field: most * (1 - 1e-6)})
    with pytest.raises(InputError, match="keep the pull-in voltage above the drive"):
        replace(close, **{field: most * (1 + 1e-6)})


def test_curves_end_where_the_electrodes_snap_together() -> None:
    one = replace(COMB, stop=0.0, linear_within=0.2, feedback=300 * COMB.feedback, drive=10.0)
    assert one.binds == "gap"
    end = element_curves(one).acceleration[-1] / one.full_scales()["gap"]
    assert 0.99 < end < 1.0
