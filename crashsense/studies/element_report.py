"""A study of elements as text, tables and a figure."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.files import csv_safe
from crashsense.plotting import INK, LINES, new_figure, save, tidy
from crashsense.resources import CAUTION
from crashsense.studies.element import ElementStudy
from crashsense.studies.wording import count
from crashsense.text_table import text_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Column -> heading and format of the text table.
_SHOWN = (
    ("range_g", "range g", "{:.4g}"),
    ("binds", "binds", "{}"),
    ("resonance_hz", "res. Hz", "{:.0f}"),
    ("quality", "Q", "{:.2f}"),
    ("footprint_mm2", "mm^2", "{:.3f}"),
    ("quiet_noise_mg", "quiet mg", "{:.1f}"),
    ("clipped_before_filter", "clipped %", "{:.1%}"),
    ("velocity_lost_m_s", "dv lost m/s", "{:.3f}"),
    ("separation_ratio", "c/m", "{:.2f}"),
    ("missed_or_late", "missed", "{}"),
    ("inadvertent", "inadv.", "{}"),
    ("lost", "lost", "{}"),
    ("lost_in_draws", "in draws", "{}"),
)


def element_text(study: ElementStudy) -> str:
    """Return the study as text, caution first."""
    m = study.metadata
    lines = [
        f"CAUTION: {CAUTION}",
        "",
        f"element {m['element']} at {', '.join(m['sensors'])}; {m['restraint']}, algorithm"
        f" {m['algorithm']}; {count(len(m['events']), 'event')}, {count(m['draws'], 'draw')}",
        "",
    ]
    heads = [*study.varied, *(head for _, head, _ in _SHOWN)]
    rows = [
        [f"{row[name]:g}" for name in study.varied]
        + [_cell(form, row[column]) for column, _, form in _SHOWN]
        for _, row in study.points.iterrows()
    ]
    lines += text_table([heads, *rows], keys=len(study.varied), left=())
    lines += [
        "",
        "  clipped: share of samples ahead of the filter, worst event; dv lost: velocity",
        "  change against the ideal sensor at the required time, worst event; missed (or",
        "  late), inadv.: verdicts, nominal; lost: requirements that the ideal sensor",
        "  meets; in draws: verdicts.",
        "",
        *study.conclusion,
    ]
    return "\n".join(lines)


def _cell(form: str, value: object) -> str:
    if isinstance(value, float) and not np.isfinite(value):
        return "-"
    return form.format(value)


def element_figure(study: ElementStudy) -> Figure:
    """Draw range, velocity lost and c/m over the first varied number, a line for each other one.

    Filled markers lose no requirement; open ones do.
    """
    figure = new_figure(11.0, 3.6)
    panels = figure.subplots(1, 3)
    first, others = study.varied[0], list(study.varied[1:])
    groups = (
        [(key, rows) for key, rows in study.points.groupby(others, sort=True)]
        if others
        else [((), study.points)]
    )
    columns = (
        ("range_g", "range [g]"),
        ("velocity_lost_m_s", "velocity lost, worst event [m/s]"),
        ("separation_ratio", "c/m [-]"),
    )
    for number, (key, found) in enumerate(groups):
        rows = found.sort_values(first)
        colour, style = LINES[number % len(LINES)]
        values = key if isinstance(key, tuple) else (key,)
        label = ", ".join(f"{n} = {v:g}" for n, v in zip(others, values, strict=True))
        whole = ((rows["lost"] == 0) & (rows["lost_in_draws"] == 0)).to_numpy()
        for panel, (column, _) in zip(panels, columns, strict=True):
            x, y = rows[first].to_numpy(), rows[column].to_numpy()
            panel.plot(x, y, color=colour, linestyle=style, label=label or None)
            panel.plot(x[whole], y[whole], "o", color=colour)
            panel.plot(x[~whole], y[~whole], "o", color=colour, markerfacecolor="none")
    for panel, (_, title) in zip(panels, columns, strict=True):
        panel.set(xlabel=first, ylabel=title)
        tidy(panel)
    panels[2].axhline(1.0, color=INK, linewidth=0.8)
    if others:
        panels[0].legend(fontsize=7)
    if not study.points["separation_ratio"].notna().any():
        panels[2].set_yticks([])
        panels[2].set_title("these events have no c/m", fontsize=8)
    figure.suptitle("Filled: loses no requirement that the ideal sensor meets")
    return figure


def write_element_study(study: ElementStudy, folder: str | Path, *, text: str) -> Path:
    """Write the tables (CSV and Parquet), text and figure into a folder."""
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name, table in (("element_points", study.points), ("element_events", study.table)):
            csv_safe(table).to_csv(target / f"{name}.csv", index=False)
            table.to_parquet(target / f"{name}.parquet", index=False)
        (target / "element.txt").write_text(text + "\n", encoding="utf-8")
        (target / "element.json").write_text(
            json.dumps(study.metadata, indent=1) + "\n", encoding="utf-8"
        )
        for ending in ("svg", "png"):
            save(element_figure(study), target / f"element.{ending}")
    except OSError as error:
        expected = f"a folder that can be written ({error.strerror})"
        raise InputError([Fault("study element", "--out", str(target), expected)]) from None
    return target
