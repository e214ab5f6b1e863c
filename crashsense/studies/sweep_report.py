"""Results of a sweep: table, figure and plain sentences."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.plotting import BLUE, GREY, INK, VERMILION, new_figure, save, tidy
from crashsense.resources import CAUTION
from crashsense.studies.wording import count
from crashsense.text_table import text_table

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.studies.sweep import Sweep


def sweep_sentences(found: Sweep) -> list[str]:
    """Return the findings of the sweep in plain sentences."""
    table = found.table
    failures = _failures(table)
    fine = table[(failures == 0) & (table["inadvertent"] == 0)]
    names = [one.name for one in found.parameters]
    ordered = bool(table["ordered"].any())
    lines = []
    if len(fine):
        spans = [f"{name} from {fine[name].min():g} to {fine[name].max():g}" for name in names]
        lines.append(
            f"Everything that can be met is met in every draw at {count(len(fine), 'setting')}"
            f" ({', '.join(spans)})."
        )
    else:
        best = table.loc[(failures + table["inadvertent"]).idxmin()]
        at = ", ".join(f"{name} = {best[name]:g}" for name in names)
        lines.append(
            f"No setting meets everything. Fewest failures at {at}: {_failing(best)} of must-fire"
            f" and {best['inadvertent']:.0f} of must-not requirements and draws"
            + (f", {best['not_in_order']:.0f} of the order of restraints." if ordered else ".")
        )
    low, high = table.iloc[0], table.iloc[-1]
    if len(found.parameters) == 1:
        name = names[0]
        for row, word in ((low, "lowest"), (high, "highest")):
            binding = [
                f"{row[f'{kind}_event']} ({row[f'{kind}_restraint']}) {text} with margin"
                f" {100 * row[f'{kind}_margin']:.0f} %"
                for kind, text in (("fire", "must fire"), ("no_fire", "must not fire"))
                if row[f"{kind}_event"]
            ]
            if row["order_event"]:
                binding.append(
                    f"{row['order_event']} ({row['order_restraint']}) in order with margin"
                    f" {row['order_margin_ms']:.1f} ms"
                )
            lines.append(
                f"At the {word} value, {row[name]:g}, what binds is: {'; '.join(binding)}."
            )
    front = table[table["on_front"]]
    lines.append(f"{count(len(front), 'setting')} of {len(table)} on the trade-off front.")
    if found.followers:
        lines.append(f"Moved alike: {', '.join(found.followers)}.")
    return lines


def _failing(row: Any) -> int:
    return int(row["late"] + row["missed"] + row["early"])


def _failures(table: pd.DataFrame) -> pd.Series:
    """What fails of all that must fire or follow another, requirements x draws."""
    return table[["late", "missed", "early", "not_in_order"]].sum(axis=1)


def sweep_text(found: Sweep) -> str:
    """Return the report as text."""
    names = [one.name for one in found.parameters]
    lines = [
        f"CAUTION: {CAUTION}",
        "",
        f"Sweep of {found.algorithm}: {', '.join(names)}; {count(found.events, 'event')},"
        f" {count(found.draws, 'random draw')}, seed {found.seed};"
        f" {'one evaluation for all values' if found.by_scale else 'each value judged anew'}",
        "",
        *sweep_sentences(found),
        "",
    ]
    head = ["", *(name[-24:] for name in names), "late", "missed", "early", "order", "inadv."]
    head += ["not in time, draws", "without need, draws", "fire margin", "no-fire margin"]
    rows = [head]
    for _, row in found.table.iterrows():
        shares = [
            f"{row[f'{kind}_share']:.1%} ({row[f'{kind}_low']:.1%}-{row[f'{kind}_high']:.1%})"
            for kind in ("not_fired", "inadvertent")
        ]
        margins = [_margin(row, kind) for kind in ("fire", "no_fire")]
        kinds = ("late", "missed", "early", "not_in_order", "inadvertent")
        numbers = [f"{row[name]:d}" for name in kinds]
        values = [f"{row[name]:g}" for name in names]
        rows.append(["*" if row["on_front"] else "", *values, *numbers, *shares, *margins])
    lines += text_table(rows, keys=1 + len(names))
    lines += [
        "",
        "* on the trade-off front; intervals: exact, 95 %; margins: the smallest of the nominal"
        " draw, and the event that sets it",
    ]
    return "\n".join(lines)


def _margin(row: Any, kind: str) -> str:
    margin = row[f"{kind}_margin"]
    return "-" if margin != margin else f"{100 * margin:+.0f} % {row[f'{kind}_event']}"


def sweep_figure(found: Sweep) -> Any:
    """Draw failures over the values, and the trade-off between both kinds of failure."""
    figure = new_figure(10.5, 4.4)
    first, second = figure.subplots(1, 2)
    if len(found.parameters) == 1:
        _lines(first, found)
    else:
        _grid(figure, first, found)
    table = found.table
    failing = _failures(table)
    second.plot(failing, table["inadvertent"], "o", color=GREY, ms=4, label="setting")
    front = table[table["on_front"]].assign(failing=failing).sort_values("failing")
    second.plot(
        front["failing"], front["inadvertent"], "s-", color=INK, ms=5, lw=1.2, label="front"
    )
    shown = front.iloc[np.unique(np.linspace(0, len(front) - 1, min(len(front), 6)).astype(int))]
    for _, row in shown.iterrows():
        text = ", ".join(f"{row[one.name]:.3g}" for one in found.parameters)
        second.annotate(
            text,
            (row["failing"], row["inadvertent"]),
            textcoords="offset points",
            xytext=(5, 4),
            fontsize=7,
        )
    second.set_xlabel("late, missed, early or out of order (requirements x draws)")
    second.set_ylabel("fired without need (requirements x draws)")
    second.set_title("Trade-off, with the values on the front")
    second.legend(fontsize=8)
    tidy(second)
    return figure


def _lines(axes: Any, found: Sweep) -> None:
    (one,) = found.parameters
    table = found.table
    for kind, colour, style, label in (
        ("not_fired", BLUE, "-o", "a must-fire requirement not met"),
        ("inadvertent", VERMILION, "--^", "something fired without need"),
    ):
        axes.plot(
            table[one.name], 100 * table[f"{kind}_share"], style, color=colour, ms=4, label=label
        )
        axes.fill_between(
            table[one.name],
            100 * table[f"{kind}_low"],
            100 * table[f"{kind}_high"],
            color=colour,
            alpha=0.15,
            lw=0,
        )
    axes.axvline(one.before, color=GREY, ls=":", lw=1.2)
    axes.text(one.before, 50.0, " file", fontsize=8, color=GREY)
    axes.set_ylim(-3.0, 103.0)
    axes.set_xlabel(one.name)
    axes.set_ylabel("share of draws [%], band: 95 %")
    axes.set_title(f"{found.algorithm}: failures over the value")
    axes.legend(fontsize=8)
    tidy(axes)


def _grid(figure: Any, axes: Any, found: Sweep) -> None:
    across, up = found.parameters
    table = found.table.assign(failures=_failures(found.table) + found.table["inadvertent"])
    values = table.pivot_table(index=up.name, columns=across.name, values="failures")
    drawn = axes.pcolormesh(
        values.columns.to_numpy(),
        values.index.to_numpy(),
        values.to_numpy(),
        cmap="cividis_r",
        shading="nearest",
    )
    figure.colorbar(drawn, ax=axes, label="failures (requirements x draws)")
    front = table[table["on_front"]]
    axes.plot(front[across.name], front[up.name], "s", mfc="none", mec=INK, ms=6, label="front")
    axes.plot(across.before, up.before, "x", color=VERMILION, ms=8, label="file")
    axes.set_xlabel(across.name)
    axes.set_ylabel(up.name)
    axes.set_title(f"{found.algorithm}: failures of both kinds")
    axes.legend(fontsize=8)


def write_sweep(found: Sweep, folder: str | Path) -> Path:
    """Write table, text and figure into a folder."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    table: pd.DataFrame = found.table
    table.to_csv(target / "sweep.csv", index=False)
    table.to_parquet(target / "sweep.parquet", index=False)
    (target / "sweep.txt").write_text(sweep_text(found) + "\n", encoding="utf-8")
    figure = sweep_figure(found)
    for ending in ("svg", "png"):
        save(figure, target / f"sweep.{ending}")
    return target
