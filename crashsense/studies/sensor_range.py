"""What a sensor's range changes: ranges x bits x filter corners over a set of events.

For every event and setting the nominal chain is run (draw 0) with one sensor changed, and compared
with the ideal sensor: the same chain and clock with unlimited range, no quantisation and a linear
read-out. A failure shared with the ideal sensor is not due to the range and is kept apart from
what the range loses. Small ranges clip; large ones coarsen the code.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import RESTRAINTS, Event
from crashsense.rules import Algorithm, load_algorithm
from crashsense.scoring import FAILURES, separation
from crashsense.sensing import (
    Sensor,
    SensorSet,
    chain,
    find_part,
    load_sensor_set,
    part_names,
)
from crashsense.sensing.sensor_file import UNITS
from crashsense.sensing.timebase import at_internal_rate
from crashsense.signal import cumulative_trapezoid
from crashsense.studies.range_advice import (
    CRASHES,
    LIMIT_SHIFT_MS,
    advise,
    already_filtered,
    summarise,
)
from crashsense.trials import Conditions, Trial, run_trials

if TYPE_CHECKING:
    import pandas as pd


#: Ranges tried for an accelerometer [g].
RANGES_G = (35.0, 50.0, 70.0, 100.0, 120.0, 240.0)

#: Ranges tried for any other sensor, as multiples of the part's own.
MULTIPLES = (0.125, 0.25, 0.5, 1.0, 2.0)

#: Range of the ideal sensor, in the unit of files (g, kPa, deg/s).
UNLIMITED = 1e4

#: Crashes: clipping is counted over the first 60 ms; other events: over the whole.
LATE_S = 0.06

SCHEMA_VERSION = 2

#: What follows the range of a part, by construction of the sensor model.
SCALES = ("code width", "saturation before the filter")

#: Field -> its name and what its unit is of: held constant unless the catalogue's parts of the kind
#: scale it.
TOLERANCES = {
    "offset_tolerance": ("offset", ""),
    "drift_tolerance": ("offset drift", "/s"),
    "noise_density": ("noise density", "/sqrt(Hz)"),
}


@dataclass(frozen=True, eq=False)
class RangeStudy:
    """What :func:`study_range` found.

    ``table``: one row an event and setting. ``settings``: one row a setting, with separation,
    counts of verdicts and of requirements lost and gained, and the worst of its events. ``advice``:
    plain sentences. Columns are described by :func:`columns_of`. ``metadata``: what was studied,
    what was held constant and what scales with the range.
    """

    table: pd.DataFrame
    settings: pd.DataFrame
    advice: tuple[str, ...]
    metadata: dict[str, Any]


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
    "fire_time_shift_ms": (
        "fire time less that of the ideal sensor: negative is earlier; none where either does not"
        " fire (see fire_change)"
    ),
    "fire_change": (
        "against the ideal sensor: same, earlier, later, lost (only the ideal one fires), gained"
        " (only this one fires) or never (neither)"
    ),
    "demand_at_required_time": "largest demand up to the required time",
    "max_demand": "largest demand",
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
    "separation_ratio": "c/m of the setting over all events; ranks settings of one criterion only",
}

_OF_VELOCITY = (
    "velocity_error_required_m_s",
    "velocity_error_60ms_m_s",
    "velocity_resolution_m_s",
    "offset_drift_m_s",
)


def columns_of(kind: str) -> dict[str, str]:
    """Return the columns of a study of a *kind* of sensor and what they mean.

    >>> [name for name in columns_of("pressure") if name.startswith(("range", "velocity"))]
    ['range_kpa']
    """
    if kind == "accelerometer":
        return dict(COLUMNS)
    unit = UNITS[kind][0]
    renamed = {"range_g": f"range_{unit}"}
    return {renamed.get(n, n): text for n, text in COLUMNS.items() if n not in _OF_VELOCITY}


def study_range(
    events: Sequence[Event],
    *,
    algorithm: str | Path | Algorithm = "guarded",
    sensor_set: str | Path | SensorSet = "standard",
    sensor: str = "central_x",
    restraint: str = "front_airbag_stage_1",
    ranges: Sequence[float] | None = None,
    bits: Sequence[int] | None = None,
    corners_hz: Sequence[float] | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> RangeStudy:
    """Run the study.

    Parameters
    ----------
    events : crash, misuse and road events; separation needs some that must fire and some that must
        not
    algorithm, sensor_set : names, paths or objects
    sensor : channel whose range, bits and corner are varied
    restraint : whose fire time and separation are reported
    ranges : values to try, in the unit of files of the sensor (g, kPa, deg/s); None:
        :data:`RANGES_G`, other sensors :data:`MULTIPLES` of the part's own
    bits, corners_hz : values to combine with the ranges; None: the part's own
    on_progress : called with events done and events in all

    Raises
    ------
    InputError : unknown names, impossible values, no event with the sensor
    """
    import pandas as pd

    judged = algorithm if isinstance(algorithm, Algorithm) else load_algorithm(algorithm)
    base = load_sensor_set(sensor_set)
    ranges, bits, corners_hz = _check(
        events, base, sensor, restraint, ranges=ranges, bits=bits, corners_hz=corners_hz
    )
    part = base.sensor(sensor)
    unit, scale = UNITS[part.kind]
    shown = {"kpa": "kPa", "deg_s": "deg/s"}.get(unit, unit)
    scaled = tolerances_that_scale(part)
    settings = [
        (float(r), int(b), float(c))
        for c in sorted(set(corners_hz))
        for b in sorted(set(bits))
        for r in sorted(set(ranges))
    ]
    sets = [
        base.changed(
            sensor,
            name=_name(*setting),
            range=setting[0] * scale,
            bits=setting[1],
            corner_hz=setting[2],
            **{name: getattr(part, name) * setting[0] * scale / part.range for name in scaled},
        )
        for setting in settings
    ]
    column = f"range_{unit}"
    rows: list[dict[str, Any]] = []
    ideal: list[dict[str, Any]] = []
    skipped: list[str] = []
    for number, event in enumerate(events):
        if sensor in event.signals:
            study = _EventStudy(event, base, sensor, judged, restraint)
            for one, (r, b, c) in zip(sets, settings, strict=True):
                key = {column: r, "bits": b, "corner_hz": c, "sensor_set": one.name}
                rows.append({**study.row(one), **key})
                ideal.append({**study.ideal(one).scored, **key})
        else:
            skipped.append(event.name)
        if on_progress is not None:
            on_progress(number + 1, len(events))
    if not rows:
        names = ", ".join(event.name for event in events)
        raise InputError([Fault("study range", "events", names, f"an event with {sensor}")])
    table, reference = pd.DataFrame(rows), pd.DataFrame(ideal)
    table["algorithm"], table["restraint"] = judged.name, restraint
    found = {one.sensor_set: one for one in separation(table)}
    best = {one.sensor_set: one for one in separation(reference)}
    table["separation_ratio"] = [
        np.nan if (s := found.get(name)) is None or s.ratio is None else s.ratio
        for name in table["sensor_set"]
    ]
    own_rule = judged.rules.get(restraint)
    columns = columns_of(part.kind)
    metadata = {
        "schema_version": SCHEMA_VERSION,
        "study": "range",
        "algorithm": judged.name,
        "sensor_set": base.name,
        "sensor": sensor,
        "part": part.part,
        "range_column": column,
        "unit": shown,
        "bits": _own(part.bits, bits),
        "corner_hz": _own(part.corner_hz, corners_hz),
        "restraint": restraint,
        "rule_reads_the_sensor": own_rule is not None and sensor in own_rule.uses,
        "draws": "nominal only: no offset, no noise and no tolerance enters verdicts or fire times",
        "scales_with_the_range": [
            *SCALES,
            *(["mechanical stop"] if np.isfinite(part.stop) else []),
            *(["cubic read-out"] if part.nonlinearity else []),
            *(TOLERANCES[name][0] for name in scaled),
        ],
        "held_constant": {
            label: f"{getattr(part, name) / scale:g} {shown}{per}"
            for name, (label, per) in TOLERANCES.items()
            if name not in scaled
        },
        "columns": columns,
        "events_without_the_sensor": skipped,
        "records": [event.name for event in events if _is_record(event)],
        "synthesised": sum("recipe" in event.metadata for event in events),
        "synthesised_frontal": sum(
            "recipe" in event.metadata and event.family == "frontal" for event in events
        ),
    }
    summary = summarise(table, metadata, ratios=found, ideal_ratios=best)
    advice = (*already_filtered(events), *advise(table, summary, metadata))
    return RangeStudy(table[list(columns)], summary, advice, metadata)


def _name(value: float, bits: int, corner_hz: float) -> str:
    return f"{value:g}/{bits}/{corner_hz:g}"


def _own(own: float, tried: Sequence[float]) -> float:
    """The part's own value where it was tried, else the smallest tried."""
    return own if own in tried else min(tried)


