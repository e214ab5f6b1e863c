"""Corners: what the sensors of a requirement do at their limits, hot and cold.

At the lowest temperature of the control unit, at 25 degC and at the highest, every drawn quantity
of every sensor that a rule reads stands at so many standard deviations, each on the side that
lowers the demand margin (``min``), or each on the other (``max``). The side is found one quantity
at a time: where they act together, a corner need not be the very worst. The pulse is nominal, and
there is no noise. Five settings of a filter count as its limits. Worst-case corners of this kind
are practice; that all limits meet in one car is far rarer than any draw.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import BoolArray, FloatArray
from crashsense.event import Event
from crashsense.plan.keys import PlanKeys
from crashsense.plan.resolve import Plan, conditions_of
from crashsense.rules import Algorithm
from crashsense.scoring import FAILURES
from crashsense.sensing import SensorSet
from crashsense.sensing.build import Built, as_built
from crashsense.sensing.chain import CORNER_SETTINGS
from crashsense.sensing.tolerance import FILTER, ROLES
from crashsense.trials import Conditions, judge_block
from crashsense.trials.block import channels_read
from crashsense.trials.drawn import varying_roles
from crashsense.trials.signals import signal_block

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.studies.tolerance import ToleranceStudy

#: Standard deviations of a corner: where draws are cut.
SIGMA = 3.0

#: Column of the table of corners -> what it means.
CORNER_COLUMNS = {
    "event, sensor_set, algorithm, restraint, expectation": "as in a verdict table",
    "corner": "cold, room or hot, and min (every tolerance hurts) or max (every one helps)",
    "temperature_c": "temperature of sensors and control unit [degC]",
    "verdict, required_time_ms, fire_time_ms, demand_margin": "at the corner, nominal pulse",
    "failed": "true if the requirement is not met there",
    "build": "what stands at its limit: CHANNEL:ROLE:SIGMA, of filter the setting",
    "plan": "plan that evaluates the corner, in tolerance_corners; empty: not written",
}

#: A difference of demand margin below this is none [-].
SAME = 1e-12


def margins_at(
    points_x: FloatArray,
    axes: Sequence[tuple[str, str]],
    event: Event,
    sensors: SensorSet,
    algorithm: Algorithm,
    *,
    asked: Sequence[str],
    plan: Plan,
) -> FloatArray:
    """Return demand margins (restraints, n) of sensors with given deviations on the nominal pulse.

    *points_x*, shape (axes, n): standard normal numbers of each (channel, role).
    """
    number = points_x.shape[1]
    deviates = {channel: np.zeros((number, len(ROLES))) for channel, _ in axes}
    for (channel, role), values in zip(axes, points_x, strict=True):
        deviates[channel][:, ROLES.index(role)] = values
    conditions = nominal_pulse(plan)
    block = signal_block([event], list(range(1, number + 1)), conditions=conditions)
    parts = [
        np.array([trial.of().scores(name).demand_margin for name in asked])
        for trial in judge_block(
            block,
            events=[event],
            sensor_set=sensors,
            algorithms=[algorithm],
            conditions=conditions,
            deviates=deviates,
        )
    ]
    return np.concatenate(parts, axis=1)


def nominal_pulse(plan: Plan) -> Conditions:
    """Conditions of a plan with nothing drawn."""
    return replace(conditions_of(plan.keys, path="auto"), vary="none")


def asked_of(event: Event, algorithm: Algorithm) -> list[str]:
    """Restraints of which something is asked, and for which an algorithm has a rule."""
    return [
        name
        for name, requirement in event.requirements.items()
        if requirement.expectation != "open" and name in algorithm.rules
    ]


def corner_rows(plan: Plan, *, sigma: float = SIGMA) -> Iterator[dict[str, Any]]:
    """Yield the corners of every requirement of a plan, columns as :data:`CORNER_COLUMNS`."""
    for event in plan.events:
        for sensors in plan.sensor_sets:
            for algorithm in plan.algorithms:
                yield from _rows_of(event, sensors, algorithm, plan=plan, sigma=sigma)


def temperatures(sensors: SensorSet) -> dict[str, float]:
    """Return name -> temperature [degC] of the corners; one where the plan holds one."""
    unit = sensors.control_unit
    if unit.fixed_c is not None:
        return {"held": unit.fixed_c}
    return {"cold": unit.temperature_c[0], "room": 25.0, "hot": unit.temperature_c[1]}


def _rows_of(
    event: Event, sensors: SensorSet, algorithm: Algorithm, *, plan: Plan, sigma: float
) -> Iterator[dict[str, Any]]:
    asked = asked_of(event, algorithm)
    if not asked:
        return
    read = channels_read([algorithm], sensors)
    for name, temperature_c in temperatures(sensors).items():
        there = as_built(sensors, [], temperature_c=temperature_c)
        sides = {
            **_sides(event, there, algorithm, asked=asked, read=read, plan=plan, sigma=sigma),
            **_filter_sides(event, there, algorithm, asked=asked, read=read, plan=plan),
        }
        for at, restraint in enumerate(asked):
            uses = algorithm.rules[restraint].uses
            for end, place in (("min", 0), ("max", 1)):
                built = [
                    Built(channel, role, float(values[place][at]))
                    for (channel, role), values in sides.items()
                    if channel in uses and values[2][at]
                ]
                row = _judged(event, there, algorithm, built, restraint=restraint, plan=plan)
                yield {
                    "event": event.name,
                    "sensor_set": sensors.name,
                    "algorithm": algorithm.name,
                    "restraint": restraint,
                    "corner": f"{name}_{end}",
                    "temperature_c": temperature_c,
                    "build": ", ".join(map(str, built)),
                    "plan": "",
                    **row,
                }


#: (channel, role) -> over restraints: value that lowers the margin, value that raises it, and
#: whether either moves it.
_Sides = dict[tuple[str, str], tuple[FloatArray, FloatArray, BoolArray]]


def _sides(
    event: Event,
    sensors: SensorSet,
    algorithm: Algorithm,
    *,
    asked: Sequence[str],
    read: Sequence[str],
    plan: Plan,
    sigma: float,
) -> _Sides:
    """What each deviation does alone, at plus and minus *sigma*."""
    axes = [
        (channel, role)
        for channel in read
        for role in varying_roles(sensors.sensors[channel])
        if role not in sensors.sensors[channel].build
    ]
    if not axes:
        return {}
    points = np.concatenate([-sigma * np.eye(len(axes)), sigma * np.eye(len(axes))], axis=1)
    margins = margins_at(points, axes, event, sensors, algorithm, asked=asked, plan=plan)
    low, high = margins[:, : len(axes)], margins[:, len(axes) :]
    hurts = np.where(high < low, sigma, -sigma)
    moves = np.abs(high - low) > SAME
    return {axis: (hurts[:, k], -hurts[:, k], moves[:, k]) for k, axis in enumerate(axes)}


def _filter_sides(
    event: Event,
    sensors: SensorSet,
    algorithm: Algorithm,
    *,
    asked: Sequence[str],
    read: Sequence[str],
    plan: Plan,
) -> _Sides:
    """What the settings of each filter do alone."""
    found: _Sides = {}
    for channel in read:
        sensor = sensors.sensors[channel]
        if sensor.filter_kind == "none" or FILTER in sensor.build:
            continue
        if sensor.corner_tolerance == sensor.quality_tolerance == 0.0:
            continue
        margins = np.stack(
            [
                margins_at(
                    np.zeros((0, 1)),
                    [],
                    event,
                    as_built(sensors, [Built(channel, FILTER, float(setting))]),
                    algorithm,
                    asked=asked,
                    plan=plan,
                )[:, 0]
                for setting in range(len(CORNER_SETTINGS))
            ]
        )
        known = np.where(np.isfinite(margins), margins, 0.0)
        worst, best = known.argmin(axis=0).astype(float), known.argmax(axis=0).astype(float)
        found[channel, FILTER] = (worst, best, np.ptp(known, axis=0) > SAME)
    return found


def _judged(
    event: Event,
    sensors: SensorSet,
    algorithm: Algorithm,
    built: Sequence[Built],
    *,
    restraint: str,
    plan: Plan,
) -> dict[str, Any]:
    """The nominal draw with sensors as built."""
    conditions = nominal_pulse(plan)
    (trial,) = judge_block(
        signal_block([event], [0], conditions=conditions),
        events=[event],
        sensor_set=as_built(sensors, built),
        algorithms=[algorithm],
        conditions=conditions,
    )
    row = trial.row(restraint)
    names = ("expectation", "verdict", "required_time_ms", "fire_time_ms", "demand_margin")
    return {**{name: row[name] for name in names}, "failed": row["verdict"] in FAILURES}


# -- plans that evaluate them again ----------------------------------------------------------------


def corner_keys(row: Mapping[str, Any], plan: Plan) -> PlanKeys | None:
    """Return the plan of one corner; None where sensor set or algorithm is known as object only."""
    keys = plan.keys
    sets = [one.name for one in plan.sensor_sets]
    rules = [one.name for one in plan.algorithms]
    if len(keys.sensor_sets) != len(sets) or len(keys.algorithms) != len(rules):
        return None
    events = keys.events
    if (events is None and not keys.records) or row["event"] in (events or ()):
        events = [str(row["event"])]
    held = [text for text in str(row["build"]).split(", ") if text]
    return replace(
        keys,
        events=events,
        sensor_sets=[keys.sensor_sets[sets.index(str(row["sensor_set"]))]],
        algorithms=[keys.algorithms[rules.index(str(row["algorithm"]))]],
        build=[*keys.build, *held],
        temperature_c=float(row["temperature_c"]),
        draws=0,
        vary="both",
        keep=[],
    )


def corner_plans(corners: pd.DataFrame, plan: Plan) -> tuple[pd.DataFrame, dict[str, str]]:
    """Return the table with the name of a plan in every row, and name -> its text."""
    texts: dict[str, str] = {}
    names = []
    for number, row in enumerate(corners.to_dict("records"), start=1):
        keys = corner_keys(row, plan)
        name = ""
        if keys is not None:
            about = f"{row['event']}_{row['restraint']}_{row['corner']}"
            name = f"{number:03d}_{re.sub(r'[^a-z0-9_]+', '_', about.lower())}.toml"
            _, _, content = replace(plan, keys=keys).to_toml().partition("\n")
            head = f"# Corner {row['corner']} of {row['restraint']} in {row['event']}, nominal draw"
            texts[name] = f"{head}.\n{content}"
        names.append(name)
    return corners.assign(plan=names), texts


def corner_lines(study: ToleranceStudy, *, most: int = 8) -> list[str]:
    """Say which corners are not met, and which leave the least."""
    corners = study.corners
    if corners.empty:
        return []
    worst = corners[corners["corner"].str.endswith("_min")].dropna(subset=["demand_margin"])
    if worst.empty:
        return []
    failed = int(corners["failed"].sum())
    lines = [
        f"Corners (every tolerance of the sensors that a rule reads at {study.sigma:g} sigma,"
        " on the side that hurts or on the other; nominal pulse, no noise):",
        f"{failed} of {len(corners)} corners are not met; the smallest margins:",
    ]
    one = worst.sort_values("demand_margin", kind="stable")
    one = one.drop_duplicates(["event", "sensor_set", "algorithm", "restraint"]).head(most)
    for row in one.to_dict("records"):
        replay = f"; {row['plan']}" if row["plan"] else ""
        lines.append(
            f"  {row['event']}, {row['restraint']} ({row['algorithm']}): {row['corner']},"
            f" {row['temperature_c']:g} degC: {row['verdict'].replace('_', ' ')}, margin"
            f" {row['demand_margin']:+.2f}{replay}"
        )
    if (one["plan"] != "").any():
        place = "OUT" if study.folder is None else study.folder.parent
        lines.append(f"  A corner again: crashsense evaluate {place}/tolerance_corners/NAME.toml")
    return lines
