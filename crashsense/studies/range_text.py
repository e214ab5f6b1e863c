"""What the command of the study of sensor ranges prints: two tables of plain text.

The first counts, one row a setting. The second shows one event a row, named: numbers of different
events never stand in one row.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from crashsense.studies.range_words import LASTING, SIDE
from crashsense.text_table import text_table

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.studies.sensor_range import RangeStudy


def settings_lines(settings: pd.DataFrame, metadata: Mapping[str, Any]) -> list[str]:
    """Count over all events, one row a setting and one for the ideal sensor of each corner."""
    draws = bool(metadata["random_draws"])
    heads = [f"range {metadata['unit']}", "bits", "Hz", "fail", "lost", "gain", "c/m"]
    heads += ["draws: fail", "lost", "gain"] if draws else []
    rows = [heads]
    for _, row in settings.iterrows():
        cells = [f"{row[metadata['range_column']]:g}", f"{row['bits']:g}", f"{row['corner_hz']:g}"]
        cells += [str(row[n]) for n in ("failures", "requirements_lost", "requirements_gained")]
        cells.append(_number(row["separation_ratio"], 2))
        if draws:
            cells += [str(row[n]) for n in ("draws_failed", "draws_lost", "draws_gained")]
        rows.append(cells)
    for corner, own in settings.groupby("corner_hz", sort=True):
        first = own.iloc[0]
        cells = ["ideal", "-", f"{corner:g}", str(first["ideal_failures"]), "-", "-"]
        cells.append(_number(first["ideal_separation_ratio"], 2))
        rows.append([*cells, *(["-"] * (len(heads) - len(cells)))])
    lines = ["All events: requirements, nominal" + (", and summed over draws" if draws else "")]
    lines += text_table(rows, keys=3, left=())
    lines.append("lost: met with the ideal sensor only; gain: met with this one only")
    return lines


def event_lines(study: RangeStudy) -> list[str]:
    """The event that speaks most against each setting; every number of a row is that event's."""
    table, metadata = study.table, study.metadata
    column = metadata["range_column"]
    velocity = "velocity_error_60ms_m_s" in table.columns
    rows = [
        [
            metadata["unit"],
            "bits",
            "Hz",
            "event",
            "clipped %",
            *(["velocity m/s"] if velocity else []),
            "fires",
            "ideal",
            "verdict",
            *(["draws lost"] if metadata["random_draws"] else []),
        ]
    ]
    side = metadata["sensor"].startswith(SIDE) or metadata["restraint"].startswith(SIDE)
    lasting = () if side else LASTING
    marked = False
    for _, setting in study.settings.iterrows():
        keys = [column, "bits", "corner_hz"]
        own = table[(table[keys] == setting[keys].to_numpy(dtype=float)).all(axis=1)]
        row = own[own["event"] == setting["worst_event"]].iloc[0]
        marked = marked or bool(row["already_filtered"])
        cells = [f"{row[column]:g}", f"{row['bits']:g}", f"{row['corner_hz']:g}"]
        cells.append(f"{row['event']}{' *' if row['already_filtered'] else ''}")
        shares = (100.0 * row["clipped_before_filter"], 100.0 * row["clipped_after_filter"])
        cells.append(f"{shares[0]:.1f} / {shares[1]:.1f}")
        if velocity:
            late = row["velocity_error_60ms_m_s"] if row["family"] in lasting else float("nan")
            errors = (row["velocity_error_required_m_s"], late)
            cells.append(" / ".join(_number(error, 3, sign="+") for error in errors))
        cells += [_number(row[n], 1) for n in ("fire_time_ms", "ideal_fire_time_ms")]
        cells.append(str(row["verdict"]))
        if metadata["random_draws"]:
            cells.append(f"{row['draws_lost']} of {row['draws_judged']}")
        rows.append(cells)
    lines = ["The event that speaks most against each setting (one row, one event; all: range.csv)"]
    lines += text_table(rows, keys=4, left=(3,))
    lines.append("clipped: share of samples before / after the filter; fires, ideal: times [ms]")
    if velocity:
        lines.append(
            "velocity: error of the velocity change, at the required time / at 60 ms; 60 ms:"
            " frontal and rear events only, '-' for a sensor or restraint of the side"
        )
    if marked:
        lines.append(
            "* already filtered when it was recorded: clipping and losses of the row are lower"
            " bounds"
        )
    return lines


def _number(value: float, digits: int, *, sign: str = "-") -> str:
    return "-" if value != value else f"{value:{sign}.{digits}f}"
