"""Choice of an element: geometry over a grid, judged on events.

Every point of the grid is an element, and with it a sensor: range, resonance, noise and the rest
follow from the geometry. Each is judged on the same events and draws, and compared with the ideal
sensor (unlimited range, no quantisation, linear, no noise; same filter and transport). A failure
that the ideal sensor shares is not due to the element.

Filter, word length and transport, misalignment and filter tolerances are those of the part that the
element replaces; its tolerances of sensitivity and offset are not: they follow from the geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS, Event
from crashsense.further_restraints import asking
from crashsense.rules import Algorithm, load_algorithm
from crashsense.scoring import FAILURES, separation
from crashsense.sensing import SensorSet, load_sensor_set
from crashsense.sensing.element import Element
from crashsense.sensing.element_file import FILE_NAMES, load_element
from crashsense.sensing.quiet import quiet_noise
from crashsense.signal import cumulative_trapezoid
from crashsense.studies.wording import count
from crashsense.trials import Conditions, Trial, run_trials
from crashsense.units import STANDARD_GRAVITY as G

if TYPE_CHECKING:
    import pandas as pd


WHERE = "study element"

#: Points of a grid at most: a slip of the pen must not run for a day.
MOST_POINTS = 400

#: Fields of an element that may be varied.
_FIELDS = (
    "gap",
    "thickness",
    "beam_width",
    "beam_length",
    "pressure",
    "fingers",
    "overlap",
    "plate_length",
    "plate_width",
    "filled",
    "beams",
    "stop",
    "drive",
    "feedback",
    "parasitic",
    "amplifier_noise",
    "linear_within",
    "coupling",
)

#: Name in an element file -> field of the element; a pressure is meant at 25 degC.
VARIED: Mapping[str, str] = {FILE_NAMES[field][1]: field for field in _FIELDS}

#: Range of the ideal sensor [m/s^2].
UNLIMITED = 1e5

#: What a point may be chosen for: (word, column, unit, factor to the unit).
CHEAPNESS = (
    ("smallest", "footprint_mm2"),
    ("softest", "stiffness_n_per_m"),
    ("least in electrode area", "electrode_area_mm2"),
)


@dataclass(frozen=True, eq=False)
class ElementStudy:
    """What :func:`study_element` found.

    ``points``: one row an element, with what it is and the worst of its events; ``table``: one row
    an event and element, nominal; ``conclusion``: plain sentences; ``varied``: names of the numbers
    that were varied; ``metadata``: what was studied.
    """

    points: pd.DataFrame
    table: pd.DataFrame
    conclusion: tuple[str, ...]
    varied: tuple[str, ...]
    metadata: dict[str, Any]


def study_element(
    events: Sequence[Event],
    *,
    element: str | Path | Element,
    vary: Mapping[str, Sequence[float]],
    sensors: Sequence[str] = ("central_x",),
    algorithm: str | Path | Algorithm = "guarded",
    sensor_set: str | Path | SensorSet = "standard",
    restraint: str = "front_airbag_stage_1",
    draws: int = 0,
    seed: int = 1,
    on_progress: Callable[[int, int], None] | None = None,
) -> ElementStudy:
    """Judge an element with its geometry over a grid.

    Parameters
    ----------
    events : what the elements are judged on
    element : an element file, or an element
    vary : one or two (or more) numbers of the element file -> values in the file's units
    sensors : channels that get the element, all the same; a shared mass couples the axes at one
        place
    algorithm, sensor_set : what judges; the set whose parts are replaced at *sensors*
    restraint : whose requirement is judged
    draws, seed : draws beside the nominal one, in which tolerances and noise act

    Raises
    ------
    InputError : unknown names, impossible values, a grid in which no element can be made, no event
        with a signal at the sensors
    """
    import pandas as pd

    base = load_sensor_set(sensor_set)
    judged = algorithm if isinstance(algorithm, Algorithm) else load_algorithm(algorithm)
    start = element if isinstance(element, Element) else load_element(element)
    _check(events, base, sensors, restraint, vary=vary, draws=draws)
    made, refused = _grid(start, vary)
    if not made:
        told = "; ".join(sorted({text for _, text in refused}))[:400]
        raise InputError([Fault(WHERE, "vary", None, f"a grid with elements that exist ({told})")])
    sets = [_ideal(base, sensors)]
    sets += [
        _with_element(base, sensors, one, name=_name(number))
        for number, (_, one) in enumerate(made)
    ]
    events = [asking(event, [restraint]) for event in events]
    used = [event for event in events if any(name in event.signals for name in sensors)]
    if not used:
        expected = f"an event with a signal at {', '.join(sensors)}"
        raise InputError([Fault(WHERE, "events", [event.name for event in events][:5], expected)])
    rows: list[pd.DataFrame] = []
    nominal: list[dict[str, Any]] = []
    for number, event in enumerate(used):
        found, words = _judge(
            event, sets, judged, restraint, sensors=sensors, draws=draws, seed=seed
        )
        rows.append(found)
        nominal += words
        if on_progress is not None:
            on_progress(number + 1, len(used))
    verdicts = pd.concat(rows, ignore_index=True)
    table = pd.DataFrame(nominal)
    points = _points(made, sets[1:], verdicts, table, vary=vary, sensors=sensors, seed=seed)
    ideal = verdicts[(verdicts["sensor_set"] == "ideal") & (verdicts["draw"] == 0)]
    metadata = {
        "study": "element",
        "element": start.name,
        "algorithm": judged.name,
        "sensor_set": base.name,
        "sensors": list(sensors),
        "restraint": restraint,
        "draws": draws,
        "seed": seed,
        "events": [event.name for event in used],
        "without_signal": [event.name for event in events if event not in used],
        "ideal_failures": sorted(ideal[ideal["verdict"].isin(FAILURES)]["event"]),
        "refused": [{"point": dict(at), "reason": text} for at, text in refused],
    }
    conclusion = _conclude(points, metadata, varied=tuple(vary))
    keep = [c for c in table.columns if c != "sensor_set"]
    shown = table[table["sensor_set"] != "ideal"].merge(
        points[["sensor_set", *vary]], on="sensor_set"
    )
    return ElementStudy(
        points=points.drop(columns="sensor_set"),
        table=shown[[*vary, *keep]],
        conclusion=tuple(conclusion),
        varied=tuple(vary),
        metadata=metadata,
    )


def _check(
    events: Sequence[Event],
    base: SensorSet,
    sensors: Sequence[str],
    restraint: str,
    *,
    vary: Mapping[str, Sequence[float]],
    draws: int,
) -> None:
    found = []
    if not events:
        found.append(Fault(WHERE, "events", [], "at least one event"))
    if not sensors:
        found.append(Fault(WHERE, "sensors", [], "at least one channel"))
    for name in sensors:
        if name not in base.sensors:
            found.append(Fault(WHERE, "sensor", name, nearest(name, base.sensors)))
        elif base.sensor(name).kind != "accelerometer":
            found.append(Fault(WHERE, "sensor", name, "an accelerometer: it has the element"))
    if restraint not in ALL_RESTRAINTS:
        found.append(Fault(WHERE, "restraint", restraint, nearest(restraint, ALL_RESTRAINTS)))
    if draws < 0:
        found.append(Fault(WHERE, "draws", draws, "0 or more"))
    if not vary:
        found.append(Fault(WHERE, "vary", {}, "a number of the element file and its values"))
    size = 1
    for name, values in vary.items():
        size *= max(1, len(values))
        if name not in VARIED:
            found.append(Fault(WHERE, "vary", name, nearest(name, VARIED)))
        if not values:
            found.append(Fault(WHERE, f"vary {name}", [], "at least one value"))
        found += [
            Fault(WHERE, f"vary {name}", value, "a finite number")
            for value in values
            if not np.isfinite(value)
        ]
    if size > MOST_POINTS:
        found.append(Fault(WHERE, "vary", size, f"a grid of {MOST_POINTS} points at most"))
    if found:
        raise InputError(found)


#: A point of the grid: names and values of what is varied.
_At = tuple[tuple[str, float], ...]


def _grid(
    start: Element, vary: Mapping[str, Sequence[float]]
) -> tuple[list[tuple[_At, Element]], list[tuple[_At, str]]]:
    """Elements of the grid, and the infeasible ones with the reason."""
    made: list[tuple[_At, Element]] = []
    refused: list[tuple[_At, str]] = []
    for values in product(*(sorted(set(v)) for v in vary.values())):
        at = tuple(zip(vary, values, strict=True))
        changes: dict[str, Any] = {}
        for name, value in at:
            field = VARIED[name]
            scaled = value * FILE_NAMES[field][2]
            whole = isinstance(Element.__dataclass_fields__[field].default, int)
            changes[field] = int(value) if whole and value == int(value) else scaled
        if start.stop and "gap" in changes and "stop" not in changes:
            # A stop is made with the gap: it keeps its share of it.
            changes["stop"] = start.stop * changes["gap"] / start.gap
        try:
            made.append((at, start.changed(**changes)))
        except InputError as error:
            refused.append((at, error.faults[0].expected))
    return made, refused


def _name(number: int) -> str:
    return f"point_{number:03d}"


def _with_element(base: SensorSet, sensors: Sequence[str], one: Element, *, name: str) -> SensorSet:
    """The set with the element at *sensors*; what geometry decides is not drawn twice."""
    numbers = one.part_numbers()
    return base.changed(
        *sensors,
        name=name,
        part=one.name,
        element=one,
        sensitivity_tolerance=0.0,
        sensitivity_temperature=0.0,
        offset_tolerance=0.0,
        offset_temperature=0.0,
        **numbers,
    )


def _ideal(base: SensorSet, sensors: Sequence[str]) -> SensorSet:
    """The set with ideal sensors: unlimited range, no quantisation, same filter and transport."""
    ideal = base
    for name in sensors:
        part = base.sensor(name)
        ideal = ideal.changed(
            name,
            name="ideal",
            range=UNLIMITED,
            bits=24,
            slot_start_s=part.latency_s,
            bit_time_s=0.0,
            nonlinearity=0.0,
            quadratic=0.0,
            cross_axis=0.0,
            noise_density=0.0,
            element=None,
        )
    return ideal


def _judge(
    event: Event,
    sets: Sequence[SensorSet],
    algorithm: Algorithm,
    restraint: str,
    *,
    sensors: Sequence[str],
    draws: int,
    seed: int,
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Verdict rows of one event with every set, and what its nominal codes show."""
    import pandas as pd

    rule = algorithm.rules.get(restraint)
    used = set() if rule is None else set(rule.uses)
    one = replace(algorithm, rules={} if rule is None else {restraint: rule})
    rows = []
    words: list[dict[str, Any]] = []
    ideal: dict[str, float] = {}
    for trial in run_trials(
        [event],
        range(draws + 1),
        sensor_sets=sets,
        algorithms=[one],
        conditions=Conditions(seed=seed),
        channels=[c for c in sets[0].sensors if c in used or c in sensors],
    ):
        judged = trial.rows
        rows.append(judged[judged["restraint"] == restraint])
        if trial.draws[0] == 0:
            row, velocities = _nominal(trial, event, restraint, sensors=sensors, ideal=ideal)
            if trial.sensor_set.name == "ideal":
                ideal = velocities
            words.append(row)
    return pd.concat(rows, ignore_index=True), words


