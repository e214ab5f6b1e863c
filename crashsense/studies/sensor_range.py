"""Which sensor range to buy: ranges x bits x filter corners over a set of events.

For every event and setting the nominal chain is run (draw 0) with one sensor changed, and compared
with the same chain without limits. Smallest range that keeps velocity and fire time wins: a larger
one only coarsens the code.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense.campaign.evaluation import score_restraint, signal_block
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import RESTRAINTS, Event, SignalBlock
from crashsense.rules import Algorithm, load_algorithm
from crashsense.scoring import FAILURES, VERDICTS, separation
from crashsense.sensing import Sensed, Sensor, SensorSet, chain, load_sensor_set, sense
from crashsense.sensing.timebase import at_internal_rate
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

FloatArray = npt.NDArray[np.float64]

RANGES_G = (35.0, 50.0, 70.0, 100.0, 120.0, 240.0)

#: Limits of the advice: velocity error at the required time and at 60 ms [m/s], shift [s].
LIMIT_REQUIRED_M_S = 0.1
LIMIT_60MS_M_S = 0.2
LIMIT_SHIFT_S = 0.5e-3

#: Families whose clipping is counted over the first 60 ms; others over the whole event.
CRASHES = ("frontal", "side", "rear")
LATE_S = 0.06

SCHEMA_VERSION = 1


@dataclass(frozen=True, eq=False)
class RangeStudy:
    """What :func:`study_range` found.

    ``table``: one row an event and setting. ``settings``: one row a setting, with separation,
    counts of verdicts and the worst of its events. ``advice``: plain sentences. Columns are
    described in :data:`COLUMNS`.
    """

    table: pd.DataFrame
    settings: pd.DataFrame
    advice: tuple[str, ...]
    metadata: dict[str, Any]


#: Column -> what it means; units in the names.
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
        "velocity change of the words less that of the same chain without limits, at the required"
        " time (filter delay allowed for)"
    ),
    "velocity_error_60ms_m_s": "the same at 60 ms",
    "velocity_resolution_m_s": "velocity of one code over one tick",
    "offset_drift_m_s": (
        "velocity that a 3-sigma offset of the part gathers from time zero to the end of the event,"
        " without leak"
    ),
    "fire_time_ms": "time to fire",
    "fire_time_shift_ms": (
        "fire time less that of the ideal sensor: unlimited range, exact words, the part's corner"
    ),
    "demand_at_required_time": "largest demand up to the required time",
    "max_demand": "largest demand",
    "verdict": "verdict of the restraint",
    "separation_ratio": "c/m of the setting over all events; ranks settings of one criterion only",
}


def study_range(
    events: Sequence[Event],
    *,
    algorithm: str | Path | Algorithm = "guarded",
    sensor_set: str | Path | SensorSet = "standard",
    sensor: str = "central_x",
    restraint: str = "front_airbag_stage_1",
    ranges_g: Sequence[float] = RANGES_G,
    bits: Sequence[int] = (10,),
    corners_hz: Sequence[float] = (400.0,),
    on_progress: Callable[[int, int], None] | None = None,
) -> RangeStudy:
    """Run the study.

    Parameters
    ----------
    events : crash, misuse and road events; separation needs some that must fire and some that must
        not
    algorithm, sensor_set : names, paths or objects
    sensor : channel whose range, bits and corner are varied (an accelerometer)
    restraint : whose fire time and separation are reported
    ranges_g, bits, corners_hz : values to combine
    on_progress : called with events done and events in all
    """
    import pandas as pd

    judged = algorithm if isinstance(algorithm, Algorithm) else load_algorithm(algorithm)
    base = load_sensor_set(sensor_set)
    _check(events, base, sensor, restraint, ranges_g, bits, corners_hz)
    settings = [
        (float(r), int(b), float(c))
        for c in sorted(set(corners_hz))
        for b in sorted(set(bits))
        for r in sorted(set(ranges_g))
    ]
    sets = [_with(base, sensor, *setting) for setting in settings]
    rows: list[dict[str, Any]] = []
    skipped: list[str] = []
    for number, event in enumerate(events):
        if sensor in event.signals:
            study = _EventStudy(event, base, sensor, judged, restraint)
            rows += [
                {**study.row(one), "range_g": r, "bits": b, "corner_hz": c}
                for one, (r, b, c) in zip(sets, settings, strict=True)
            ]
        else:
            skipped.append(event.name)
        if on_progress is not None:
            on_progress(number + 1, len(events))
    if not rows:
        names = ", ".join(event.name for event in events)
        raise InputError([Fault("study range", "events", names, f"an event with {sensor}")])
    table = pd.DataFrame(rows)
    table["sensor_set"] = [f"{r:g}/{b}/{c:g}" for r, b, c in _keys(table)]
    table["algorithm"], table["restraint"] = judged.name, restraint
    ratios = {found.sensor_set: found for found in separation(table)}
    table["separation_ratio"] = [
        np.nan if (s := ratios.get(name)) is None or s.ratio is None else s.ratio
        for name in table["sensor_set"]
    ]
    summary = _summarise(table, ratios)
    metadata = {
        "schema_version": SCHEMA_VERSION,
        "algorithm": judged.name,
        "sensor_set": base.name,
        "sensor": sensor,
        "restraint": restraint,
        "draws": "nominal only",
        "columns": COLUMNS,
        "events_without_the_sensor": skipped,
    }
    records = [event.name for event in events if _is_record(event)]
    advice = advise(table, summary, records=records)
    return RangeStudy(table[list(COLUMNS)], summary, advice, metadata)


def _check(
    events: Sequence[Event],
    base: SensorSet,
    sensor: str,
    restraint: str,
    ranges_g: Sequence[float],
    bits: Sequence[int],
    corners_hz: Sequence[float],
) -> None:
    where = "study range"
    found = []
    if not events:
        found.append(Fault(where, "events", [], "at least one event"))
    if sensor not in base.sensors:
        found.append(Fault(where, "sensor", sensor, nearest(sensor, base.sensors)))
    elif CHANNELS[sensor].unit != "m/s^2":
        found.append(Fault(where, "sensor", sensor, "an accelerometer"))
    if restraint not in RESTRAINTS:
        found.append(Fault(where, "restraint", restraint, nearest(restraint, RESTRAINTS)))
    for name, values in (("ranges_g", ranges_g), ("bits", bits), ("corners_hz", corners_hz)):
        if not values:
            found.append(Fault(where, name, [], "at least one value"))
        found += [
            Fault(where, name, value, "a number above 0")
            for value in values
            if not (np.isfinite(value) and value > 0)
        ]
    if found:
        raise InputError(found)
    for values, change in ((ranges_g, "range"), (bits, "bits"), (corners_hz, "corner_hz")):
        for value in values:
            scale = STANDARD_GRAVITY if change == "range" else 1
            try:
                changes: dict[str, Any] = {change: value * scale}
                base.changed(sensor, **changes)
            except InputError as error:
                found += [Fault(where, change, value, f.expected) for f in error.faults]
    if found:
        raise InputError(found)


def _with(base: SensorSet, sensor: str, range_g: float, bits: int, corner_hz: float) -> SensorSet:
    return base.changed(
        sensor,
        name=f"{range_g:g}/{bits}/{corner_hz:g}",
        range=range_g * STANDARD_GRAVITY,
        bits=bits,
        corner_hz=corner_hz,
    )


def _unlimited(sensor: Sensor, **changes: Any) -> dict[str, Any]:
    """Changes that take every limit off a sensor."""
    return {"range": 1e4 * STANDARD_GRAVITY, "bits": 24, "nonlinearity": 0.0, **changes}


def _is_record(event: Event) -> bool:
    return event.source is not None and not event.source.varies and "files" in event.metadata


class _EventStudy:
    """One event: everything that all settings share is computed once."""

    def __init__(
        self, event: Event, base: SensorSet, sensor: str, algorithm: Algorithm, restraint: str
    ) -> None:
        self.event, self.base, self.sensor, self.restraint = event, base, sensor, restraint
        self.algorithm, self.rule = algorithm, algorithm.rules.get(restraint)
        self.block: SignalBlock = (
            event.source.nominal()
            if event.source is not None
            else signal_block([event], [0], seed=1, vary="none")
        )
        self.required_s = self._required()
        truth, self.grid = at_internal_rate(
            {sensor: self.block.signals[sensor]},
            unit=base.control_unit,
            draws=1,
        )
        self.true = truth[sensor]
        times = self.grid.times_s
        self.end_s = LATE_S if event.family in CRASHES else float(times[-1])
        self.window = (times >= 0) & (times <= self.end_s + 1e-9)
        used = [] if self.rule is None else [c for c in base.sensors if c in self.rule.uses]
        self.rest = self._sense(base, [c for c in used if c != sensor] or [sensor])
        self.filtered: dict[float, FloatArray] = {}
        self.exact: dict[float, FloatArray] = {}
        ideal = base.changed(sensor, name="ideal", **_unlimited(base.sensor(sensor)))
        self.ideal_fire_ms = self._score(ideal, self._sense(ideal, [sensor]))["fire_time_ms"]

    def _required(self) -> FloatArray:
        found = self.block.required_s.get(self.event.name, {}).get(self.restraint)
        time = self.event.requirements[self.restraint].required_s
        if found is None:
            return np.array([np.nan if time is None else time])
        return np.asarray(found, dtype=np.float64)[:1]

    def _sense(self, sensor_set: SensorSet, channels: list[str]) -> Sensed:
        return sense(
            self.block.signals,
            sensor_set,
            draws=[0],
            occurrence=self.event.occurrence,
            context=self.event.context,
            channels=channels,
            quiet=self.event.quiet - set(self.block.signals),
        )

    def _score(self, sensor_set: SensorSet, sensed: Sensed) -> dict[str, Any]:
        own, rest = sensed.samples, self.rest.samples
        merged = replace(
            own,
            channels={**rest.channels, **own.channels},
            codes={**rest.codes, **own.codes},
            valid={**rest.valid, **own.valid},
        )
        both = replace(sensed, samples=merged, reports={**self.rest.reports, **sensed.reports})
        row, _ = score_restraint(
            self.event,
            self.algorithm,
            self.restraint,
            samples=merged,
            sensed=both,
            sensor_set=sensor_set,
            required_s=self.required_s,
        )
        return {key: value if _plain(value) else value[0] for key, value in row.items()}

    def _velocity(self, sensor_set: SensorSet, sensed: Sensed, at_s: float) -> float:
        """Velocity change of the words from time zero to *at_s* of the true motion [m/s]."""
        values = np.nan_to_num(sensed.samples.channels[self.sensor])
        rate = sensed.samples.rate_hz
        velocity = cumulative_trapezoid(values, step_s=1.0 / rate)[0]
        moment = sensed.samples.times_s[0] - sensor_set.delay_s(self.sensor)
        return float(np.interp(at_s, moment, velocity) - np.interp(0.0, moment, velocity))

    def row(self, sensor_set: SensorSet) -> dict[str, Any]:
        """Return the columns of one setting."""
        part = sensor_set.sensor(self.sensor)
        sensed = self._sense(sensor_set, [self.sensor])
        scored = self._score(sensor_set, sensed)
        corner = part.corner_hz
        if corner not in self.filtered:
            self.filtered[corner] = chain.lowpass(
                self.true, sensor=part, rate_hz=self.grid.rate_hz, rest=self.true[:, 0]
            )
        free = sensor_set.changed(self.sensor, **_unlimited(part))
        reference = self._sense(free, [self.sensor])

        def error(at_s: float) -> float:
            if not np.isfinite(at_s) or at_s > self.grid.times_s[-1]:
                return float("nan")
            here = self._velocity(sensor_set, sensed, at_s)
            return here - self._velocity(free, reference, at_s)

        level = part.front_end
        return {
            "event": self.event.name,
            "family": self.event.family,
            "expectation": scored["expectation"],
            "window_ms": 1e3 * self.end_s,
            "clipped_before_filter": float(np.mean(np.abs(self.true[0, self.window]) > level)),
            "clipped_after_filter": float(
                np.mean(np.abs(self.filtered[corner][0, self.window]) > part.range)
            ),
            "required_time_ms": 1e3 * float(self.required_s[0]),
            "velocity_error_required_m_s": error(float(self.required_s[0])),
            "velocity_error_60ms_m_s": error(LATE_S),
            "velocity_resolution_m_s": part.step / sensed.samples.rate_hz,
            "offset_drift_m_s": 3.0
            * part.offset_tolerance
            * max(0.0, float(self.grid.times_s[-1])),
            "fire_time_ms": scored["fire_time_ms"],
            "fire_time_shift_ms": scored["fire_time_ms"] - self.ideal_fire_ms,
            "demand_at_required_time": scored["demand_at_required_time"],
            "demand_before_allowed": scored["demand_before_allowed"],
            "demand_margin": scored["demand_margin"],
            "max_demand": scored["max_demand"],
            "infeasible": bool(scored["infeasible"]),
            "verdict": scored["verdict"],
        }


def _plain(value: Any) -> bool:
    return value is None or isinstance(value, str | bool | float | int)


def _keys(table: pd.DataFrame) -> list[tuple[float, int, float]]:
    columns = (table[name] for name in ("range_g", "bits", "corner_hz"))
    return [(float(r), int(b), float(c)) for r, b, c in zip(*columns, strict=True)]


def _largest(values: pd.Series) -> tuple[float, int]:
    """Largest magnitude and its place, NaN and -1 where there is none."""
    sizes = values.abs().to_numpy(dtype=np.float64)
    if not np.isfinite(sizes).any():
        return float("nan"), -1
    at = int(np.nanargmax(sizes))
    return float(sizes[at]), at


def _summarise(table: pd.DataFrame, ratios: dict[str, Any]) -> pd.DataFrame:
    import pandas as pd

    out = []
    for name, rows in table.groupby("sensor_set", sort=False):
        crash = rows[rows["family"].isin(CRASHES)]
        found = ratios.get(str(name))
        row: dict[str, Any] = {
            key: rows[key].iloc[0] for key in ("range_g", "bits", "corner_hz", "separation_ratio")
        }
        row["c_event"] = "" if found is None else found.c_event
        row["m_event"] = "" if found is None else found.m_event
        for column in ("clipped_before_filter", "clipped_after_filter"):
            row[f"worst_{column}"] = float(rows[column].max())
        for column in (
            "velocity_error_required_m_s",
            "velocity_error_60ms_m_s",
            "fire_time_shift_ms",
        ):
            size, at = _largest(crash[column])
            row[f"worst_{column}"] = size
            row[f"worst_{column}_event"] = "" if at < 0 else str(crash["event"].iloc[at])
        row["velocity_resolution_m_s"] = rows["velocity_resolution_m_s"].iloc[0]
        row["worst_offset_drift_m_s"] = float(rows["offset_drift_m_s"].max())
        row.update({verdict: int((rows["verdict"] == verdict).sum()) for verdict in VERDICTS})
        row["failures"] = int(rows["verdict"].isin(FAILURES).sum())
        out.append(row)
    return pd.DataFrame(out)


def advise(
    table: pd.DataFrame, settings: pd.DataFrame, *, records: Sequence[str] = ()
) -> tuple[str, ...]:
    """Say in plain sentences which range to take and why, from tables already computed.

    A range will do when, in every crash event, velocity at the required time, velocity at 60 ms and
    fire time stay within :data:`LIMIT_REQUIRED_M_S`, :data:`LIMIT_60MS_M_S` and
    :data:`LIMIT_SHIFT_S`, and it fails no more requirements than the best range.
    """
    sentences = []
    first = settings.iloc[0]
    mine = settings[(settings["bits"] == first["bits"])]
    nominal = 400.0 if (mine["corner_hz"] == 400.0).any() else float(mine["corner_hz"].iloc[0])
    mine = mine[mine["corner_hz"] == nominal]
    fewest = int(mine["failures"].min())
    good = []
    for _, row in mine.iterrows():
        within = (
            not row["worst_velocity_error_required_m_s"] > LIMIT_REQUIRED_M_S
            and not row["worst_velocity_error_60ms_m_s"] > LIMIT_60MS_M_S
            and not row["worst_fire_time_shift_ms"] > 1e3 * LIMIT_SHIFT_S + 1e-6
            and row["failures"] <= fewest
        )
        if within:
            good.append(row)
        else:
            sentences.append(_reason(table, row, fewest))
    if not (table["expectation"] == "fire").any():
        lead = (
            "No range can be advised: none of these events must fire the restraint, so no velocity"
            " and no fire time is at stake; add crash events."
        )
    elif good:
        best = good[0]
        lead = (
            f"Take +/-{best['range_g']:g} g: the smallest range of those tried that keeps velocity"
            f" within {LIMIT_REQUIRED_M_S:g} m/s at the required time and {LIMIT_60MS_M_S:g} m/s at"
            f" 60 ms and the fire time within {1e3 * LIMIT_SHIFT_S:g} ms of an ideal sensor"
        )
        if np.isfinite(best["separation_ratio"]):
            lead += f"; its separation ratio is {best['separation_ratio']:.2f}"
        lead += f" ({int(first['bits'])} bits, {nominal:g} Hz)."
    else:
        lead = (
            f"None of the ranges tried will do ({int(first['bits'])} bits, {nominal:g} Hz): the"
            " largest still spoils velocity or fire time, or the cause is not the range."
        )
    coarse = float(mine["velocity_resolution_m_s"].iloc[-1])
    sentences.append(
        f"At +/-{mine['range_g'].iloc[-1]:g} g one code over one tick is {1e3 * coarse:.2f} mm/s;"
        f" a 3-sigma offset gathers {mine['worst_offset_drift_m_s'].iloc[-1]:.1f} m/s over the"
        " longest event without leak."
    )
    if records:
        sentences.append(
            f"A record ({', '.join(records)}) was band-limited when it was made: its hidden"
            " clipping is a lower bound."
        )
    sentences.append("Nominal sensors only; certified practice decides, not this study.")
    return (lead, *sentences)


def _reason(table: pd.DataFrame, row: pd.Series, fewest: int) -> str:
    """Why one range will not do."""
    name = f"+/-{row['range_g']:g} g"

    def clipping(event: str) -> str:
        at = table[
            (table["event"] == event)
            & (table["range_g"] == row["range_g"])
            & (table["bits"] == row["bits"])
            & (table["corner_hz"] == row["corner_hz"])
        ].iloc[0]
        before, after = at["clipped_before_filter"], at["clipped_after_filter"]
        if before == 0:
            return "though nothing clips"
        return (
            "because the raw signal clips before the filter"
            f" ({100 * before:.1f} % of its samples; after the filter {100 * after:.1f} % would"
            " show)"
        )

    if row["worst_velocity_error_60ms_m_s"] > LIMIT_60MS_M_S:
        event = row["worst_velocity_error_60ms_m_s_event"]
        lost = row["worst_velocity_error_60ms_m_s"]
        return f"{name} loses {lost:.1f} m/s by 60 ms in {event} {clipping(event)}."
    if row["worst_velocity_error_required_m_s"] > LIMIT_REQUIRED_M_S:
        event = row["worst_velocity_error_required_m_s_event"]
        lost = row["worst_velocity_error_required_m_s"]
        return f"{name} loses {lost:.2f} m/s by the required time in {event} {clipping(event)}."
    if row["worst_fire_time_shift_ms"] > 1e3 * LIMIT_SHIFT_S + 1e-6:
        event = row["worst_fire_time_shift_ms_event"]
        shift = row["worst_fire_time_shift_ms"]
        return f"{name} moves the fire time of {event} by {shift:.1f} ms {clipping(event)}."
    return f"{name} fails {int(row['failures'])} requirements where {fewest} can be reached."


def range_figure(settings: pd.DataFrame) -> Figure:
    """Draw the range on x, separation ratio and worst clipping on y, from numbers computed."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 4.4), layout="constrained")
    left = figure.add_subplot()
    right = left.twinx()
    markers = "osD^v<>*"
    groups = list(settings.groupby(["bits", "corner_hz"], sort=True))
    for number, ((bits, corner), rows) in enumerate(groups):
        label = f"{bits:g} bit, {corner:g} Hz"
        left.plot(
            rows["range_g"],
            rows["separation_ratio"],
            color="black",
            marker=markers[number % len(markers)],
            label=f"separation, {label}",
        )
    rows = groups[0][1]
    right.plot(
        rows["range_g"],
        100 * rows["worst_clipped_before_filter"],
        color="tab:orange",
        linestyle="--",
        marker="x",
        label="clipped before the filter",
    )
    right.plot(
        rows["range_g"],
        100 * rows["worst_clipped_after_filter"],
        color="tab:blue",
        linestyle=":",
        marker="+",
        label="clipped after the filter",
    )
    left.set_xlabel("sensor range [+/- g]")
    left.set_ylabel("separation ratio c/m [-]")
    right.set_ylabel("samples clipped, worst event [%]")
    # From zero, so that a difference in the fourth digit does not look like one in the first.
    left.set_ylim(bottom=0)
    right.set_ylim(bottom=0)
    left.grid(alpha=0.3)
    handles = [*left.get_lines(), *right.get_lines()]
    left.legend(handles=handles, fontsize="small", loc="best")
    return figure


def write_range_study(study: RangeStudy, folder: str | Path) -> Path:
    """Write the tables (Parquet and CSV), range.svg and advice.txt; return the folder."""
    import json

    import pyarrow as pa
    import pyarrow.parquet as pq

    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        table = pa.Table.from_pandas(study.table, preserve_index=False)
        note = {"crashsense": json.dumps(study.metadata, sort_keys=True)}
        pq.write_table(
            table.replace_schema_metadata({**(table.schema.metadata or {}), **note}),
            target / "range.parquet",
        )
        study.table.to_csv(target / "range.csv", index=False)
        study.settings.to_csv(target / "range_settings.csv", index=False)
        range_figure(study.settings).savefig(target / "range.svg", metadata={"Date": None})
        (target / "advice.txt").write_text("\n".join(study.advice) + "\n", encoding="utf-8")
    except OSError as error:
        expected = f"a folder that can be written ({error.strerror})"
        raise InputError([Fault("study range", "out", str(target), expected)]) from None
    return target
