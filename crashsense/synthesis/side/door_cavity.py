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

from crashsense.arrays import FloatArray

#: Ambient pressure [Pa] and density [kg/m^3] of the ICAO standard atmosphere at sea level.
AMBIENT_PA = 101325.0
AMBIENT_DENSITY = 1.225
#: Ratio of specific heats of air [-].
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
    share = np.maximum(1.0 - displaced / volume[:, None], smallest_share)
    out = np.zeros_like(displaced)
    active = np.flatnonzero((np.abs(share - 1.0) > 1e-9).any(axis=0))
    if active.size == 0:
        return out
    flow = DISCHARGE * area * np.sqrt(2.0 / AMBIENT_DENSITY) / (volume * rate_hz)
    logs = np.log(share)
    first = int(active[0])
    _leak(np.ascontiguousarray(logs[:, first:].T), flow, out[:, first:])
    return out


def _leak(logs: FloatArray, flow: FloatArray, out: FloatArray) -> None:
    """Fill overpressures [Pa] *out* (draws, samples); *logs* (samples, draws): of V / V0.

    The flow speed is proportional to sqrt(|p - p0|): step m semi-explicitly, never past p = p0.
    """
    lost = np.zeros(flow.size)  # - log m
    ratio, moved, most = (np.empty(flow.size) for _ in range(3))
    gauges = np.empty(logs.shape)
    # Thousands of steps of few numbers: most of their time is that of the calls.
    for log, gauge in zip(logs, gauges, strict=True):
        np.add(log, lost, out=ratio)
        np.multiply(ratio, -GAMMA, out=gauge)
        np.expm1(gauge, out=gauge)
        np.multiply(gauge, AMBIENT_PA, out=gauge)
        np.abs(gauge, out=moved)
        np.sqrt(moved, out=moved)
        np.multiply(moved, flow, out=moved)
        np.exp(lost, out=most)
        np.multiply(moved, most, out=moved)
        np.abs(ratio, out=most)
        np.minimum(moved, most, out=moved)
        np.copysign(moved, gauge, out=moved)
        np.add(lost, moved, out=lost)
    out[...] = gauges.T


def delayed(samples: FloatArray, *, delay_s: FloatArray, rate_hz: float) -> FloatArray:
    """Shift rows later by *delay_s* [s], shape (draws,), by linear interpolation; zero before.

    The acoustic path from the dent to the sensor: distance over :data:`SOUND_M_S`.
    """
    steps = np.asarray(delay_s, dtype=np.float64) * rate_hz
    whole = np.floor(steps)
    out = np.zeros(samples.shape)
    size = samples.shape[1]
    for row, moved, shift, part in zip(
        samples, out, whole.astype(int).tolist(), (steps - whole).tolist(), strict=True
    ):
        moved[shift:] += (1.0 - part) * row[: max(size - shift, 0)]
        moved[shift + 1 :] += part * row[: max(size - shift - 1, 0)]
    return out
