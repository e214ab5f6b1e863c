"""Results of a calibration: the new algorithm's file, tables, a figure and plain sentences."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.plotting import BLUE, GREY, INK, VERMILION, new_figure, save, tidy
from crashsense.resources import CAUTION
from crashsense.rules.numbers import Freedom, with_numbers_in_text
from crashsense.studies.bench import Judged, Row
from crashsense.studies.wording import count
from crashsense.text_table import text_table

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.studies.calibration import Calibration

#: Column of the table -> what it means. Margins: mean over scatter of headroom over draws [-].
COLUMNS = {
    "event, restraint, expectation, family, class": "the requirement",
    "before": "margin with the numbers of the file, draws that were searched on",
    "seen": "margin with the new numbers, draws that were searched on",
    "held_out": "margin with the new numbers, draws that were not",
    "left_out": "margin of the search that had left the class out, draws not searched on",
    "met_before, met_seen, met_held_out, met_left_out": "share of draws that meet it, likewise",
    "nominal": "headroom of the nominal draw: logarithm of the factor between demand and 1",
}

#: Rows that the figure and the text show.
SHOWN = 24


def rows_table(
    rows: Sequence[Row], judged: Judged, *, part: Mapping[str, int], draws: int
) -> pd.DataFrame:
    """Return one row a requirement; *judged*: before, after, and after each part was left out."""
    import pandas as pd

    from crashsense.studies.calibration import margins

    def met(headroom: np.ndarray) -> np.ndarray:
        counted = np.isfinite(headroom)
        fine = (counted & (headroom >= 0.0)).sum(axis=-1)
        return np.where(counted.any(axis=-1), fine / np.maximum(counted.sum(axis=-1), 1), np.nan)

    # Demand of exactly 1 fires: no headroom is left where a restraint must not fire.
    must_not = np.array([row.expectation == "no_fire" for row in rows])
    headroom = np.where(must_not[None, :, None] & (judged.headroom == 0.0), -1e-12, judged.headroom)
    seen, fresh = headroom[..., : draws + 1], headroom[..., draws + 1 :]
    number = np.array([2 + part[row.kind] if row.kind in part else -1 for row in rows])
    place = np.arange(len(rows))
    apart = np.where((number >= 0)[:, None], fresh[np.maximum(number, 0), place], np.nan)
    return pd.DataFrame(
        {
            "event": [row.event for row in rows],
            "restraint": [row.restraint for row in rows],
            "expectation": [row.expectation for row in rows],
            "family": [row.family for row in rows],
            "class": [row.kind for row in rows],
            "before": margins(seen[0]),
            "seen": margins(seen[1]),
            "held_out": margins(fresh[1]) if fresh.shape[-1] else np.nan,
            "left_out": margins(apart) if fresh.shape[-1] else np.nan,
            "met_before": met(seen[0]),
            "met_seen": met(seen[1]),
            "met_held_out": met(fresh[1]) if fresh.shape[-1] else np.nan,
            "met_left_out": met(apart) if fresh.shape[-1] else np.nan,
            "nominal": seen[1][:, 0],
        }
    ).sort_values(["event", "restraint"], ignore_index=True)


def can_be_met(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the table that some rule could meet.

    Of two restraints in order: those that some draw put to the test.
    """
    return table[table["seen"].notna()]


def holds_out_of_sample(table: pd.DataFrame) -> bool:
    """True if every requirement is met in all draws and classes that the search did not see."""
    rows = can_be_met(table)
    columns = rows[["met_seen", "met_held_out", "met_left_out"]].to_numpy()
    # An order that no held-out draw put to the test was not broken there.
    untried = np.isnan(columns) & (rows["expectation"] == "order").to_numpy()[:, None]
    return len(rows) > 0 and bool(np.all((columns == 1.0) | untried))


