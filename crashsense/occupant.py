"""The occupant: free flight, required time to fire, occupant load criterion.

The required time to fire is a rule of thumb of the trade ("127 mm less 30 ms": an unbelted occupant
in free flight travels 5 inches; the bag needs 30 ms to fill), not a regulation; for a belted
occupant it is convention. The maker's agreed requirement and certified practice decide.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError
from crashsense.signal import Signal, cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY

#: Free travel of the rule of thumb, 5 inches [m].
FREE_TRAVEL_M = 0.127
#: Inflation time of the rule of thumb [s].
INFLATION_S = 0.030


#: Draws whose free flight is computed together: their motion stays in the processor's cache.
FLIGHT_ROWS = 32

#: A velocity change below this [m/s] is no crash that a required time is asked of; an array of
#: values in g comes out that small.
_SMALLEST_CHANGE_M_S = 2.2


def free_flight_time(
    deceleration: Signal | npt.ArrayLike,
    *,
    rate_hz: float | None = None,
    start_s: float | None = None,
    travel_m: float = FREE_TRAVEL_M,
    origin_s: float = 0.0,
) -> FloatArray:
    """Return the time [s] at which a free occupant has moved *travel_m* relative to the cabin.

    Solves (double integral of deceleration) = travel, from rest at *origin_s*; the relative
    velocity is constant after the signal ends. NaN where the travel is never reached.

    Parameters
    ----------
    deceleration : the rigid-body motion of the cabin, as one of

        - a :class:`~crashsense.signal.Signal` of acceleration along x (SAE J1733: + forward, so a
          frontal impact reads negative); its unit, rate and start are its own
        - an array of shape (..., samples), **positive where the occupant moves forward** [m/s^2];
          for a frontal impact that is ``-central_x``
    rate_hz, start_s : time base of an array (start 0 unless given); not with a signal
    travel_m : free travel [m], 0 to 2
    origin_s : time of the contact from which free flight is counted [s]

    Raises
    ------
    InputError : not finite; a travel in mm; a pulse of the wrong sign (the occupant would move the
        travel backwards); an array that looks like g (largest value 4 to 90, velocity change
        0.2 to 2.2 m/s). A signal states its unit and is never taken for g.

    >>> square = np.full(2000, 10 * 9.80665)
    >>> round(float(free_flight_time(square, rate_hz=10000.0)) * 1e3, 3)
    50.893
    >>> free_flight_time(square, rate_hz=10000.0, travel_m=127)
    Traceback (most recent call last):
        ...
    crashsense.errors.InputError: free flight: travel_m: got 127; expected a travel in m, above 0 \
    and up to 2 (127 looks like mm: 0.127)
    """
    samples, rate, start = _checked_pulse(deceleration, rate_hz=rate_hz, start_s=start_s)
    _check_travel(travel_m, "travel_m", samples=samples, rate_hz=rate)
    return flight_times(samples, rate_hz=rate, start_s=start, travel_m=travel_m, origin_s=origin_s)


def flight_times(
    deceleration: FloatArray,
    *,
    rate_hz: float,
    start_s: float = 0.0,
    travel_m: float = FREE_TRAVEL_M,
    origin_s: float = 0.0,
) -> FloatArray:
    """As :func:`free_flight_time` for an array, without checks.

    For pulses of a model or of a checked record, whole blocks of draws at once.
    """
    samples = np.asarray(deceleration, dtype=np.float64)
    step = 1.0 / rate_hz
    first = int(np.clip(round((origin_s - start_s) * rate_hz), 0, samples.shape[-1] - 1))
    whole = samples[..., first:]
    # Sums depend on what came before alone, and most pulses last twice as long as the flight.
    for size in (-(-whole.shape[-1] // 2), whole.shape[-1]):
        flight = whole[..., :size]
        velocity = cumulative_trapezoid(flight, step_s=step)
        travel = cumulative_trapezoid(velocity, step_s=step)
        reached = travel >= travel_m
        any_reached = reached.any(axis=-1)
        if any_reached.all():
            break
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


def flights_of_draws(
    cabin_x: FloatArray,
    *,
    rate_hz: float,
    start_s: float,
    travel_m: float,
    origins_s: FloatArray,
) -> FloatArray:
    """As :func:`flight_times`, by the motion of the cabin in some draws, from a contact in each.

    *cabin_x*: acceleration [m/s^2], + forward, shape (draws, samples); *origins_s*: shape (draws,).
    """
    together = FLIGHT_ROWS if np.all(origins_s == origins_s[0]) else 1
    times = np.empty(origins_s.size)
    for at in range(0, origins_s.size, together):
        rows = slice(at, at + together)
        times[rows] = flight_times(
            -cabin_x[rows],
            rate_hz=rate_hz,
            start_s=start_s,
            travel_m=travel_m,
            origin_s=float(origins_s[at]),
        )
    return times


def required_time_to_fire(
    deceleration: Signal | npt.ArrayLike,
    *,
    rate_hz: float | None = None,
    start_s: float | None = None,
    travel_m: float = FREE_TRAVEL_M,
    inflation_s: float = INFLATION_S,
    origin_s: float = 0.0,
) -> FloatArray:
    """Return the free-flight time less the inflation time [s]; may be negative and is reported so.

    Parameters and errors as in :func:`free_flight_time`; *inflation_s* is the time that the
    restraint needs to fill [s], 0 to 0.5.

    >>> hard = np.full(2000, 30 * 9.80665)
    >>> round(float(required_time_to_fire(hard, rate_hz=10000.0)) * 1e3, 2)
    -0.62
    """
    if not 0.0 <= inflation_s <= 0.5:
        likely = f" ({inflation_s:g} looks like ms: {inflation_s / 1e3:g})"
        expected = f"a time in s, 0 to 0.5{likely if inflation_s >= 1 else ''}"
        raise InputError([Fault("free flight", "inflation_s", inflation_s, expected)])
    flight = free_flight_time(
        deceleration, rate_hz=rate_hz, start_s=start_s, travel_m=travel_m, origin_s=origin_s
    )
    return np.asarray(flight - inflation_s, dtype=np.float64)


def _checked_pulse(
    pulse: Signal | npt.ArrayLike, *, rate_hz: float | None, start_s: float | None
) -> tuple[FloatArray, float, float]:
    """Return the deceleration [m/s^2], its rate [Hz] and its start [s], of a signal or an array."""
    where = "free flight"
    if isinstance(pulse, Signal):
        signal = f"signal at {pulse.location}"
        faults = []
        if pulse.unit != "m/s^2":
            expected = "acceleration in 'm/s^2'"
            faults.append(Fault(signal, "unit", pulse.unit, expected))
        if pulse.axis != "x":
            expected = "'x': free flight is along the car"
            faults.append(Fault(signal, "axis", pulse.axis, expected))
        faults += [
            Fault(where, name, value, "nothing: a signal has its own time base")
            for name, value in (("rate_hz", rate_hz), ("start_s", start_s))
            if value is not None
        ]
        if faults:
            raise InputError(faults)
        return -pulse.samples, pulse.rate_hz, pulse.start_s
    samples = np.asarray(pulse, dtype=np.float64)
    faults = []
    if samples.ndim < 1 or samples.shape[-1] < 2:
        expected = "(..., samples), 2 or more samples"
        faults.append(Fault(where, "deceleration", samples.shape, expected))
    elif not np.isfinite(samples).all():
        bad = np.argwhere(~np.isfinite(samples))[0].tolist()
        faults.append(Fault(where, "deceleration", f"non-finite at {bad}", "finite values"))
    if rate_hz is None or not (np.isfinite(rate_hz) and rate_hz > 0):
        faults.append(Fault(where, "rate_hz", rate_hz, "a positive rate in Hz"))
    if start_s is not None and not np.isfinite(start_s):
        faults.append(Fault(where, "start_s", start_s, "a finite time in s"))
    if faults:
        raise InputError(faults)
    assert rate_hz is not None
    change = cumulative_trapezoid(samples, step_s=1.0 / rate_hz)
    largest = float(change.max())
    if 0.2 < largest < _SMALLEST_CHANGE_M_S and 4.0 < float(samples.max()) < 90.0:
        raise InputError(
            [
                Fault(
                    where,
                    "deceleration",
                    f"a velocity change of {largest:.3g} m/s",
                    f"a crash pulse in m/s^2 (in g it would be {largest * STANDARD_GRAVITY:.3g} "
                    f"m/s: multiply by {STANDARD_GRAVITY}; an impact that is this mild comes as a "
                    f"Signal, which states its unit)",
                )
            ]
        )
    return samples, float(rate_hz), 0.0 if start_s is None else float(start_s)


def _check_travel(travel_m: float, name: str, *, samples: FloatArray, rate_hz: float) -> None:
    """Refuse a travel that looks like mm, and a pulse that moves the occupant backwards."""
    if not 0.0 < travel_m <= 2.0:
        hint = f" ({travel_m:g} looks like mm: {travel_m / 1e3:g})" if travel_m > 2.0 else ""
        expected = f"a travel in m, above 0 and up to 2{hint}"
        raise InputError([Fault("free flight", name, travel_m, expected)])
    velocity = cumulative_trapezoid(samples, step_s=1.0 / rate_hz)
    travel = cumulative_trapezoid(velocity, step_s=1.0 / rate_hz)
    backwards = (travel.min(axis=-1) <= -travel_m) & (travel.max(axis=-1) < travel_m)
    if backwards.any():
        change = f"a velocity change of {float(velocity[..., -1].min()):.3g} m/s"
        expected = (
            "a deceleration, positive where the occupant moves forward (wrong sign? of a frontal "
            "impact pass -central_x, or the Signal itself)"
        )
        raise InputError([Fault("free flight", "deceleration", change, expected)])


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
    t1 = float(flight_times(samples, rate_hz=rate_hz, travel_m=slack_m))
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