def tolerances_that_scale(part: Sensor) -> tuple[str, ...]:
    """Fields of :data:`TOLERANCES` that grow with the range over the catalogue's parts of the kind.

    Parts of one kind are called alike but for the range (``side_100g``, ``side_240g``). A field
    scales where it is the same share of the range in all of them. A part that is not in the
    catalogue, or is alone of its kind there, gives no trend: its fields are held constant.

    >>> tolerances_that_scale(find_part("side_240g"))
    ('offset_tolerance', 'noise_density')
    >>> tolerances_that_scale(find_part("central_120g"))
    ()
    """
    if part.part not in part_names():
        return ()
    shipped = find_part(part.part)
    stem = _stem(part.part)
    family = [find_part(name) for name in part_names() if _stem(name) == stem]
    if len({one.range for one in family}) < 2 or shipped.range != part.range:
        return ()

    def grows(name: str) -> bool:
        if getattr(part, name) != getattr(shipped, name):
            return False  # a number of the user's own
        shares = np.array([getattr(one, name) / one.range for one in family])
        return bool(shares[0] > 0 and np.allclose(shares, shares[0], rtol=1e-6))

    return tuple(name for name in TOLERANCES if grows(name))


def _stem(name: str) -> str:
    return re.sub(r"_\d+[a-z]*$", "", name)


