"""How much a pulse may grow or shrink before a decision flips: k_flip of every requirement.

The pulse (of the library, of a recipe or of a record) is multiplied by k in one of the ways of
:data:`crashsense.studies.scaled_event.MODES` and sensed and judged anew, nominal draw.
Must-not-fire events are scaled up until they fire, must-fire events down until they are late or
missed; a requirement that fails unscaled is scaled the other way, to where it would be met. Steps
of about 19 % first, then bisection to :data:`STEP`: a decision that flips back within one first
step is missed.

The usual targets are practice, not a rule (from memory): must-not-fire events hold up to 1.2 to 1.5
times their pulse, must-fire events still fire in time at 0.8 to 0.85 of theirs. For a rule that is
linear in the signal and a sensor that neither clips nor rounds, k_flip by amplitude is 1 over the
largest demand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS, Event
from crashsense.plan.resolve import Plan, conditions_of
from crashsense.plotting import BLUE, GREY, VERMILION, new_figure, tidy
from crashsense.resources import CAUTION
from crashsense.scoring import MET
from crashsense.studies.scaled_event import TIME_STEP, factors, flight_travel, scaled_event
from crashsense.studies.wording import count
from crashsense.trials import Trial, run_trials

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: Usual targets of k_flip by amplitude, (least, comfortable), from practice (memory).
TARGETS = {"no_fire": (1.2, 1.5), "fire": (0.85, 0.8)}

#: Resolution of k_flip by amplitude [-]; in the ways that stretch time that of the time axis.
STEP = 0.002

#: Ratio of the steps in which a flip is looked for first.
COARSE = 2.0**0.25

#: Column of the table -> what it means.
COLUMNS = {
    "event, family, sensor_set, algorithm, restraint, expectation": "as in a verdict table",
    "mode": "what is scaled: amplitude, time, or both at constant velocity change",
    "verdict": "as it is, at k = 1",
    "max_demand": "largest demand at k = 1",
    "k_flip": "factor at which the verdict changes between met and not met; null: none in range",
    "verdict_beyond": "verdict on the other side of k_flip",
    "searched_to": "how far it was looked for",
    "target": "usual least target, by amplitude; null in other ways",
    "against_target": "beyond, within, short, or fails (not met as it is); empty in other ways",
    "required_time": "follows (free flight), stated, or none",
}


@dataclass(frozen=True, eq=False)
class ScaleStudy:
    """What :func:`study_scale` found: ``table`` with the columns :data:`COLUMNS`, and notes."""

    table: pd.DataFrame
    notes: tuple[str, ...]


def study_scale(
    plan: Plan,
    *,
    modes: Sequence[str] = ("amplitude",),
    restraints: Sequence[str] = (),
    low: float = 0.25,
    high: float = 4.0,
    on_progress: Callable[[int, int], None] | None = None,
) -> ScaleStudy:
    """Scale every event of a plan until each of its requirements flips.

    Parameters
    ----------
    plan : events, sensor sets and algorithms; nominal draw only
    modes : ways of scaling
    restraints : only these; none named: all that carry a requirement and have a rule
    low, high : factors that are searched, 0.1 to 1 and 1 to 10
    on_progress : called as ``on_progress(done, total)`` in events

    Raises
    ------
    InputError : unknown modes or restraints, factors out of range

    >>> from crashsense.plan import resolve_plan
    >>> plan = resolve_plan(events=["wall_full_40"], algorithms=["guarded"])
    >>> row = study_scale(plan, restraints=["front_airbag_stage_1"]).table.iloc[0]
    >>> row["verdict"], row["against_target"]
    ('on_time', 'beyond')
    """
    import pandas as pd

    for mode in modes:
        factors(mode, 1.0)
    found = [
        Fault("study scale", "restraint", name, nearest(name, ALL_RESTRAINTS))
        for name in restraints
        if name not in ALL_RESTRAINTS
    ]
    if not 0.1 <= low < 1.0:
        found.append(Fault("study scale", "low", low, "0.1 to below 1"))
    if not 1.0 < high <= 10.0:
        found.append(Fault("study scale", "high", high, "above 1 to 10"))
    if found:
        raise InputError(found)
    rows: list[dict[str, Any]] = []
    for done, event in enumerate(plan.events, start=1):
        for mode in modes:
            rows += _rows_of(plan, event, mode, restraints, low=low, high=high)
        if on_progress is not None:
            on_progress(done, len(plan.events))
    names = [name for key in COLUMNS for name in key.split(", ")]
    return ScaleStudy(pd.DataFrame(rows, columns=names), tuple(_notes(plan)))


class _Scaled:
    """Trials of one event at factors, each made once."""

    def __init__(self, plan: Plan, event: Event, mode: str) -> None:
        self.plan, self.event, self.mode = plan, event, mode
        self.known: dict[float, dict[str, Trial]] = {}

    def verdict(self, factor: float, sensor_set: str, algorithm: str, restraint: str) -> str:
        trial = self.at(factor)[sensor_set].of(algorithm=algorithm)
        return str(trial.verdicts(restraint)[0])

    def at(self, factor: float) -> dict[str, Trial]:
        if factor not in self.known:
            event = scaled_event(self.event, factor, mode=self.mode)
            self.known[factor] = {
                trial.sensor_set.name: trial.scores_only()
                for trial in run_trials(
                    [event],
                    [0],
                    sensor_sets=self.plan.sensor_sets,
                    algorithms=self.plan.algorithms,
                    conditions=conditions_of(self.plan.keys, path="auto"),
                )
            }
        return self.known[factor]


def _rows_of(
    plan: Plan, event: Event, mode: str, restraints: Sequence[str], *, low: float, high: float
) -> Iterator[dict[str, Any]]:
    scaled = _Scaled(plan, event, mode)
    asked = {
        name: requirement.expectation
        for name, requirement in event.requirements.items()
        if requirement.expectation != "open" and (not restraints or name in restraints)
    }
    for sensors in plan.sensor_sets:
        for algorithm in plan.algorithms:
            for restraint, expectation in asked.items():
                if restraint not in algorithm.rules:
                    continue
                key = (sensors.name, algorithm.name, restraint)
                trial = scaled.at(1.0)[sensors.name].of(algorithm=algorithm.name)
                verdict = str(trial.verdicts(restraint)[0])
                flip, beyond, to = None, "", 1.0
                if verdict not in ("not_evaluated", "rule_error"):
                    up = (expectation == "no_fire") == (verdict in MET)
                    flip, beyond, to = _flip(scaled, key, verdict, high if up else low)
                target = TARGETS[expectation] if mode == "amplitude" else None
                yield {
                    "event": event.name,
                    "family": event.family,
                    "sensor_set": sensors.name,
                    "algorithm": algorithm.name,
                    "restraint": restraint,
                    "expectation": expectation,
                    "mode": mode,
                    "verdict": verdict,
                    "max_demand": float(trial.scores(restraint).max_demand[0]),
                    "k_flip": np.nan if flip is None else flip,
                    "verdict_beyond": beyond,
                    "searched_to": to,
                    "target": np.nan if target is None else target[0],
                    "against_target": against_target(expectation, verdict, flip, mode=mode),
                    "required_time": _timing(event, restraint),
                }


def _timing(event: Event, restraint: str) -> str:
    if event.requirements[restraint].required_s is None:
        return "none"
    return "stated" if flight_travel(event, restraint) is None else "follows"


def _flip(
    scaled: _Scaled, key: tuple[str, str, str], verdict: str, limit: float
) -> tuple[float | None, str, float]:
    """Factor at which the verdict changes sides on the way to *limit*, and the verdict there."""
    met = verdict in MET
    inside, outside = 1.0, 1.0
    beyond = ""
    while outside != limit:
        ratio = COARSE if limit > 1.0 else 1.0 / COARSE
        inside, outside = outside, outside * ratio
        outside = min(outside, limit) if limit > 1.0 else max(outside, limit)
        beyond = scaled.verdict(outside, *key)
        if (beyond in MET) != met:
            break
    else:
        return None, "", limit
    step = STEP if scaled.mode == "amplitude" else TIME_STEP
    while abs(outside - inside) > step:
        middle = (inside + outside) / 2.0
        here = scaled.verdict(middle, *key)
        if (here in MET) == met:
            inside = middle
        else:
            outside, beyond = middle, here
    return outside, beyond, outside


def against_target(expectation: str, verdict: str, flip: float | None, *, mode: str) -> str:
    """Compare a k_flip by amplitude with the usual targets.

    >>> against_target("no_fire", "held", 1.3, mode="amplitude")
    'within'
    >>> against_target("fire", "on_time", None, mode="amplitude")
    'beyond'
    >>> against_target("fire", "on_time", 0.93, mode="amplitude")
    'short'
    """
    if mode != "amplitude" or verdict in ("not_evaluated", "rule_error"):
        return ""
    if verdict not in MET:
        return "fails"
    least, comfortable = TARGETS[expectation]
    if flip is None:
        return "beyond"
    sign = 1.0 if expectation == "no_fire" else -1.0
    if sign * (flip - comfortable) >= 0.0:
        return "beyond"
    return "within" if sign * (flip - least) >= 0.0 else "short"


def _notes(plan: Plan) -> Iterator[str]:
    yield (
        "targets (must not 1.2 to 1.5, must fire 0.85 to 0.8, by amplitude) are practice, from "
        "memory; a scaled pulse is no crash at another speed"
    )
    filtered = [event.name for event in plan.events if event.metadata.get("filtered")]
    if filtered:
        yield f"already filtered when recorded, so that clipping is not seen: {', '.join(filtered)}"
    yield from plan.notes


def scale_sentences(study: ScaleStudy) -> list[str]:
    """Return what was found, one sentence a way of scaling, sensor set, algorithm and demand."""
    lines = []
    table = study.table
    keys = ["mode", "sensor_set", "algorithm", "expectation"]
    for (mode, sensors, algorithm, expectation), rows in table.groupby(keys, sort=False):
        must = "must not fire" if expectation == "no_fire" else "must fire"
        text = f"{mode.replace('_', ' ')}, {sensors}, {algorithm}: of "
        text += f"{count(len(rows), 'requirement')} that {must}, "
        met = rows[rows["verdict"].isin(MET)]
        if mode == "amplitude":
            counts = rows["against_target"].value_counts()
            least, comfortable = TARGETS[expectation]
            text += (
                f"{counts.get('beyond', 0)} go beyond {comfortable:g},"
                f" {counts.get('within', 0)} lie within {least:g} to {comfortable:g},"
                f" {counts.get('short', 0)} fall short, {counts.get('fails', 0)} fail as they are"
            )
        else:
            text += f"{len(met)} are met as they are, {met['k_flip'].notna().sum()} of these flip"
        flips = met[met["k_flip"].notna()]
        if len(flips):
            nearest = flips.loc[(np.log(flips["k_flip"])).abs().idxmin()]
            text += (
                f"; nearest: {nearest['event']}, {nearest['restraint']}, {nearest['k_flip']:.2f} "
                f"({nearest['verdict_beyond'].replace('_', ' ')})"
            )
        lines.append(f"{text}.")
    return lines or ["No requirement that an algorithm has a rule for: nothing to scale."]


def scale_text(study: ScaleStudy, *, most: int = 30) -> str:
    """Return the study as text: sentences, what falls short or is nearest, notes."""
    lines = [f"CAUTION: {CAUTION}", "", *scale_sentences(study), ""]
    order = nearest_first(study.table)
    if len(order):
        lines.append(f"  {'restraint':<22} {'must':<8} {'at 1':<12} {'k_flip':>7}")
    before = None
    for row in order.head(most).to_dict("records"):
        flip = "none" if row["k_flip"] != row["k_flip"] else f"{row['k_flip']:.3f}"
        head = f"{row['event']}{_way(row, study)}"
        lines += [head] if head != before else []
        before = head
        words = f"{row['verdict_beyond']}  {row['against_target']}".strip()
        lines.append(
            f"  {row['restraint']:<22} {row['expectation'].replace('_', ' '):<8}"
            f" {row['verdict'].replace('_', ' '):<12} {flip:>7}  {words}".rstrip()
        )
    if len(order) > most:
        lines.append(f"  and {len(order) - most} more; all are in the tables")
    lines += [f"Note: {note}" for note in study.notes]
    return "\n".join(lines)


def _way(row: dict[str, Any], study: ScaleStudy) -> str:
    several = [
        name for name in ("mode", "algorithm", "sensor_set") if study.table[name].nunique() > 1
    ]
    return f"  ({', '.join(str(row[name]) for name in several)})" if several else ""


def nearest_first(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows: failures at k = 1 first, then those whose flip is nearest to 1."""
    fails = ~table["verdict"].isin(MET)
    away = np.log(table["k_flip"].astype(float)).abs().fillna(np.inf)
    order = table.assign(_fails=~fails, _away=away).sort_values(["_fails", "_away"], kind="stable")
    return order.drop(columns=["_fails", "_away"])


