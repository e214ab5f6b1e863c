"""The capacitive element: formulas of proof mass, spring, gap and gas.

All formulas are textbook ones for a parallel-plate, differential-capacitance accelerometer (from
memory, checked against worked exercises, limits and numerical solutions in the tests). Pure
functions; SI units; numbers or arrays of one shape. Only operations that round alike in any
block are used on arrays, so that a draw's element never depends on its neighbours.
"""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError

#: Boltzmann constant [J/K] (SI, exact by definition).
BOLTZMANN = 1.380649e-23
#: Permittivity of vacuum [F/m] (CODATA 2018), used for the gas in the gap.
PERMITTIVITY = 8.8541878128e-12
#: Density of silicon [kg/m^3] (handbook, from memory).
SILICON_DENSITY = 2330.0
#: Young's modulus of silicon along <110> [Pa] (Hopcroft, Nix and Kenny, J. Microelectromech. Syst.
#: 19(2), 2010; from memory), and its change with temperature [1/K] (handbook, from memory).
SILICON_YOUNG, SILICON_YOUNG_PER_K = 169e9, -60e-6
#: Thermal expansion of silicon [1/K] (handbook, from memory).
SILICON_EXPANSION = 2.6e-6
#: Stress at which thin silicon beams are taken to break [Pa]: a cautious handbook value (from
#: memory; single beams reach several GPa).
SILICON_STRENGTH = 1e9
#: Reference pressure [Pa], and mean free path of air there at 25 degC [m] (handbook, from memory).
ATMOSPHERE, FREE_PATH = 101325.0, 68e-9


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


# --- springs -------------------------------------------------------------------------------------


def beam_stiffness(
    *,
    young: FloatArray | float,
    across: FloatArray | float,
    along: FloatArray | float,
    length: float,
) -> FloatArray | float:
    """Stiffness of a beam clamped at one end and guided at the other, 12 E I / L^3 [N/m].

    I = along * across^3 / 12 with *across* the side in the direction of bending. Small deflections:
    below about a tenth of the length. Textbook (Gere and Timoshenko, Mechanics of Materials; from
    memory).

    >>> round(beam_stiffness(young=169e9, across=2e-6, along=20e-6, length=200e-6), 3)
    3.38
    """
    return young * along * across * across * across / length**3


def beam_stress(*, young: float, across: float, deflection: float, length: float) -> float:
    """Largest bending stress of the same beam, 3 E w x / L^2 [Pa]."""
    return 3.0 * young * across * deflection / length**2


# --- gas -----------------------------------------------------------------------------------------


def viscosity(kelvin: FloatArray | float) -> FloatArray | float:
    """Viscosity of air [Pa s] by Sutherland's formula (constants from memory).

    >>> round(float(viscosity(298.15)) * 1e6, 2)
    18.37
    """
    t = kelvin / 273.15
    return 1.716e-5 * t * np.sqrt(t) * (273.15 + 110.4) / (kelvin + 110.4)


def thinned_viscosity(
    full: FloatArray | float, *, gap: FloatArray | float, pressure_25: FloatArray | float
) -> FloatArray | float:
    """Effective viscosity in a gap of a few free paths, mu / (1 + 9.638 Kn^1.159) [Pa s].

    Kn = free path / gap. In a sealed cavity the free path follows the density, so it is that of the
    pressure at 25 degC at any temperature. Veijola et al., Sensors and Actuators A 48, 1995 (from
    memory); fitted for Kn up to 880.
    """
    knudsen = FREE_PATH * ATMOSPHERE / (pressure_25 * gap)
    return full / (1.0 + 9.638 * _power(knudsen, 1.159))


def _power(base: FloatArray | float, exponent: float) -> FloatArray | float:
    """Powers one by one: vectorised ones may round differently in another block."""
    values = np.asarray(base, dtype=np.float64)
    found = np.array([float(v) ** exponent for v in values.reshape(-1)]).reshape(values.shape)
    return found if values.ndim else float(found)


#: Odd terms of the series along width and length.
_WIDE, _LONG = range(1, 48, 2), range(1, 80, 2)
_LONG_SQUARED = np.asarray(_LONG, dtype=np.float64) ** 2


def squeeze_film(
    *,
    length: FloatArray | float,
    width: FloatArray | float,
    gap: FloatArray | float,
    hz: FloatArray | float,
    pressure: FloatArray | float,
    viscosity: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """Damping [N s/m] and gas spring [N/m] of a rectangular plate moving towards another.

    ``b = 64 s p A / (pi^6 w d) sum (m^2 + n^2 c^2) / (m^2 n^2 D)``,
    ``k = 64 s^2 p A / (pi^8 d) sum 1 / (m^2 n^2 D)``, ``D = (m^2 + n^2 c^2)^2 + s^2/pi^4``, m and n
    odd, c = width / length, s the squeeze number. Blech, J. Lubrication Technology 105, 1983 (from
    memory). Limits: s -> 0 gives ``mu L W^3 / d^3`` of a long strip, s -> inf the spring
    ``p A / d``; both forces are alike at about ``s = pi^2 (1 + c^2)``. The series is cut at 24 x 40
    terms: damping of a very long strip (c < 0.02) comes out up to 0.7 % low.
    """
    w = 2.0 * pi * np.asarray(hz, dtype=np.float64)
    c = np.asarray(width / length, dtype=np.float64)
    s = 12.0 * viscosity * w * width * width / (pressure * gap * gap)
    s4 = np.asarray((s / pi**2) * (s / pi**2))[..., None]
    along = np.asarray(_LONG, dtype=np.float64) * c[..., None]
    along = along * along
    damping, spring = np.zeros(np.shape(s)), np.zeros(np.shape(s))
    for m in _WIDE:
        q = m * m + along
        term = 1.0 / ((m * m * _LONG_SQUARED) * (q * q + s4))
        damping = damping + np.sum(q * term, axis=-1)
        spring = spring + np.sum(term, axis=-1)
    push = pressure * length * width
    return (
        np.asarray(64.0 / pi**6 * s * push / (w * gap) * damping),
        np.asarray(64.0 / pi**8 * s * s * push / gap * spring),
    )


# --- electrostatics ------------------------------------------------------------------------------


def snap_deflection(*, stiffness: float, gap: float, area: float, volts: float) -> float:
    """Deflection [m] at which equal voltages on both sides pull the mass in, under a static load.

    Where the net stiffness ``k - e A V^2 [1/(d-x)^3 + 1/(d+x)^3]`` vanishes; 0 at or above the
    pull-in voltage of the unloaded mass, the gap without a voltage.
    """
    from scipy.optimize import brentq

    pull = PERMITTIVITY * area * volts**2

    def net(share: float) -> float:
        return stiffness - pull / gap**3 * ((1.0 - share) ** -3 + (1.0 + share) ** -3)

    if pull == 0.0:
        return gap
    if net(0.0) <= 0.0:
        return 0.0
    touching = 1.0 - 1e-9
    if net(touching) > 0.0:
        return gap
    return float(brentq(net, 0.0, touching, xtol=1e-14)) * gap


def load_at(*, deflection: float, stiffness: float, gap: float, area: float, volts: float) -> float:
    """Force [N] that holds a deflection; equal voltages on both sides pull against the spring."""
    away, near = (gap + deflection) ** -2, (gap - deflection) ** -2 if deflection < gap else 0.0
    return stiffness * deflection - 0.5 * PERMITTIVITY * area * volts**2 * (near - away)
