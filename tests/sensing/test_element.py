"""The element: geometry to part, tolerances drawn together, and the part measured at the codes."""

from __future__ import annotations

from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.elements import ELEMENTS
from sensing.sensing_helpers import acceleration, part, sensor_set

from crashsense.errors import InputError
from crashsense.sensing import mechanics, sense
from crashsense.sensing.element import DEVIATIONS, Element, leaning_coupling
from crashsense.sensing.element_card import element_curves, element_rows, step_response
from crashsense.sensing.sensor import Sensor
from crashsense.sensing.tolerance import SensorDraws, UnitDraws, draw_sensor
from crashsense.units import STANDARD_GRAVITY as G

COMB = Element(
    name="comb",
    thickness=25e-6,
    plate_length=500e-6,
    plate_width=420e-6,
    filled=0.85,
    beam_length=195e-6,
    beam_width=3e-6,
    gap=2e-6,
    fingers=40,
    overlap=120e-6,
    pressure=60e3,
    feedback=100e-15,
    parasitic=2e-12,
    amplifier_noise=200e-9,
    stop=1.6e-6,
    gap_tolerance=0.03e-6,
    edge_tolerance=0.02e-6,
    thickness_tolerance=0.25e-6,
    pressure_tolerance=0.05,
    centre_tolerance=4e-9,
    centre_per_k=0.02e-9,
    trim_left=0.1,
)
BARE = replace(COMB, **{f"{name}_tolerance": 0.0 for name in DEVIATIONS}, centre_per_k=0.0)


def as_part(element: Element, **values: object) -> Sensor:
    return part(**{**element.part_numbers(), "element": element, "bits": 16, **values})


def value(element: Element, name: str) -> float:
    return next(row.value for row in element_rows(element) if row.name == name)


def test_numbers_by_hand() -> None:
    # The same from the formulas written out, without softening and gas spring.
    mass = 2330.0 * 500e-6 * 420e-6 * 25e-6 * 0.85
    spring = 4 * 169e9 * 25e-6 * (3e-6) ** 3 / (195e-6) ** 3
    area = 40 * 120e-6 * 25e-6
    softening = 2 * mechanics.PERMITTIVITY * area / (2e-6) ** 3
    state = COMB.state()
    assert float(state.mass) == pytest.approx(mass)
    assert float(state.spring) == pytest.approx(spring)
    assert float(state.softening) == pytest.approx(softening)
    assert float(state.compliance) == pytest.approx(mass / (spring - softening))
    assert float(state.rest) == pytest.approx(mechanics.PERMITTIVITY * area / 2e-6)
    # 80 films of 120 x 25 um: a strip of that shape has 0.87 of mu L w^3 / d^3; thinned by Kn.
    knudsen = 68e-9 * 101325 / 60e3 / 2e-6
    odd = np.arange(1, 200, 2)
    shape = 120 / 25
    share = 1 - 192 / (pi**5 * shape) * np.sum(np.tanh(odd * pi * shape / 2) / odd**5.0)
    thin = 1.8366e-5 / (1 + 9.638 * knudsen**1.159)
    film = 80 * share * thin * 120e-6 * (25e-6) ** 3 / (2e-6) ** 3
    assert float(state.damping) == pytest.approx(film, rel=5e-3)
    assert float(state.thermal_noise) == pytest.approx(
        sqrt(4 * 1.380649e-23 * 298.15 * float(state.damping)) / mass
    )


@pytest.mark.parametrize("form", ["comb", "plate"])
@pytest.mark.parametrize("folded", [False, True])
def test_a_stiffness_outright_varies_as_its_beams_would(form: str, folded: bool) -> None:
    """Both are E t w^3 / l^3 of each beam, half of it folded; w is across the motion."""
    beams = replace(ELEMENTS[form], folded=folded, drive=0.5)
    width, thick = (beams.beam_width, beams.thickness)[:: 1 if form == "comb" else -1]
    one = beams.young * thick * (width / beams.beam_length) ** 3
    whole = beams.beams * one * (0.5 if folded else 1.0)
    outright = replace(beams, stiffness=whole)
    source = np.random.default_rng(5)
    by = {name: 1e-7 * source.standard_normal(9) for name in ("beam", "edge", "thickness")}
    by |= {"gap": np.zeros(9), "pressure": np.zeros(9), "centre": np.zeros(9)}
    for warmer in (np.zeros(9), np.linspace(-65.0, 60.0, 9)):
        want = beams.state(warmer_k=warmer, with_film=False, **by).spring
        got = outright.state(warmer_k=warmer, with_film=False, **by).spring
        np.testing.assert_allclose(got, want, rtol=1e-9)
    assert float(outright.state().spring) == pytest.approx(whole)
    assert float(beams.state().spring) == pytest.approx(whole)


