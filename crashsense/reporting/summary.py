"""The text summary: what a person must know of a run, read in ten seconds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense.campaign.statistics import upper_bound_without_failure
from crashsense.resources import CAUTION
from crashsense.scoring import FAILURES

if TYPE_CHECKING:
    import pandas as pd

#: Verdicts by which a requirement is met, and by which it is not.
MET = ("on_time", "held")
NOT_MET = FAILURES

#: Verdict -> how it reads.
WORDS = {
    "on_time": "on time",
    "late": "late",
    "missed": "missed",
    "early": "early",
    "held": "held",
    "inadvertent": "inadvertent",
    "rule_error": "rule error",
    "open_fired": "open, fired",
    "open_held": "open, held",
    "not_evaluated": "not judged",
}

REQUIRED = ("fire", "no_fire")


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Rows of a table as named tuples."""
    return list(frame.itertuples())


def required_rows(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Rows that carry a requirement (``fire`` or ``no_fire``)."""
    return verdicts[verdicts["expectation"].isin(REQUIRED)]


def failed_rows(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Rows whose requirement was judged and not met; a failed rule counts as not met."""
    rows = required_rows(verdicts)
    return rows[rows["verdict"].isin(NOT_MET)]


@dataclass(frozen=True)
class Totals:
    """Rows of one algorithm that carry a requirement, over all draws, the nominal one included."""

    required: int = 0
    unjudged: int = 0
    failed: int = 0
    waived: int = 0

    @property
    def met(self) -> bool:
        """True if every requirement that could be judged is met; nothing judged has met nothing."""
        return self.failed == 0 and (self.required == 0 or self.unjudged < self.required)

    def plus(self, other: Totals) -> Totals:
        """Add the rows of another part."""
        return Totals(
            self.required + other.required,
            self.unjudged + other.unjudged,
            self.failed + other.failed,
            self.waived + other.waived,
        )


#: What :class:`Tally` reads of a verdict table.
TALLY_COLUMNS = [
    "event",
    "restraint",
    "sensor_set",
    "algorithm",
    "draw",
    "expectation",
    "verdict",
    "waived",
]

ROW_KEY = ["event", "restraint", "sensor_set", "algorithm"]


@dataclass
class Tally:
    """Counts over all draws, gathered part by part, so that a big run never stands in memory."""

    rows: int = 0
    draws: int = 0
    totals: dict[str, Totals] = field(default_factory=dict)
    #: (event, restraint, sensor set, algorithm) -> random draws in which the requirement failed
    failures: dict[tuple[str, ...], int] = field(default_factory=dict)

    def add(self, part: pd.DataFrame) -> Tally:
        """Add a part of the verdict table."""
        self.rows += len(part)
        if len(part):
            self.draws = max(self.draws, int(part["draw"].max()))
        rows = required_rows(part)
        failed = failed_rows(part)
        for algorithm, own in rows.groupby("algorithm"):
            bad = failed[failed["algorithm"] == algorithm]
            found = Totals(
                required=len(own),
                unjudged=int((own["verdict"] == "not_evaluated").sum()),
                failed=len(bad),
                waived=int(bad["waived"].sum()),
            )
            name = str(algorithm)
            self.totals[name] = self.totals.get(name, Totals()).plus(found)
        drawn = failed[failed["draw"] > 0].groupby(ROW_KEY).size().rename("size").reset_index()
        for row in rows_of(drawn):
            key = (row.event, row.restraint, row.sensor_set, row.algorithm)
            self.failures[key] = self.failures.get(key, 0) + int(row.size)
        return self


def gated_totals(tally: Tally, *, gating: Mapping[str, bool]) -> Totals:
    """Totals of the gating algorithms together."""
    total = Totals()
    for name, gate in gating.items():
        if gate:
            total = total.plus(tally.totals.get(name, Totals()))
    return total


def requirements_met(tally: Tally, *, gating: Mapping[str, bool]) -> bool:
    """Say whether every gating algorithm met every requirement that it could judge.

    All draws count, the nominal one included. A gating algorithm that could judge nothing at all
    has met nothing.
    """
    return all(tally.totals.get(name, Totals()).met for name, gate in gating.items() if gate)


def counts(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Count verdicts, one row a sensor set and algorithm; columns met, not_met and each verdict.

    Open requirements appear only in their own two columns.
    """
    import pandas as pd

    table = pd.crosstab(
        [verdicts["sensor_set"], verdicts["algorithm"]], verdicts["verdict"]
    ).reindex(columns=list(WORDS), fill_value=0)
    rows = required_rows(verdicts)
    key = ["sensor_set", "algorithm"]
    for name, words in (("not_met", NOT_MET), ("met", MET)):
        hit = rows[rows["verdict"].isin(words)].groupby(key).size()
        table.insert(0, name, hit.reindex(table.index, fill_value=0).astype(int))
    unjudged = rows[rows["verdict"] == "not_evaluated"].groupby(key).size()
    table["not_evaluated"] = unjudged.reindex(table.index, fill_value=0).astype(int)
    return table.rename_axis(columns=None)


def worst_margins(verdicts: pd.DataFrame, *, most: int = 5) -> pd.DataFrame:
    """Rows with the smallest demand margin: the first to fail if everything grew a little worse.

    Fire and no-fire requirements share the scale: for both it is the relative change of the
    threshold that the row still bears (negative: not met).
    """
    rows = required_rows(verdicts).dropna(subset=["demand_margin"])
    return rows.nsmallest(most, "demand_margin")


def held_by_arming_only(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Rows that the arming branch alone held: single-point protection."""
    return verdicts[(verdicts["verdict"] == "held") & (verdicts["held_by"] == "arming")]


def place(row: Any) -> str:
    """Name event and restraint of a row of a verdict table."""
    return f"{row.event}: {row.restraint}"


def milliseconds(value: float | None, *, sign: bool = False) -> str:
    """Write a time in ms to 0.1.

    >>> milliseconds(-3.04, sign=True), milliseconds(12.0), milliseconds(float("nan"))
    ('-3.0 ms', '12.0 ms', 'none')
    """
    if value is None or value != value:
        return "none"
    return f"{value:+.1f} ms" if sign else f"{value:.1f} ms"


#: Notes that the terminal shows; the page shows all.
MOST_NOTES = 10


def merged_notes(notes: Sequence[str]) -> list[str]:
    """Say what holds for several events once: notes read ``event: sentence``.

    >>> merged_notes(["a: belts assumed", "a: 17 ms", "b: belts assumed"])
    ['a, b: belts assumed', 'a: 17 ms']
    """
    events: dict[str, list[str]] = {}
    for note in notes:
        event, _, sentence = note.partition(": ")
        events.setdefault(sentence, []).append(event)
    return [f"{', '.join(names)}: {sentence}" for sentence, names in events.items()]


def compose(
    nominal: pd.DataFrame,
    *,
    tally: Tally,
    gating: Mapping[str, bool],
    separation: Sequence[Mapping[str, Any]],
    seed: int,
    folder: Path | None,
    notes: Sequence[str] = (),
) -> str:
    """Put the summary together from numbers already computed.

    Parameters
    ----------
    nominal : verdict rows of draw 0
    tally : counts over all draws
    gating : algorithm -> whether it decides the exit code
    separation : nominal separation (:meth:`crashsense.scoring.Separation.as_dict`)
    seed, folder : of the run; None for a run that was not written
    notes : assumptions that the reader must know, one line each
    """
    lines = [f"CAUTION: {CAUTION}", ""]
    sets = ", ".join(sorted(nominal["sensor_set"].unique()))
    draws = f"nominal and {tally.draws} draws, seed {seed}" if tally.draws else "nominal, no draws"
    events = nominal["event"].nunique()
    lines.append(f"{events} event{'s' * (events != 1)}, sensors: {sets}; {draws}")
    lines += [f"Note: {note}" for note in notes[:MOST_NOTES]]
    if len(notes) > MOST_NOTES:
        lines.append(f"Note: {len(notes) - MOST_NOTES} more stand in the report")
    lines += ["", *_count_lines(nominal, gating=gating)]
    gated = [name for name, gate in gating.items() if gate]
    lines += _margin_lines(nominal, names=gated or list(gating))
    lines += _draw_lines(tally, names=gated or list(gating))
    lines += _separation_lines(separation, names=gated or list(gating))
    lines += _arming_lines(nominal[nominal["algorithm"].isin(gated or list(gating))])
    lines += ["", _closing(tally, gating=gating)]
    if folder is not None:
        lines.append(f"Report: {folder / 'report.html'}")
    return "\n".join(lines)


def _count_lines(nominal: pd.DataFrame, *, gating: Mapping[str, bool]) -> list[str]:
    table = counts(nominal)
    shown = ["met", "not_met", *MET, *NOT_MET, "not_evaluated"]
    always = ("met", "not_met", "on_time", "late", "missed", "held", "inadvertent")
    shown = [name for name in shown if name in always or table[name].any()]
    heads = [{"met": "MET", "not_met": "NOT MET"}.get(n, WORDS.get(n, n)) for n in shown]
    sets = set(nominal["sensor_set"])
    rows = []
    for row in rows_of(table.reset_index()):
        sensor_set, algorithm = row.sensor_set, row.algorithm
        label = algorithm if len(sets) == 1 else f"{algorithm} / {sensor_set}"
        label += "" if gating.get(algorithm, True) else " (for comparison)"
        rows.append([label, *(str(getattr(row, name)) for name in shown)])
    return columns([["Nominal verdicts", *heads], *rows])


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Align rows of text, the first column left, the others right.

    >>> columns([["a", "n"], ["bcd", "10"]])
    ['a     n', 'bcd  10']
    """
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _margin_lines(nominal: pd.DataFrame, *, names: Sequence[str]) -> list[str]:
    rows = worst_margins(nominal[nominal["algorithm"].isin(names)])
    if rows.empty:
        return []
    lines = ["", "Worst margins, nominal (demand margin; time margin where it must fire)"]
    table = [
        [
            f"  {place(row)}" + (f" ({row.algorithm})" if len(names) > 1 else ""),
            f"{row.demand_margin:+.2f}",
            milliseconds(row.time_margin_ms, sign=True) if row.expectation == "fire" else "-",
            WORDS[row.verdict],
        ]
        for row in rows_of(rows)
    ]
    return lines + columns(table)


def _draw_lines(tally: Tally, *, names: Sequence[str]) -> list[str]:
    number = tally.draws
    if not number:
        return []
    failed = {key: size for key, size in tally.failures.items() if key[3] in names}
    bound = upper_bound_without_failure(number)
    if not failed:
        return [
            "",
            f"Over {number} draws: no failure; for one event and restraint the chance may still be "
            f"up to {100 * bound:.2g} % (95 % one-sided bound, within the model)",
        ]
    lines = ["", f"Over {number} draws: {len(failed)} event x restraint with failures, worst first"]
    ordered = sorted(failed.items(), key=lambda item: (-item[1], item[0]))
    for (event, restraint, _, algorithm), size in ordered[:5]:
        tail = f" ({algorithm})" if len(names) > 1 else ""
        lines.append(f"  {event}: {restraint}  {size} of {number}{tail}")
    lines.append(
        f"  where none failed, the chance may still be up to {100 * bound:.2g} % a row "
        "(95 % one-sided bound, within the model)"
    )
    return lines


def _separation_lines(
    separation: Sequence[Mapping[str, Any]], *, names: Sequence[str]
) -> list[str]:
    rows = []
    for entry in separation:
        c, m = entry["c"], entry["m"]
        if entry["algorithm"] not in names or c is None or m is None:
            continue
        ratio = f"{c / m:.2f}" if m > 0.0 else "-"
        works = "all met at k = 1" if m < 1.0 <= c else f"k in {m:.2f} to {c:.2f}"
        if not m < c:
            works = f"no k ({entry['m_event']} above {entry['c_event']})"
        rows.append([f"  {entry['restraint']}", f"{c:.2f}", f"{m:.2f}", ratio, works])
    if not rows:
        return []
    head = ["Separation: threshold scale k works if m < k <= c", "c", "m", "c/m", ""]
    # The last column is words: it reads from the left.
    width = max(len(row[-1]) for row in rows)
    rows = [[*row[:-1], row[-1].ljust(width)] for row in rows]
    return ["", *columns([head, *rows])]


def _arming_lines(nominal: pd.DataFrame) -> list[str]:
    rows = held_by_arming_only(nominal)
    if rows.empty:
        return []
    names = list(dict.fromkeys(rows["event"]))
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return [
        "",
        f"Held by arming only (single-point protection): {len(rows)} restraints in "
        f"{', '.join(names[:4])}{more}",
    ]


def _closing(tally: Tally, *, gating: Mapping[str, bool]) -> str:
    gated = [name for name, gate in gating.items() if gate]
    if not gated:
        return "RESULT: no gating algorithm in this run; nothing decides (exit code 0)."
    total = gated_totals(tally, gating=gating)
    names = ", ".join(gated)
    tail = f"; {total.unjudged} could not be judged" if total.unjudged else ""
    tail += f"; {total.waived} of them waived" if total.waived else ""
    if not requirements_met(tally, gating=gating):
        if not total.failed:
            return f"RESULT: {names} could judge no requirement at all (exit code 1)."
        over = " over all draws" if tally.draws else ""
        return (
            f"RESULT: {total.failed} of {total.required} requirements not met by {names}{over}"
            f"{tail} (exit code 1: a result, not an error)."
        )
    return f"RESULT: every judged requirement met by {names} in this model{tail} (exit code 0)."


def run_meets_requirements(run: Any) -> bool:
    """Say whether every gating algorithm of the run met every requirement that it could judge."""
    from crashsense.reporting.view import view_of

    view = view_of(run)
    return requirements_met(view.tally, gating=view.gating)


def text_summary(run: Any) -> str:
    """Return the summary of a run as printed on the terminal."""
    from crashsense.reporting.view import view_of

    view = view_of(run)
    return compose(
        view.nominal,
        tally=view.tally,
        gating=view.gating,
        separation=view.separation,
        seed=view.seed,
        folder=view.folder,
        notes=view.notes,
    )