def _nominal(
    trial: Trial,
    event: Event,
    restraint: str,
    *,
    sensors: Sequence[str],
    ideal: Mapping[str, float],
) -> tuple[dict[str, Any], dict[str, float]]:
    """What the nominal codes of one event show: clipping, velocity against the ideal sensor."""
    scored = trial.row(restraint, draw=0)
    required_s = float(trial.required_s[event.name][restraint][0])
    shares, velocities, lost = [0.0], {}, [0.0]
    for name in sensors:
        if name not in trial.reports:
            continue
        report = trial.reports[name]
        shares.append(float(report.clipped_before_filter[0]) / report.internal_samples)
        times = trial.times_s[0] - trial.sensor_set.delay_s(name)
        values = np.nan_to_num(trial.samples.channels[name][:1])
        velocity = cumulative_trapezoid(values, step_s=1.0 / trial.rate_hz)[0]
        at = required_s if np.isfinite(required_s) else float(times[-1])
        velocities[name] = float(np.interp(at, times, velocity) - np.interp(0.0, times, velocity))
        lost.append(abs(velocities[name] - ideal.get(name, velocities[name])))
    row = {
        "sensor_set": trial.sensor_set.name,
        "event": event.name,
        "family": event.family,
        "expectation": scored["expectation"],
        "verdict": scored["verdict"],
        "fire_time_ms": scored["fire_time_ms"],
        "required_time_ms": scored["required_time_ms"],
        "max_demand": scored["max_demand"],
        "demand_margin": scored["demand_margin"],
        "clipped_before_filter": max(shares),
        "velocity_lost_m_s": max(lost),
    }
    return row, velocities