def test_a_sealed_gas_presses_with_its_temperature() -> None:
    """p / T stays (the gas law); its spring and damping are those of the film at that pressure."""
    one = ELEMENTS["plate"]
    hot = one.state(warmer_k=60.0)
    kelvin = 298.15 + 60.0
    film = mechanics.squeeze_film(
        length=one.plate_length,
        width=one.plate_width,
        gap=hot.gap,
        hz=np.sqrt(hot.static_stiffness / hot.mass) / (2.0 * pi),
        pressure=one.pressure * kelvin / 298.15,
        viscosity=mechanics.thinned_viscosity(
            mechanics.viscosity(kelvin), gap=hot.gap, pressure_25=one.pressure
        ),
    )
    assert float(hot.gas_spring) == pytest.approx(2.0 * one.film * float(film[1]))
    assert float(hot.gas_spring) > 0.0


def test_which_full_scale_binds() -> None:
    assert COMB.binds == "linearity"
    assert COMB.range / G == pytest.approx(120.2, abs=0.1)
    assert replace(COMB, feedback=10e-15).binds == "amplifier"
    assert replace(COMB, stop=0.1e-6).binds == "stops"
    # A bridge without parasitics is linear: then the gap or the amplifier ends it.
    free = replace(COMB, read_out="bridge", parasitic=0.0, gain=0.1, stop=0.0)
    assert free.full_scales()["linearity"] == np.inf
    assert free.binds == "gap"
    assert free.part_numbers()["nonlinearity"] == 0.0
    loaded = replace(free, parasitic=2e-12)
    share = 2e-12 / (2 * float(COMB.state().rest))
    assert float(loaded.state().divider) == pytest.approx(share / (1 + share))


@pytest.mark.parametrize("read_out", ["charge", "bridge"])
def test_read_out_against_the_capacitances_themselves(read_out: str) -> None:
    # Two gaps, d - x and d + x: the amplifier of the difference, or the divider with Cp, against
    # the linear output and the cubic part of the part.
    one = replace(COMB, read_out=read_out, gain=1.0)
    state = one.state()
    a = np.linspace(0.01, 1.0, 50) * one.range
    x = a * float(state.compliance)
    area = mechanics.PERMITTIVITY * one.area
    c1, c2 = area / (one.gap - x), area / (one.gap + x)
    exact = (c1 - c2) / one.feedback if read_out == "charge" else (c1 - c2) / (c1 + c2 + 2e-12)
    numbers = one.part_numbers()
    cubic = 1 + numbers["nonlinearity"] * (a / one.range) ** 2
    np.testing.assert_allclose(float(state.volts) * a * cubic, exact, rtol=2e-4)


def test_single_electrode_is_quadratic() -> None:
    one = replace(COMB, differential=False, linear_within=0.01)
    numbers = one.part_numbers()
    assert numbers["quadratic"] == pytest.approx(0.01)
    a = np.linspace(-1, 1, 41) * one.range
    x = a * float(one.state().compliance)
    exact = (1 / (one.gap - x) - 1 / one.gap) * one.gap**2 / float(one.state().compliance)
    sensor = as_part(replace(one, **{f"{n}_tolerance": 0.0 for n in DEVIATIONS}))
    from crashsense.sensing.chain import respond

    got, _ = respond(a[None], sensor=sensor, rate_hz=1e4)
    np.testing.assert_allclose(got[0], exact, atol=2e-6 * one.range)


@pytest.mark.parametrize("q", [0.3, 0.5, 0.9, 5.0])
def test_step_response_against_scipy(q: float) -> None:
    w0 = 2 * pi * 12e3
    times, response = step_response(12e3, 1 / (2 * q))
    _, want = ss.step(([w0**2], [1, w0 / q, w0**2]), T=times)
    np.testing.assert_allclose(response, want, atol=1e-6)


