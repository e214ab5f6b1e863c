"""Reasons in the study of sensor ranges: the worst event, draws, why less seems to be more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.results.statistics import upper_bound_without_failure
from crashsense.studies.range_words import (
    CRASHES,
    LASTING,
    LIMIT_60MS_M_S,
    LIMIT_REQUIRED_M_S,
    LIMIT_SHIFT_MS,
    fire_words,
    listed,
    range_words,
)
from crashsense.studies.wording import count

if TYPE_CHECKING:
    import pandas as pd

#: A difference of velocity change that can be a reason [m/s].
TELLING_M_S = 0.01


def worst_event(rows: pd.DataFrame) -> str:
    """Return the event that speaks most against a setting.

    A requirement lost comes first, then draws lost, then what moves most beside the limits of the
    advice (fire time, velocity at the required time and, where it counts, at 60 ms), then clipping.
    """

    def size(column: str, limit: float, kept: Any = True) -> FloatArray:
        if column not in rows:
            return np.zeros(len(rows))
        values = np.abs(rows[column].to_numpy(dtype=np.float64)) / limit
        return np.asarray(np.nan_to_num(np.where(kept, values, 0.0)), dtype=np.float64)

    lost = (rows["requirement"] == "lost").to_numpy(dtype=float)
    moved = np.maximum.reduce(
        [
            size("fire_time_shift_ms", LIMIT_SHIFT_MS, rows["requirement"].isin(["met", "lost"])),
            size("velocity_error_required_m_s", LIMIT_REQUIRED_M_S, rows["family"].isin(CRASHES)),
            size("velocity_error_60ms_m_s", LIMIT_60MS_M_S, rows["family"].isin(LASTING)),
        ]
    )
    keys = (lost, size("draws_lost", 1.0), moved.round(3), size("clipped_before_filter", 1.0))
    order = np.lexsort([-key for key in reversed(keys)])
    return str(rows["event"].iloc[int(order[0])])


# -- draws -----------------------------------------------------------------------------------------


def drawn_lines(
    table: pd.DataFrame, settings: pd.DataFrame, metadata: Mapping[str, Any]
) -> list[str]:
    """Say what each range loses in random draws."""
    draws = metadata["random_draws"]
    if not draws or not metadata["rule_reads_the_sensor"]:
        return []
    lines = [f"Over {metadata['draws']}, against the ideal sensor in the same draw:"]
    for _, setting in settings.iterrows():
        rows = table[table[metadata["range_column"]] == setting[metadata["range_column"]]]
        lost = rows[rows["draws_lost"] > 0].sort_values(
            "draws_lost", ascending=False, kind="stable"
        )
        named = [
            f"{r['event']} in {r['draws_lost']} of {r['draws_judged']} (chance"
            f" {100 * r['p_lost_low']:.2g} to {100 * r['p_lost_high']:.2g} %, worst draw"
            f" {r['worst_draw']})"
            for _, r in lost.iterrows()
        ]
        text = f"loses {count(len(lost), 'requirement')}: {listed(named)}" if named else ""
        judged = rows.loc[rows["draws_judged"] > 0, "draws_judged"]
        if not text and len(judged):
            bound = 100.0 * upper_bound_without_failure(int(judged.min()))
            text = (
                "loses no requirement; of each the chance may still be up to"
                f" {bound:.2g} % (95 % one-sided bound, within the model)"
            )
        gained = rows[rows["draws_gained"] > 0]
        if len(gained):
            both = gained[gained["draws_lost"] > 0]
            names = [f"{r['event']} in {r['draws_gained']}" for _, r in gained.iterrows()]
            text += f"; gains {listed(names)}"
            if len(both):
                text += (
                    f" ({listed([str(e) for e in both['event']], separator=', ')} both gains and"
                    " loses: it stands at the threshold, and noise decides)"
                )
        lines.append(f"  {range_words(setting, metadata)}: {text or 'nothing could be judged'}.")
    return lines


# -- why a worse sensor seems to help --------------------------------------------------------------


def why_it_seems_to_help(table: pd.DataFrame, metadata: Mapping[str, Any]) -> list[str]:
    """Say why a limited sensor meets what the ideal one does not, or fires earlier."""
    earlier = (table["fire_change"] == "earlier") & (
        table["fire_time_shift_ms"] < -LIMIT_SHIFT_MS - 1e-6
    )
    must = table["expectation"] == "fire"
    helped = table[(table["requirement"] == "gained") | (earlier & must)]
    if helped.empty or not metadata["rule_reads_the_sensor"]:
        return []
    told: dict[str, list[str]] = {}
    for _, row in helped.sort_values(metadata["range_column"], kind="stable").iterrows():
        text = f"{_what(row)}: {_why(row)}"
        told.setdefault(text, []).append(f"{row[metadata['range_column']]:g}")
    lines = [
        "Where a limited sensor seems to do better than the ideal one, and why (no reason to choose"
        " it: signal is missing, and the next event may lose by the same):"
    ]
    named = [f"+/-{', '.join(at)} {metadata['unit']}: {text}" for text, at in told.items()]
    lines += [f"  {text}." for text in named[:SHOWN]]
    if len(named) > SHOWN:
        lines.append(f"  {len(named) - SHOWN} more: requirement gained or fire_change earlier.")
    return lines


#: Reasons that are listed; the tables hold the rest.
SHOWN = 8


def _what(row: pd.Series) -> str:
    if row["expectation"] == "no_fire":
        return (
            f"{row['event']} holds (largest demand {row['max_demand']:.2f}, ideal"
            f" {row['ideal_max_demand']:.2f})"
        )
    return fire_words(row)


def _why(row: pd.Series) -> str:
    """The cause, and which way the velocity went where it is decided."""
    error = float(row.get("velocity_error_fire_m_s", np.nan))
    size = f"{abs(error):.2f} m/s"
    if row["cause"] == "code width":
        return "rounding to codes moves a demand that stands at the threshold, by chance"
    if row["cause"] == "read-out":
        return "its read-out bends large values, which this event has"
    if error > TELLING_M_S:
        return (
            f"clipping cuts the swings back more than the blows, so that {size} more velocity"
            " change has added up where it is decided: an offset, no better signal"
        )
    if error < -TELLING_M_S:
        if row["expectation"] == "no_fire":
            return f"clipping cuts the blows: {size} less velocity change where it is decided"
        return (
            f"clipping takes {size} of velocity change away, and more from the ringing that raises"
            " a threshold or holds a guard: the rule decides on less signal"
        )
    return (
        "clipping leaves the velocity change as it is and takes ringing away, which a level, a"
        " guard or a moved threshold of the rule reads"
    )
