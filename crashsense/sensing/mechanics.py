"""The capacitive element: proof mass, spring, gap, and what they decide.

All formulas are textbook ones for a parallel-plate, differential-capacitance accelerometer (from
memory, checked against worked exercises in the tests). Pure functions; SI units.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, pi, sqrt

import numpy as np
import numpy.typing as npt

from crashsense.errors import Fault, InputError
from crashsense.units import STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]

#: Boltzmann constant [J/K] (SI, exact by definition).
BOLTZMANN = 1.380649e-23
#: Permittivity of vacuum [F/m] (CODATA 2018), used for the gas in the gap.
PERMITTIVITY = 8.8541878128e-12
#: Density of silicon [kg/m^3].
SILICON_DENSITY = 2330.0


def deflection(acceleration: float, *, resonance_hz: float) -> float:
    """Static deflection x = a / w0^2 [m].

    >>> round(deflection(9.80665, resonance_hz=1000.0) * 1e9, 2)
    248.41
    """
    return acceleration / (2.0 * pi * resonance_hz) ** 2


def resonance_hz(*, mass: float, stiffness: float) -> float:
    """Undamped natural frequency sqrt(k/m) / 2 pi [Hz]."""
    return sqrt(stiffness / mass) / (2.0 * pi)


def quality(*, mass: float, stiffness: float, damping: float) -> float:
    """Quality factor sqrt(k m) / b [-]; damping b in [N s/m]."""
    return sqrt(stiffness * mass) / damping


def noise_density(
    *, mass: float, resonance_hz: float, quality: float, kelvin: float = 300.0
) -> float:
    """Thermo-mechanical noise sqrt(4 kB T w0 / (m Q)) [m/s^2 / sqrt(Hz)].

    It depends on temperature and damping alone: b = m w0 / Q, a_n = sqrt(4 kB T b) / m (Gabrielson,
    IEEE Trans. Electron Devices 40(5), 1993).
    """
    return sqrt(4.0 * BOLTZMANN * kelvin * 2.0 * pi * resonance_hz / (mass * quality))


def thermal_motion(*, stiffness: float, kelvin: float = 300.0) -> float:
    """Root-mean-square thermal deflection sqrt(kB T / k) [m], whatever the damping."""
    return sqrt(BOLTZMANN * kelvin / stiffness)


def capacitance(*, area: float, gap: float) -> float:
    """Capacitance of two parallel plates, e A / d [F]."""
    return PERMITTIVITY * area / gap


def capacitance_ratio(share: FloatArray | float) -> FloatArray:
    """(C1 - C2) / (C1 + C2), exactly x/d (= *share*): a ratiometric read-out is linear."""
    x = np.asarray(share, dtype=np.float64)
    c1, c2 = 1.0 / (1.0 - x), 1.0 / (1.0 + x)
    return np.asarray((c1 - c2) / (c1 + c2))


def capacitance_difference(share: FloatArray | float, *, rest: float) -> FloatArray:
    """C1 - C2 = 2 C0 (x/d) / (1 - (x/d)^2) [F], *share* x/d within -1..1, *rest* C0 [F].

    To third order 2 C0 (x/d) (1 + (x/d)^2): a read-out of the difference has a cubic part of
    (x/d at full range)^2, which is the ``nonlinearity`` of a part.
    """
    x = np.asarray(share, dtype=np.float64)
    return np.asarray(2.0 * rest * x / (1.0 - x**2))


def pull_in_one_sided(*, stiffness: float, gap: float, area: float) -> float:
    """Voltage at which one fixed plate pulls the mass in, sqrt(8 k d^3 / (27 e A)) [V], x = d/3."""
    return sqrt(8.0 * stiffness * gap**3 / (27.0 * PERMITTIVITY * area))


def pull_in_two_sided(*, stiffness: float, gap: float, area: float) -> float:
    """The same with equal bias on both sides, sqrt(k d^3 / (2 e A)) [V], at x = 0."""
    return sqrt(stiffness * gap**3 / (2.0 * PERMITTIVITY * area))


def electrostatic_softening(*, area: float, gap: float, volts: float) -> float:
    """Stiffness taken off by a bias on one side, e A V^2 / d^3 [N/m], near x = 0."""
    return PERMITTIVITY * area * volts**2 / gap**3


def overshoot(damping_ratio: float) -> float:
    """Overshoot of a second-order step response, exp(-pi z / sqrt(1 - z^2)) [-]; 0 from z = 1 on.

    >>> round(overshoot(0.5), 5)
    0.16303
    """
    if damping_ratio <= 0:
        raise InputError([Fault("overshoot", "damping_ratio", damping_ratio, "above 0")])
    if damping_ratio >= 1:
        return 0.0
    return exp(-pi * damping_ratio / sqrt(1.0 - damping_ratio**2))


def squeeze_film_damping(
    *, length: float, width: float, gap: float, viscosity: float = 1.81e-5
) -> float:
    """Damping of a long plate over a narrow gap, mu L w^3 / d^3 [N s/m]; length >> width."""
    return viscosity * length * width**3 / gap**3


def squeeze_number(
    *, width: float, gap: float, hz: float, pressure: float = 101325.0, viscosity: float = 1.81e-5
) -> float:
    """12 mu w W^2 / (p d^2) [-]; above about 10 the gas acts as a spring."""
    return 12.0 * viscosity * 2.0 * pi * hz * width**2 / (pressure * gap**2)


def bandwidth_hz(*, resonance_hz: float, quality: float) -> float:
    """-3 dB frequency of the element alone [Hz]."""
    q = quality
    inner = 1.0 - 1.0 / (2.0 * q * q)
    return resonance_hz * sqrt(inner + sqrt(inner * inner + 1.0))


def sense_axes(acceleration: FloatArray, *, shared_mass: bool, coupling: float) -> FloatArray:
    """What the axes of one element read: acceleration (axes, samples) -> readings (axes, samples).

    Separate one-axis elements read their own axis. A shared mass hangs in springs that lean a
    little: each axis takes the share *coupling* [-] of every other one (two axes or three).
    """
    values = np.asarray(acceleration, dtype=np.float64)
    if not 0 <= coupling < 0.5:
        raise InputError([Fault("element", "coupling", coupling, "a share of 0 to 0.5")])
    if not shared_mass:
        return values.copy()
    # Sum in the order of the axes: no matrix product.
    total = values[0].copy()
    for axis in values[1:]:
        total = total + axis
    return np.asarray((1.0 - coupling) * values + coupling * total)


# --- design --------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ElementDesign:
    """A feasible element and what it costs. SI units; ``*_per_g`` per standard gravity."""

    resonance_hz: float
    quality: float
    mass: float
    stiffness: float
    damping: float
    gap: float
    plate_area: float
    plate_side: float
    thickness: float
    deflection_per_g: float
    share_at_range: float
    capacitance: float
    capacitance_per_g: float
    noise_density: float
    nonlinearity: float
    pull_in_volts: float
    stop_acceleration: float
    binds: str


def design_element(
    *,
    range_m_s2: float,
    bandwidth_hz: float,
    noise_density: float,
    quality: float = 0.7,
    nonlinearity: float = 0.01,
    thickness: float = 20e-6,
    smallest_gap: float = 1e-6,
    readable_capacitance: float = 1e-18,
    kelvin: float = 300.0,
) -> ElementDesign:
    """Design an element for a range, a bandwidth and a noise target.

    * Natural frequency: the lowest that gives the bandwidth, since sensitivity falls with w0^2:
      ``f0 = bandwidth / sqrt(1 - 1/2Q^2 + sqrt((1 - 1/2Q^2)^2 + 1))``.
    * Mass: the lightest whose thermo-mechanical noise meets the target, ``4 kB T w0 / (Q a_n^2)``.
    * Gap: the narrowest (most capacitance) that keeps the cubic part of a difference read-out at
      *nonlinearity* at full range, ``x / sqrt(nonlinearity)``, never below *smallest_gap*.
    * Plate area: mass over density and thickness.

    Parameters
    ----------
    range_m_s2 : full scale [m/s^2]
    bandwidth_hz : -3 dB of the element [Hz]
    noise_density : target [m/s^2 / sqrt(Hz)]
    quality, nonlinearity : [-]
    thickness : of the mass [m]
    smallest_gap : that can be made [m]
    readable_capacitance : smallest change that the electronics reads in 1 Hz [F/sqrt(Hz)]
    kelvin : temperature [K]

    ``binds`` says what limits the design. Refused when the electronics, not the mass, would set the
    noise by more than the target allows.
    """
    found = [
        Fault("element design", name, value, "above 0")
        for name, value in (
            ("range_m_s2", range_m_s2),
            ("bandwidth_hz", bandwidth_hz),
            ("noise_density", noise_density),
            ("quality", quality),
            ("nonlinearity", nonlinearity),
            ("thickness", thickness),
            ("smallest_gap", smallest_gap),
            ("readable_capacitance", readable_capacitance),
            ("kelvin", kelvin),
        )
        if not (np.isfinite(value) and value > 0)
    ]
    if found:
        raise InputError(found)
    inner = 1.0 - 1.0 / (2.0 * quality**2)
    f0 = bandwidth_hz / sqrt(inner + sqrt(inner**2 + 1.0))
    w0 = 2.0 * pi * f0
    mass = 4.0 * BOLTZMANN * kelvin * w0 / (quality * noise_density**2)
    at_range = range_m_s2 / w0**2
    wished = at_range / sqrt(nonlinearity)
    gap = max(wished, smallest_gap)
    area = mass / (SILICON_DENSITY * thickness)
    rest = capacitance(area=area, gap=gap)
    per_g = STANDARD_GRAVITY / w0**2
    change = 2.0 * rest * per_g / gap
    stiffness = mass * w0**2
    electronics = readable_capacitance / change * STANDARD_GRAVITY
    binds = "nonlinearity sets the gap" if gap > smallest_gap else "the smallest gap"
    if electronics > noise_density:
        # A larger mass buys capacitance in proportion: as much as the electronics needs.
        factor = electronics / noise_density
        mass, area, rest, change, stiffness = (
            value * factor for value in (mass, area, rest, change, stiffness)
        )
        binds = "the electronics sets the mass, not the thermal noise"
    return ElementDesign(
        resonance_hz=f0,
        quality=quality,
        mass=mass,
        stiffness=stiffness,
        damping=mass * w0 / quality,
        gap=gap,
        plate_area=area,
        plate_side=sqrt(area),
        thickness=thickness,
        deflection_per_g=per_g,
        share_at_range=at_range / gap,
        capacitance=rest,
        capacitance_per_g=change,
        noise_density=sqrt(4.0 * BOLTZMANN * kelvin * w0 / (mass * quality)),
        nonlinearity=(at_range / gap) ** 2,
        pull_in_volts=pull_in_two_sided(stiffness=stiffness, gap=gap, area=area),
        stop_acceleration=gap * w0**2 if gap > 0 else inf,
        binds=binds,
    )


def trade(design: ElementDesign, *, bandwidth_factor: float) -> dict[str, float]:
    """What a bandwidth *bandwidth_factor* times as large costs, all else equal: ratios new / old.

    Deflection and capacitance change fall with its square, thermal noise rises with its root.

    >>> d = design_element(range_m_s2=981.0, bandwidth_hz=10e3, noise_density=0.01)
    >>> trade(d, bandwidth_factor=2.0)["deflection_per_g"]
    0.25
    """
    if bandwidth_factor <= 0:
        raise InputError([Fault("trade", "bandwidth_factor", bandwidth_factor, "above 0")])
    return {
        "resonance_hz": bandwidth_factor,
        "stiffness": bandwidth_factor**2,
        "deflection_per_g": bandwidth_factor**-2,
        "capacitance_per_g": bandwidth_factor**-2,
        "noise_density": sqrt(bandwidth_factor),
        "stop_acceleration": bandwidth_factor**2,
    }
