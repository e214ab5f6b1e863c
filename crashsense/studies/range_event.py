"""One event with every setting of a sensor, beside the ideal sensor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from crashsense.arrays import BoolArray, FloatArray
from crashsense.event import Event
from crashsense.further_restraints import asking
from crashsense.results.statistics import clopper_pearson
from crashsense.rules import Algorithm
from crashsense.scoring import FAILURES
from crashsense.sensing import Sensor, SensorSet, chain
from crashsense.sensing.sensor_file import UNITS
from crashsense.sensing.timebase import at_internal_rate
from crashsense.signal import cumulative_trapezoid
from crashsense.studies.range_words import CRASHES, LIMIT_SHIFT_MS
from crashsense.trials import Conditions, Trial, run_trials

#: Range of the ideal sensor, in the unit of files (g, kPa, deg/s).
UNLIMITED = 1e4

#: Crashes: clipping is counted over the first 60 ms; other events: over the whole.
LATE_S = 0.06


def _exact(part: Sensor, **changes: Any) -> dict[str, Any]:
    """Changes that remove a sensor's quantisation and keep its timing on the bus."""
    return {"bits": 24, "slot_start_s": part.latency_s, "bit_time_s": 0.0, **changes}


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


@dataclass(frozen=True, eq=False)
class _Judged:
    """Random draws of an event with one sensor, arrays over draws."""

    draws: np.ndarray[Any, np.dtype[np.int64]]
    judged: BoolArray
    failed: BoolArray
    margin: FloatArray


def _joined(parts: Sequence[_Judged]) -> _Judged:
    names = ("draws", "judged", "failed", "margin")
    return _Judged(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _drawn_columns(mine: _Judged, ideal: _Judged) -> dict[str, Any]:
    judged = mine.judged & ideal.judged
    lost = judged & mine.failed & ~ideal.failed
    size, count = int(judged.sum()), int(lost.sum())
    low, high = clopper_pearson(count, size) if size else (np.nan, np.nan)
    among = lost if count else judged
    margins = np.where(among & np.isfinite(mine.margin), mine.margin, np.inf)
    at = int(np.argmin(margins))
    known = bool(np.isfinite(margins[at]))
    return {
        "draws_judged": size,
        "draws_failed": int((judged & mine.failed).sum()),
        "ideal_draws_failed": int((judged & ideal.failed).sum()),
        "draws_lost": count,
        "draws_gained": int((judged & ideal.failed & ~mine.failed).sum()),
        "p_lost_low": low,
        "p_lost_high": high,
        "worst_draw": int(mine.draws[at]) if known else -1,
        "worst_demand_margin": float(mine.margin[at]) if known else np.nan,
    }


class EventStudy:
    """One event: everything that all settings share is computed once."""

    def __init__(
        self, event: Event, base: SensorSet, sensor: str, algorithm: Algorithm, restraint: str
    ) -> None:
        self.event, self.sensor, self.restraint = event, sensor, restraint
        rule = algorithm.rules.get(restraint)
        used = set() if rule is None else rule.uses
        self.known: dict[str, Any] = {
            "sensor_sets": [base],
            "algorithms": [replace(algorithm, rules={} if rule is None else {restraint: rule})],
            "channels": [c for c in base.sensors if c in used or c == sensor],
        }
        (self.base,) = self._trials([0], Conditions(vary="none"))
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

    def _trials(self, draws: Sequence[int], conditions: Conditions) -> Iterator[Trial]:
        events = [asking(self.event, [self.restraint])]
        return run_trials(events, draws, conditions=conditions, **self.known)

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
        key = self._kind(sensor_set)
        if key not in self.unlimited:
            self.unlimited[key] = self._run(self._free(sensor_set))
        return self.unlimited[key]

    def _kind(self, sensor_set: SensorSet) -> tuple[float, float]:
        """What settings share that have the same ideal sensor."""
        part = sensor_set.sensor(self.sensor)
        return part.corner_hz, part.latency_s

    def _free(self, sensor_set: SensorSet) -> SensorSet:
        """The sensor set with the ideal sensor of a setting."""
        part = sensor_set.sensor(self.sensor)
        changes = _exact(part, range=UNLIMITED * UNITS[part.kind][1], nonlinearity=0.0)
        return sensor_set.changed(self.sensor, name="ideal", **changes)

    def drawn(
        self, sensor_sets: Sequence[SensorSet], draws: int, *, conditions: Conditions
    ) -> list[dict[str, Any]]:
        """Return the columns of the random draws, one entry a setting.

        In each draw the ideal sensor has the same car, noise and tolerances.
        """
        mine: list[list[_Judged]] = [[] for _ in sensor_sets]
        best: dict[tuple[float, float], list[_Judged]] = {}
        for base in self._trials(range(1, draws + 1), conditions):
            done = set()
            for place, sensor_set in enumerate(sensor_sets):
                mine[place].append(self._judged(base, sensor_set))
                key = self._kind(sensor_set)
                if key not in done:
                    done.add(key)
                    best.setdefault(key, []).append(self._judged(base, self._free(sensor_set)))
        return [
            _drawn_columns(_joined(own), _joined(best[self._kind(sensor_set)]))
            for sensor_set, own in zip(sensor_sets, mine, strict=True)
        ]

    def _judged(self, base: Trial, sensor_set: SensorSet) -> _Judged:
        trial = base.with_sensor(self.sensor, sensor_set)
        verdicts = trial.verdicts(self.restraint).astype(str)
        return _Judged(
            trial.draws,
            verdicts != "not_evaluated",
            np.isin(verdicts, FAILURES),
            trial.scores(self.restraint).demand_margin,
        )

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
        decided_s = 1e-3 * float(np.fmin(fire, ideal_fire)) - sensor_set.delay_s(self.sensor)
        sense = np.sign(self._velocity(ideal.trial, decided_s)) if np.isfinite(decided_s) else 1.0
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
            "velocity_error_fire_m_s": sense * error(decided_s),
            "velocity_resolution_m_s": part.step / mine.trial.rate_hz,
            "offset_drift_m_s": 3.0
            * part.offset_tolerance
            * max(0.0, float(self.grid.times_s[-1])),
            "fire_time_ms": fire,
            "ideal_fire_time_ms": ideal_fire,
            "fire_time_shift_ms": fire - ideal_fire,
            "fire_change": fire_change(fire, ideal_fire),
            "demand_at_required_time": scored["demand_at_required_time"],
            "ideal_demand_at_required_time": ideal.scored["demand_at_required_time"],
            "demand_before_allowed": scored["demand_before_allowed"],
            "demand_margin": scored["demand_margin"],
            "max_demand": scored["max_demand"],
            "ideal_max_demand": ideal.scored["max_demand"],
            "already_filtered": bool(self.event.metadata.get("filtered", False)),
            "infeasible": bool(scored["infeasible"]),
            "verdict": verdict,
            "ideal_verdict": ideal_verdict,
            "requirement": requirement_change(scored["expectation"], verdict, ideal_verdict),
            "cause": self._cause(sensor_set, ideal) if _changed(scored, ideal.scored) else "-",
        }
