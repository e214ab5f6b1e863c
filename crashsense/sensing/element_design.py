"""Design of an element from range, bandwidth and noise, and what binds it.

The trade-off: deflection per g falls with the square of the resonance, so a wide range or bandwidth
costs capacitance per g and raises noise; area buys capacitance back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, sqrt

from crashsense.errors import Fault, InputError
from crashsense.sensing import mechanics
from crashsense.sensing.element import Element
from crashsense.units import STANDARD_GRAVITY as G


@dataclass(frozen=True, kw_only=True)
class Process:
    """Limits of manufacture and read-out: assumed values of a thick surface process.

    ``thickness``, ``smallest_gap``, ``smallest_beam``, ``overlap`` and width of a ``finger`` [m];
    ``filled`` share that etch holes leave; ``pressures`` least and most that can be sealed [Pa];
    ``drive``, ``supply`` [V]; ``parasitic`` [F]; ``amplifier_noise`` [V/sqrt(Hz)];
    ``largest_side`` and ``smallest_side`` of the plate [m], ``aspect`` its width over its length.
    """

    thickness: float = 25e-6
    smallest_gap: float = 2e-6
    smallest_beam: float = 3e-6
    overlap: float = 120e-6
    finger: float = 3e-6
    filled: float = 0.85
    pressures: tuple[float, float] = (100.0, mechanics.ATMOSPHERE)
    drive: float = 1.0
    supply: float = 3.3
    parasitic: float = 2e-12
    amplifier_noise: float = 200e-9
    largest_side: float = 2e-3
    smallest_side: float = 300e-6
    aspect: float = 0.8


@dataclass(frozen=True, eq=False)
class Design:
    """A proposed element. ``binds``: what set its resonance, and what set its size, in words."""

    element: Element
    binds: tuple[str, ...]
    range: float
    bandwidth_hz: float
    noise_density: float


@dataclass(frozen=True)
class TradePoint:
    """An element of the trade: resonance [Hz], range [m/s^2], bandwidth [Hz], noise, size.

    ``deflection_per_g`` [m], ``capacitance_per_g`` [F], ``noise_density`` [m/s^2 / sqrt(Hz)],
    ``footprint`` [m^2].
    """

    resonance_hz: float
    range: float
    bandwidth_hz: float
    noise_density: float
    deflection_per_g: float
    capacitance_per_g: float
    footprint: float


def design_element(
    *,
    range_m_s2: float,
    bandwidth_hz: float,
    noise_density: float,
    quality: float = 1.0,
    nonlinearity: float = 0.01,
    process: Process | None = None,
) -> Design:
    """Propose a comb element for a range, a bandwidth and a noise.

    * Resonance: the lowest that gives both. Bandwidth wants
      ``f0 = bandwidth / sqrt(1 - 1/2Q^2 + sqrt((1 - 1/2Q^2)^2 + 1))``; range wants the deflection
      at full scale, ``range / w0^2``, within ``gap sqrt(nonlinearity)`` of the smallest gap. Lower
      would be more sensitive: deflection for each g falls with w0^2.
    * Gap: the smallest that can be made, or, where bandwidth binds, the one that just keeps the
      nonlinear part.
    * Gas pressure: that of the wanted quality factor, within what can be sealed.
    * Size: the fewest fingers, on a plate just long enough to carry them, that meet the noise,
      thermal and electronic. Fingers bring capacitance and damping, the plate brings mass.

    Parameters
    ----------
    range_m_s2 : full scale [m/s^2]
    bandwidth_hz : -3 dB of the element alone [Hz]
    noise_density : of motion and electronics together [m/s^2 / sqrt(Hz)]
    quality : wanted quality factor [-]
    nonlinearity : largest cubic part at full scale [-]
    process : what can be made and read

    Raises
    ------
    InputError : values at or below 0 or absurd, all at once; a noise that no size within the
        process meets, with the physical reason; a pull-in voltage below the supply
    """
    made = Process() if process is None else process
    found = [
        Fault("element design", name, value, f"{low:g} to {high:g} {unit}")
        for name, value, low, high, unit in (
            ("range_m_s2", range_m_s2, 0.1 * G, 1e5 * G, "m/s^2 (0.1 to 100000 g)"),
            ("bandwidth_hz", bandwidth_hz, 10.0, 1e5, "Hz"),
            ("noise_density", noise_density, 1e-9, 1e3, "m/s^2/sqrt(Hz)"),
            ("quality", quality, 0.1, 100.0, "(quality factor)"),
            ("nonlinearity", nonlinearity, 1e-5, 0.1, "(share at full scale)"),
        )
        if not low <= value <= high
    ]
    if found:
        raise InputError(found)
    for_band = bandwidth_hz / mechanics.bandwidth_hz(resonance_hz=1.0, quality=quality)
    room = made.smallest_gap * sqrt(nonlinearity)
    for_range = sqrt(range_m_s2 / room) / (2.0 * pi)
    f0 = max(for_band, for_range)
    gap = max(made.smallest_gap, range_m_s2 / (2.0 * pi * f0) ** 2 / sqrt(nonlinearity))
    first = (
        "bandwidth sets the resonance; a lower one would be more sensitive"
        if for_band > for_range
        else "range sets the resonance: at full scale the smallest gap must still be linear"
    )
    wanted = {
        "f0": f0,
        "gap": gap,
        "range": range_m_s2,
        "quality": quality,
        "nonlinearity": nonlinearity,
    }
    fingers, second = _fewest(made, noise_density=noise_density, wanted=wanted)
    element = _sized(made, fingers, **wanted)
    if float(element.state().resonance_hz) > 1.01 * f0:
        first = "pull-in sets the resonance: softer beams would snap at the supply voltage"
    return Design(
        element=element,
        binds=(first, second, *_gas_words(made, element, quality)),
        range=range_m_s2,
        bandwidth_hz=bandwidth_hz,
        noise_density=noise_density,
    )


def _fewest(made: Process, *, noise_density: float, wanted: dict[str, float]) -> tuple[int, str]:
    """Fewest fingers per side that meet the noise, and what set their number."""
    low, high = 4, int(2.0 * made.largest_side / _pitch(made, wanted["gap"]))

    def noise(fingers: int) -> float:
        return float(_sized(made, fingers, **wanted).state().noise)

    if noise(low) <= noise_density:
        return low, "the smallest comb (4 fingers a side) meets the noise already"
    if noise(high) > noise_density:
        reached = _sized(made, high, **wanted)
        state = reached.state()
        word = "electronics" if state.electronic_noise > state.thermal_noise else "gas"
        expected = (
            f"{float(state.noise) / G * 1e3:.3g} mg/sqrt(Hz) or more: at {wanted['f0']:.0f} Hz,"
            f" which range and bandwidth ask for, even a plate of {1e3 * made.largest_side:g} mm"
            f" does not get below it ({word} noise)"
        )
        shown = float(f"{noise_density:.6g}")
        raise InputError([Fault("element design", "noise_density", shown, expected)])
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if noise(middle) > noise_density else (low, middle)
    state = _sized(made, high, **wanted).state()
    word = "electronic" if state.electronic_noise > state.thermal_noise else "thermo-mechanical"
    return high, f"{word} noise sets the size: {high} fingers a side"


def _pitch(made: Process, gap: float) -> float:
    """Length of plate that a finger takes [m]: itself, its partner, near gap and three gaps far."""
    return 2.0 * made.finger + 4.0 * gap


def _sized(
    made: Process,
    fingers: int,
    *,
    f0: float,
    gap: float,
    range: float,  # noqa: A002
    quality: float,
    nonlinearity: float,
) -> Element:
    """Element with the given fingers per side, half of them on each edge of the plate."""
    length = max(fingers * _pitch(made, gap) / 2.0, made.smallest_side)
    width = made.aspect * length
    mass = mechanics.SILICON_DENSITY * length * width * made.thickness * made.filled
    area = fingers * made.overlap * made.thickness
    softening = 2.0 * mechanics.PERMITTIVITY * area * made.drive**2 / gap**3
    # Pull-in a tenth above the supply: V^2 = k d^3 / (2 e A).
    snaps = 2.0 * mechanics.PERMITTIVITY * area * (1.1 * made.supply) ** 2 / gap**3
    stiffness = max(mass * (2.0 * pi * f0) ** 2 + softening, snaps)
    compliance = mass / (stiffness - softening)
    beam = (4.0 * mechanics.SILICON_YOUNG * made.thickness * made.smallest_beam**3 / stiffness) ** (
        1.0 / 3.0
    )
    rest = mechanics.capacitance(area=area, gap=gap)
    # The amplifier ends a quarter above the range.
    per_m_s2 = made.supply / 2.0 / (1.25 * range)
    feedback = made.drive * 2.0 * rest * compliance / gap / per_m_s2
    element = Element(
        name="designed",
        title=f"designed for +/-{range / G:.4g} g",
        thickness=made.thickness,
        plate_length=length,
        plate_width=width,
        filled=made.filled,
        beams=4,
        beam_length=beam,
        beam_width=made.smallest_beam,
        gap=gap,
        fingers=fingers,
        overlap=made.overlap,
        pressure=made.pressures[1],
        drive=made.drive,
        supply=made.supply,
        feedback=feedback,
        parasitic=made.parasitic,
        amplifier_noise=made.amplifier_noise,
        stop=0.8 * gap,
        # A hair wider, so that rounding leaves the range whole.
        linear_within=nonlinearity * (1.0 + 1e-6),
        basis={
            "spring.beam_length_um": "from the resonance that range and bandwidth ask for",
            "electrodes.fingers": "from the noise",
            "gas.pressure_pa": "from the wanted quality factor",
            "read_out.feedback_ff": "so that the amplifier ends 25 % above the range",
            "electrodes.gap_um": "assumed: the smallest gap of the process, or from the linearity",
            "read_out.noise_nv_per_rthz": "assumed: of the whole read-out, at its input",
        },
    )
    return element.changed(pressure=_pressure_for(element, quality, made.pressures))


def _pressure_for(element: Element, quality: float, limits: tuple[float, float]) -> float:
    """Pressure [Pa] of a quality factor, by halving; an end of *limits* where none reaches it."""
    low, high = limits

    def reached(pressure: float) -> float:
        return float(element.changed(pressure=pressure).state().quality)

    if reached(high) >= quality:
        return high
    if reached(low) <= quality:
        return low
    for _ in range(24):
        middle = sqrt(low * high)
        low, high = (middle, high) if reached(middle) > quality else (low, middle)
    return sqrt(low * high)


def _gas_words(made: Process, element: Element, quality: float) -> tuple[str, ...]:
    state = element.state()
    reached = float(state.quality)
    if element.pressure >= made.pressures[1] and reached > 1.02 * quality:
        told = f"gas at {element.pressure / 1e3:.0f} kPa damps to a quality factor of {reached:.2f}"
        return (f"{told} only, not {quality:g}: it rings, and the bandwidth is wider than asked",)
    if element.pressure <= made.pressures[0] and reached < 0.98 * quality:
        return (f"gas at {element.pressure:.0f} Pa still damps to a quality of {reached:.2f}",)
    return ()


def trade_points(
    design: Design, *, factors: Sequence[float] = (0.5, 0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 3.0)
) -> list[TradePoint]:
    """Return the designed element and its neighbours: resonance times each factor, same size.

    Beams are made stiffer or softer, the rest stays: range and bandwidth rise with the resonance,
    deflection and capacitance for each g fall with its square, noise rises. Elements that pull in
    are omitted.

    >>> d = design_element(range_m_s2=981.0, bandwidth_hz=1500.0, noise_density=0.01)
    >>> one, two = trade_points(d, factors=(1.0, 2.0))
    >>> round(one.deflection_per_g / two.deflection_per_g, 1)
    4.0
    """
    points = []
    element = design.element
    base = element.state()
    for factor in factors:
        static = float(base.static_stiffness) * factor**2
        spring = static + float(base.softening)
        shorter = (float(base.spring) / spring) ** (1.0 / 3.0)
        try:
            one = element.changed(beam_length=element.beam_length * shorter)
        except InputError:
            continue
        state = one.state()
        points.append(
            TradePoint(
                resonance_hz=float(state.resonance_hz),
                range=one.range,
                bandwidth_hz=mechanics.bandwidth_hz(
                    resonance_hz=float(state.resonance_hz), quality=float(state.quality)
                ),
                noise_density=float(state.noise),
                deflection_per_g=float(state.compliance) * G,
                capacitance_per_g=2.0 * float(state.rest) * float(state.compliance) * G / one.gap,
                footprint=one.footprint,
            )
        )
    return points