def numbers_table(
    freedom: Freedom,
    start: Mapping[str, float],
    values: Mapping[str, float],
    parts: Sequence[Mapping[str, float]],
) -> pd.DataFrame:
    """Return one row a free number: bounds, before, after, and the range over parts left out."""
    import pandas as pd

    rows = []
    for name, (low, high) in freedom.bounds.items():
        over = [one[name] for one in parts if name in one] or [values[name]]
        rows.append(
            {
                "number": name,
                "low": low,
                "high": high,
                "before": start[name],
                "after": values[name],
                "least_over_parts": min(over),
                "most_over_parts": max(over),
                "at_bound": bool(min(values[name] - low, high - values[name]) <= 0.0),
            }
        )
    return pd.DataFrame(rows)


def calibrated_text(
    text: str, values: Mapping[str, float], *, name: str, basis: tuple[str, str]
) -> str:
    """Return the file of the new algorithm: the old one with other numbers, name and basis."""
    new = with_numbers_in_text(text, values)
    fitted, how = basis
    said = re.compile(r"^# Calibrated on .*\n", flags=re.MULTILINE)
    new = f"# Calibrated on {how}; what holds elsewhere, calibration.txt says.\n{said.sub('', new)}"
    for key, value in (("name", name), ("fitted_to", fitted)):
        there = key if key in tomllib.loads(new) else "name"
        found = re.search(rf"^{there} *=[^\n]*$", new, flags=re.MULTILINE)
        if found is None:  # the file has no name of its own
            new = f'{key} = "{value}"\n{new}'
            continue
        kept = "" if there == key else f"{found[0]}\n"
        new = f'{new[: found.start()]}{kept}{key} = "{value}"{new[found.end() :]}'
    return new


def calibration_sentences(found: Calibration) -> list[str]:
    """Return the findings of the calibration in plain sentences."""
    rows = can_be_met(found.table)
    unmet = found.table[found.table["seen"].isna()]
    hopeless = int((unmet["expectation"] != "order").sum())
    total = len(rows)

    def full(column: str) -> int:
        return int((rows[column] == 1.0).sum())

    lines = [
        f"{count(total, 'requirement')}; with the numbers of the file {full('met_before')} are met"
        f" in every draw searched on, with the new ones {full('met_seen')}.",
        f"Out of sample: {full('met_held_out')} of {total} are met in every one of"
        f" {found.held_out} held-out draws; {full('met_left_out')} of {total} where their whole"
        " class was left out of the search as well.",
    ]
    if found.success:
        lines.append(
            "Success in the narrow sense of this study: every requirement is met in every draw,"
            " also where its class was left out. It says nothing about other events."
        )
    else:
        failed = rows[(rows[["met_held_out", "met_left_out"]] < 1.0).any(axis=1)]
        named = ", ".join(dict.fromkeys(failed.sort_values("left_out")["event"]))
        unseen = "" if found.folds and found.held_out else " Nothing was held out."
        lines.append(
            "This is not a success: what was searched on is not met out of sample"
            f"{' in ' + named if named else ''}.{unseen}"
        )
    if untried := len(unmet) - hopeless:
        lines.append(f"{count(untried, 'order')} of two restraints not put to the test.")
    if hopeless:
        lines.append(f"{count(hopeless, 'further requirement')} no rule could meet (infeasible).")
    for _, row in found.numbers[found.numbers["at_bound"]].iterrows():
        lines.append(f"{row['number']} stands at a bound ({row['after']:g}): check the bound.")
    for expectation, word in (
        ("no_fire", "firing too much"),
        ("fire", "firing too late"),
        ("order", "stages out of order"),
    ):
        part = rows[rows["expectation"] == expectation].sort_values("seen")
        if len(part):
            first = part.iloc[0]
            lines.append(
                f"Towards {word}, {first['event']} ({first['restraint']}) binds: margin"
                f" {first['seen']:.1f} scatters."
            )
    if not found.finished:
        lines.append("The budget ended before every search had settled; the same command goes on.")
    return lines


