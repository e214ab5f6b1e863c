"""Elements as made and at their temperature, the path that a draw takes, a part in the quiet."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.elements import COMB, ELEMENTS
from sensing.sensing_helpers import RATE, acceleration, crash, part, sensor_set

from crashsense.sensing import SensorSet, chain, mechanics, sense
from crashsense.sensing.element import DEVIATIONS, Element, ElementDraws
from crashsense.sensing.quiet import quiet_noise
from crashsense.sensing.tolerance import draw_sensor, draw_unit
from crashsense.units import STANDARD_GRAVITY as G


@pytest.mark.parametrize("warmer", [-65.0, 60.0])
@pytest.mark.parametrize("name", ELEMENTS)
def test_a_warm_element_by_handbook_coefficients(name: str, warmer: float) -> None:
    """Silicon: 2.6 ppm/K wider, -60 ppm/K softer; air: Sutherland's law, p / T constant."""
    one = ELEMENTS[name]
    cold, warm = one.state(), one.state(warmer_k=warmer)
    kelvin = 298.15 + warmer
    gap = one.gap * (1 + 2.6e-6 * warmer)
    assert float(warm.gap) == pytest.approx(gap, rel=1e-12)
    assert float(warm.spring) == pytest.approx(float(cold.spring) * (1 - 60e-6 * warmer), rel=1e-12)
    soft = float(cold.softening) * (one.gap / gap) ** 3
    assert float(warm.softening) == pytest.approx(soft, rel=1e-12)
    noise = np.sqrt(4 * 1.380649e-23 * kelvin * float(warm.damping)) / float(warm.mass)
    assert float(warm.thermal_noise) == pytest.approx(noise, rel=1e-12)

    # The film: viscosity 1.716e-5 (T / 273.15)^1.5 (273.15 + 110.4) / (T + 110.4), thinned by the
    # free path of the sealed gas, which its density fixes; pressure as T.
    full = 1.716e-5 * (kelvin / 273.15) ** 1.5 * 383.55 / (kelvin + 110.4)
    thin = full / (1 + 9.638 * (68e-9 * 101325.0 / one.pressure / gap) ** 1.159)
    sides = 2 if one.differential else 1
    comb = one.form == "comb"
    damping, spring = mechanics.squeeze_film(
        length=one.overlap if comb else one.plate_length,
        width=one.thickness if comb else one.plate_width,
        gap=gap,
        hz=1 / (2 * pi * np.sqrt(float(warm.compliance))),
        pressure=one.pressure * kelvin / 298.15,
        viscosity=thin,
    )
    films = sides * (one.fingers if comb else 1) * one.film
    solid = np.sqrt(float(warm.static_stiffness) * float(warm.mass)) / one.solid_quality
    assert float(warm.gas_spring) == pytest.approx(films * float(spring), rel=1e-9)
    assert float(warm.damping) == pytest.approx(films * float(damping) + solid, rel=1e-9)


@pytest.mark.parametrize("hz", [800.0, 2000.0, 30e3])
@pytest.mark.parametrize("rows", [1, 3])
def test_a_row_of_elements_as_made_is_the_part_with_those_numbers(hz: float, rows: int) -> None:
    """Resonance, quality, stop and read-out; the quadratic part goes with the root of the cubic."""
    sensor = part(
        range=50 * G, stop=60 * G, resonance_hz=hz, quality=0.8, nonlinearity=0.04, quadratic=0.02
    )
    source = np.random.default_rng(2)
    names = ("sensitivity", "offset", "resonance", "quality", "stop", "nonlinearity", "noise")
    made = ElementDraws(**{name: source.uniform(0.9, 1.2, 3) for name in names})
    true = np.stack([crash(peak_g=110.0 + 5 * k)[450:760] for k in range(rows)])
    got, hits = chain.respond_as_made(true, sensor=sensor, made=made, rate_hz=RATE)
    for row in range(3):
        one = sensor.changed(
            resonance_hz=hz * made.resonance[row],
            quality=0.8 * made.quality[row],
            stop=60 * G * made.stop[row],
            nonlinearity=0.04 * made.nonlinearity[row],
            quadratic=0.02 * np.sqrt(made.nonlinearity[row]),
        )
        mine = true[:1] if rows == 1 else true[row : row + 1]
        want, beyond = chain.respond(mine, sensor=one, rate_hz=RATE)
        np.testing.assert_allclose(got[row], want[0], rtol=1e-9, atol=1e-9 * G)
        assert hits[row] == beyond[0] > 0