def _check(
    events: Sequence[Event],
    base: SensorSet,
    sensor: str,
    restraint: str,
    *,
    ranges: Sequence[float] | None,
    bits: Sequence[int] | None,
    corners_hz: Sequence[float] | None,
) -> tuple[Sequence[float], Sequence[int], Sequence[float]]:
    """Refuse what cannot be studied; return ranges, bits and corners, defaults filled in."""
    where = "study range"
    found = []
    if not events:
        found.append(Fault(where, "events", [], "at least one event"))
    if sensor not in base.sensors:
        found.append(Fault(where, "sensor", sensor, nearest(sensor, base.sensors)))
    if restraint not in RESTRAINTS:
        found.append(Fault(where, "restraint", restraint, nearest(restraint, RESTRAINTS)))
    given = {"ranges": ranges, "bits": bits, "corners_hz": corners_hz}
    for name, values in given.items():
        if values is None:
            continue
        if not values:
            found.append(Fault(where, name, [], "at least one value"))
        found += [
            Fault(where, name, value, "a number above 0")
            for value in values
            if not (np.isfinite(value) and value > 0)
        ]
    if found:
        raise InputError(found)
    part = base.sensor(sensor)
    scale = UNITS[part.kind][1]
    if ranges is None:
        own = [multiple * part.range / scale for multiple in MULTIPLES]
        ranges = RANGES_G if part.kind == "accelerometer" else own
    bits = (part.bits,) if bits is None else bits
    corners_hz = (part.corner_hz,) if corners_hz is None else corners_hz
    for tried, change, factor in (
        (ranges, "range", scale),
        (bits, "bits", 1),
        (corners_hz, "corner_hz", 1),
    ):
        for value in tried:
            try:
                changes: dict[str, Any] = {change: value * factor}
                base.changed(sensor, **changes)
            except InputError as error:
                found += [Fault(where, change, value, f.expected) for f in error.faults]
    if found:
        raise InputError(found)
    return ranges, bits, corners_hz