def test_curves_are_those_of_the_element() -> None:
    curves = element_curves(COMB)
    at = np.argmin(np.abs(curves.hz - float(COMB.state().resonance_hz)))
    assert curves.gain[at] == pytest.approx(float(COMB.state().quality), rel=0.02)
    assert curves.deflection[200] == 0.0
    half = np.interp(value(COMB, "bandwidth, -3 dB"), curves.hz, curves.gain)
    assert half == pytest.approx(sqrt(0.5), rel=1e-3)


# --- measured at the codes -----------------------------------------------------------------------


def test_full_scale_and_hidden_clipping_at_the_codes() -> None:
    sensor = as_part(BARE, noise_density=0.0)
    ramp = np.concatenate([np.zeros(600), np.linspace(0, 2 * BARE.range, 1900)])
    out = sense({"central_x": acceleration(ramp)}, sensor_set(sensor))
    codes = out.samples.codes["central_x"][0]
    assert codes.max() == sensor.code_limit
    first = out.samples.channels["central_x"][0].argmax()
    late = sensor_set(sensor).delay_s("central_x")
    at = np.interp(out.samples.times_s[0, first] - late, -0.05 + np.arange(2500) / 1e4, ramp)
    # The cubic part of 1 % brings the last code to 99 % of the range.
    assert at == pytest.approx(0.99 * BARE.range, rel=0.01)
    # The amplifier ends at 1.55 times the range: cut ahead of the filter.
    assert sensor.front_end / sensor.range == pytest.approx(186.6 / 120.2, rel=1e-3)
    assert out.reports["central_x"].clipped_before_filter[0] > 0


def test_noise_of_the_element_at_the_codes() -> None:
    sensor = as_part(BARE, bits=24, filter_kind="none", sample_rate_hz=1e4)
    tested = sensor_set(sensor, tick_rate_hz=1e4)
    out = sense(
        {"central_x": acceleration(np.zeros(5200))}, tested, draws=range(1, 65), seed=3, path="full"
    ).samples.channels["central_x"]
    f, power = ss.welch(out, fs=1e4, nperseg=256, noverlap=0, axis=-1, detrend=False)
    band = (f > 100) & (f < 4900)
    assert np.sqrt(power.mean(axis=0)[band].mean()) == pytest.approx(
        float(BARE.state().noise), rel=0.02
    )


def test_bandwidth_of_a_slow_element_at_the_codes() -> None:
    # A soft element below a quarter of the internal rate is stepped: its impulse response at the
    # codes has the bandwidth of its card.
    slow = replace(BARE, stiffness=1.2, beam_width=0.0, stop=1.9e-6, drive=0.1, supply=0.5)
    slow = replace(slow, pressure=101325.0, feedback=1e-12)
    sensor = as_part(
        slow, range=1e5, front_end=1e6, stop=1e6, nonlinearity=0.0, noise_density=0.0, bits=24,
        filter_kind="none", sample_rate_hz=1e4,
    )  # fmt: skip
    signal = np.zeros(6000)
    signal[1000] = 1e4
    tested = sensor_set(sensor, tick_rate_hz=1e4)
    out = sense({"central_x": acceleration(signal)}, tested).samples.channels["central_x"][0]
    f, got = ss.freqz(out[1000:4000] / 1e4, worN=4000, fs=1e4)
    # An impulse between samples is a triangle: its own spectrum is taken out.
    gain = np.abs(got) / np.abs(got[0]) / np.sinc(f / 1e4) ** 2
    want = value(slow, "bandwidth, -3 dB")
    assert 200 < want < 2500
    assert f[np.argmax(gain < sqrt(0.5))] == pytest.approx(want, rel=0.03)


# --- tolerances drawn together -------------------------------------------------------------------


def drawn(element: Element, n: int = 400) -> dict[str, np.ndarray]:
    z = np.clip(np.random.default_rng(2).standard_normal((n, len(DEVIATIONS))), -3, 3)
    made = element.drawn(z, np.zeros(n))
    return {name: getattr(made, name) for name in ("sensitivity", "resonance", "noise", "quality")}


