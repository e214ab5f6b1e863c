"""The air in a door: adiabatic compression with leak flow.

The cavity follows the indentation of the door *skin* under the striker, not the motion of the whole
door: the light skin moves at once, the door behind it milliseconds later.

Equations (p absolute pressure [Pa], V volume [m^3], m mass of air [-] relative to the start):

    p = p0 (m V0 / V)^gamma                         adiabatic; closed form p0 (V0/V)^gamma for m = 1
    dm/dt = -sign(p - p0) C_d A sqrt(2 |p - p0| / rho0) / V0     orifice flow, density of the start

Valid for overpressures up to about half the ambient pressure (the orifice flow is taken as
incompressible: at 30 kPa that overstates the flow by about 8 %).
Source of the form: "adiabatic p V^1.4 = const + flow", door-pressure side sensing paper, abstract;
orifice flow: any text on fluid mechanics.
"""

from __future__ import annotations

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.compiled.cavity import SIXTH, leak_march
from crashsense.engine import given
from crashsense.synthesis.draw_blocks import cached_rows
from crashsense.synthesis.dynamics.few_draws import draw_by_draw

#: Ambient pressure [Pa] and density [kg/m^3] of the ICAO standard atmosphere at sea level.
AMBIENT_PA = 101325.0
AMBIENT_DENSITY = 1.225
#: Ratio of specific heats of air [-]; the march of :mod:`crashsense.compiled.cavity` needs 7/5.
GAMMA = 1.4
#: Discharge coefficient of a sharp-edged opening [-] (from memory: 0.60 to 0.65).
DISCHARGE = 0.62
#: Speed of sound at 15 degC [m/s].
SOUND_M_S = 340.3


def adiabatic_overpressure(volume_ratio: FloatArray) -> FloatArray:
    """Overpressure [Pa] without leak for V / V0 = *volume_ratio* [-], > 0.

    >>> round(float(adiabatic_overpressure(np.array(0.9))) / 1000, 2)
    16.1
    """
    return np.asarray(AMBIENT_PA * (volume_ratio**-GAMMA - 1.0))


def leak_volume_flow(overpressure: FloatArray, *, leak_area_m2: FloatArray | float) -> FloatArray:
    """Volume flow out of an opening [m^3/s] at the given overpressure [Pa], signed.

    >>> round(float(leak_volume_flow(np.array(5000.0), leak_area_m2=5e-3)), 4)
    0.2801
    """
    speed = np.sqrt(np.abs(overpressure) * (2.0 / AMBIENT_DENSITY))
    return np.asarray(np.sign(overpressure) * DISCHARGE * leak_area_m2 * speed)


def cavity_overpressure(
    displaced_m3: FloatArray,
    *,
    volume_m3: FloatArray | float,
    leak_area_m2: FloatArray | float,
    rate_hz: float,
    smallest_share: float = 0.12,
) -> FloatArray:
    """Overpressure of the cavity [Pa] as volume is displaced and air leaks, (draws, samples).

    Parameters
    ----------
    displaced_m3 : volume displaced by the skin [m^3], shape (draws, samples)
    volume_m3 : volume at the start [m^3], scalar or (draws,)
    leak_area_m2 : opening [m^2], scalar or (draws,)
    rate_hz : sampling rate [Hz]
    smallest_share : share of the volume that no crush can take away [-] (folded metal and trim)
    """
    displaced = np.asarray(displaced_m3, dtype=np.float64)
    size = displaced.shape[0]
    volume = np.broadcast_to(np.asarray(volume_m3, dtype=np.float64), (size,))
    area = np.broadcast_to(np.asarray(leak_area_m2, dtype=np.float64), (size,))
    out = np.zeros(displaced.shape)
    # Of a draw that is at rest until later, every sample until then is exactly 0 all the same.
    active = np.flatnonzero(displaced.any(axis=0))
    if active.size == 0:
        return out
    flow = DISCHARGE * area * np.sqrt(2.0 / AMBIENT_DENSITY) / (volume * rate_hz)
    first = int(active[0])
    # The march works on fifth roots: gamma = 7/5 then leaves it whole powers.
    closed = np.empty((size, displaced.shape[1] - first))
    for rows in cached_rows(*closed.shape):
        share = displaced[rows, first:] / volume[rows, None]
        np.subtract(1.0, share, out=share)
        np.maximum(share, smallest_share, out=share)
        np.power(share, -0.2, out=closed[rows])
    _leak(closed, flow * (0.2 * np.sqrt(AMBIENT_PA)), out, first)
    return out


