"""Single faults as a matrix: which fault of which sensor harms which decision.

Every single fault (lost, stuck, saturated, offset, swapped, inverted, late, wrong gain) of
every sensor that the algorithm reads meets every event. The good run is sensed on the full path, as
faults ahead of the words are, so that nothing but the fault differs. A fault *harms* where a
requirement that is met without it is not met with it.

A matrix of this kind is what a failure mode and effects analysis of the signal path asks for
(IEC 60812; ISO 26262-5, from memory): the effect of each single fault, one at a time. It says
nothing about how likely a fault is, nor what a monitor outside the algorithm would do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.errors import Fault, InputError, nearest, unknown_name
from crashsense.event import Event
from crashsense.plan.resolve import Plan, conditions_of
from crashsense.plotting import GREEN, GREY, INK, VERMILION, new_figure, tidy
from crashsense.resources import CAUTION
from crashsense.results.tally import BY_WEIGHT
from crashsense.scoring import FAILURES, MET
from crashsense.sensing import SensorSet
from crashsense.sensing.channel_faults import (
    CHANNEL_FAULTS,
    ChannelFault,
    partner_of,
    single_faults,
    with_channel_faults,
)
from crashsense.sensing.faults import ALWAYS_S
from crashsense.studies.wording import count
from crashsense.text_table import text_table
from crashsense.trials import Trial, run_trials
from crashsense.trials.block import channels_read

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: What a fault may do to a requirement that is met without it, the gravest first.
HARMS = (*BY_WEIGHT, "not_evaluated")

#: Effects beside these, as the table names them.
OTHER_EFFECTS = {
    "none": "met with and without the fault, or open and as without it",
    "fails anyway": "not met without the fault either",
    "met": "met with the fault only",
    "open, fires": "nothing is required; it fires with the fault only",
    "open, held": "nothing is required; it fires without the fault only",
}

#: Column of the table -> what it means.
COLUMNS = {
    "fault": "CHANNEL:KIND[:FROM_MS]",
    "channel, kind": "its parts",
    "from_ms": "when it begins, from time zero; null: there from the start",
    "event, family, sensor_set, algorithm, restraint, expectation": "as in a verdict table",
    "verdict_without, verdict": "nominal draw, without and with the fault",
    "fire_time_without_ms, fire_time_ms": "the same; null: does not fire",
    "effect": "one of HARMS or OTHER_EFFECTS, nominal draw",
    "draws": "random draws in which the requirement is met without the fault",
    "draws_harmed": "of these, draws in which it is not met with it",
}


@dataclass(frozen=True, eq=False)
class FaultStudy:
    """What :func:`study_faults` found.

    ``table``: one row a fault, event, sensor set, algorithm and restraint that has a rule; columns
    in :data:`COLUMNS`. ``matrix``: one row a fault with the events that it harms, by kind of harm,
    and the gravest harm. ``notes``: caveats.
    """

    table: pd.DataFrame
    matrix: pd.DataFrame
    events: int
    draws: int
    notes: tuple[str, ...]

    def harmful(self, *, accepted: Sequence[str] = ()) -> pd.DataFrame:
        """Rows in which a fault harms, nominally or in a draw, but for *accepted* harms."""
        asked = self.table[self.table["expectation"] != "open"]
        harms = asked["effect"].isin([h for h in HARMS if h not in accepted])
        if accepted:  # draws are counted whatever the harm: with exceptions only nominal ones tell
            return asked[harms]
        return asked[harms | (asked["draws_harmed"] > 0)]


def study_faults(
    plan: Plan,
    *,
    channels: Sequence[str] = (),
    kinds: Sequence[str] = (),
    from_s: Sequence[float] = (),
    on_progress: Callable[[int, int], None] | None = None,
) -> FaultStudy:
    """Cross every single fault with the events of a plan.

    Parameters
    ----------
    plan : events, sensor sets, algorithms and draws; of
        :func:`crashsense.plan.resolve_plan`
    channels : sensors that fail; none named: all that the algorithms read
    kinds : kinds of fault (:data:`~crashsense.sensing.channel_faults.CHANNEL_FAULTS`); none: all
    from_s : times at which faults begin [s] from time zero; none: there from the start
    on_progress : called as ``on_progress(done, total)`` in occurrences

    Raises
    ------
    InputError : unknown channels or kinds, a channel that no sensor set has

    >>> from crashsense.plan import resolve_plan
    >>> plan = resolve_plan(events=["wall_full_40"], algorithms=["guarded"])
    >>> found = study_faults(plan, channels=["central_x"], kinds=["lost"])
    >>> rows = found.table[found.table["restraint"] == "front_airbag_stage_1"]
    >>> rows[["fault", "verdict_without", "verdict"]].values.tolist()
    [['central_x:lost', 'on_time', 'missed']]
    """
    import pandas as pd

    for kind in kinds:
        if kind not in CHANNEL_FAULTS:
            raise InputError([Fault("study faults", "kind", kind, nearest(kind, CHANNEL_FAULTS))])
    chosen = {
        sensors.name: _faults_of(plan, sensors, channels=channels, kinds=kinds, from_s=from_s)
        for sensors in plan.sensor_sets
    }
    rows: list[dict[str, Any]] = []
    groups = plan.occurrences()
    for done, events in enumerate(groups, start=1):
        rows += _rows_of_occurrence(plan, events, chosen)
        if on_progress is not None:
            on_progress(done, len(groups))
    table = pd.DataFrame(rows)
    return FaultStudy(
        table=table,
        matrix=_matrix(table),
        events=len(plan.events),
        draws=plan.draws,
        notes=tuple(_notes(plan, chosen)),
    )


def _faults_of(
    plan: Plan,
    sensors: SensorSet,
    *,
    channels: Sequence[str],
    kinds: Sequence[str],
    from_s: Sequence[float],
) -> list[ChannelFault]:
    read = channels_read(plan.algorithms, sensors)
    for name in channels:
        if name not in sensors.sensors:
            where = f"sensor set {sensors.name}"
            raise unknown_name("channel", name, sensors.sensors, file=where)
    wanted = list(channels) or read
    return [
        fault
        for at in from_s or (ALWAYS_S,)
        for fault in single_faults(sensors, channels=wanted, from_s=at)
        if not kinds or fault.kind in kinds
    ]


def _rows_of_occurrence(
    plan: Plan, events: Sequence[Event], chosen: dict[str, list[ChannelFault]]
) -> Iterator[dict[str, Any]]:
    """Rows of one occurrence: each fault beside the good run, blocks of draws put together."""
    conditions = conditions_of(plan.keys, path="full")
    found: dict[tuple[str, ...], _Paired] = {}
    for good in run_trials(
        events,
        range(plan.draws + 1),
        sensor_sets=plan.sensor_sets,
        algorithms=plan.algorithms,
        conditions=conditions,
    ):
        for fault in chosen[good.sensor_set.name]:
            bad = faulted(good, fault)
            for before, after in zip(good.each(), bad.each(), strict=True):
                orders = (name for name in before.event.orders if _covers(before, name))
                for restraint in (*before.algorithm.rules, *orders):
                    key = (
                        str(fault),
                        before.event.name,
                        good.sensor_set.name,
                        before.algorithm.name,
                        restraint,
                    )
                    pair = found.setdefault(key, _Paired(fault, before.event, key))
                    pair.add(before, after)
    return (pair.row() for pair in found.values())


def faulted(good: Trial, fault: ChannelFault) -> Trial:
    """Return a trial with a fault; channels that it does not touch keep their samples.

    A channel that the trial did not sense is left out: nothing reads it.
    """
    sensors = with_channel_faults(good.sensor_set, [fault])
    touched = [fault.channel]
    if fault.kind == "swapped" and (partner := partner_of(fault.channel)) is not None:
        touched.append(partner)
    bad = good
    for channel in touched:
        if channel in good.samples.channels:
            bad = bad.with_sensor(channel, sensors)
    return bad


class _Paired:
    """One requirement without and with a fault, over blocks of draws."""

    def __init__(self, fault: ChannelFault, event: Event, key: tuple[str, ...]) -> None:
        self.fault, self.event = fault, event
        _, _, self.sensor_set, self.algorithm, self.restraint = key
        self.nominal: dict[str, Any] = {}
        self.draws = self.harmed = 0

    def add(self, before: Trial, after: Trial) -> None:
        one, two = before.verdicts(self.restraint), after.verdicts(self.restraint)
        at_zero = before.draws == 0
        if at_zero.any():
            at = int(np.flatnonzero(at_zero)[0])
            self.nominal = {
                "verdict_without": str(one[at]),
                "verdict": str(two[at]),
                "fire_time_without_ms": _fire_ms(before, self.restraint, at),
                "fire_time_ms": _fire_ms(after, self.restraint, at),
            }
        met = np.isin(one.astype(str), MET) & ~at_zero
        self.draws += int(met.sum())
        self.harmed += int((met & ~np.isin(two.astype(str), MET)).sum())

    def row(self) -> dict[str, Any]:
        begins = self.fault.from_s
        return {
            "fault": str(self.fault),
            "channel": self.fault.channel,
            "kind": self.fault.kind,
            "from_ms": np.nan if begins == ALWAYS_S else 1e3 * begins,
            "event": self.event.name,
            "family": self.event.family,
            "sensor_set": self.sensor_set,
            "algorithm": self.algorithm,
            "restraint": self.restraint,
            "expectation": "order"
            if self.restraint in self.event.orders
            else self.event.requirements[self.restraint].expectation,
            **self.nominal,
            "effect": effect(self.nominal["verdict_without"], self.nominal["verdict"]),
            "draws": self.draws,
            "draws_harmed": self.harmed,
        }


def _covers(trial: Trial, order: str) -> bool:
    """True if the algorithm has rules for both restraints of an order."""
    restraint, asked = trial.event.orders[order]
    return {restraint, asked.after} <= trial.algorithm.rules.keys()


def _fire_ms(trial: Trial, name: str, at: int) -> float:
    if name in trial.event.orders:
        return 1e3 * float(trial.order(name).fire_s[at])
    return 1e3 * float(trial.scores(name).fire_s[at])


def effect(without: str, verdict: str) -> str:
    """Return what a fault did, from the verdicts without and with it.

    >>> effect("on_time", "missed"), effect("held", "held"), effect("open_held", "open_fired")
    ('missed', 'none', 'open, fires')
    >>> effect("missed", "late"), effect("late", "on_time")
    ('fails anyway', 'met')
    """
    if without.startswith("open"):
        if verdict in (without, "not_evaluated", "rule_error"):
            return "none" if verdict == without else verdict
        return "open, fires" if verdict == "open_fired" else "open, held"
    if without in MET:
        return "none" if verdict in MET else verdict
    if without in FAILURES:
        return "met" if verdict in MET else "fails anyway"
    return "none" if verdict == without else verdict


def _matrix(table: pd.DataFrame) -> pd.DataFrame:
    """One row a fault: how many events it harms, by kind of harm."""
    import pandas as pd

    required = table[table["expectation"] != "open"]
    rows = []
    for fault, own in table.groupby("fault", sort=False):
        asked = required[required["fault"] == fault]
        harmed = asked[asked["effect"].isin(HARMS)]
        gravest = next((h for h in HARMS if (harmed["effect"] == h).any()), "none")
        first = harmed.loc[harmed["effect"] == gravest, "event"]
        rows.append(
            {
                "fault": fault,
                "channel": own["channel"].iloc[0],
                "kind": own["kind"].iloc[0],
                "from_ms": own["from_ms"].iloc[0],
                "gravest": gravest,
                "first_event": first.iloc[0] if len(first) else None,
                "events_harmed": harmed["event"].nunique(),
                **{h: harmed.loc[harmed["effect"] == h, "event"].nunique() for h in HARMS},
                "draws_harmed": int(asked["draws_harmed"].sum()),
            }
        )
    return pd.DataFrame(rows)


def _notes(plan: Plan, chosen: dict[str, list[ChannelFault]]) -> Iterator[str]:
    for sensors in plan.sensor_sets:
        read = channels_read(plan.algorithms, sensors)
        if unread := [name for name in sensors.sensors if name not in read]:
            yield (
                f"sensor set {sensors.name}: no rule reads {', '.join(unread)}; "
                "a fault there changes nothing and is left out"
            )
    if any(fault.from_s == ALWAYS_S for faults in chosen.values() for fault in faults):
        yield (
            "faults that are there from the start are what a self-test or a monitor may find "
            "before an event; the algorithm under test has only what its rules hold"
        )
    yield from plan.notes


def fault_sentence(study: FaultStudy) -> str:
    """Return what the matrix shows, in plain words."""
    matrix = study.matrix
    over = count(study.events, "event")
    harmful = matrix[matrix["events_harmed"] > 0]
    faults = count(len(matrix), "single fault")
    if harmful.empty:
        text = f"None of {faults} changes a requirement that is met without it, over {over}."
    else:
        parts = []
        for harm in HARMS:
            hits = matrix[matrix[harm] > 0]
            if len(hits):
                worst = hits.loc[hits[harm].idxmax()]
                parts.append(
                    f"{len(hits)} {'causes' if len(hits) == 1 else 'cause'} {_HARM_WORDS[harm]} "
                    f"(most events: {worst['fault']}, {worst[harm]:.0f})"
                )
        text = f"Of {faults}, over {over}: {'; '.join(parts)}."
        quiet = len(matrix) - len(harmful)
        text += f" The other {quiet} change nothing for the worse." if quiet else ""
    if study.draws:
        only = matrix[(matrix["events_harmed"] == 0) & (matrix["draws_harmed"] > 0)]
        named = f": {', '.join(only['fault'])}" if len(only) else ""
        text += f" In random draws only, {len(only)} harm{named}."
    return text


_HARM_WORDS = {
    "inadvertent": "an inadvertent deployment",
    "early": "a deployment before it is allowed",
    "missed": "a missed deployment",
    "late": "a late deployment",
    "alone": "a stage that fires alone",
    "out_of_order": "stages in the wrong order",
    "too_soon": "stages too close together",
    "too_late": "stages too far apart",
    "rule_error": "a failure of the rule itself",
    "not_evaluated": "a restraint that can no longer be judged",
}

_LETTERS = dict(zip(HARMS, "IEMLAOSTXN", strict=True))
_SHADES = {
    "inadvertent": VERMILION,
    "early": VERMILION,
    "missed": "#d98200",
    "late": "#e8c15a",
    "alone": "#d98200",
    "out_of_order": "#d98200",
    "too_soon": "#e8c15a",
    "too_late": "#e8c15a",
    "rule_error": INK,
    "not_evaluated": GREY,
    "none": "#e6f0ec",
}


def fault_text(study: FaultStudy, *, most: int = 40) -> str:
    """Return the study as text: sentence, harmful faults, notes."""
    lines = [f"CAUTION: {CAUTION}", "", fault_sentence(study), ""]
    harmful = study.matrix[study.matrix["events_harmed"] + study.matrix["draws_harmed"] > 0]
    order = harmful.sort_values(list(HARMS), ascending=False, kind="stable")
    rows = [["fault", "gravest", "events", "first event"]]
    for row in order.head(most).to_dict("records"):
        draws = f" ({row['draws_harmed']} in random draws)" if row["draws_harmed"] else ""
        first = f"{row['first_event'] or '-'}{draws}"
        gravest = row["gravest"].replace("_", " ")
        rows.append([row["fault"], gravest, str(row["events_harmed"]), first])
    lines += text_table(rows, keys=3, left=(0, 1, 3)) if len(order) else []
    if len(order) > most:
        lines.append(f"  and {len(order) - most} more; all are in the tables")
    lines += [f"Note: {note}" for note in study.notes]
    return "\n".join(lines)


def fault_figure(study: FaultStudy) -> Figure:
    """Draw the matrix: sensors down, kinds across; letter and number say what and how often."""
    from matplotlib.patches import Patch, Rectangle

    matrix = study.matrix
    rows = list(dict.fromkeys(_place(row) for row in matrix.to_dict("records")))
    kinds = [kind for kind in CHANNEL_FAULTS if kind in set(matrix["kind"])]
    figure = new_figure(max(2.6 + 1.0 * len(kinds), 8.0), 1.9 + 0.42 * len(rows))
    axes = figure.subplots()
    for row in matrix.to_dict("records"):
        x, y = kinds.index(row["kind"]), rows.index(_place(row))
        gravest = row["gravest"]
        axes.add_patch(Rectangle((x, y), 1, 1, fc=_SHADES[gravest], ec="white", lw=1.5))
        text = "-" if gravest == "none" else f"{_LETTERS[gravest]} {row[gravest]:.0f}"
        dark = gravest in ("inadvertent", "early", "rule_error", "not_evaluated")
        axes.text(
            x + 0.5, y + 0.5, text, ha="center", va="center", fontsize=8,
            color="white" if dark else GREEN if gravest == "none" else INK,
        )  # fmt: skip
    axes.set_xlim(0, len(kinds))
    axes.set_ylim(len(rows), 0)
    axes.set_xticks([k + 0.5 for k in range(len(kinds))], [k.replace("_", "\n") for k in kinds])
    axes.set_yticks([r + 0.5 for r in range(len(rows))], rows)
    axes.tick_params(length=0, labelsize=8)
    axes.xaxis.tick_top()
    tidy(axes)
    axes.grid(visible=False)
    axes.spines[["left", "bottom"]].set_visible(False)
    used = [h for h in HARMS if h in set(matrix["gravest"])]
    handles = [Patch(fc=_SHADES[h], label=f"{_LETTERS[h]}: {_HARM_WORDS[h]}") for h in used]
    handles.append(Patch(fc=_SHADES["none"], label="-: no harm"))
    figure.legend(
        handles=handles, loc="outside lower left", ncols=2, fontsize=7.5, frameon=False,
        title=f"gravest harm and events harmed, of {study.events}; single faults, a swap of two"
        f" at the first.\n{CAUTION}",
        title_fontsize=6.5, alignment="left",
    )  # fmt: skip
    return figure


def _place(row: dict[str, Any]) -> str:
    begins = row["from_ms"]
    return row["channel"] if begins != begins else f"{row['channel']}, from {begins:g} ms"