def test_one_geometry_moves_all_together() -> None:
    # Wider beams: stiffer, so the resonance rises and sensitivity falls. Trimming amplifies what is
    # left, noise with it.
    wider = replace(BARE, beam_tolerance=0.04e-6)
    raw, trimmed = drawn(replace(wider, trim_left=1.0)), drawn(replace(wider, trim_left=0.0))
    assert np.corrcoef(raw["sensitivity"], raw["resonance"])[0, 1] < -0.99
    assert np.corrcoef(trimmed["noise"], trimmed["resonance"])[0, 1] > 0.99
    np.testing.assert_allclose(trimmed["sensitivity"], 1.0, atol=1e-15)
    # An edge lost in etching makes beams softer, k ~ w^3, and gaps wider: sensitivity goes with
    # 1 / (k d^2), and with 3 / w = 2 / d, as here, the two cancel. Resonance still moves.
    etched = drawn(replace(BARE, edge_tolerance=0.02e-6, trim_left=1.0))
    assert etched["resonance"].std() == pytest.approx(1.5 * 0.04 / 3, rel=0.1)
    assert etched["sensitivity"].std() < 0.1 * etched["resonance"].std()
    # Pressure alone moves quality and noise, never sensitivity; thickness of a comb only noise
    # and damping.
    gas = drawn(replace(BARE, pressure_tolerance=0.1))
    np.testing.assert_allclose(gas["sensitivity"], 1.0, atol=1e-15)
    assert np.corrcoef(gas["quality"], gas["noise"])[0, 1] < -0.95
    thick = drawn(replace(BARE, thickness_tolerance=0.5e-6))
    # Softening, carried by the drive, keeps its share of the stiffness: all scale with thickness.
    assert thick["resonance"].std() < 1e-4
    assert thick["noise"].std() > 3e-3


def test_drawn_against_elements_made_of_that_geometry() -> None:
    # Each draw is the element that one would write down with the drawn numbers.
    z = np.clip(np.random.default_rng(4).standard_normal((5, 6)), -3, 3)
    z[:, DEVIATIONS.index("centre")] = 0.0
    made = COMB.drawn(z, np.zeros(5))
    for row in range(5):
        by = dict(zip(DEVIATIONS, z[row], strict=True))
        edge = by["edge"] * COMB.edge_tolerance
        grown = replace(
            BARE,
            gap=COMB.gap + by["gap"] * COMB.gap_tolerance + 2 * edge,
            beam_width=COMB.beam_width - 2 * edge,
            thickness=COMB.thickness + by["thickness"] * COMB.thickness_tolerance,
            pressure=COMB.pressure * (1 + by["pressure"] * COMB.pressure_tolerance),
        )
        state, nominal = grown.state(), COMB.state()
        raw = float(state.volts / nominal.volts)
        assert made.sensitivity[row] == pytest.approx(1 + 0.1 * (raw - 1), rel=1e-12)
        for name in ("resonance", "quality"):
            field = "resonance_hz" if name == "resonance" else name
            want = float(getattr(state, field) / getattr(nominal, field))
            assert getattr(made, name)[row] == pytest.approx(want, rel=1e-9)
        noise = made.sensitivity[row] * float(state.noise / nominal.noise)
        assert made.noise[row] == pytest.approx(noise, rel=1e-9)


def test_offset_is_the_load_that_would_hold_the_mass_there() -> None:
    one = replace(BARE, centre_tolerance=4e-9, trim_left=1.0)
    z = np.zeros((3, 6))
    z[:, DEVIATIONS.index("centre")] = (-1.0, 0.0, 2.0)
    made = one.drawn(z, np.zeros(3))
    per = 4e-9 / float(one.state().compliance)
    np.testing.assert_allclose(made.offset, np.array([-1.0, 0.0, 2.0]) * per, rtol=1e-12)
    np.testing.assert_array_equal(made.sensitivity, 1.0)


def test_nominal_draw_is_the_nominal_part_and_a_draw_never_depends_on_its_block() -> None:
    sensor = as_part(COMB)
    true = {"central_x": acceleration(-300.0 * np.hanning(2500))}
    block = sense(true, sensor_set(sensor), draws=range(7), seed=5, occurrence="e")
    bare = sense(true, sensor_set(as_part(BARE)), draws=[0], seed=5, occurrence="e")
    np.testing.assert_array_equal(
        block.samples.codes["central_x"][:1], bare.samples.codes["central_x"]
    )
    for draw in (1, 6):
        alone = sense(true, sensor_set(sensor), draws=[draw], seed=5, occurrence="e")
        np.testing.assert_array_equal(
            block.samples.channels["central_x"][draw], alone.samples.channels["central_x"][0]
        )
    still = sense(true, sensor_set(sensor), draws=range(3), vary=False)
    assert (still.samples.codes["central_x"] == still.samples.codes["central_x"][0]).all()