def _points(
    made: Sequence[tuple[_At, Element]],
    sets: Sequence[SensorSet],
    verdicts: pd.DataFrame,
    table: pd.DataFrame,
    *,
    vary: Mapping[str, Sequence[float]],
    sensors: Sequence[str],
    seed: int,
) -> pd.DataFrame:
    import pandas as pd

    nominal = verdicts[verdicts["draw"] == 0]
    met = nominal[(nominal["sensor_set"] == "ideal") & ~nominal["verdict"].isin(FAILURES)]
    reached = {s.sensor_set: s for s in separation(nominal)}
    rows = []
    for (at, one), sensor_set in zip(made, sets, strict=True):
        name = sensor_set.name
        mine = verdicts[verdicts["sensor_set"] == name]
        first = mine[mine["draw"] == 0]
        drawn = mine[mine["draw"] > 0]
        failed = first[first["verdict"].isin(FAILURES)]
        lost = failed[failed["event"].isin(met["event"])]
        failed_drawn = drawn[drawn["verdict"].isin(FAILURES) & drawn["event"].isin(met["event"])]
        words = table[table["sensor_set"] == name]
        state = one.state()
        found = reached.get(name)
        worst = words.loc[words["velocity_lost_m_s"].idxmax()] if len(words) else None
        rows.append(
            {
                "sensor_set": name,
                **dict(at),
                "range_g": one.range / G,
                "binds": one.binds,
                "resonance_hz": float(state.resonance_hz),
                "quality": float(state.quality),
                "stiffness_n_per_m": float(state.spring),
                "deflection_nm_per_g": float(state.compliance) * G * 1e9,
                "footprint_mm2": one.footprint * 1e6,
                "electrode_area_mm2": one.area * 1e6,
                "noise_mg_per_rthz": 1e3 * float(state.noise) / G,
                "quiet_noise_mg": 1e3 * quiet_noise(sensor_set, sensors[0], seed=seed) / G,
                "clipped_before_filter": float(words["clipped_before_filter"].max()),
                "velocity_lost_m_s": float(words["velocity_lost_m_s"].max()),
                "worst_velocity_event": "" if worst is None else str(worst["event"]),
                "separation_ratio": np.nan
                if found is None or found.ratio is None
                else float(found.ratio),
                "missed_or_late": int(failed["verdict"].isin(["missed", "late", "early"]).sum()),
                "inadvertent": int((failed["verdict"] == "inadvertent").sum()),
                "lost": len(lost),
                "lost_events": ", ".join(sorted(lost["event"])),
                "lost_in_draws": len(failed_drawn),
                "worst_draw_event": ""
                if failed_drawn.empty
                else str(failed_drawn["event"].value_counts().idxmax()),
            }
        )
    return pd.DataFrame(rows)


