"""The self-contained page: ``report.html``, readable without network, script or colour."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense.event import RESTRAINTS
from crashsense.reporting import svg
from crashsense.reporting.chances import Chances, chances_of
from crashsense.reporting.event_charts import event_parts
from crashsense.reporting.summary import (
    NOT_MET,
    WORDS,
    counts,
    gated_totals,
    held_by_arming_only,
    required_rows,
    requirements_met,
    rows_of,
    worst_margins,
)
from crashsense.reporting.view import RunView, view_of
from crashsense.reporting.what_if import WhatIf
from crashsense.reporting.words import (
    MARKS,
    RESTRAINT_WORDS,
    anchor,
    finite,
    one_decimal,
    restraint_words,
    signed,
    slug,
)
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]


def write_report(run: Any, folder: Path | str) -> Path:
    """Write ``report.html`` of a run into *folder* and return its path.

    The page is written event by event to a temporary name and then renamed, so that a big run needs
    the traces of one event in memory only, and a reader never meets half a page.
    """
    view = view_of(run)
    target = Path(folder) / "report.html"
    temporary = target.with_name(f".report.{os.getpid()}.tmp")
    try:
        with temporary.open("w", encoding="utf-8") as stream:
            for part in page_parts(view):
                stream.write(part)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)
    return target


def page_parts(view: RunView) -> Iterator[str]:
    """Yield the page in parts."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["slug"] = slug
    environment.filters["signed"] = signed
    environment.filters["ms"] = one_decimal
    environment.filters["words"] = lambda v: v if isinstance(v, str) else ""
    what_if = WhatIf()
    nominal = view.nominal
    rows = _count_rows(nominal, gating=view.gating)
    rare = ("early", "rule_error", "not_evaluated")
    template = environment.get_template("report.html.j2")
    yield from template.generate(
        caution=CAUTION,
        view=view,
        facts=_facts(view),
        outcome=_outcome(view),
        count_rows=rows,
        shown_verdicts=[v for v in WORDS if v not in rare or any(row[v] for row in rows)],
        combinations=_combinations(view, nominal),
        events=event_parts(view, nominal, what_if=what_if),
        what_if=what_if,
        words=WORDS,
        marks=MARKS,
        restraint_words=RESTRAINT_WORDS,
        not_met=NOT_MET,
    )


# -- overview --------------------------------------------------------------------------------------


def _facts(view: RunView) -> list[tuple[str, str]]:
    frame = view.nominal
    draws = view.tally.draws
    facts = [
        ("events", str(frame["event"].nunique())),
        ("sensor sets", ", ".join(sorted(frame["sensor_set"].unique()))),
        ("algorithms", ", ".join(sorted(frame["algorithm"].unique()))),
        ("draws", f"nominal and {draws} random (seed {view.seed})" if draws else "nominal only"),
        ("rows", f"{view.tally.rows:,}".replace(",", " ")),
    ]
    return facts + list(view.provenance.items())


def _outcome(view: RunView) -> dict[str, Any]:
    total = gated_totals(view.tally, gating=view.gating)
    return {
        "gated": [name for name, gate in view.gating.items() if gate],
        "met": requirements_met(view.tally, gating=view.gating),
        "required": total.required,
        "failed": total.failed,
        "unjudged": total.unjudged,
        "draws": view.tally.draws,
    }


def _count_rows(nominal: pd.DataFrame, *, gating: Mapping[str, bool]) -> list[dict[str, Any]]:
    return [
        {
            **row._asdict(),
            "gate": gating.get(row.algorithm, True),
        }
        for row in rows_of(counts(nominal).reset_index())
    ]


@dataclass
class Combination:
    """What the page shows of one sensor set and algorithm."""

    sensor_set: str
    algorithm: str
    gate: bool
    timing: list[tuple[str, str]]
    demand: list[tuple[str, str]]
    matrix: list[dict[str, Any]]
    restraints: list[str]
    failed: list[dict[str, Any]]
    margins: list[Any]
    arming_only: list[Any]
    separation: list[dict[str, Any]]
    chances: Chances | None