def test_stop_and_noise_of_a_draw_reach_the_words_on_both_paths() -> None:
    sensor = as_part(replace(COMB, gap_tolerance=0.1e-6), filter_kind="none")
    quiet = {"central_x": acceleration(np.zeros(2500))}
    ratio = {}
    for path in ("full", "fast"):
        out = sense(quiet, sensor_set(sensor), draws=range(1, 65), seed=5, path=path)
        spread = out.samples.channels["central_x"].std(axis=-1)
        made = sensor.element.drawn(np.zeros((1, 6)), np.zeros(1))
        assert made.noise[0] == 1.0
        ratio[path] = spread / spread.mean()
    # The same draws are noisy on both paths: 400 words each, so 3.5 % by chance.
    assert ratio["full"].std() > 0.05
    assert np.corrcoef(ratio["full"], ratio["fast"])[0, 1] > 0.5
    blow = {"central_x": acceleration(np.where(np.arange(2500) > 900, 2e4, 0.0))}
    wide = as_part(replace(COMB, gap_tolerance=0.1e-6), range=3e4, front_end=4e4, stop=3e4)
    hits = sense(blow, sensor_set(wide.changed(stop=3e4)), draws=range(1, 9)).reports["central_x"]
    assert (hits.at_stop == 0).all()


# --- several axes --------------------------------------------------------------------------------


@pytest.mark.parametrize(("lean", "ratio"), [(1.0, 2.0), (5.0, 0.5), (20.0, 1.0), (30.0, 4.0)])
def test_coupling_of_leaning_springs_by_linear_algebra(lean: float, ratio: float) -> None:
    t = np.radians(lean)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    stiffness = turn @ np.diag([1.0, ratio]) @ turn.T
    x = np.linalg.solve(stiffness, [1.0, 0.0])
    got = leaning_coupling(lean_deg=lean, stiffness_ratio=ratio)
    assert got == pytest.approx(abs(x[1] / x[0]), abs=1e-12)


def test_the_coupling_of_a_shared_mass_reaches_the_other_axis() -> None:
    # A frontal pulse, nothing across: the lateral channel reads the coupled share and no more.
    shared = replace(BARE, axes=("x", "y"), shared_mass=True, coupling=0.04)
    sensor = as_part(shared, noise_density=0.0, nonlinearity=0.0, misalignment_tolerance=0.0)
    frontal = {
        "central_x": acceleration(-40 * G * np.hanning(2500)),
        "central_y": acceleration(np.zeros(2500), axis="y"),
    }
    two = sensor_set(sensor)
    two = replace(two, sensors={"central_x": sensor, "central_y": sensor})
    out = sense(frontal, two).samples.channels
    assert np.abs(out["central_y"]).max() == pytest.approx(0.04 * 40 * G, rel=0.02)
    alone = replace(two, sensors={n: s.changed(cross_axis=0.0) for n, s in two.sensors.items()})
    assert np.abs(sense(frontal, alone).samples.channels["central_y"]).max() == 0.0