def _exact(part: Sensor, **changes: Any) -> dict[str, Any]:
    """Changes that remove a sensor's quantisation and keep its timing on the bus."""
    return {"bits": 24, "slot_start_s": part.latency_s, "bit_time_s": 0.0, **changes}


def _is_record(event: Event) -> bool:
    return event.source is not None and not event.source.varies and "files" in event.metadata


@dataclass(frozen=True, eq=False)
class _Run:
    """One event with one setting of the sensor: its trial, and the columns of its score."""

    trial: Trial
    scored: Mapping[str, Any]


def fire_change(mine_ms: float, ideal_ms: float) -> str:
    """Compare a fire time [ms] with the ideal sensor's; NaN means no deployment.

    >>> fire_change(37.5, 57.5), fire_change(float("nan"), 172.0)
    ('earlier', 'lost')
    """
    fires, ideal_fires = np.isfinite(mine_ms), np.isfinite(ideal_ms)
    if not (fires or ideal_fires):
        return "never"
    if fires != ideal_fires:
        return "gained" if fires else "lost"
    if abs(mine_ms - ideal_ms) < 1e-6:
        return "same"
    return "earlier" if mine_ms < ideal_ms else "later"


def requirement_change(expectation: str, verdict: str, ideal_verdict: str) -> str:
    """Describe what became of a requirement compared with the ideal sensor.

    >>> requirement_change("fire", "missed", "on_time"), requirement_change("fire", "late", "late")
    ('lost', 'fails_anyway')
    """
    if "not_evaluated" in (verdict, ideal_verdict):
        return "not_evaluated"
    if expectation == "open":
        return "open"
    fails, ideal_fails = verdict in FAILURES, ideal_verdict in FAILURES
    if fails:
        return "fails_anyway" if ideal_fails else "lost"
    return "gained" if ideal_fails else "met"


def _changed(mine: Mapping[str, Any], ideal: Mapping[str, Any]) -> bool:
    """True if a verdict changes, or a fire comes, goes or moves by more than the limit."""
    fire = mine["fire_time_ms"], ideal["fire_time_ms"]
    return (
        mine["verdict"] != ideal["verdict"]
        or fire_change(*fire) in ("lost", "gained")
        or abs(fire[0] - fire[1]) > LIMIT_SHIFT_MS + 1e-6
    )


