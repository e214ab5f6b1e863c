"""Overlay: one criterion of an algorithm in its physical units, all events in one picture.

The velocity (or whatever the criterion measures) of every event against time, or in the plane of a
map, with the threshold line. Events that must fire are drawn up to their required time, by which
they should have crossed the line; events that must not fire are drawn in full, and no point of them
should lie beyond it. Nominal draws; the criterion by itself: anything elsewhere in the algorithm
that raises or lowers its threshold is not shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS, Event
from crashsense.files import read_text, toml_content
from crashsense.further_restraints import further_requirement
from crashsense.plotting import BLUE, GREY, INK, VERMILION, new_figure, save, tidy
from crashsense.resources import CAUTION
from crashsense.rules.algorithm import algorithm_from_table, algorithm_names, algorithm_text
from crashsense.rules.contract import Rule, part_demand
from crashsense.rules.maps import PlaneMap, VelocityOverTime
from crashsense.sensing import EcuSamples, SensorSet
from crashsense.studies.calibration import calibration_sources
from crashsense.studies.sweep import parameter_of
from crashsense.studies.wording import count
from crashsense.text_table import text_table
from crashsense.trials import trial

if TYPE_CHECKING:
    import pandas as pd


#: Events named in the picture, of each kind.
NAMED = 3

#: Column of the table -> what it means.
COLUMNS = {
    "event, expectation": "which, and what the restraint must do in it",
    "x, y": "where it comes nearest to the line: must fire, up to its required time",
    "demand": "largest demand of the criterion there; 1 lies on the line",
    "binds": "one of the three of its kind that are nearest to the wrong side",
}


@dataclass(frozen=True)
class Path2D:
    """One event in the picture: its path, and where it comes nearest."""

    event: str
    expectation: str
    x: FloatArray
    y: FloatArray
    at: int
    demand: float


@dataclass(frozen=True, eq=False)
class Overlay:
    """What :func:`study_overlay` found; columns of the table in :data:`COLUMNS`."""

    algorithm: str
    definition: str
    restraint: str
    across: str
    up: str
    line: tuple[FloatArray, FloatArray]
    paths: tuple[Path2D, ...]
    table: pd.DataFrame


def study_overlay(
    criterion: str,
    *,
    restraint: str = "front_airbag_stage_1",
    plan: str | Path | None = None,
    events: Sequence[str | Event] = (),
    records: Sequence[str] = (),
    reading: Mapping[str, Any] | None = None,
    sensor_set: str | Path | SensorSet = "standard",
    on_progress: Callable[[str], None] | None = None,
) -> Overlay:
    """Draw one criterion of an algorithm over all events with a requirement for a restraint.

    Parameters
    ----------
    criterion : ``"ALGORITHM:DEFINITION"``, such as ``"guarded:ramp_belted"``: a criterion under
        ``[definitions]`` of the algorithm's file
    restraint : whose requirements tell must-fire from must-not events
    plan, events, records, reading, sensor_set : as for :func:`crashsense.studies.sweep.study_sweep`

    Raises
    ------
    InputError : unknown names, a definition that is a composition, no event that asks something
    """
    named, definition = parameter_of(criterion)
    shipped = named in algorithm_names()
    text = algorithm_text(named) if shipped else read_text(Path(named))
    table = toml_content(text, file=named)
    known = list(table.get("definitions", {}))
    if definition not in known:
        raise InputError([Fault(named, "definition", definition, nearest(definition, known))])
    if restraint not in ALL_RESTRAINTS:
        raise InputError(
            [Fault("study overlay", "--restraint", restraint, nearest(restraint, ALL_RESTRAINTS))]
        )
    wanted: Mapping[str, Any] = {
        "name": "criterion",
        "definitions": table["definitions"],
        "rules": {restraint: {"use": definition}},
    }
    folder = None if shipped else Path(named).parent
    algorithm = algorithm_from_table(wanted, file=named, folder=folder)
    rule = algorithm.rules[restraint]
    if rule.children:
        raise InputError([Fault(named, "definition", definition, "a criterion, no composition")])
    paths = []
    across, up = "", ""
    for event in _events(plan, events, records, reading):
        requirement = further_requirement(event, restraint)
        if requirement.expectation == "open":
            continue
        if on_progress is not None:
            on_progress(event.name)
        found = trial(event, algorithm=algorithm, sensor_set=sensor_set)
        samples, times = found.samples, found.times_s[0]
        demand = part_demand(rule, samples)[0]
        across, up, x, y = _coordinates(rule, samples, times, demand)
        must = requirement.expectation == "fire"
        required = float(found.required_s[event.name][restraint][0]) if must else np.inf
        inside = (times >= 0.0) & (times <= required + 1e-9)
        if not inside.any():
            continue
        place = np.flatnonzero(inside)
        at = int(np.argmax(demand[place]))
        paths.append(
            Path2D(
                event.name,
                requirement.expectation,
                x[place],
                y[place],
                at,
                float(demand[place][at]),
            )
        )
    if not paths:
        expected = f"events that ask something of {restraint}"
        raise InputError([Fault("study overlay", "events", None, expected)])
    return Overlay(
        algorithm=str(table.get("name", Path(named).stem)),
        definition=definition,
        restraint=restraint,
        across=across,
        up=up,
        line=_line(rule, paths),
        paths=tuple(paths),
        table=_table(paths),
    )


def _events(
    plan: str | Path | None,
    events: Sequence[str | Event],
    records: Sequence[str],
    reading: Mapping[str, Any] | None,
) -> Iterator[Event]:
    for source in calibration_sources(plan, events, records, reading=reading):
        yield from [source] if isinstance(source, Event) else source.events()


def _coordinates(
    rule: Rule, samples: EcuSamples, times: FloatArray, demand: FloatArray
) -> tuple[str, str, FloatArray, FloatArray]:
    """Names of both axes and the path of a block of one draw."""
    if isinstance(rule, VelocityOverTime):
        velocity, elapsed = rule.motion(samples)
        # Before it ever left zero the clock has not begun.
        return "time since it began [ms]", "velocity change [m/s]", elapsed[0], velocity[0]
    if isinstance(rule, PlaneMap):
        (first, unit), (second, other) = rule.axes
        x, y = rule.coordinates(samples)
        return f"{first} [{unit}]", f"{second} [{other}]", x[0], y[0]
    at = int(np.argmax(demand))
    amounts = rule.amounts(samples, at) if demand[at] > 0.0 else ()
    if len(amounts) == 1 and amounts[0].threshold > 0.0:
        name = f"{amounts[0].name} [{amounts[0].unit}]"
        return "time [ms]", name, 1e3 * times, demand * amounts[0].threshold
    return "time [ms]", "demand [-]", 1e3 * times, demand


def _line(rule: Rule, paths: Sequence[Path2D]) -> tuple[FloatArray, FloatArray]:
    last = max(float(path.x.max()) for path in paths)
    if isinstance(rule, VelocityOverTime):
        x = np.linspace(0.0, max(min(last, 200.0), 1.0), 200)
        return x, rule.threshold_at(x)
    if isinstance(rule, PlaneMap):
        vertices = np.array(rule.line)
        return vertices[:, 0], vertices[:, 1]
    best = max(paths, key=lambda path: path.demand)
    level = best.y[best.at] / best.demand if best.demand > 0.0 else 1.0
    return np.array([0.0, max(last, 1.0)]), np.array([level, level])


def _table(paths: Sequence[Path2D]) -> pd.DataFrame:
    import pandas as pd

    rows = pd.DataFrame(
        {
            "event": [path.event for path in paths],
            "expectation": [path.expectation for path in paths],
            "x": [float(path.x[path.at]) for path in paths],
            "y": [float(path.y[path.at]) for path in paths],
            "demand": [path.demand for path in paths],
        }
    )
    must = rows["expectation"] == "fire"
    binding = [
        *rows[must].nsmallest(NAMED, "demand").index,
        *rows[~must].nlargest(NAMED, "demand").index,
    ]
    rows["binds"] = rows.index.isin(binding)
    return rows.sort_values(["expectation", "demand"], ignore_index=True)


def overlay_text(found: Overlay) -> str:
    """Return the findings as plain sentences and a short table."""
    table = found.table
    must, barred = (table[table["expectation"] == word] for word in ("fire", "no_fire"))
    lines = [
        f"CAUTION: {CAUTION}",
        "",
        f"{found.algorithm}: {found.definition} by itself, {found.restraint}, nominal draws",
    ]
    if len(must):
        crossed = int((must["demand"] >= 1.0).sum())
        lines.append(
            f"{crossed} of {count(len(must), 'must-fire event')} reach the line by their required"
            f" time; {must.loc[must['demand'].idxmin(), 'event']} comes least far"
            f" ({must['demand'].min():.2f} of it)."
        )
    if len(barred):
        crossed = int((barred["demand"] >= 1.0).sum())
        lines.append(
            f"{crossed} of {count(len(barred), 'event')} that must not fire reach it;"
            f" {barred.loc[barred['demand'].idxmax(), 'event']} comes farthest"
            f" ({barred['demand'].max():.2f} of it)."
        )
    rows = [["event", "must", "across", "up", "of the line"]]
    for _, row in table[table["binds"]].iterrows():
        must = row["expectation"].replace("_", " ")
        rows.append(
            [row["event"], must, f"{row['x']:.1f}", f"{row['y']:.2f}", f"{row['demand']:.0%}"]
        )
    lines += ["", *text_table(rows, left=(0, 1)), f"across: {found.across}; up: {found.up}"]
    return "\n".join(lines)


def overlay_figure(found: Overlay) -> Any:
    """Draw all events with the line: two colours, line styles and shapes."""
    figure = new_figure(9.0, 5.6)
    axes = figure.subplots()
    looks = {
        "no_fire": (VERMILION, "--", "^", "must not fire (in full)"),
        "fire": (BLUE, "-", "o", "must fire (up to its required time)"),
    }
    named = dict.fromkeys(found.table[found.table["binds"]]["event"])
    for expectation, (colour, style, marker, label) in looks.items():
        for path in (p for p in found.paths if p.expectation == expectation):
            begun = (path.x >= 0.0) & (path.x < 1e5)
            axes.plot(path.x[begun], path.y[begun], style, color=colour, lw=0.7, alpha=0.5)
            if not path.demand > 0.0:
                continue
            x, y = path.x[path.at], path.y[path.at]
            axes.plot([x], [y], marker, color=colour, ms=4, label=label)
            label = ""
            if path.event in named:
                axes.annotate(
                    path.event,
                    (x, y),
                    textcoords="offset points",
                    xytext=(22, 14 - 13 * list(named).index(path.event)),
                    arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.6},
                    fontsize=7,
                )
    axes.plot(*found.line, color=INK, lw=2.2, label="threshold")
    # Framed around where events come nearest: what happens later decides nothing.
    nearest_x = [path.x[path.at] for path in found.paths if path.demand > 0.0]
    nearest_y = [path.y[path.at] for path in found.paths if path.demand > 0.0]
    last = 1.4 * max([*nearest_x, 1e-9])
    axes.set_xlim(0.0, last)
    on_line = found.line[1][found.line[0] <= last]
    axes.set_ylim(0.0, 1.25 * max([*nearest_y, *on_line[:1], 1e-9]))
    axes.set_xlabel(found.across)
    axes.set_ylabel(found.up)
    axes.set_title(f"{found.algorithm}: {found.definition}, {found.restraint}", color=INK)
    axes.legend(fontsize=8, loc="upper left", edgecolor=GREY)
    tidy(axes)
    return figure


def write_overlay(found: Overlay, folder: str | Path) -> Path:
    """Write table, text and figure into a folder."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    found.table.to_csv(target / "overlay.csv", index=False)
    found.table.to_parquet(target / "overlay.parquet", index=False)
    (target / "overlay.txt").write_text(overlay_text(found) + "\n", encoding="utf-8")
    figure = overlay_figure(found)
    for ending in ("svg", "png"):
        save(figure, target / f"overlay.{ending}")
    return target
