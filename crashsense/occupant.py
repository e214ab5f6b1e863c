"""The occupant: free flight, required time to fire, occupant load criterion.

The required time to fire is a rule of thumb of the trade ("127 mm less 30 ms": an unbelted occupant
in free flight travels 5 inches; the bag needs 30 ms to fill), not a regulation; for a belted
occupant it is convention. The maker's agreed requirement and certified practice decide.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crashsense.errors import Fault, InputError
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]

#: Free travel of the rule of thumb, 5 inches [m].
FREE_TRAVEL_M = 0.127
#: Inflation time of the rule of thumb [s].
INFLATION_S = 0.030


def free_flight_time(
    deceleration: FloatArray,
    *,
    rate_hz: float,
    start_s: float = 0.0,
    travel_m: float = FREE_TRAVEL_M,
    origin_s: float = 0.0,
) -> FloatArray:
    """Return the time [s] at which a free occupant has moved *travel_m* relative to the cabin.

    Solves double integral of deceleration = travel from rest at *origin_s*; the relative velocity
    is held after the signal ends. NaN where the travel is never reached.

    Parameters
    ----------
    deceleration : shape (..., samples), positive where the occupant moves forward [m/s^2]; for a
        frontal impact that is ``-central_x`` of the rigid-body motion
    rate_hz, start_s : time base; the returned time is on the same clock
    travel_m : free travel [m], > 0
    origin_s : the contact from which free flight counts [s]

    >>> square = np.full(2000, 10 * 9.80665)
    >>> round(float(free_flight_time(square, rate_hz=10000.0)) * 1e3, 3)
    50.893
    """
    samples = np.asarray(deceleration, dtype=np.float64)
    faults = []
    if not travel_m > 0:
        faults.append(Fault("free flight", "travel_m", travel_m, "a positive travel in m"))
    if not rate_hz > 0:
        faults.append(Fault("free flight", "rate_hz", rate_hz, "a positive rate in Hz"))
    if faults:
        raise InputError(faults)
    step = 1.0 / rate_hz
    first = int(np.clip(round((origin_s - start_s) * rate_hz), 0, samples.shape[-1] - 1))
    flight = samples[..., first:]
    velocity = cumulative_trapezoid(flight, step_s=step)
    travel = cumulative_trapezoid(velocity, step_s=step)
    reached = travel >= travel_m
    any_reached = reached.any(axis=-1)
    index = np.argmax(reached, axis=-1)
    after = np.maximum(index, 1)
    high = np.take_along_axis(travel, after[..., None], axis=-1)[..., 0]
    low = np.take_along_axis(travel, after[..., None] - 1, axis=-1)[..., 0]
    rise = np.where(high > low, high - low, 1.0)
    inside = (after - 1 + (travel_m - low) / rise) * step
    end_velocity = velocity[..., -1]
    moving = end_velocity > 0
    held = (flight.shape[-1] - 1) * step + (travel_m - travel[..., -1]) / np.where(
        moving, end_velocity, 1.0
    )
    since = np.where(any_reached, inside, np.where(moving, held, np.nan))
    return np.asarray(start_s + first * step + since, dtype=np.float64)


def required_time_to_fire(
    deceleration: FloatArray,
    *,
    rate_hz: float,
    start_s: float = 0.0,
    travel_m: float = FREE_TRAVEL_M,
    inflation_s: float = INFLATION_S,
    origin_s: float = 0.0,
) -> FloatArray:
    """Return the free-flight time less the inflation time [s]; may be negative, reported as it is.

    Parameters as in :func:`free_flight_time`; *inflation_s* is the time the restraint needs [s].

    >>> hard = np.full(2000, 30 * 9.80665)
    >>> round(float(required_time_to_fire(hard, rate_hz=10000.0)) * 1e3, 2)
    -0.62
    """
    flight = free_flight_time(
        deceleration, rate_hz=rate_hz, start_s=start_s, travel_m=travel_m, origin_s=origin_s
    )
    return np.asarray(flight - inflation_s, dtype=np.float64)


def occupant_load_criterion(
    deceleration: FloatArray,
    *,
    rate_hz: float,
    initial_speed_m_s: float,
    slack_m: float = 0.065,
    end_m: float = 0.300,
) -> tuple[float, float]:
    """Return the occupant load criterion [g] and the time t2 [s] at which the restraint ends.

    The occupant keeps the initial speed until *slack_m* of relative displacement (t1), then is
    decelerated constantly such that the relative velocity is zero at *end_m* of relative
    displacement (t2): OLC = (v0 - v(t2)) / (t2 - t1) / g. Restraint stroke 235 mm, 300 mm in all
    (from memory; no published worked number was found). Velocity is held after the signal ends.

    Parameters
    ----------
    deceleration : shape (samples,), positive forward of the occupant [m/s^2], starting at contact
    rate_hz : sampling rate [Hz]
    initial_speed_m_s : speed at contact [m/s]; the speed change may not exceed it before t2
    """
    from scipy.optimize import brentq

    samples = np.asarray(deceleration, dtype=np.float64)
    step = 1.0 / rate_hz
    change = cumulative_trapezoid(samples, step_s=step)
    travel = cumulative_trapezoid(change, step_s=step)
    t1 = float(free_flight_time(samples, rate_hz=rate_hz, travel_m=slack_m))
    end = (samples.size - 1) * step
    times = np.arange(samples.size) * step

    def relative(time: float, series: FloatArray) -> float:
        if time <= end:
            return float(np.interp(time, times, series))
        if series is change:
            return float(change[-1])
        return float(travel[-1] + change[-1] * (time - end))

    def excess(t2: float) -> float:
        # Constant deceleration from t1 to t2 brings the relative velocity to zero: the occupant
        # moves v_rel*(t2 - t1)/2 less than in free flight.
        return relative(t2, travel) - relative(t2, change) * (t2 - t1) / 2.0 - end_m

    low, high = t1, t1 + 0.02
    while excess(high) < 0.0:
        low, high = high, high + 0.02
        if high > 1.0:
            raise InputError(
                [Fault("occupant load criterion", "deceleration", None, "a pulse that ends in 1 s")]
            )
    t2 = float(brentq(excess, low, high, xtol=1e-12))
    return relative(t2, change) / (t2 - t1) / STANDARD_GRAVITY, t2