def _combinations(view: RunView, nominal: pd.DataFrame) -> list[Combination]:
    out = []
    statistics = None if view.statistics is None else view.statistics()
    for key in rows_of(nominal[["sensor_set", "algorithm"]].drop_duplicates()):
        sensor_set, algorithm = key.sensor_set, key.algorithm
        rows = nominal[(nominal["sensor_set"] == sensor_set) & (nominal["algorithm"] == algorithm)]
        failures = {
            key[:2]: size
            for key, size in view.tally.failures.items()
            if key[2:] == (sensor_set, algorithm)
        }
        draws = view.tally.draws
        out.append(
            Combination(
                sensor_set,
                algorithm,
                view.gating.get(algorithm, True),
                timing=_timing(rows),
                demand=_demand(rows),
                matrix=_matrix(rows, failures=failures),
                restraints=[name for name in RESTRAINTS if (rows["restraint"] == name).any()],
                failed=_failed(rows, failures=failures, draws=draws),
                margins=rows_of(worst_margins(rows, most=8)),
                arming_only=rows_of(held_by_arming_only(rows)),
                separation=_separation(view, sensor_set=sensor_set, algorithm=algorithm),
                chances=chances_of(
                    statistics,
                    sensor_set=sensor_set,
                    algorithm=algorithm,
                    whole_draws=view.whole_draws,
                ),
            )
        )
    return sorted(out, key=lambda c: (not c.gate, c.algorithm, c.sensor_set))


def _separation(view: RunView, *, sensor_set: str, algorithm: str) -> list[dict[str, Any]]:
    out = []
    for entry in view.separation:
        if (entry["sensor_set"], entry["algorithm"]) != (sensor_set, algorithm):
            continue
        c, m = entry["c"], entry["m"]
        works = ""
        if c is not None and m is not None:
            works = f"{m:.2f} < k ≤ {c:.2f}" if m < c else "no scale works"
        out.append(
            {
                **entry,
                "c": "none" if c is None else f"{c:.2f}",
                "m": "none" if m is None else f"{m:.2f}",
                "ratio": f"{c / m:.2f}" if c is not None and m else "",
                "works": works,
            }
        )
    return out


def _timing(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """One chart a restraint with must-fire rows, sorted by required time; rollover apart.

    Rollover takes ten times as long as an impact and would squeeze it to a point.
    """
    out = []
    fire = rows[rows["expectation"] == "fire"]
    slow = (fire["family"] == "rollover").rename("slow")
    for (restraint, _), group in fire.groupby(["restraint", slow], sort=False):
        judged = group[group["verdict"] != "not_evaluated"].sort_values("required_time_ms")
        if judged.empty:
            continue
        chart = svg.timing_chart(
            [
                svg.TimingRow(
                    row.event,
                    anchor(row.event),
                    finite(row.required_time_ms),
                    finite(row.fire_time_ms),
                    finite(row.arming_time_ms),
                    row.verdict,
                )
                for row in rows_of(judged)
            ],
            label=f"Required and fire time of {restraint_words(restraint)}",
        )
        out.append((str(restraint), chart))
    return out


#: Rows that must not fire and stay below this are counted, not drawn.
FAR_DEMAND = 0.2


def _demand(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """One chart a restraint with must-not-fire rows, the largest demand first."""
    out = []
    chosen = rows[(rows["expectation"] == "no_fire") & (rows["verdict"] != "not_evaluated")]
    for restraint, group in chosen.groupby("restraint", sort=False):
        ordered = group.sort_values("max_demand", ascending=False)
        # Rows far from the threshold are counted, not drawn.
        top = ordered[ordered["max_demand"] >= FAR_DEMAND].head(25)
        chart = svg.demand_chart(
            [
                svg.DemandRow(
                    row.event,
                    anchor(row.event),
                    float(row.max_demand),
                    row.verdict,
                    row.held_by if isinstance(row.held_by, str) else "",
                )
                for row in rows_of(top)
            ],
            label=f"Largest demand of {restraint_words(restraint)} in events that must not fire it",
        )
        chart = chart if len(top) else ""
        rest = len(ordered) - len(top)
        below = FAR_DEMAND if len(top) < 25 else float(top["max_demand"].min())
        note = f": {rest} of {len(ordered)} events stay below {below:.2f}" if rest else ""
        out.append((f"{restraint}|{note}", chart))
    return out


def _matrix(rows: pd.DataFrame, *, failures: Mapping[Any, int]) -> list[dict[str, Any]]:
    out: dict[str, dict[str, Any]] = {}
    for row in rows_of(rows):
        line = out.setdefault(row.event, {"event": row.event, "family": row.family, "cells": {}})
        line["cells"][row.restraint] = {
            "verdict": row.verdict,
            "expectation": row.expectation,
            "margin": finite(row.demand_margin),
            "time_margin": finite(row.time_margin_ms),
            "failures": failures.get((row.event, row.restraint), 0),
            "waived": bool(row.waived),
        }
    return list(out.values())


def _failed(rows: pd.DataFrame, *, failures: Mapping[Any, int], draws: int) -> list[dict[str, Any]]:
    """Rows not met in the nominal draw or in some random draw."""
    out = []
    for row in rows_of(required_rows(rows)):
        number = failures.get((row.event, row.restraint), 0)
        if row.verdict in NOT_MET or number:
            out.append({"row": row, "failures": number, "draws": draws})
    return sorted(out, key=lambda f: (f["row"].verdict not in NOT_MET, -f["failures"]))
