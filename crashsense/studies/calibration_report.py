"""The table of what the guarded algorithm meets, what binds, and by how much."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

import numpy as np

from crashsense.resources import CAUTION
from crashsense.results.statistics import clopper_pearson
from crashsense.studies.calibration import GROUPS, Row

#: Begin of an event's name -> why it binds; printed where such an event is not met.
REASONS = {
    "underride": "underride: the front sensors are overridden and feel nothing, and by the required"
    " time the cabin has lost less speed than in a kerb hit that must not fire; only another sensor"
    " (structure, height) could tell the two apart",
    "pole_centre": "centre pole: soft until the engine is reached; by the required time the cabin"
    " has lost less speed, or hardly more, than in a 13 or 16 km/h wall that must not fire by the"
    " same time, and the front sensors,"
    " left and right of the pole, feel little; central sensing alone is known not to separate slow"
    " poles",
    "kerb_then_wall": "kerb, then wall: the kerb starts the clock of the velocity-time maps, so"
    " the wall is judged by the thresholds of a late, slow crash; a reset between the contacts"
    " would need more quiet than there is",
    "side_pole": "side pole: the satellite, whose activity confirms the pressure, moves by two"
    " codes only shortly before the required time",
    "wall_full_64": "fast walls: the required time leaves little more than the chain's delay",
}


def _reasons(rows: Sequence[Row]) -> list[str]:
    found = [
        f"- {text}."
        for begin, text in REASONS.items()
        if any(row.event.startswith(begin) for row in rows)
    ]
    return ["", "Why:", "", *found] if found else []


def _mark(row: Row) -> str:
    if row.infeasible:
        return "infeasible"
    if not row.met[0]:
        return "NOT MET"
    return "met" if row.met_with_margin[0] else "met, margin short"


def _nominal(row: Row) -> str:
    if row.expectation == "no_fire":
        return f"largest demand {row.demand[0]:.2f}, margin {100 * (1 - row.demand[0]):.0f} %"
    margin = row.margin_ms[0]
    if not np.isfinite(margin):
        return f"never fires; demand {row.demand[0]:.2f} by {row.required_ms:.1f} ms"
    side = "before" if margin >= 0.0 else "after"
    return f"fires {abs(margin):.2f} ms {side} {row.required_ms:.1f} ms"


def _share(met: np.ndarray) -> str:
    total, count = int(met.size), int(np.sum(met))
    if total == 0:
        return "-"
    low, high = clopper_pearson(count, total)
    return f"{count}/{total} ({100 * low:.1f}-{100 * high:.1f} %)"


def _total(met: np.ndarray) -> str:
    # No interval: the rows of one draw are not independent of each other.
    return f"{int(met.sum())}/{met.size} ({100.0 * met.mean():.1f} %)" if met.size else "-"


def _line(row: Row, half: int) -> str:
    first, second = row.met[1 : half + 1], row.met[half + 1 :]
    return (
        f"| {row.event} | {row.restraint} | {row.expectation} | {_nominal(row)} | {_mark(row)} "
        f"| {_share(first)} | {_share(second)} | {_share(row.met_with_margin[1:])} |"
    )


_HEAD = [
    "| event | restraint | must | nominal | state | met, first half of draws | met, hold-out "
    "| met with margin, all draws |",
    "|---|---|---|---|---|---|---|---|",
]


def report(
    rows: Sequence[Row], *, text: str, draws: int, seed: int, notes: Sequence[str] = ()
) -> str:
    """Return the report as Markdown."""
    half = draws // 2
    scored = [row for row in rows if not row.infeasible]
    failed = [row for row in scored if not row.met[0]]
    short = [row for row in scored if row.met[0] and not row.met_with_margin[0]]
    fine = [row for row in scored if row.met_with_margin[0]]
    lines = [
        "# What the guarded algorithm meets",
        "",
        f"> {CAUTION}",
        "",
        "Made by `python -m crashsense.studies.calibration` from the shipped library (one",
        f"fictional car), sensor set `standard`, seed {seed}, nominal and {draws} draws. Asked:",
        "no more than 85 % of the threshold where a restraint must not fire, 1 ms ahead of the",
        "required time where it must. `met` is the bare requirement; bounds are exact 95 %",
        "intervals of the share of draws. The fit sees some (16 by default) of draws"
        f" 1-{half}, the",
        "other half is hold-out. Nothing in the library was changed to make a row pass.",
        "",
        "## Summary",
        "",
        "| | rows |",
        "|---|---|",
        f"| requirements scored (must fire or must not) | {len(rows)} |",
        f"| infeasible (required before the first possible sample) | {len(rows) - len(scored)} |",
        f"| met at nominal with margin | {len(fine)} |",
        f"| met at nominal, margin short | {len(short)} |",
        f"| not met at nominal | {len(failed)} |",
    ]
    if draws:
        every = np.stack([row.met[1:] for row in scored])
        lines += [
            f"| rows met in every draw of the first half | {int(every[:, :half].all(1).sum())} |",
            f"| rows met in every hold-out draw | {int(every[:, half:].all(1).sum())} |",
            f"| row-draws met, first half | {_total(every[:, :half])} |",
            f"| row-draws met, hold-out | {_total(every[:, half:])} |",
        ]
    lines += ["", "By restraint, at nominal:", ""]
    lines += ["| restraint | must fire: met / all | must not: met / all |", "|---|---|---|"]
    for restraint in dict.fromkeys(row.restraint for row in rows):
        mine = [row for row in scored if row.restraint == restraint]
        counts = []
        for expectation in ("fire", "no_fire"):
            part = [row for row in mine if row.expectation == expectation]
            counts.append(f"{sum(bool(row.met[0]) for row in part)} / {len(part)}")
        lines.append(f"| {restraint} | {counts[0]} | {counts[1]} |")
    if failed:
        lines += ["", "## Not met at nominal", "", *_HEAD]
        lines += [_line(row, half) for row in failed]
        lines += _reasons(failed)
    if short:
        lines += ["", "## Met at nominal, margin short", "", *_HEAD]
        lines += [_line(row, half) for row in short]
        lines += _reasons(short)
    lines += [
        "",
        "## What binds",
        "",
        "For each restraint the rows with the least headroom at nominal: towards firing too much",
        "and towards firing too late. They pull the thresholds in opposite directions.",
        "",
        *_HEAD,
    ]
    for restraint in dict.fromkeys(row.restraint for row in rows):
        for expectation in ("no_fire", "fire"):
            part = [
                row
                for row in scored
                if row.restraint == restraint and row.expectation == expectation
            ]
            lines += [_line(r, half) for r in sorted(part, key=lambda r: r.headroom)[:3]]
    if draws:
        unsteady = [
            row for row in scored if row.met[0] and not row.met[1:].all() and row not in failed
        ]
        if unsteady:
            lines += ["", "## Met at nominal, not in every draw", "", *_HEAD]
            lines += [_line(row, half) for row in unsteady]
    infeasible = [row for row in rows if row.infeasible]
    if infeasible:
        lines += ["", "## Infeasible", "", *_HEAD, *(_line(row, half) for row in infeasible)]
    definitions = tomllib.loads(text)["definitions"]
    lines += ["", "## Numbers searched", "", "| definition | parameter | value | range |"]
    lines += ["|---|---|---|---|"]
    for group in GROUPS:
        for free in group.free:
            value = definitions[free.definition][free.key]
            lines.append(
                f"| {free.definition} | {free.key} | {value:g} | {free.low:g} to {free.high:g} |"
            )
    lines += [
        "",
        "The threshold lines over time are fitted, not searched; see the algorithm's file.",
    ]
    if notes:
        lines += ["", "Search: " + "; ".join(notes) + "."]
    return "\n".join(lines) + "\n"