def _leak(closed: FloatArray, flow: FloatArray, out: FloatArray, first: int) -> None:
    """Fill overpressures [Pa] *out* (draws, samples) from sample *first* on, by any engine.

    *closed* (draws, samples from *first* on), *flow* (draws,): ``compiled.cavity.leak_march``.
    """
    compiled = engine.kernels()
    if compiled is not None:
        compiled.leak_steps(given(closed), given(flow), AMBIENT_PA, first, out)
        return

    def march(draw: int) -> None:
        row = closed[draw].tolist()
        leak_march(row, len(row), [float(flow[draw])], AMBIENT_PA, [1.0], row)
        out[draw, first:] = row

    if not draw_by_draw(flow.size, march):
        out[:, first:] = _leak_rows(np.ascontiguousarray(closed.T), flow).T


def _leak_rows(closed: FloatArray, flow: FloatArray) -> FloatArray:
    """Overpressures (samples, draws) by numpy, over all draws at once; same bits."""
    draws = flow.size
    # Ratio, the state twice, cube of the ratio: what is squared and what meets its fourth power.
    rows = np.ones((4, draws))
    ratio, y, cube = rows[0], rows[1], rows[3]
    roots, odd, states = rows[:2], rows[3:1:-1], rows[1:3]
    squares, powers = np.empty((2, draws)), np.empty((2, draws))
    d, moved, low, high = np.empty((4, draws))
    gauges = np.empty(closed.shape)
    # Thousands of steps of few numbers: most of their time is that of the calls.
    for most, gauge in zip(closed, gauges, strict=True):
        np.divide(most, y, out=ratio)
        np.multiply(roots, roots, out=squares)
        np.multiply(squares[0], ratio, out=cube)
        np.multiply(squares, squares, out=powers)
        np.multiply(powers, odd, out=powers)
        np.subtract(powers[0], 1.0, out=gauge)
        np.abs(gauge, out=d)
        np.sqrt(d, out=d)
        np.multiply(powers[1], flow, out=moved)
        np.multiply(d, moved, out=d)
        np.copysign(d, gauge, out=d)
        np.multiply(d, SIXTH, out=moved)
        np.add(moved, 0.5, out=moved)
        np.multiply(moved, d, out=moved)
        np.add(moved, 1.0, out=moved)
        np.multiply(moved, d, out=moved)
        np.add(moved, 1.0, out=moved)
        np.multiply(moved, y, out=moved)
        np.minimum(y, most, out=low)
        np.maximum(y, most, out=high)
        np.maximum(moved, low, out=moved)
        np.minimum(moved, high, out=states)
    gauges *= AMBIENT_PA
    return gauges


def delayed(samples: FloatArray, *, delay_s: FloatArray, rate_hz: float) -> FloatArray:
    """Shift rows later by *delay_s* [s], shape (draws,), by linear interpolation; zero before.

    The acoustic path from the dent to the sensor: distance over :data:`SOUND_M_S`.
    """
    steps = np.asarray(delay_s, dtype=np.float64) * rate_hz
    whole = np.floor(steps)
    out = np.zeros(samples.shape)
    later = np.empty(samples.shape[1])
    for row, moved, shift, part in zip(
        samples, out, whole.astype(int).tolist(), (steps - whole).tolist(), strict=True
    ):
        size = row.size - shift
        if size > 0:
            np.multiply(row[:size], 1.0 - part, out=moved[shift:])
            moved[shift + 1 :] += np.multiply(row[: size - 1], part, out=later[: size - 1])
    return out
