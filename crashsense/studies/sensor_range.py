"""What a sensor's range changes: ranges x bits x filter corners over a set of events.

For every event and setting the chain is run, nominal and on request in random draws, with one
sensor changed, and compared with the ideal sensor: the same chain and clock with unlimited range,
no quantisation and a linear read-out. A failure shared with the ideal sensor is not due to the
range and is kept apart from what the range loses. Small ranges clip; large ones coarsen the code.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS, Event
from crashsense.rules import Algorithm, load_algorithm
from crashsense.scoring import separation
from crashsense.sensing import Sensor, SensorSet, find_part, load_sensor_set, part_names
from crashsense.sensing.sensor_file import UNITS
from crashsense.studies.range_advice import advise, summarise
from crashsense.studies.range_columns import columns_of
from crashsense.studies.range_event import EventStudy
from crashsense.studies.range_filtered import filtered_facts
from crashsense.trials import Conditions

if TYPE_CHECKING:
    import pandas as pd


#: Ranges tried for an accelerometer [g].
RANGES_G = (35.0, 50.0, 70.0, 100.0, 120.0, 240.0)

#: Ranges tried for any other sensor, as multiples of the part's own.
MULTIPLES = (0.125, 0.25, 0.5, 1.0, 2.0)

SCHEMA_VERSION = 3

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
    draws: int = 0,
    conditions: Conditions | None = None,
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
    draws : random draws beside the nominal one: in each the same car and noise meet this sensor and
        the ideal one
    conditions : how the draws are made; None: :class:`~crashsense.trials.Conditions` as it is
    on_progress : called with events done and events in all

    Raises
    ------
    InputError : unknown names, impossible values, no event with the sensor
    """
    import pandas as pd

    judged = algorithm if isinstance(algorithm, Algorithm) else load_algorithm(algorithm)
    base = load_sensor_set(sensor_set)
    ranges, bits, corners_hz = _check(
        events,
        base,
        sensor,
        restraint,
        ranges=ranges,
        bits=bits,
        corners_hz=corners_hz,
        draws=draws,
    )
    how = Conditions() if conditions is None else conditions
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
            study = EventStudy(event, base, sensor, judged, restraint)
            drawn = study.drawn(sets, draws, conditions=how) if draws else [{}] * len(sets)
            for one, (r, b, c), more in zip(sets, settings, drawn, strict=True):
                key = {column: r, "bits": b, "corner_hz": c, "sensor_set": one.name}
                rows.append({**study.row(one), **more, **key})
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
    columns = columns_of(part.kind, draws=draws)
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
        "draws": _draws_words(draws, how),
        "random_draws": draws,
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
        "filtered": {
            event.name: filtered_facts(event.signals[sensor])
            for event in events
            if event.metadata.get("filtered") and sensor in event.signals
        },
        "records": [event.name for event in events if _is_record(event)],
        "synthesised": sum("recipe" in event.metadata for event in events),
        "synthesised_frontal": sum(
            "recipe" in event.metadata and event.family == "frontal" for event in events
        ),
    }
    summary = summarise(table, metadata, ratios=found, ideal_ratios=best)
    return RangeStudy(table[list(columns)], summary, advise(table, summary, metadata), metadata)


def _draws_words(draws: int, how: Conditions) -> str:
    if not draws:
        return "nominal only: no offset, no noise and no tolerance enters verdicts or fire times"
    return f"{draws} random draws beside the nominal one, seed {how.seed}, vary {how.vary}"


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
            return False  # a number that the user gave
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
    draws: int,
) -> tuple[Sequence[float], Sequence[int], Sequence[float]]:
    """Refuse what cannot be studied; return ranges, bits and corners, defaults filled in."""
    where = "study range"
    found = []
    if not events:
        found.append(Fault(where, "events", [], "at least one event"))
    if sensor not in base.sensors:
        found.append(Fault(where, "sensor", sensor, nearest(sensor, base.sensors)))
    if restraint not in ALL_RESTRAINTS:
        found.append(Fault(where, "restraint", restraint, nearest(restraint, ALL_RESTRAINTS)))
    if draws < 0:
        found.append(Fault(where, "draws", draws, "0 or more"))
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


def _is_record(event: Event) -> bool:
    return event.source is not None and not event.source.varies and "files" in event.metadata
