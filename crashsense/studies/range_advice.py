"""Conclusions of the study of sensor ranges: one row a setting, and plain sentences.

The advice rests on what each range loses against the ideal sensor. Requirements that also fail with
the ideal sensor are counted separately: no range can fix them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.scoring import FAILURES, VERDICTS
from crashsense.studies.range_filtered import filtered_lines
from crashsense.studies.range_reasons import drawn_lines, why_it_seems_to_help, worst_event
from crashsense.studies.range_words import (
    CRASHES,
    LASTING,
    LIMIT_60MS_M_S,
    LIMIT_REQUIRED_M_S,
    LIMIT_SHIFT_MS,
    SIDE,
    fire_words,
    listed,
    moved,
    range_words,
)
from crashsense.studies.wording import count

if TYPE_CHECKING:
    import pandas as pd

_SCORED = ("met", "lost", "gained", "fails_anyway")


def summarise(
    table: pd.DataFrame,
    metadata: Mapping[str, Any],
    *,
    ratios: Mapping[str, Any],
    ideal_ratios: Mapping[str, Any],
) -> pd.DataFrame:
    """Return one row a setting.

    ``worst_fire_time_shift_ms`` has its sign (negative: earlier than the ideal sensor) and looks at
    the must-fire events whose requirement the ideal sensor meets. Velocity errors are magnitudes,
    at the required time over all crash events, at 60 ms over frontal and rear ones; NaN at 60 ms
    for a sensor or restraint of the side. *ratios* and *ideal_ratios*: setting -> separation.
    """
    import pandas as pd

    out = []
    side = metadata["sensor"].startswith(SIDE) or metadata["restraint"].startswith(SIDE)
    for name, rows in table.groupby("sensor_set", sort=False):
        found, ideal = ratios.get(str(name)), ideal_ratios.get(str(name))
        row: dict[str, Any] = {
            key: rows[key].iloc[0]
            for key in (metadata["range_column"], "bits", "corner_hz", "separation_ratio")
        }
        row["c_event"] = "" if found is None else found.c_event
        row["m_event"] = "" if found is None else found.m_event
        ratio = None if ideal is None else ideal.ratio
        row["ideal_separation_ratio"] = np.nan if ratio is None else ratio
        row["ideal_c_event"] = "" if ideal is None else ideal.c_event
        row["ideal_m_event"] = "" if ideal is None else ideal.m_event
        for column in ("clipped_before_filter", "clipped_after_filter"):
            row[f"worst_{column}"] = float(rows[column].max())
        judged = rows[(rows["expectation"] == "fire") & rows["requirement"].isin(["met", "lost"])]
        row |= _worst(judged, "fire_time_shift_ms")
        if "velocity_error_60ms_m_s" in metadata["columns"]:
            for column, families in (
                ("velocity_error_required_m_s", CRASHES),
                ("velocity_error_60ms_m_s", () if side else LASTING),
            ):
                row |= _worst(rows[rows["family"].isin(families)], column, size=True)
            row["velocity_resolution_m_s"] = rows["velocity_resolution_m_s"].iloc[0]
            row["worst_offset_drift_m_s"] = float(rows["offset_drift_m_s"].max())
        row["worst_event"] = worst_event(rows)
        row |= {verdict: int((rows["verdict"] == verdict).sum()) for verdict in VERDICTS}
        row["failures"] = int(rows["verdict"].isin(FAILURES).sum())
        row["ideal_failures"] = int(rows["ideal_verdict"].isin(FAILURES).sum())
        for change in _SCORED:
            row[f"requirements_{change}"] = int((rows["requirement"] == change).sum())
        if metadata["random_draws"]:
            for column in ("draws_failed", "draws_lost", "draws_gained"):
                row[column] = int(rows[column].sum())
            row |= _worst(rows, "draws_lost")
        for change in ("lost", "gained"):
            row[f"fires_{change}"] = int((rows["fire_change"] == change).sum())
        out.append(row)
    return pd.DataFrame(out)


def _worst(rows: pd.DataFrame, column: str, *, size: bool = False) -> dict[str, Any]:
    """Value of largest magnitude (with *size* the magnitude) and its event; NaN and "" if none."""
    values = rows[column].to_numpy(dtype=np.float64)
    name = f"worst_{column}"
    if not np.isfinite(values).any():
        return {name: np.nan, f"{name}_event": ""}
    at = int(np.nanargmax(np.abs(values)))
    value = float(values[at])
    return {name: abs(value) if size else value, f"{name}_event": str(rows["event"].iloc[at])}


def advise(
    table: pd.DataFrame, settings: pd.DataFrame, metadata: Mapping[str, Any]
) -> tuple[str, ...]:
    """State in plain sentences what each range changes, from tables already computed.

    Against the ideal sensor: the smallest range tried that loses no requirement; that moves no fire
    time of a requirement which the ideal sensor meets by more than :data:`LIMIT_SHIFT_MS`; that
    keeps velocity in every crash within :data:`LIMIT_REQUIRED_M_S` at the required time and,
    frontal and rear, :data:`LIMIT_60MS_M_S` at 60 ms; and that does all of it. Then, for the part's
    own word length and corner: what fails anyway, what each range loses and gains, and what was
    held constant.
    """

    def own(frame: pd.DataFrame) -> pd.DataFrame:
        mine = (frame["bits"] == metadata["bits"]) & (frame["corner_hz"] == metadata["corner_hz"])
        return frame[mine].sort_values(metadata["range_column"], kind="stable")

    lines = _lead(table, settings, metadata)
    lines += filtered_lines(metadata["filtered"])
    lines += drawn_lines(own(table), own(settings), metadata)
    lines += _not_the_range(own(table), own(settings))
    lines += _by_range(own(table), own(settings), metadata)
    lines += why_it_seems_to_help(own(table), metadata)
    lines += _failing_anyway(own(table), own(settings), metadata)
    lines += _open(own(table), metadata)
    lines += _limits(own(settings), metadata)
    return tuple(lines)


def _lead(table: pd.DataFrame, settings: pd.DataFrame, metadata: Mapping[str, Any]) -> list[str]:
    sensor, restraint = metadata["sensor"], metadata["restraint"]
    if not metadata["rule_reads_the_sensor"]:
        return [
            f"No range can be advised: the rule of {restraint} in algorithm"
            f" {metadata['algorithm']} does not read {sensor}."
        ]
    must = table[table["expectation"] == "fire"]
    if len(must) and (must["requirement"] == "not_evaluated").all():
        return [
            "No range can be advised: none of the events that must fire the restraint can be judged"
            " (a channel that the rule requires is absent, or they have no required time)."
        ]
    if must.empty:
        return [
            "No range can be advised: none of these events must fire the restraint, so no velocity"
            " and no fire time is at stake; add crash events."
        ]
    if not must["requirement"].isin(["met", "lost"]).any():
        return [
            "No range can be advised: with the ideal sensor too, none of these events that must"
            " fire the restraint is fired in time; the range is not the cause."
        ]
    lines = []
    for (bits, corner), rows in settings.groupby(["bits", "corner_hz"], sort=True):
        rows = rows.sort_values(metadata["range_column"], kind="stable")
        marks = [_marks(row) for _, row in rows.iterrows()]
        lines.append(
            "Smallest range tried that, against the ideal (unlimited) sensor"
            f" ({bits:g} bits, {corner:g} Hz):"
        )
        lasting = ""
        if rows.get("worst_velocity_error_60ms_m_s", rows["bits"] * np.nan).notna().any():
            lasting = f", {LIMIT_60MS_M_S:g} m/s at 60 ms"
        named = {
            "requirement": "loses no requirement:",
            "draws": f"loses none in any of {metadata['random_draws']} draws:",
            "shift": f"moves no fire time by more than {LIMIT_SHIFT_MS:g} ms:",
            "velocity": (
                f"keeps velocity within {LIMIT_REQUIRED_M_S:g} m/s at the required time{lasting}:"
            ),
        }
        kept = {key: text for key, text in named.items() if key in marks[0]}
        good = {text: [mark[key] for mark in marks] for key, text in kept.items()}
        good["does all of this:"] = [all(mark.values()) for mark in marks]
        width = max(map(len, good))
        for text, fits in good.items():
            first = fits.index(True) if any(fits) else None
            value = "none" if first is None else range_words(rows.iloc[first], metadata)
            if first is not None and metadata["filtered"]:
                value += " (a lower bound, as records were already filtered)"
            lines.append(f"  {text:<{width}}  {value}")
    return lines


def _marks(row: pd.Series) -> dict[str, bool]:
    """Which limits a setting keeps. NaN (nothing to look at) keeps them."""
    marks = {
        "requirement": bool(row["requirements_lost"] == 0),
        "shift": bool(
            row["requirements_lost"] == 0
            and not abs(row["worst_fire_time_shift_ms"]) > LIMIT_SHIFT_MS + 1e-6
        ),
    }
    if "draws_lost" in row.index:
        marks["draws"] = bool(row["draws_lost"] == 0)
    if "worst_velocity_error_60ms_m_s" in row.index:
        marks["velocity"] = bool(
            not row["worst_velocity_error_required_m_s"] > LIMIT_REQUIRED_M_S
            and not row["worst_velocity_error_60ms_m_s"] > LIMIT_60MS_M_S
        )
    return marks


def _by_range(
    table: pd.DataFrame, settings: pd.DataFrame, metadata: Mapping[str, Any]
) -> list[str]:
    """One line a range: what it loses, gains, moves."""
    lines = []
    for _, setting in settings.iterrows():
        rows = table[table[metadata["range_column"]] == setting[metadata["range_column"]]]
        parts = []
        for change in ("lost", "gained"):
            those = rows[rows["requirement"] == change]
            if len(those):
                named = [
                    f"{fire_words(r)}: {r['verdict']}, ideal {r['ideal_verdict']}"
                    for _, r in those.iterrows()
                ]
                verb = "loses" if change == "lost" else "gains"
                parts.append(f"{verb} {count(len(those), 'requirement')}: {listed(named)}")
        parts += _velocity(rows, setting)
        kept = moved(rows[(rows["expectation"] == "fire") & (rows["requirement"] == "met")])
        if len(kept):
            parts.append(f"{listed([fire_words(r) for _, r in kept.iterrows()])}, still on time")
        if parts:
            lines.append(f"{range_words(setting, metadata)}: {'; '.join(parts)}.")
    changed = table["requirement"].isin(["lost", "gained"]) | table["fire_change"].isin(
        ["lost", "gained"]
    )
    if metadata["rule_reads_the_sensor"] and not changed.any() and moved(table).empty:
        lines.append(
            "No verdict differs from that with the ideal sensor, and no fire time by more than"
            f" {LIMIT_SHIFT_MS:g} ms, at any range tried: this rule depends little on"
            f" {metadata['sensor']}, or on its range."
        )
    if any(" m/s by " in line for line in lines):
        lines.append(
            "The velocity lost matters to a rule that integrates this sensor over that time;"
            " verdicts and fire times are those of this algorithm only."
        )
    return lines


def _velocity(rows: pd.DataFrame, setting: pd.Series) -> list[str]:
    """The velocity that a range loses, if it exceeds the limits."""
    for name, limit, moment, digits in (
        ("velocity_error_60ms_m_s", LIMIT_60MS_M_S, "60 ms", 1),
        ("velocity_error_required_m_s", LIMIT_REQUIRED_M_S, "the required time", 2),
    ):
        if f"worst_{name}" not in setting.index or not setting[f"worst_{name}"] > limit:
            continue
        event = setting[f"worst_{name}_event"]
        at = rows[rows["event"] == event].iloc[0]
        before, after = at["clipped_before_filter"], at["clipped_after_filter"]
        why = "though nothing clips"
        if before > 0:
            why = (
                "because the raw signal clips before the filter"
                f" ({100 * before:.1f} % of its samples; after the filter {100 * after:.1f} % would"
                " show)"
            )
        lost = setting[f"worst_{name}"]
        return [f"loses {lost:.{digits}f} m/s by {moment} in {event} {why}"]
    return []


def _not_the_range(table: pd.DataFrame, settings: pd.DataFrame) -> list[str]:
    """Requirements that also fail with the ideal sensor."""
    lines = []
    everywhere = table.groupby("event", sort=False)["requirement"].agg(
        lambda found: bool((found == "fails_anyway").all())
    )
    names = [str(event) for event, fails in everywhere.items() if fails]
    total = table.loc[table["requirement"].isin(_SCORED), "event"].nunique()
    if names:
        verb = "fails" if len(names) == 1 else "fail"
        lines.append(
            f"{len(names)} of {count(total, 'requirement')} {verb} at every range tried and with"
            f" the ideal sensor: the range is not the cause ({listed(names, separator=', ')})."
            " How a range affects an algorithm that meets them, this study cannot say."
        )
    first = settings.iloc[0]
    ideal = first["ideal_separation_ratio"]
    if np.isfinite(ideal):
        text = (
            f"Separation c/m is {ideal:.2f} with the ideal sensor (c from"
            f" {first['ideal_c_event']}, m from {first['ideal_m_event']})"
        )
        if ideal < 1:
            text += (
                ": below 1, so no single threshold scale meets every requirement at any range;"
                " fix the algorithm before choosing a sensor"
            )
        lines.append(f"{text}.")
    return lines


def _failing_anyway(
    table: pd.DataFrame, settings: pd.DataFrame, metadata: Mapping[str, Any]
) -> list[str]:
    """What a range does to the fire time where neither it nor the ideal sensor is good enough."""
    told = []
    for _, setting in settings.iterrows():
        here = table[metadata["range_column"]] == setting[metadata["range_column"]]
        rows = table[here & (table["requirement"] == "fails_anyway")]
        changed = [*_flips(rows), *(row for _, row in moved(rows).iterrows())]
        if changed:
            text = listed([f"{fire_words(row)}, still {row['verdict']}" for row in changed])
            told.append(f"  {range_words(setting, metadata)}: {text}.")
    return (
        ["Fails with the ideal sensor too, but fires at a different time:", *told] if told else []
    )


def _flips(rows: pd.DataFrame) -> list[pd.Series]:
    return [row for _, row in rows[rows["fire_change"].isin(["lost", "gained"])].iterrows()]


def _open(table: pd.DataFrame, metadata: Mapping[str, Any]) -> list[str]:
    """Fires that come or go where the requirement is open."""
    told = []
    for value, rows in table[table["requirement"] == "open"].groupby(metadata["range_column"]):
        flips = _flips(rows)
        if flips:
            text = listed([fire_words(row) for row in flips])
            told.append(f"  +/-{value:g} {metadata['unit']}: {text}.")
    return ["Open requirements (not scored), against the ideal sensor:", *told] if told else []


def _limits(settings: pd.DataFrame, metadata: Mapping[str, Any]) -> list[str]:
    """What was held constant, where the events come from, and the caution."""
    lines = []
    if "velocity_resolution_m_s" in settings.columns:
        last = settings.iloc[-1]
        lines.append(
            f"At {range_words(last, metadata)} one code for one tick is"
            f" {1e3 * last['velocity_resolution_m_s']:.2f} mm/s; a 3-sigma offset adds up to"
            f" {last['worst_offset_drift_m_s']:.1f} m/s over the longest event without leak."
        )
    held = [f"{name} ({value})" for name, value in metadata["held_constant"].items()]
    lines.append(
        f"With the range scale: {', '.join(metadata['scales_with_the_range'])}. Held constant:"
        f" {', '.join([*held, 'sensitivity tolerance, filter kind and delay'])}; where a real part"
        " of larger range has more offset or noise, put it into a sensor file and compare with"
        " draws (crashsense evaluate --sensor-set FILE --draws N)."
    )
    if metadata["records"]:
        lines.append(
            f"A record ({', '.join(metadata['records'])}) was band-limited when it was made: its"
            " hidden clipping is a lower bound."
        )
    if metadata["synthesised"]:
        why = ""
        if metadata["synthesised_frontal"]:
            why = "the band strength of the frontal model is fitted to one public crash record, so "
        lines.append(
            f"{count(metadata['synthesised'], 'event')} synthesised from recipes: {why}this study"
            " is not independent evidence for a range; measured records of the vehicle are."
        )
    nominal = "" if metadata["random_draws"] else "Nominal sensors only: add draws. "
    lines.append(f"{nominal}Certified practice decides, not this study.")
    return lines