class _EventStudy:
    """One event: everything that all settings share is computed once."""

    def __init__(
        self, event: Event, base: SensorSet, sensor: str, algorithm: Algorithm, restraint: str
    ) -> None:
        self.event, self.sensor, self.restraint = event, sensor, restraint
        rule = algorithm.rules.get(restraint)
        used = set() if rule is None else rule.uses
        (self.base,) = run_trials(
            [event],
            [0],
            sensor_sets=[base],
            algorithms=[replace(algorithm, rules={} if rule is None else {restraint: rule})],
            conditions=Conditions(vary="none"),
            channels=[c for c in base.sensors if c in used or c == sensor],
        )
        self.required_s = float(self.base.required_s[event.name][restraint][0])
        truth, self.grid = at_internal_rate(
            {sensor: self.base.signals[sensor]},
            unit=base.control_unit,
            draws=1,
        )
        self.true = truth[sensor]
        times = self.grid.times_s
        self.end_s = LATE_S if event.family in CRASHES else float(times[-1])
        self.window = (times >= 0) & (times <= self.end_s + 1e-9)
        self.filtered: dict[float, FloatArray] = {}
        self.unlimited: dict[tuple[float, float], _Run] = {}

    def _run(self, sensor_set: SensorSet) -> _Run:
        trial = self.base.with_sensor(self.sensor, sensor_set)
        return _Run(trial, trial.row(self.restraint))

    def _velocity(self, trial: Trial, at_s: float) -> float:
        """Velocity change of the codes from time zero to *at_s* of the true motion [m/s]."""
        values = np.nan_to_num(trial.samples.channels[self.sensor])
        velocity = cumulative_trapezoid(values, step_s=1.0 / trial.rate_hz)[0]
        moment = trial.times_s[0] - trial.sensor_set.delay_s(self.sensor)
        return float(np.interp(at_s, moment, velocity) - np.interp(0.0, moment, velocity))

    def ideal(self, sensor_set: SensorSet) -> _Run:
        """Return the event with the ideal sensor of a setting's corner and delay."""
        part = sensor_set.sensor(self.sensor)
        key = (part.corner_hz, part.latency_s)
        if key not in self.unlimited:
            changes = _exact(part, range=UNLIMITED * UNITS[part.kind][1], nonlinearity=0.0)
            free = sensor_set.changed(self.sensor, name="ideal", **changes)
            self.unlimited[key] = self._run(free)
        return self.unlimited[key]

    def _cause(self, sensor_set: SensorSet, ideal: _Run) -> str:
        """Name the cause of the difference, by removing the limits one after the other."""
        part = sensor_set.sensor(self.sensor)
        for name, changes in (
            ("code width", _exact(part)),
            ("read-out", _exact(part, nonlinearity=0.0)),
        ):
            freed = self._run(sensor_set.changed(self.sensor, **changes))
            if not _changed(freed.scored, ideal.scored):
                return name
        return "clipping"

    def row(self, sensor_set: SensorSet) -> dict[str, Any]:
        """Return the columns of one setting."""
        part = sensor_set.sensor(self.sensor)
        mine, ideal = self._run(sensor_set), self.ideal(sensor_set)
        scored = mine.scored
        corner = part.corner_hz
        if corner not in self.filtered:
            self.filtered[corner] = chain.lowpass(
                self.true, sensor=part, rate_hz=self.grid.rate_hz, rest=self.true[:, 0]
            )

        def error(at_s: float) -> float:
            if not np.isfinite(at_s) or at_s > self.grid.times_s[-1]:
                return float("nan")
            return self._velocity(mine.trial, at_s) - self._velocity(ideal.trial, at_s)

        fire, ideal_fire = scored["fire_time_ms"], ideal.scored["fire_time_ms"]
        verdict, ideal_verdict = scored["verdict"], ideal.scored["verdict"]
        clipped = np.abs(self.filtered[corner][0, self.window]) > part.range
        return {
            "event": self.event.name,
            "family": self.event.family,
            "expectation": scored["expectation"],
            "window_ms": 1e3 * self.end_s,
            "clipped_before_filter": float(
                np.mean(np.abs(self.true[0, self.window]) > part.front_end)
            ),
            "clipped_after_filter": float(np.mean(clipped)),
            "required_time_ms": 1e3 * self.required_s,
            "velocity_error_required_m_s": error(self.required_s),
            "velocity_error_60ms_m_s": error(LATE_S),
            "velocity_resolution_m_s": part.step / mine.trial.rate_hz,
            "offset_drift_m_s": 3.0
            * part.offset_tolerance
            * max(0.0, float(self.grid.times_s[-1])),
            "fire_time_ms": fire,
            "ideal_fire_time_ms": ideal_fire,
            "fire_time_shift_ms": fire - ideal_fire,
            "fire_change": fire_change(fire, ideal_fire),
            "demand_at_required_time": scored["demand_at_required_time"],
            "demand_before_allowed": scored["demand_before_allowed"],
            "demand_margin": scored["demand_margin"],
            "max_demand": scored["max_demand"],
            "infeasible": bool(scored["infeasible"]),
            "verdict": verdict,
            "ideal_verdict": ideal_verdict,
            "requirement": requirement_change(scored["expectation"], verdict, ideal_verdict),
            "cause": self._cause(sensor_set, ideal) if _changed(scored, ideal.scored) else "-",
        }
