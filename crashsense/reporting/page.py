"""The self-contained page: ``report.html``, readable without network, script or colour."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense.errors import harmless
from crashsense.event import ALL_RESTRAINTS
from crashsense.glossary import meaning
from crashsense.reporting import svg
from crashsense.reporting.chances import Chances, chances_of
from crashsense.reporting.event_charts import event_parts
from crashsense.reporting.first_screen import answers_of, date_of
from crashsense.reporting.pages import environment
from crashsense.reporting.scales import (
    NONE_FAILED,
    FailedRows,
    failed_rows,
    origin_of_m,
    scale_words,
    unasked,
)
from crashsense.reporting.sensor_section import sensor_parts
from crashsense.reporting.summary import (
    NOMINAL_ONLY,
    error_words,
    fitted_sentences,
    held_by_arming_only,
    result_words,
    ruleless_words,
    worst_margins,
)
from crashsense.reporting.timing import Panel, panels_of, spreads_of
from crashsense.reporting.view import RunView, view_of
from crashsense.reporting.what_if import TRAVELS_MM, WhatIf
from crashsense.reporting.words import (
    MARKS,
    PAGE_WORDS,
    anchor,
    finite,
    must_words,
    one_decimal,
    restraint_words,
    signed,
    slug,
)
from crashsense.resources import CAUTION
from crashsense.results.tally import (
    BY_WEIGHT,
    MET,
    NOT_MET,
    WORDS,
    FailingRow,
    Pair,
    RuleErrors,
    failing_in_draws,
    kind_of,
    one_line,
    required_rows,
    rows_of,
)
from crashsense.scoring import ORDER_FAILURES

if TYPE_CHECKING:
    import pandas as pd


def write_report(run: Any, folder: Path | str, *, title: str = "") -> Path:
    """Write ``report.html`` of a run into *folder* and return its path.

    *title* replaces that of the run's view.

    The page is written event by event to a temporary name and then renamed, so that a large run
    needs only one event's traces in memory, and nobody opens an incomplete page.
    """
    view = view_of(run)
    view = replace(view, title=title) if title else view
    target = Path(folder) / "report.html"
    temporary = target.with_name(f".report.{os.getpid()}.tmp")
    try:
        with temporary.open("w", encoding="utf-8") as stream:
            for part in page_parts(view):
                stream.write(harmless(part))
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)
    return target


def page_parts(view: RunView) -> Iterator[str]:
    """Yield the page in parts."""
    templates = environment()
    templates.filters["slug"] = slug
    templates.filters["signed"] = signed
    templates.filters["ms"] = one_decimal
    templates.filters["margin"] = lambda v: "none" if finite(v) is None else signed(v)
    templates.globals["meaning"] = meaning
    templates.globals["page_words"] = PAGE_WORDS
    templates.filters["words"] = lambda v: v if isinstance(v, str) else ""
    what_if = WhatIf()
    nominal = view.nominal
    rows = _count_rows(view)
    statistics = None if view.statistics is None else view.statistics()
    spreads = spreads_of(statistics)
    asked = required_rows(nominal)
    present = set(asked["verdict"])
    rare = ("early", "rule_error", "not_evaluated", *ORDER_FAILURES, "in_order", "not_challenged")
    template = templates.get_template("report.html.j2")
    yield from template.generate(
        caution=CAUTION,
        view=view,
        facts=_facts(view),
        results=[result_words(view, pair) for pair in view.deciding],
        fitted=fitted_sentences(view),
        nominal_only="" if view.tally.draws else NOMINAL_ONLY,
        several_sets=len({sensor_set for sensor_set, _ in view.pairs}) > 1,
        count_rows=rows,
        drawn_verdicts=_drawn_verdicts(view),
        drawn_rows=_drawn_rows(view),
        shown_verdicts=[v for v in WORDS if v not in rare or any(row[v] for row in rows)],
        date=date_of(view),
        run_name="" if view.folder is None else view.folder.name,
        answers=answers_of(view, spreads=spreads),
        travels=TRAVELS_MM,
        families=list(dict.fromkeys(nominal["family"])),
        all_verdicts=[v for v in (*BY_WEIGHT, *MET, "not_evaluated") if v in present],
        all_restraints=sorted(asked["restraint"].unique(), key=_place_of),
        combinations=_combinations(view, nominal, statistics=statistics, spreads=spreads),
        events=event_parts(view, nominal, what_if=what_if, spreads=spreads),
        what_if=what_if,
        sensors=sensor_parts(view.sensors),
        words=WORDS,
        marks=MARKS,
        name_of=restraint_words,
        must=must_words,
        not_met=NOT_MET,
    )


# -- overview --------------------------------------------------------------------------------------


def _facts(view: RunView) -> list[tuple[str, str]]:
    frame = view.nominal
    draws = view.tally.draws
    facts = [
        ("events", str(frame["event"].nunique())),
        ("sensor sets", ", ".join(dict.fromkeys(sensor_set for sensor_set, _ in view.pairs))),
        ("algorithms", ", ".join(dict.fromkeys(algorithm for _, algorithm in view.pairs))),
        ("draws", f"nominal and {draws} random (seed {view.seed})" if draws else "nominal only"),
        ("rows", f"{view.tally.rows:,}".replace(",", " ")),
    ]
    return facts + list(view.provenance.items())


def _count_rows(view: RunView) -> list[dict[str, Any]]:
    names = ("met", "not_met", *WORDS, "idle")
    return [
        {
            "sensor_set": sensor_set,
            "algorithm": algorithm,
            "gate": view.gating.get(algorithm, True),
            **{name: view.counts[sensor_set, algorithm][name] for name in names},
        }
        for sensor_set, algorithm in view.pairs
    ]


def _place_of(name: str) -> tuple[int, str]:
    """Restraints in their usual order, then two of them in order."""
    return (ALL_RESTRAINTS.index(name) if name in ALL_RESTRAINTS else len(ALL_RESTRAINTS), name)


def _drawn_verdicts(view: RunView) -> list[str]:
    """Columns of the verdicts over draws; those of orders only where they occur."""
    drawn = [view.tally.verdicts(pair) for pair in view.pairs]
    orders = ("in_order", "not_challenged", *ORDER_FAILURES)
    shown = [*BY_WEIGHT, *MET, "not_evaluated"]
    return [name for name in shown if name not in orders or any(one[name] for one in drawn)]


def _drawn_rows(view: RunView) -> list[dict[str, Any]]:
    """Verdicts of all requirements over the random draws; nothing without draws."""
    if not view.tally.draws:
        return []
    return [
        {
            "sensor_set": pair[0],
            "algorithm": pair[1],
            "gate": view.gating.get(pair[1], True),
            "verdicts": view.tally.verdicts(pair),
        }
        for pair in view.pairs
    ]


@dataclass
class Combination:
    """The part of the page for one sensor set and algorithm."""

    sensor_set: str
    algorithm: str
    label: str
    gate: bool
    ruleless: str
    errors: list[tuple[str, list[Any]]]
    broken: str
    panels: list[Panel]
    demand: list[tuple[str, str]]
    hidden: list[FailingRow]
    margins: list[Any]
    arming_only: list[Any]
    separation: list[dict[str, Any]]
    unasked: str
    chances: Chances | None


def _combinations(
    view: RunView,
    nominal: pd.DataFrame,
    *,
    statistics: pd.DataFrame | None,
    spreads: Mapping[str, tuple[float, float, int, int]],
) -> list[Combination]:
    out = []
    for pair in view.pairs:
        sensor_set, algorithm = pair
        rows = nominal[(nominal["sensor_set"] == sensor_set) & (nominal["algorithm"] == algorithm)]
        separation = [
            entry
            for entry in view.separation
            if (entry["sensor_set"], entry["algorithm"]) == (sensor_set, algorithm)
        ]
        label = view.labels[pair]
        broken = failed_rows(nominal, pair=pair)
        out.append(
            Combination(
                sensor_set,
                algorithm,
                label,
                view.gating.get(algorithm, True),
                ruleless=ruleless_words(nominal, pair, view.rules),
                errors=_errors(view, pair, rows),
                broken=_broken_words(broken),
                panels=panels_of(rows, spreads=spreads),
                demand=_demand(rows),
                hidden=failing_in_draws(nominal, view.tally, pair),
                margins=rows_of(worst_margins(rows, most=8, rules=view.rules)),
                arming_only=rows_of(held_by_arming_only(rows)),
                separation=[
                    _separation(
                        entry,
                        rules=view.rules.get(algorithm),
                        failed=broken.get(entry["restraint"], NONE_FAILED),
                    )
                    for entry in separation
                ],
                unasked=unasked(separation, failed=broken) if separation else "",
                chances=chances_of(
                    statistics,
                    sensor_set=sensor_set,
                    algorithm=algorithm,
                    whole_draws=view.whole_draws,
                ),
            )
        )
    return out


def _errors(view: RunView, pair: Pair, rows: pd.DataFrame) -> list[tuple[str, list[Any]]]:
    """Each way in which a rule failed: a sentence, and the nominal rows where it did."""
    broken = rows_of(rows[rows["verdict"] == "rule_error"])

    def alike(errors: RuleErrors) -> list[Any]:
        kind = kind_of(errors.first[-1])
        return [row for row in broken if kind_of(one_line(row.reason)) == kind]

    found = view.tally.rule_errors(pair)
    return [(error_words(errors, label=view.labels[pair]), alike(errors)) for errors in found]


def _broken_words(failed: Mapping[str, FailedRows]) -> str:
    """Count and name the requirements not met because the rule failed; empty without any.

    >>> _broken_words({"curtain_left": FailedRows(fire=2, no_fire=1)})
    '3 requirements are not met because THE RULE FAILED: curtain, left 3'
    """
    if not failed:
        return ""
    sizes = {name: rows.fire + rows.no_fire for name, rows in failed.items()}
    total = sum(sizes.values())
    verb = "requirement is" if total == 1 else "requirements are"
    names = "; ".join(f"{restraint_words(name)} {size}" for name, size in sizes.items())
    return f"{total} {verb} not met because THE RULE FAILED: {names}"


def _separation(
    entry: Mapping[str, Any], *, rules: Sequence[str] | None, failed: FailedRows
) -> dict[str, Any]:
    has_rule = rules is None or entry["restraint"] in rules
    c, m, ratio = (entry[name] if has_rule else None for name in ("c", "m", "ratio"))
    return {
        **entry,
        "c": "" if c is None else f"{c:.2f}",
        "c_event": entry["c_event"] if has_rule else "",
        "m": "" if m is None else f"{m:.2f}",
        "m_event": origin_of_m(entry) if has_rule else "",
        "ratio": "" if ratio is None else f"{ratio:.2f}",
        "works": scale_words(entry, has_rule=has_rule, failed=failed),
    }


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