# --- trades and refusals -------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    gap=st.floats(1.2, 3.0),
    length=st.floats(150.0, 260.0),
    pressure=st.floats(1e3, 1e5),
    factor=st.floats(1.05, 1.3),
)
def test_every_trade_is_monotone(gap: float, length: float, pressure: float, factor: float) -> None:
    base = replace(
        BARE, gap=gap * 1e-6, stop=0.0, beam_length=length * 1e-6, pressure=pressure, supply=1.5
    )
    stiff = replace(base, beam_length=base.beam_length / factor)
    a, b = base.state(), stiff.state()
    assert b.resonance_hz > a.resonance_hz
    assert b.compliance < a.compliance
    assert stiff.range > base.range
    assert b.noise > a.noise
    wide = replace(base, gap=base.gap * factor)
    c = wide.state()
    assert c.rest < a.rest
    assert c.volts < a.volts
    assert c.quality > a.quality
    assert wide.full_scales()["linearity"] > base.full_scales()["linearity"]
    d = replace(base, pressure=pressure * factor).state()
    assert d.quality < a.quality
    assert d.thermal_noise > a.thermal_noise
    more = replace(base, fingers=50).state()
    assert more.electronic_noise < a.electronic_noise
    assert more.quality < a.quality


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"drive": 20.0, "supply": 25.0}, "below the pull-in voltage, 15.2 V"),
        ({"supply": 16.0}, r"pull-in voltage \(15.2 V\) above the supply"),
        ({"package_hz": 12.0e3}, "each excites the other"),
        ({"stop": 2.5e-6}, "within the gap of 2 um"),
        ({"gap_tolerance": 0.4e-6}, "3 sigma"),
        ({"edge_tolerance": 0.3e-6}, "3 sigma"),
        ({"read_out": "bridge", "differential": False}, "a bridge needs two electrodes"),
        ({"coupling": 0.1}, "masses of their own do not couple"),
        ({"shared_mass": True}, "two or three axes"),
        ({"axes": ("x", "q")}, "of x, y, z"),
        ({"fingers": 0}, "fingers a side"),
        ({"gap": float("nan")}, "finite"),
        ({"form": "kombo"}, "did you mean 'comb'"),
    ],
)
def test_refusals_say_the_reason(change: dict[str, object], reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        replace(COMB, **change)


def test_a_plate_moves_out_of_the_plane() -> None:
    plate = replace(
        BARE, form="plate", fingers=0, gap=3e-6, film=0.05, beam_length=300e-6, beam_width=20e-6,
        feedback=1e-12, stop=2e-6,
    )  # fmt: skip
    state = plate.state()
    one = 169e9 * 20e-6 * (25e-6) ** 3 / (300e-6) ** 3
    assert float(state.spring) == pytest.approx(4 * one)
    assert float(state.rest) == pytest.approx(
        mechanics.PERMITTIVITY * 500e-6 * 420e-6 * 0.85 / 3e-6
    )
    assert plate.footprint == pytest.approx(500e-6 * 420e-6)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("feedback", 0.0), ("gain", 0.0), ("drive", 0.0), ("supply", 0.0), ("filled", 0.0),
        ("film", 0.0), ("package_quality", 0.0), ("linear_within", 0.0), ("coupling", 0.5),
        ("stop", 2e-6), ("solid_quality", 0.999), ("beams", 0), ("fingers", 0),
    ],
)  # fmt: skip
def test_an_impossible_limit_is_refused_by_its_name(name: str, value: float) -> None:
    """A capacitance, a voltage or a share of nothing, a stop at the electrode."""
    with pytest.raises(InputError) as caught:
        replace(COMB, **{name: value})
    assert name in [fault.field for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("filled", 1.0), ("film", 1.0), ("coupling", 0.0), ("trim_left", 0.0), ("trim_left", 1.0),
        ("parasitic", 0.0), ("amplifier_noise", 0.0), ("solid_quality", 1.0),
        ("linear_within", 0.2),
    ],
)  # fmt: skip
def test_a_possible_limit_is_taken(name: str, value: float) -> None:
    assert getattr(replace(COMB, **{name: value}), name) == value


def drawn_of(sensor: Sensor, *, vary: bool) -> SensorDraws:
    """Draws 0 to 5 of a sensor in a control unit that is 20 K warmer than its trim."""
    shared = UnitDraws(np.zeros(6, dtype=np.int64), np.full(6, 20.0))
    return draw_sensor(
        np.arange(6), sensor=sensor, channel="central_x", shared=shared, seed=2, occurrence="any",
        vary=vary,
    )  # fmt: skip


@pytest.mark.parametrize("vary", [False, True])
def test_noise_is_in_every_draw_but_the_nominal_one_and_only_where_draws_vary(vary: bool) -> None:
    found = drawn_of(as_part(COMB), vary=vary).noisy.tolist()
    assert found == [vary and draw > 0 for draw in range(6)]


@pytest.mark.parametrize("vary", [False, True])
def test_an_element_adds_its_offset_and_multiplies_the_sensitivity_of_its_part(vary: bool) -> None:
    """Geometry and warmth beside the tolerances of the part, each as if it were alone."""
    whole = as_part(COMB, offset_tolerance=3.0, sensitivity_tolerance=0.02)
    one, both = (drawn_of(sensor, vary=vary) for sensor in (replace(whole, element=None), whole))
    made = both.element
    assert made is not None
    assert np.all(made.offset != 0.0)
    np.testing.assert_allclose(both.offset, one.offset + made.offset, rtol=1e-12)
    np.testing.assert_allclose(both.gain, one.gain * made.sensitivity, rtol=1e-12)