def scale_figure(study: ScaleStudy, *, most: int = 40) -> Figure:
    """Draw k_flip of the requirements nearest to 1, the usual targets as bands."""
    rows = nearest_first(study.table)
    rows = rows[rows["k_flip"].notna()].head(most)
    figure = new_figure(9.0, 1.9 + 0.24 * max(len(rows), 3))
    axes = figure.subplots()
    for expectation, colour in (("no_fire", VERMILION), ("fire", BLUE)):
        ends = sorted(TARGETS[expectation])
        word = "must not fire" if expectation == "no_fire" else "must fire"
        hatch = "////" if expectation == "no_fire" else None  # told apart without colour
        axes.axvspan(
            *ends, fc=colour, ec=colour, alpha=0.2, lw=0, hatch=hatch, label=f"usual target, {word}"
        )
    axes.axvline(1.0, color=GREY, lw=1.0)
    marks = {"no_fire": ("^", VERMILION), "fire": ("o", BLUE)}
    for expectation, (mark, colour) in marks.items():
        for is_met in (True, False):
            chosen = rows["expectation"].eq(expectation) & rows["verdict"].isin(MET).eq(is_met)
            places = np.flatnonzero(chosen.to_numpy())
            if places.size:
                word = "must not fire" if expectation == "no_fire" else "must fire"
                axes.plot(
                    rows["k_flip"].to_numpy()[places], places, mark, color=colour, ms=6,
                    mfc=colour if is_met else "none",
                    label=word if is_met else f"{word}: not met at 1, met there",
                )  # fmt: skip
    names = [
        f"{row['event']}, {row['restraint']}{_way(row, study)}" for row in rows.to_dict("records")
    ]
    axes.set_yticks(range(len(names)), names, fontsize=6.5)
    axes.set_ylim(max(len(names), 1) - 0.5, -0.5)
    axes.set_xscale("log")
    ticks = (0.25, 0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 4.0)
    axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    axes.minorticks_off()
    axes.set_xlabel("k_flip: factor on the pulse at which the verdict changes")
    tidy(axes)
    figure.legend(loc="outside lower left", ncols=2, fontsize=7, frameon=False,
                  title=CAUTION, title_fontsize=6.5, alignment="left")  # fmt: skip
    return figure
