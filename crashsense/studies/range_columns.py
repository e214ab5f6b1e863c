"""Columns of the study of sensor ranges: names, meanings, units."""

from __future__ import annotations

from crashsense.sensing.sensor_file import UNITS
from crashsense.studies.range_words import LIMIT_SHIFT_MS

_IDEAL = (
    "the ideal sensor: unlimited range, no quantisation, linear read-out, same corner and delay"
)

#: Column of an accelerometer's study -> what it means; units in the names.
COLUMNS = {
    "event": "name of the event",
    "family": "family of the event",
    "range_g": "full scale of the sensor, saturation before the filter moved with it",
    "bits": "word length",
    "corner_hz": "-3 dB corner of the low-pass",
    "expectation": "what the restraint must do",
    "window_ms": "from time zero: what clipping is counted over",
    "clipped_before_filter": "share of raw samples beyond the saturation before the filter",
    "clipped_after_filter": (
        "share of samples of the filtered, never clipped signal beyond the range: what one sees who"
        " looks at filtered signals only"
    ),
    "required_time_ms": "required time to fire",
    "velocity_error_required_m_s": (
        "velocity change of the codes less that of the ideal sensor, at the required time (filter"
        " delay allowed for)"
    ),
    "velocity_error_60ms_m_s": "the same at 60 ms",
    "velocity_resolution_m_s": "velocity of one code over one tick",
    "offset_drift_m_s": (
        "velocity that a 3-sigma offset of the part adds up to between time zero and the end of the"
        " event, without leak; constant over the ranges where the part's offset is held constant"
    ),
    "fire_time_ms": "time to fire",
    "ideal_fire_time_ms": f"time to fire with {_IDEAL}",
    "velocity_error_fire_m_s": (
        "the same where it is decided: at the earlier of the two fire times, positive where this"
        " sensor has more velocity change than the ideal one; none where neither fires"
    ),
    "fire_time_shift_ms": (
        "fire time less that of the ideal sensor: negative is earlier; none where either does not"
        " fire (see fire_change)"
    ),
    "fire_change": (
        "against the ideal sensor: same, earlier, later, lost (only the ideal one fires), gained"
        " (only this one fires) or never (neither)"
    ),
    "demand_at_required_time": "largest demand up to the required time",
    "ideal_demand_at_required_time": "the same with the ideal sensor",
    "max_demand": "largest demand",
    "ideal_max_demand": "the same with the ideal sensor",
    "verdict": "verdict of the restraint",
    "ideal_verdict": "verdict with the ideal sensor",
    "requirement": (
        "met, lost (met with the ideal sensor only), gained (met with this one only), fails_anyway"
        " (met with neither), open or not_evaluated"
    ),
    "cause": (
        "of a requirement or fire lost or gained, or a fire time moved by more than"
        f" {LIMIT_SHIFT_MS:g} ms: code width, read-out (its cubic part) or clipping"
    ),
    "already_filtered": (
        "true for a record with nothing left above its class filter: what a sensor clips before its"
        " own filter is gone from it, and every loss of the row is a lower bound"
    ),
    "separation_ratio": "c/m of the setting over all events; ranks settings of one criterion only",
}

#: Columns of a study with draws: the same car and noise with this sensor and with the ideal one.
DRAWN = {
    "draws_judged": "random draws in which the requirement could be judged",
    "draws_failed": "of these, draws in which it is not met",
    "ideal_draws_failed": "the same with the ideal sensor",
    "draws_lost": "draws in which it is met with the ideal sensor only",
    "draws_gained": "draws in which it is met with this sensor only",
    "p_lost_low": "exact 95 % interval of the chance that a draw is lost, lower end",
    "p_lost_high": "upper end",
    "worst_draw": "number of the draw with the smallest demand margin, among those lost if any are",
    "worst_demand_margin": "demand margin in that draw",
}

_OF_VELOCITY = (
    "velocity_error_required_m_s",
    "velocity_error_60ms_m_s",
    "velocity_error_fire_m_s",
    "velocity_resolution_m_s",
    "offset_drift_m_s",
)


def columns_of(kind: str, *, draws: int = 0) -> dict[str, str]:
    """Return the columns of a study of a *kind* of sensor and what they mean.

    >>> [name for name in columns_of("pressure") if name.startswith(("range", "velocity"))]
    ['range_kpa']
    """
    columns = {**COLUMNS, **(DRAWN if draws else {})}
    if kind == "accelerometer":
        return columns
    unit = UNITS[kind][0]
    renamed = {"range_g": f"range_{unit}"}
    return {renamed.get(n, n): text for n, text in columns.items() if n not in _OF_VELOCITY}