def _conclude(
    points: pd.DataFrame, metadata: Mapping[str, Any], *, varied: Sequence[str]
) -> list[str]:
    """Which element is the smallest, softest or cheapest that loses nothing, and why."""
    draws = metadata["draws"]
    whole = points[(points["lost"] == 0) & (points["lost_in_draws"] == 0)]
    scope = f"{count(len(metadata['events']), 'event')}, {metadata['restraint']}" + (
        f", {count(draws, 'draw')}" if draws else ", nominal only"
    )
    told = []
    if whole.empty:
        worst = points.sort_values("lost").iloc[0]
        told.append(
            f"No element of the grid keeps every requirement that the ideal sensor keeps ({scope});"
            f" the best, {_at(worst, varied)}, loses {worst['lost_events'] or 'some draws'}."
        )
    for word, column in CHEAPNESS:
        if whole.empty or points[column].nunique() == 1:
            continue
        best = whole.sort_values([column, *varied]).iloc[0]
        text = (
            f"The {word} that loses no requirement is {_at(best, varied)}:"
            f" {best[column]:.4g} {_UNITS[column]}, range {best['range_g']:.4g} g"
            f" ({best['binds']} binds), {best['quiet_noise_mg']:.3g} mg rms on the quiet road"
        )
        less = points[points[column] < best[column]].sort_values(column)
        if less.empty:
            text += "; it is the smallest of the grid, so a smaller one may do as well"
        else:
            next_one = less.iloc[-1]
            event = next_one["lost_events"] or f"draws of {next_one['worst_draw_event']}"
            text += f"; the next below, {_at(next_one, varied)}, loses {event}"
        told.append(text + f" ({scope}).")
    if not whole.empty and len(whole) == len(points):
        told.append(
            "Every element of the grid loses nothing: the grid does not reach the limit of these"
            " events."
        )
    if metadata["ideal_failures"]:
        failing = ", ".join(metadata["ideal_failures"][:6])
        told.append(f"Not met by the ideal sensor either, so left out: {failing}.")
    if metadata["refused"]:
        reasons = sorted({str(entry["reason"]) for entry in metadata["refused"]})
        told.append(
            f"{count(len(metadata['refused']), 'point')} of the grid cannot be made: {reasons[0]}."
        )
    return told


_UNITS = {
    "footprint_mm2": "mm^2",
    "stiffness_n_per_m": "N/m",
    "electrode_area_mm2": "mm^2",
}


def _at(row: Any, varied: Sequence[str]) -> str:
    return ", ".join(f"{name} = {row[name]:g}" for name in varied)
