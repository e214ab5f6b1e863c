"""The chance of firing over impact speed as text and as a figure."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

from crashsense.plotting import new_figure
from crashsense.resources import CAUTION
from crashsense.studies.severity import SeverityStudy
from crashsense.studies.wording import count

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Colours safe for most colour-blind readers (Okabe and Ito), dash and marker a curve.
_LOOKS = (
    ("#0072b2", "-", "o"),
    ("#d55e00", "--", "s"),
    ("#009e73", "-.", "^"),
    ("#cc79a7", ":", "D"),
    ("#56b4e9", "-", "v"),
    ("#e69f00", "--", "x"),
)


def severity_text(study: SeverityStudy) -> str:
    """Return the study as text, caution first."""
    speeds = sorted(study.table["speed_kmh"].unique())
    lines = [
        f"CAUTION: {CAUTION}",
        "",
        f"{study.recipe}: {study.title}",
        f"{count(len(speeds), 'speed')}, {speeds[0]:g} to {speeds[-1]:g} km/h;"
        f" {count(study.draws, 'draw')} each,"
        f" seed {study.seed}; sensors {study.sensor_set}; intervals 95 %",
    ]
    for (algorithm, state), curves in study.curves.groupby(["algorithm", "belts"], sort=False):
        rows = study.table
        rows = rows[(rows["algorithm"] == algorithm) & (rows["belts"] == state)]
        by_restraint = {str(name): own for name, own in rows.groupby("restraint")}
        shown = curves[_worth(curves)]
        lines += ["", f"{algorithm}, {state}", *([_HEADER] if len(shown) else [])]
        for curve in shown.to_dict("records"):
            words = by_restraint[curve["restraint"]].sort_values("speed_kmh")["expectation"]
            lines.append(_curve(curve, words.tolist(), (speeds[0], speeds[-1])))
        silent = [
            name
            for name in curves.loc[~_worth(curves), "restraint"]
            if by_restraint[name]["draws"].sum()
        ]
        if silent:
            lines.append(f"  never fired: {', '.join(silent)}")
        for restraint in shown["restraint"]:
            lines += _speeds(by_restraint[restraint], f"  {restraint}")
    if study.notes:
        lines += ["", *(f"NOTE: {note}" for note in study.notes)]
    lines += [
        "",
        "not to / from: the matrix forbids fire up to the one speed and asks for it from the other."
        " The interval of the 50 % firing speed ends on speeds that were run; finer --speeds narrow"
        " it. The spread is of these tolerances only; no result is an approval.",
    ]
    return "\n".join(lines)


_HEADER = f"  {'km/h':<21} {'50 % fire at':<16} {'not to / from':<15} 10 to 90 %"


def _worth(curves: pd.DataFrame) -> Any:
    """Curves that are shown: something fires, or must."""
    return curves["fires"] | curves["fire_from_kmh"].notna()


def _speed(value: float, ends: tuple[float, float]) -> str:
    """A speed [km/h]; under or over the ends of the speeds that were run where it is infinite."""
    if value != value:
        return "-"
    if math.isfinite(value):
        return f"{value:.1f}"
    return f"under {ends[0]:g}" if value < 0 else f"over {ends[1]:g}"


def _curve(row: Any, words: list[str], ends: tuple[float, float]) -> str:
    half = _speed(row["half_kmh"], ends)
    low, high = row["half_low_kmh"], row["half_high_kmh"]
    if low == low and high == high:
        half += f" [{'..' if low == -math.inf else f'{low:g}'}, "
        half += f"{'..' if high == math.inf else f'{high:g}'}]"
    spread = " to ".join(dict.fromkeys(_speed(row[f"{p}_kmh"], ends) for p in ("p10", "p90")))
    if math.isfinite(row["p10_kmh"]) and math.isfinite(row["p90_kmh"]):
        spread += f" ({row['spread_kmh']:.1f})"
        if row["spread_kmh"] < row["step_kmh"]:
            spread += f", within a step of {row['step_kmh']:g}"
    limits = (
        f"{_limit(row['no_fire_to_kmh'], everywhere=words[-1] == 'no_fire')} /"
        f" {_limit(row['fire_from_kmh'], everywhere=words[0] == 'fire')}"
    )
    return f"  {row['restraint']:<21} {half:<16} {limits:<15} {spread}"


def _limit(value: Any, *, everywhere: bool) -> str:
    if value is None or value != value:
        return "all" if everywhere else "none"
    return f"{value:g}"


def _speeds(rows: pd.DataFrame, title: str) -> list[str]:
    lines = [title, "    km/h  asked   fired                in time              nominal"]
    for row in rows.to_dict("records"):
        fired, timely = (
            "-"
            if row[name] != row[name]
            else f"{row[name]:.3f} [{row[f'{end}_low']:.3f}, {row[f'{end}_high']:.3f}]"
            for name, end in (("share", "share"), ("on_time_share", "on_time"))
        )
        time = row["nominal_fire_time_ms"]
        nominal = row["nominal_verdict"] + ("" if time != time else f" {time:.1f} ms")
        lines.append(
            f"  {row['speed_kmh']:>6g}  {row['expectation']:<7} {fired:<20} {timely:<20} {nominal}"
        )
    return lines


def severity_figure(study: SeverityStudy) -> Figure:
    """Share of firing over speed, a panel a restraint; below it the limits of the matrix."""
    curves = study.curves
    shown = list(dict.fromkeys(curves.loc[_worth(curves), "restraint"]))
    if not shown:
        shown = list(dict.fromkeys(curves["restraint"]))[:1]
    figure = new_figure(8.4, 1.6 + 2.7 * len(shown))
    panels = figure.subplots(len(shown), 1, sharex=True, squeeze=False)[:, 0]
    for panel, restraint in zip(panels, shown, strict=True):
        _panel(panel, study, restraint)
    panels[-1].set_xlabel("impact speed [km/h]")
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=2, fontsize=8, frameon=False)
    caution = "\n".join(textwrap.wrap(f"CAUTION: {CAUTION}", 118))
    title = (
        f"{study.recipe}: share of {study.draws} draws that fire, sensors {study.sensor_set};"
        " with exact 95 % intervals"
    )
    figure.suptitle(f"{title}\n{caution}", x=0.01, ha="left", fontsize=8)
    return figure


def _panel(axes: Axes, study: SeverityStudy, restraint: str) -> None:
    curves = study.curves[study.curves["restraint"] == restraint]
    strips: dict[str, Any] = {}
    for number, curve in enumerate(curves.to_dict("records")):
        colour, dash, marker = _LOOKS[number % len(_LOOKS)]
        rows = study.table
        rows = rows[(rows["restraint"] == restraint) & (rows["algorithm"] == curve["algorithm"])]
        rows = rows[(rows["belts"] == curve["belts"]) & (rows["draws"] > 0)]
        name = f"{curve['algorithm']}, {curve['belts']}"
        ends = [rows["share"] - rows["share_low"], rows["share_high"] - rows["share"]]
        # Wide ones first: curves that lie on one another both show.
        axes.errorbar(
            rows["speed_kmh"],
            rows["share"],
            yerr=[end.clip(lower=0.0) for end in ends],
            color=colour,
            ls=dash,
            marker=marker,
            ms=max(6 - 2 * number, 3),
            lw=max(2.8 - 1.2 * number, 1.2),
            elinewidth=0.8,
            capsize=2,
            label=f"{name}: fires",
        )
        axes.plot(
            rows["speed_kmh"],
            rows["on_time_share"],
            color=colour,
            ls="none",
            marker=marker,
            ms=9,
            mfc="none",
            mew=0.8,
            label=f"{name}: in time, of those that must",
        )
        half = curve["half_kmh"]
        if math.isfinite(half):
            axes.plot([half] * 2, [0.0, 0.5], color=colour, ls=":", lw=1.0)
        strips.setdefault(str(curve["belts"]), (colour, curve))
    first, last = study.table["speed_kmh"].min(), study.table["speed_kmh"].max()
    for number, (state, (colour, _)) in enumerate(strips.items()):
        rows = study.table
        rows = rows[(rows["restraint"] == restraint) & (rows["belts"] == state)]
        words = rows.drop_duplicates("speed_kmh").sort_values("speed_kmh")["expectation"].tolist()
        _strip(axes, -0.16 - 0.13 * number, words, strips[state][1], (first, last), colour, state)
    axes.axhline(0.5, color="#888888", lw=0.7, ls=":")
    room = 0.03 * max(last - first, 1.0)
    axes.set_xlim(first - room, last + room)
    axes.set_ylim(-0.1 - 0.15 * max(len(strips), 1), 1.05)
    axes.set_yticks([0.0, 0.25, 0.5, 0.75, 1.0])
    axes.set_ylabel("share [-]")
    axes.set_title(restraint, fontsize=9, loc="left")
    axes.grid(alpha=0.3)
    axes.spines[["top", "right"]].set_visible(False)


def _strip(
    axes: Axes,
    place: float,
    words: list[str],
    curve: Any,
    ends: tuple[float, float],
    colour: str,
    state: str,
) -> None:
    """Bars over the speeds that must not fire (open) and must fire (solid) by the matrix."""
    first, last = ends
    no_fire, fire = curve["no_fire_to_kmh"], curve["fire_from_kmh"]
    words_at: dict[str, Any] = {"fontsize": 6.5, "va": "center", "textcoords": "offset points"}
    if words[0] == "no_fire":
        to = last if no_fire is None or no_fire != no_fire else no_fire
        axes.barh(place, to - first, left=first, height=0.09, color="none", ec=colour, hatch="///")
        axes.annotate(
            f"must not, {state}",
            (first, place),
            xytext=(3, 0),
            bbox={"color": "white", "pad": 0.5, "alpha": 0.85},
            **words_at,
        )
    if words[-1] == "fire":
        since = first if fire is None or fire != fire else fire
        axes.barh(place, last - since, left=since, height=0.09, color=colour, alpha=0.45)
        axes.annotate(f"must fire, {state}", (last, place), ha="right", xytext=(-3, 0), **words_at)