@pytest.mark.parametrize(("hz", "steps"), [
    (100.0, 1), (1250.0, 1), (1250.1, 2), (2500.0, 2), (2500.1, 1), (20e3, 1),
])  # fmt: skip
def test_steps_of_an_element_are_eight_a_period_up_to_a_quarter_of_the_rate(
    hz: float, steps: int
) -> None:
    sensor = part(resonance_hz=hz, quality=0.7)
    assert chain.element_oversampling(sensor, rate_hz=RATE) == steps
    assert chain.element_is_static(sensor, rate_hz=RATE) == (hz > 2500.0)
    delay = 0.0 if hz > 2500.0 else 1.0 / (0.7 * 2 * pi * hz)
    assert chain.element_delay_s(sensor, rate_hz=RATE) == pytest.approx(delay)


# --- path ----------------------------------------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 99),
    peak_g=st.floats(60.0, 95.0),
    element=st.booleans(),
)
def test_the_fast_path_is_taken_where_the_sum_of_all_parts_stays_below_saturation(
    seed: int, peak_g: float, element: bool
) -> None:
    """Each part at its largest, as if all came at once, and eight deviations of noise."""
    chosen = part(
        range=100 * G, front_end=100 * G, sensitivity_tolerance=0.05, offset_tolerance=2 * G,
        drift_tolerance=9 * G, cross_axis_tolerance=0.05, noise_density=0.02 * G,
        element=replace(COMB, stop=0.0) if element else None,
    )  # fmt: skip
    true = {
        "central_x": crash(peak_g=peak_g)[None, :900],
        "central_y": 0.5 * crash(peak_g=peak_g)[None, :900],
        "central_z": 0.3 * crash(peak_g=peak_g)[None, :900],
    }
    signals = {name: acceleration(rows, axis=name[-1]) for name, rows in true.items()}
    tested = SensorSet("one", sensors={"central_x": chosen})
    draws = np.arange(25)
    out = sense(signals, tested, draws=draws, seed=seed, occurrence="e")
    axes = {"seed": seed, "occurrence": "e", "vary": True}
    shared = draw_unit(draws, unit=tested.control_unit, **axes)
    drawn = draw_sensor(draws, sensor=chosen, channel="central_x", shared=shared, **axes)
    largest = {name: np.abs(rows).max() for name, rows in true.items()}
    at_end = 899 / RATE - 0.05
    for row in range(25):
        total = abs(drawn.gain[row]) * largest["central_x"]
        for name, share in drawn.cross.items():
            total += abs(share[row]) * largest[name]
        total += abs(drawn.offset[row]) + abs(drawn.drift[row]) * at_end
        noise = 0.02 * G * np.sqrt(RATE / 2) * (row > 0)
        noise *= drawn.element.noise[row] if drawn.element is not None else 1.0
        want = "fast" if total + 8.0 * noise <= 100 * G else "full"
        assert out.paths[row] == want


def test_codes_in_the_quiet_have_the_noise_of_the_part() -> None:
    """White noise of the density over half the internal rate; without it, nothing at all."""
    density = 0.003 * G
    loud = part(filter_kind="none", noise_density=density, bits=20, offset_tolerance=3 * G)
    # 16 draws of 1000 words: sure to 0.6 %. Each draw's own offset is no noise.
    want = density * np.sqrt(RATE / 2)
    assert quiet_noise(sensor_set(loud), "central_x") == pytest.approx(want, rel=0.03)
    still = loud.changed(noise_density=0.0)
    assert quiet_noise(sensor_set(still), "central_x") == pytest.approx(0.0, abs=1e-9)


def test_a_shared_mass_couples_its_own_axes_alone() -> None:
    """Nominal share of the other axes: of those that ride on the same mass."""
    shared: Element = replace(
        ELEMENTS["plate"], axes=("x", "y"), **{f"{n}_tolerance": 0.0 for n in DEVIATIONS}
    )
    one = part(**{**shared.part_numbers(), "element": shared})
    draws = np.arange(2)
    unit = draw_unit(draws, unit=sensor_set(one).control_unit, seed=1, occurrence="e", vary=False)
    arguments = {"shared": unit, "seed": 1, "occurrence": "e", "vary": False}
    drawn = draw_sensor(draws, sensor=one, channel="central_x", **arguments)
    np.testing.assert_allclose(drawn.cross["central_y"], 0.03)
    np.testing.assert_array_equal(drawn.cross["central_z"], 0.0)
    plain = replace(one, element=None)
    drawn = draw_sensor(draws, sensor=plain, channel="central_x", **arguments)
    for name in ("central_y", "central_z"):
        np.testing.assert_allclose(drawn.cross[name], 0.03)
