"""Which tolerance moves fire time and margin, and which draw is worst.

Over the random draws of a run, each drawn quantity (of the pulse, of every sensor, of the control
unit) is set beside the demand margin of each requirement: Spearman's rank correlation, and the mean
margin over the fifth of draws with its smallest and its largest values (a tornado: sorted bars of
that swing). Drawn quantities are independent, so a correlation is due to that quantity alone, to
within chance: below :func:`chance_level` it is reported as none.

Sobol indices say more: the share of the variance that a tolerance causes alone (first order) and
with all others (total), interactions included. They need designed points, so they cover the
tolerances of the sensors on the nominal pulse, without noise, by
:func:`scipy.stats.sobol_indices` (Saltelli et al., Computer Physics Communications 181 (2010) 259).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense import normal
from crashsense.arrays import FloatArray
from crashsense.campaign import evaluate
from crashsense.errors import Fault, InputError
from crashsense.event import Event
from crashsense.plan.resolve import Plan, conditions_of
from crashsense.plotting import BLUE, GREY, INK, VERMILION, new_figure, tidy
from crashsense.resources import CAUTION
from crashsense.rules import Algorithm
from crashsense.scoring import FAILURES
from crashsense.sensing import SensorSet
from crashsense.sensing.build import MOST_SIGMA
from crashsense.studies.corners import (
    CORNER_COLUMNS,
    SIGMA,
    asked_of,
    corner_lines,
    corner_rows,
    margins_at,
)
from crashsense.studies.wording import count
from crashsense.trials.block import channels_read
from crashsense.trials.drawn import varying_roles

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


#: Fewest draws that a correlation is told of.
FEWEST = 20

#: Quantities whose margin swings are averaged over this share of draws at either end.
SHARE = 0.2

#: Column of the table -> what it means.
COLUMNS = {
    "event, sensor_set, algorithm, restraint, expectation": "as in a verdict table",
    "quantity": "pulse NAME, CHANNEL ROLE, CHANNEL filter, unit phase or unit warmer_k",
    "draws": "random draws with a margin",
    "rank_margin": "Spearman's rank correlation with the demand margin",
    "rank_fire_time": "the same with the fire time, over the draws that fire; null: too few",
    "margin_low, margin_high": "mean margin where the quantity is in its lowest and highest fifth",
    "swing": "the difference of these",
    "sobol_first, sobol_total": "share of variance alone, and with all others; null: not asked for",
    "is_told": "true if the correlation is beyond what chance gives in one of 1000 quantities",
}

#: Column of the table of worst draws -> what it means.
WORST_COLUMNS = {
    "event, sensor_set, algorithm, restraint, expectation": "as in a verdict table",
    "draw": "the draw with the smallest demand margin",
    "verdict, fire_time_ms, demand_margin": "of this draw",
    "failed": "random draws in which the requirement is not met",
    "draws": "random draws",
}


@dataclass(frozen=True, eq=False)
class ToleranceStudy:
    """What :func:`study_tolerance` found: ``table`` and ``worst``, columns above; notes.

    ``corners``: one row a requirement and corner (:mod:`crashsense.studies.corners`), at ``sigma``
    standard deviations; empty: not asked for.
    ``folder``: the run behind it, of which any draw can be replayed; None: kept in memory.
    """

    table: pd.DataFrame
    worst: pd.DataFrame
    draws: int
    folder: Path | None
    notes: tuple[str, ...]
    corners: pd.DataFrame
    sigma: float = SIGMA


def chance_level(draws: int) -> float:
    """Return the rank correlation [-] that chance passes in one of 1000 independent quantities.

    Normal approximation of Spearman's coefficient, standard deviation 1 / sqrt(n - 1).

    >>> round(chance_level(101), 3)
    0.329
    """
    return float(normal.quantile(1.0 - 0.0005)) / sqrt(max(draws - 1, 1))


def study_tolerance(
    plan: Plan,
    *,
    sobol: int = 0,
    corners: bool = True,
    sigma: float = SIGMA,
    out: str | Path | None = None,
    workers: int | None = None,
    on_progress: Callable[..., None] | None = None,
) -> ToleranceStudy:
    """Run a plan with its draws and rank what was drawn.

    Parameters
    ----------
    plan : a resolved plan with draws, 20 or more
    sobol : points of the Sobol indices, a power of 2; 0: none. A requirement costs this many times
        (tolerances + 2) evaluations
    corners, sigma : corners of build and temperature, and their standard deviations (above 0 to 6)
    out : run folder to keep; None: in memory
    workers, on_progress : as for :func:`crashsense.campaign.evaluate`

    Raises
    ------
    InputError : too few draws, points that are no power of 2
    """
    import pandas as pd

    found = []
    if plan.draws < FEWEST:
        found.append(Fault("study tolerance", "draws", plan.draws, f"{FEWEST} or more"))
    if sobol < 0 or (sobol and sobol & (sobol - 1)):
        found.append(Fault("study tolerance", "sobol", sobol, "0 or a power of 2"))
    if not 0.0 < sigma <= MOST_SIGMA:
        found.append(Fault("study tolerance", "sigma", sigma, f"above 0 to {MOST_SIGMA:g}"))
    if found:
        raise InputError(found)
    keys = replace(plan.keys, keep=list(dict.fromkeys([*plan.keys.keep, "drawn"])))
    plan = replace(plan, keys=keys)
    run = evaluate(plan, out=out, workers=workers, on_progress=on_progress)
    verdicts = run.verdicts
    verdicts = verdicts[verdicts["draw"] > 0]
    drawn = pd.concat(list(run.parts("drawn")), ignore_index=True)
    drawn = drawn[drawn["draw"] > 0]
    rules = {algorithm.name: algorithm.rules for algorithm in plan.algorithms}
    rows: list[dict[str, Any]] = []
    worst: list[dict[str, Any]] = []
    indices: dict[tuple[str, str, str], dict[str, tuple[float, float]]] = {}
    if sobol:
        for event in plan.events:
            for sensors in plan.sensor_sets:
                for algorithm in plan.algorithms:
                    ends = sobol_of(event, sensors, algorithm, plan=plan, points=sobol)
                    for restraint, own in ends.items():
                        indices[event.name, f"{sensors.name}/{algorithm.name}", restraint] = own
    keys_of = ["event", "sensor_set", "algorithm", "restraint"]
    for key, own in verdicts.groupby(keys_of, observed=True, sort=False):
        about: dict[str, Any] = dict(zip(keys_of, map(str, key), strict=True))
        asked = str(own["expectation"].iloc[0])
        if asked == "open" or about["restraint"] not in rules[about["algorithm"]]:
            continue
        about["expectation"] = asked
        own = own.set_index("draw").sort_index()
        here = drawn[(drawn["occurrence"] == own["occurrence"].iloc[0])]
        here = here[here["sensor_set"] == about["sensor_set"]]
        # A sensor that the rule does not read cannot move it: a correlation would be chance.
        read = {"pulse", "unit", *rules[about["algorithm"]][about["restraint"]].uses}
        here = here[here["quantity"].astype(str).str.partition(" ")[0].isin(read)]
        names = f"{about['sensor_set']}/{about['algorithm']}"
        shares = indices.get((about["event"], names, about["restraint"]), {})
        rows += (
            {**about, **row}
            for row in _ranked(own, here, shares)
            if own["demand_margin"].notna().any()
        )
        worst += _worst(about, own)
    columns = [name for key in COLUMNS for name in key.split(", ")]
    worst_columns = [name for key in WORST_COLUMNS for name in key.split(", ")]
    return ToleranceStudy(
        table=pd.DataFrame(rows, columns=columns),
        worst=pd.DataFrame(worst, columns=worst_columns),
        draws=plan.draws,
        folder=None if run.folder is None else Path(run.folder),
        notes=tuple(_notes(plan, sobol)),
        corners=pd.DataFrame(
            list(corner_rows(plan, sigma=sigma)) if corners else [],
            columns=[name for key in CORNER_COLUMNS for name in key.split(", ")],
        ),
        sigma=sigma,
    )


def _notes(plan: Plan, sobol: int) -> Iterator[str]:
    if any(not conditions_of(plan.keys, path="auto").varies_pulse(e) for e in plan.events):
        yield "where the pulse does not vary (a record, or vary = sensor) only sensors are ranked"
    if sobol:
        yield (
            "Sobol indices are of the sensors' tolerances on the nominal pulse at 25 degC, without "
            "noise; filter settings, sample phase and the pulse are not among them"
        )
    yield from plan.notes


def _ranked(
    own: pd.DataFrame, drawn: pd.DataFrame, shares: dict[str, tuple[float, float]]
) -> Iterator[dict[str, Any]]:
    """Rows of one requirement, one a drawn quantity."""
    margin, fired = own["demand_margin"], own["fire_time_ms"]
    for quantity, values in drawn.groupby("quantity", observed=True, sort=False):
        value = values.set_index("draw")["value"].reindex(own.index)
        if value.nunique() < 2:
            continue
        rank = rank_correlation(value.to_numpy(), margin.to_numpy())
        low, high = _ends(value.to_numpy(), margin.to_numpy())
        first, total = shares.get(str(quantity), (np.nan, np.nan))
        number = int(margin.notna().sum())
        yield {
            "quantity": str(quantity),
            "draws": number,
            "rank_margin": rank,
            "rank_fire_time": rank_correlation(value.to_numpy(), fired.to_numpy()),
            "margin_low": low,
            "margin_high": high,
            "swing": high - low,
            "sobol_first": first,
            "sobol_total": total,
            "is_told": bool(abs(rank) > chance_level(number)),
        }


def rank_correlation(values: FloatArray, result: FloatArray) -> float:
    """Return Spearman's coefficient of the draws that have a result; NaN of fewer than 20.

    >>> ramp = np.arange(30.0)
    >>> round(rank_correlation(ramp, -(ramp**3)), 6)
    -1.0
    """
    from scipy.stats import rankdata

    known = np.isfinite(values) & np.isfinite(result)
    if known.sum() < FEWEST:
        return float("nan")
    one, two = rankdata(values[known]), rankdata(result[known])
    if np.ptp(one) == 0.0 or np.ptp(two) == 0.0:
        return 0.0
    return float(np.corrcoef(one, two)[0, 1])


def _ends(values: FloatArray, result: FloatArray) -> tuple[float, float]:
    """Mean result where the values are lowest and highest; ties go with their value."""
    known = np.isfinite(values) & np.isfinite(result)
    if not known.any():
        return float("nan"), float("nan")
    values, result = values[known], result[known]
    low, high = np.quantile(values, [SHARE, 1.0 - SHARE])
    return float(result[values <= low].mean()), float(result[values >= high].mean())


def _worst(about: dict[str, Any], own: pd.DataFrame) -> Iterator[dict[str, Any]]:
    margin = own["demand_margin"].dropna()
    if margin.empty:
        return
    draw = int(margin.idxmin())
    row = own.loc[draw]
    yield {
        **about,
        "draw": draw,
        "verdict": row["verdict"],
        "fire_time_ms": row["fire_time_ms"],
        "demand_margin": row["demand_margin"],
        "failed": int(own["verdict"].isin(FAILURES).sum()),
        "draws": len(own),
    }


# -- Sobol indices ---------------------------------------------------------------------------------


def sobol_of(
    event: Event, sensors: SensorSet, algorithm: Algorithm, *, plan: Plan, points: int
) -> dict[str, dict[str, tuple[float, float]]]:
    """Return restraint -> ``CHANNEL ROLE`` -> first-order and total index of the demand margin."""
    asked = asked_of(event, algorithm)
    axes = [
        (channel, role)
        for channel in channels_read([algorithm], sensors)
        for role in varying_roles(sensors.sensors[channel])
    ]
    if not asked or not axes:
        return {}

    def margins(points_x: FloatArray) -> FloatArray:
        return margins_at(points_x, axes, event, sensors, algorithm, asked=asked, plan=plan)

    first, total = sobol_indices_of(margins, len(axes), points=points, seed=plan.keys.seed)
    return {
        restraint: {
            f"{channel} {role}": (float(first[at, k]), float(total[at, k]))
            for k, (channel, role) in enumerate(axes)
        }
        for at, restraint in enumerate(asked)
    }


def sobol_indices_of(
    function: Callable[[FloatArray], FloatArray],
    size: int,
    *,
    points: int,
    seed: int,
    distribution: Any = None,
) -> tuple[FloatArray, FloatArray]:
    """Return first-order and total indices, each (results, size); 0 of a result without variance.

    *function* takes (size, n) independent numbers, standard normal unless a *distribution* of
    scipy is given, and returns (results, n).
    """
    from scipy import stats

    one = stats.norm() if distribution is None else distribution
    with np.errstate(invalid="ignore", divide="ignore"):
        found = stats.sobol_indices(
            func=function, n=points, dists=[one] * size, rng=np.random.default_rng(seed)
        )
    first, total = np.atleast_2d(found.first_order), np.atleast_2d(found.total_order)
    return np.nan_to_num(first), np.nan_to_num(total)


# -- said and shown --------------------------------------------------------------------------------


def tolerance_sentences(study: ToleranceStudy) -> list[str]:
    """Return one sentence a requirement, the smallest worst margin first."""
    lines = []
    for worst in study.worst.sort_values("demand_margin").to_dict("records"):
        rows = rows_of(study, worst)
        told = rows[rows["is_told"]]
        moved = ", ".join(
            f"{row['quantity']} ({row['rank_margin']:+.2f})"
            for row in told.head(3).to_dict("records")
        )
        by = f"moved most by {moved}" if moved else "no single tolerance moves it beyond chance"
        lines.append(
            f"{worst['event']}, {worst['restraint']} ({worst['algorithm']}): {by}; worst draw "
            f"{worst['draw']}, {worst['verdict'].replace('_', ' ')}, margin "
            f"{worst['demand_margin']:+.2f}; {worst['failed']} of {worst['draws']} not met."
        )
    return lines or ["No requirement that an algorithm has a rule for: nothing to rank."]


def rows_of(study: ToleranceStudy, about: dict[str, Any]) -> pd.DataFrame:
    """Return the rows of one requirement, the largest correlation first."""
    rows = study.table
    for name in ("event", "sensor_set", "algorithm", "restraint"):
        rows = rows[rows[name] == about[name]]
    return rows.reindex(rows["rank_margin"].abs().sort_values(ascending=False).index)


def tolerance_text(study: ToleranceStudy, *, most: int = 12) -> str:
    """Return the study as text."""
    lines = [f"CAUTION: {CAUTION}", "", f"{count(study.draws, 'random draw')}; rank correlation"]
    lines[-1] += " with the demand margin, largest first"
    sentences = tolerance_sentences(study)
    lines += ["", *sentences[:most]]
    if len(sentences) > most:
        lines.append(f"and {len(sentences) - most} more requirements; all are in the tables")
    if len(study.corners):
        lines += ["", *corner_lines(study)]
    if study.folder is not None and len(study.worst):
        worst = study.worst.sort_values("demand_margin").iloc[0]
        lines += [
            "",
            "Replay the worst draw: crashsense replay "
            f"{study.folder} {worst['event']} {worst['draw']} --algorithm {worst['algorithm']}",
        ]
    lines += [f"Note: {note}" for note in study.notes]
    return "\n".join(lines)


def _draw_corners(panel: Any, study: ToleranceStudy, about: dict[str, Any]) -> None:
    """Mark the smallest margin of all corners, and the largest."""
    own = study.corners
    for name in ("event", "sensor_set", "algorithm", "restraint"):
        own = own[own[name] == about[name]]
    margins = own["demand_margin"].dropna()
    for value, style, word in (
        (margins.min(), "--", "smallest margin of all corners"),
        (margins.max(), ":", "largest margin of all corners"),
    ):
        if len(margins):
            panel.axvline(value, color=INK, ls=style, lw=1.0, label=word)


def tolerance_figure(study: ToleranceStudy, *, panels: int = 3, bars: int = 10) -> Figure:
    """Draw tornadoes of the requirements with the smallest worst margin."""
    chosen = study.worst.sort_values("demand_margin").head(panels).to_dict("records")
    figure = new_figure(8.4, 1.3 + 2.5 * max(len(chosen), 1))
    axes = figure.subplots(max(len(chosen), 1), 1, squeeze=False)[:, 0]
    for panel, about in zip(axes, chosen, strict=False):
        rows = rows_of(study, about).head(bars)
        middle = float(rows[["margin_low", "margin_high"]].mean().mean()) if len(rows) else 0.0
        for place, row in enumerate(rows.to_dict("records")):
            for end, colour, hatch, word in (
                ("margin_low", BLUE, "", "lowest fifth"),
                ("margin_high", VERMILION, "///", "highest fifth"),
            ):
                panel.barh(
                    place, row[end] - middle, left=middle, height=0.7, color=colour, hatch=hatch,
                    edgecolor="white", alpha=1.0 if row["is_told"] else 0.3,
                    label=f"mean margin, {word} of draws" if place == 0 else None,
                )  # fmt: skip
        names = [
            f"{row['quantity']} ({row['rank_margin']:+.2f})" for row in rows.to_dict("records")
        ]
        panel.set_yticks(range(len(names)), names, fontsize=7)
        panel.invert_yaxis()
        panel.axvline(middle, color=GREY, lw=0.8)
        _draw_corners(panel, study, about)
        panel.set_title(
            f"{about['event']}, {about['restraint']}, {about['algorithm']}: worst draw "
            f"{about['draw']}, {about['failed']} of {about['draws']} not met",
            fontsize=8, loc="left",
        )  # fmt: skip
        panel.set_xlabel("demand margin [-] (rank correlation behind the name)", fontsize=7)
        tidy(panel)
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="outside lower left", ncols=2, fontsize=7.5, frameon=False,
        title=f"pale: within chance. {CAUTION}", title_fontsize=6.5, alignment="left",
    )  # fmt: skip
    return figure