def calibration_text(found: Calibration) -> str:
    """Return the report as text."""
    rows = can_be_met(found.table)
    lines = [
        f"CAUTION: {CAUTION}",
        "",
        f"Calibration of {found.name}: {found.trials} settings judged, draws 0-{found.draws} seen,"
        f" {found.held_out} held out, classes left out in {found.folds} parts, seed {found.seed}",
        "",
        *calibration_sentences(found),
        "",
        "Numbers (range: over the searches that left a part of the classes out)",
    ]
    numbers = [
        [
            row["number"],
            f"{row['before']:g}",
            f"{row['after']:g}",
            f"{row['least_over_parts']:g} to {row['most_over_parts']:g}",
            f"{row['low']:g} to {row['high']:g}",
        ]
        for _, row in found.numbers.iterrows()
    ]
    lines += text_table([["number", "before", "after", "range", "bounds"], *numbers])
    lines += [
        "",
        f"The {min(SHOWN, len(rows))} requirements that bind (margin in scatters over draws; share"
        " of draws met)",
    ]
    binding = [
        [
            f"{row['event']}: {row['restraint']}",
            *(_cell(row, column) for column in ("seen", "held_out", "left_out")),
        ]
        for _, row in rows.sort_values("seen").head(SHOWN).iterrows()
    ]
    lines += text_table([["event: restraint", "seen", "held out", "left out"], *binding])
    by_class = rows.groupby("class")[["met_seen", "met_held_out", "met_left_out"]].mean()
    worse = by_class[by_class.min(axis=1) < 1.0].sort_values("met_left_out")
    if len(worse):
        lines += [
            "",
            "Classes with draws that are not met (share of requirements and draws)",
        ]
        shares = [
            [
                str(name),
                *(f"{r[f'met_{column}']:.1%}" for column in ("seen", "held_out", "left_out")),
            ]
            for name, r in worse.iterrows()
        ]
        lines += text_table([["class", "seen", "held out", "left out"], *shares])
    return "\n".join(lines)


def _cell(row: Any, column: str) -> str:
    if row[column] != row[column]:
        return "-"
    return f"{row[column]:.1f} {row[f'met_{column}']:4.0%}"


def calibration_figure(found: Calibration) -> Any:
    """Draw the margins that bind: searched on, held-out draws, class left out."""
    rows = can_be_met(found.table).sort_values("seen").head(SHOWN)
    figure = new_figure(9.0, 1.4 + 0.24 * max(len(rows), 1))
    axes = figure.subplots()
    place = np.arange(len(rows))[::-1]
    shown = {
        "seen": ("o", INK, "draws searched on"),
        "held_out": ("s", BLUE, "held-out draws"),
        "left_out": ("^", VERMILION, "class left out, held-out draws"),
    }
    for column, (marker, colour, label) in shown.items():
        axes.plot(
            np.clip(rows[column], -10.0, 10.0), place, marker, ms=5, color=colour, label=label
        )
    axes.axvline(0.0, color=GREY, lw=1.2)
    axes.set_yticks(place, [f"{e} {r} {x}" for e, r, x in _labels(rows)], fontsize=7)
    axes.set_xlabel("margin in units of its scatter over draws [-] (cut at 10; below 0: not met)")
    met = "requirements met" if found.success else "requirements NOT met"
    figure.suptitle(f"{found.name}: {met} out of sample, in this model", fontsize=11)
    figure.legend(loc="outside lower center", ncols=3, fontsize=8, frameon=False)
    tidy(axes)
    return figure


def _labels(rows: pd.DataFrame) -> list[tuple[str, str, str]]:
    must = {"fire": "must fire", "no_fire": "must not fire", "order": "order"}
    return [
        (str(e), str(r), must[str(x)])
        for e, r, x in zip(rows["event"], rows["restraint"], rows["expectation"], strict=True)
    ]


def write_calibration(found: Calibration, folder: str | Path) -> Path:
    """Write algorithm, tables, text and figure into a folder."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    (target / f"calibration_{found.name}.toml").write_text(found.text, encoding="utf-8")
    for stem, table in (("calibration", found.table), ("calibration_numbers", found.numbers)):
        table.to_csv(target / f"{stem}.csv", index=False)
        table.to_parquet(target / f"{stem}.parquet", index=False)
    (target / "calibration.txt").write_text(calibration_text(found) + "\n", encoding="utf-8")
    figure = calibration_figure(found)
    for ending in ("svg", "png"):
        save(figure, target / f"calibration.{ending}")
    return target
