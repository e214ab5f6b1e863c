"""The text summary: the essentials of a run, to be read in ten seconds."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from crashsense.event import ALL_RESTRAINTS
from crashsense.reporting.scales import NONE_FAILED, FailedRows, failed_rows, scale_words, unasked
from crashsense.resources import CAUTION
from crashsense.results.outcome import outcome_of
from crashsense.results.statistics import upper_bound_without_failure
from crashsense.results.tally import (
    BY_WEIGHT,
    MET,
    NOT_MET,
    WORDS,
    Pair,
    RuleErrors,
    Totals,
    failing_in_draws,
    required_rows,
    rows_of,
)
from crashsense.text_table import WIDTH, text_table

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.reporting.view import RunView

#: Note on a run without draws.
NOMINAL_ONLY = "Nominal verdicts say nothing about tolerances: add --draws 200"


def without_rule(verdicts: pd.DataFrame, rules: Mapping[str, Sequence[str]]) -> pd.Series[bool]:
    """Mark the rows of restraints for which their algorithm has no rule; unknown: it has one."""
    import pandas as pd

    there = {(name, restraint) for name, own in rules.items() for restraint in own}
    return pd.Series(
        [
            algorithm in rules and (algorithm, restraint) not in there
            for algorithm, restraint in zip(
                verdicts["algorithm"], verdicts["restraint"], strict=True
            )
        ],
        index=verdicts.index,
        dtype=bool,
    )


def worst_margins(
    verdicts: pd.DataFrame, *, most: int = 5, rules: Mapping[str, Sequence[str]] | None = None
) -> pd.DataFrame:
    """Rows with the smallest demand margin: the first to fail if everything became a bit worse.

    Fire and no-fire requirements share the scale: for both it is the relative change of the
    threshold that the row can still bear (negative: not met). With *rules* (algorithm ->
    restraints) rows of a restraint without a rule are left out: no threshold would help them.
    """
    rows = required_rows(verdicts).dropna(subset=["demand_margin"])
    if rules:
        rows = rows[~without_rule(rows, rules)]
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
        event, colon, sentence = note.partition(": ")
        event, sentence = (event, sentence) if colon else ("", note)
        events.setdefault(sentence, []).append(event)
    return [
        f"{', '.join(names)}: {sentence}" if any(names) else sentence
        for sentence, names in events.items()
    ]


def compose(view: RunView) -> str:
    """Put the summary together from numbers already computed."""
    tally, nominal = view.tally, view.nominal
    lines = [f"CAUTION: {CAUTION}", "", *outcome_lines(view), ""]
    sets = ", ".join(view.sensor_sets or sorted(nominal["sensor_set"].unique()))
    draws = "nominal, no draws"
    if tally.draws:
        draws = f"nominal and {tally.draws} draws, seed {view.seed}"
    events = nominal["event"].nunique()
    lines.append(f"{events} event{'s' * (events != 1)}, sensors: {sets}; {draws}")
    lines += [f"Note: {note}" for note in view.notes[:MOST_NOTES]]
    if len(view.notes) > MOST_NOTES:
        lines.append(f"Note: {len(view.notes) - MOST_NOTES} more are in the report")
    lines += [f"Note: {sentence}" for sentence in fitted_sentences(view)]
    lines += _error_lines(view)
    lines += ["", *_count_lines(view)]
    lines += _ruleless_lines(view)
    lines += _margin_lines(view)
    lines += _order_lines(view)
    lines += _draw_lines(view)
    lines += _separation_lines(view)
    lines += _arming_lines(view.rows_shown())
    if not tally.draws:
        lines += ["", f"{NOMINAL_ONLY}."]
    if view.changes is not None:
        lines += ["", f"Since {view.changes.baseline}: {view.changes.result}"]
    lines += ["", *result_lines(view)]
    if view.folder is not None:
        lines.append(f"Report: {(view.folder / 'report.html').absolute()}")
    return "\n".join(lines)


def outcome_lines(view: RunView) -> list[str]:
    """The main result of a run, one sentence for each deciding algorithm and sensor set."""
    return [
        f"{view.labels[pair]}: {outcome_of(view.nominal, pair, tally=view.tally).sentence}"
        for pair in view.shown
    ]


def fitted_sentences(view: RunView) -> list[str]:
    """Say which algorithms were fitted to which events: their verdicts there prove nothing."""
    return [
        f"{name} was fitted to {view.fitted_to[name]}: its verdicts there are no independent "
        "evidence."
        for name in dict.fromkeys(algorithm for _, algorithm in view.shown)
        if view.fitted_to.get(name)
    ]


#: Ways of failing that the terminal shows for one algorithm.
MOST_ERRORS = 3


def _error_lines(view: RunView) -> list[str]:
    lines = []
    for pair in view.pairs:
        found = view.tally.rule_errors(pair)
        lines += [error_words(errors, label=view.labels[pair]) for errors in found[:MOST_ERRORS]]
        if len(found) > MOST_ERRORS:
            rest = sum(errors.rows for errors in found[MOST_ERRORS:])
            lines.append(f"{rest} more rule errors of {view.labels[pair]}, in other words")
    return ["", *lines] if lines else []


def error_words(errors: RuleErrors, *, label: str) -> str:
    """Say how often a rule failed, how, and where first.

    >>> error_words(RuleErrors(2, 9, 0, (0, "kerb", "curtain_left", "Mine: boom")), label="mine")
    '2 RULE ERRORS, 9 more in draws: mine: Mine: boom (first: kerb, curtain_left, nominal)'
    """
    draw, event, restraint, message = errors.first
    number = errors.nominal if errors.nominal else errors.drawn
    more = f", {errors.drawn} more in draws" if errors.nominal and errors.drawn else ""
    only = " in draws" if not errors.nominal else ""
    where = f"draw {draw}" if draw else "nominal"
    return (
        f"{number} RULE ERROR{'S' * (number != 1)}{only}{more}: {label}: {message} "
        f"(first: {event}, {restraint}, {where})"
    )


def _count_lines(view: RunView) -> list[str]:
    found = [view.counts[pair] for pair in view.pairs]
    shown = ["met", "not_met", *MET, *NOT_MET, "not_evaluated"]
    always = ("met", "not_met", "on_time", "late", "missed", "held", "inadvertent")
    shown = [name for name in shown if name in always or any(own[name] for own in found)]
    heads = [{"met": "MET", "not_met": "NOT MET"}.get(n, WORDS.get(n, n)) for n in shown]
    rows = [
        [_head(view, pair), *(str(own[name]) for name in shown)]
        for pair, own in zip(view.pairs, found, strict=True)
    ]
    lines = text_table([["Nominal verdicts", *heads], *rows])
    idle = [
        f"{own['idle']} of {own['held']} by {view.labels[pair]}"
        for pair in view.shown
        if (own := view.counts[pair])["idle"]
    ]
    if idle:
        lines += wrapped(f"Never challenged (demand stayed 0): {', '.join(idle)}")
    return lines


def _head(view: RunView, pair: Pair) -> str:
    gate = view.gating.get(pair[1], True)
    return view.labels[pair] + ("" if gate else " (for comparison)")


def wrapped(line: str) -> list[str]:
    """Break a long list of names; further lines are indented."""
    return textwrap.wrap(line, WIDTH, subsequent_indent="    ", break_long_words=False)


def _ruleless_lines(view: RunView) -> list[str]:
    lines = [ruleless_words(view.nominal, pair, view.rules) for pair in view.shown]
    lines = [part for line in dict.fromkeys(lines) if line for part in wrapped(line)]
    return ["", *lines] if lines else []


def ruleless_words(nominal: pd.DataFrame, pair: Pair, rules: Mapping[str, Sequence[str]]) -> str:
    """Name restraints that an algorithm does not cover, and count requirements missed for it."""
    if pair[1] not in rules:
        return ""
    names = [name for name in ALL_RESTRAINTS if name not in rules[pair[1]]]
    own = nominal[(nominal["sensor_set"] == pair[0]) & (nominal["algorithm"] == pair[1])]
    own = own[own["restraint"].isin(names)]
    judged = required_rows(own[own["verdict"] != "not_evaluated"])
    never = [name for name in names if (judged["restraint"] == name).any()]
    missed = int((judged["verdict"] == "missed").sum())
    tail = f"; {missed} requirements to fire missed for that reason" if missed else ""
    told = [f"No rule in {pair[1]}, never fires: {', '.join(never)}{tail}"] if never else []
    # A restraint that the run does not ask about is no gap of the algorithm.
    left_open = set(own["restraint"]) - set(required_rows(own)["restraint"])
    beside = [name for name in names if name not in never and name not in left_open]
    if beside:
        told.append(f"Not covered by {pair[1]}, not judged: {', '.join(beside)}")
    return ". ".join(told)


def _margin_lines(view: RunView) -> list[str]:
    rows = worst_margins(view.rows_shown(), rules=view.rules)
    if rows.empty:
        return []
    lines = ["", "Worst margins, nominal (demand margin; time margin where it must fire)"]
    several = len(view.shown) > 1
    table = [
        [
            f"  {place(row)}",
            f"{row.demand_margin:+.2f}",
            milliseconds(row.time_margin_ms, sign=True) if row.expectation == "fire" else "-",
            WORDS[row.verdict],
            *([view.labels[row.sensor_set, row.algorithm]] if several else []),
        ]
        for row in rows_of(rows)
    ]
    return lines + text_table(table, keys=4, left=(0, 3, 4))


#: Events that the terminal names of those in which the order of restraints fails.
MOST_ORDERS = 6


def _order_lines(view: RunView) -> list[str]:
    """The requirements on order that fail at nominal, by kind of failure."""
    rows = view.rows_shown()
    failed = rows[(rows["expectation"] == "order") & rows["verdict"].isin(NOT_MET)]
    lines = []
    for (restraint, algorithm, sensor_set, verdict), own in failed.groupby(
        ["restraint", "algorithm", "sensor_set", "verdict"], observed=True, sort=False
    ):
        names = list(own["event"])
        more = f" and {len(names) - MOST_ORDERS} more" if len(names) > MOST_ORDERS else ""
        lines += wrapped(
            f"  {restraint}{_tail(view, (sensor_set, algorithm))}: {WORDS[verdict]} in "
            f"{', '.join(names[:MOST_ORDERS])}{more}"
        )
    return ["", "Order of restraints, nominal", *lines] if lines else []


def _tail(view: RunView, pair: Pair) -> str:
    """The label of a pair, where there are several."""
    return f" ({view.labels[pair]})" if len(view.shown) > 1 else ""


#: Requirements that the terminal names of those that fail only in draws: of what fires although it
#: must not, and of the rest.
MOST_FAILING = 4


def _draw_lines(view: RunView) -> list[str]:
    if not view.tally.draws:
        return []
    lines = ["", *_drawn_counts(view)]
    for pair in view.shown:
        lines += _pair_draw_lines(view, pair)
    return lines


def _drawn_counts(view: RunView) -> list[str]:
    """Verdicts of all requirements over the random draws, the gravest first."""
    drawn = {pair: view.tally.verdicts(pair) for pair in view.pairs}
    always = ("inadvertent", "missed", "late")
    shown = [v for v in BY_WEIGHT if v in always or any(c[v] for c in drawn.values())]
    orders = ("in_order", "not_challenged")
    shown += [v for v in MET if v not in orders]
    shown += [v for v in (*orders, "not_evaluated") if any(c[v] for c in drawn.values())]
    head = [f"Verdicts over {view.tally.draws} draws", *(WORDS[v] for v in shown)]
    rows = [[_head(view, pair), *(str(drawn[pair][v]) for v in shown)] for pair in view.pairs]
    return text_table([head, *rows])


def _pair_draw_lines(view: RunView, pair: Pair) -> list[str]:
    tally, label = view.tally, view.labels[pair]
    judged = {key: n for key, n in tally.judged(pair).items() if n}
    if not judged:
        return []
    failures = tally.failures(pair)
    lines = []
    for entry in view.whole_draws:
        if (entry["sensor_set"], entry["algorithm"]) == pair:
            lines.append(
                f"All met by {label} in {entry['all_met']} of {entry['draws']} draws; a draw fails "
                f"{entry['mean_failures']:.2f} requirements on average"
            )
    hidden = failing_in_draws(view.nominal, tally, pair)
    if hidden:
        lines.append(
            f"Met at nominal, fails in draws: {len(hidden)} event x restraint"
            f"{_tail(view, pair)}, the worst:"
        )
        wrong = [row for row in hidden if row.inadvertent]
        named = [*wrong[:MOST_FAILING], *hidden[len(wrong) :][:MOST_FAILING]]
        lines += [f"  {row.event}: {row.restraint}  {row.words}" for row in named]
    rest = len(failures) - len(hidden)
    if rest:
        lines.append(
            f"Not met at nominal and fails in draws: {rest} event x restraint{_tail(view, pair)}"
        )
    never = [n for key, n in judged.items() if key not in failures]
    if never:
        bound = 100.0 * upper_bound_without_failure(min(never))
        lines += [
            f"No failure in draws: {len(never)} of {len(judged)} event x restraint"
            f"{_tail(view, pair)}",
            f"  for each the chance may still be up to {bound:.2g} % "
            "(95 % one-sided bound, within the model)",
        ]
    return lines


def _separation_lines(view: RunView) -> list[str]:
    lines = []
    for pair in view.shown:
        entries = [e for e in view.separation if (e["sensor_set"], e["algorithm"]) == pair]
        if not entries:
            continue
        failed = failed_rows(view.nominal, pair=pair)
        rows = [
            _separation_row(
                entry,
                rules=view.rules.get(pair[1]),
                failed=failed.get(entry["restraint"], NONE_FAILED),
            )
            for entry in entries
        ]
        of = f", {view.labels[pair]}" if len(view.shown) > 1 else ""
        head = ["  restraint", "c", "m", "c/m", "scales that work"]
        lines += ["", f"Separation, nominal{of}: threshold scale k works if m < k <= c"]
        lines += text_table([head, *rows], left=(0, 4), keys=4)
        rest = unasked(entries, failed=failed)
        if rest:
            lines += wrapped(f"  without a judged requirement: {rest}")
    return lines


def _separation_row(
    entry: Mapping[str, Any], *, rules: Sequence[str] | None, failed: FailedRows
) -> list[str]:
    has_rule = rules is None or entry["restraint"] in rules
    c, m, ratio = (entry[name] if has_rule else None for name in ("c", "m", "ratio"))
    numbers = ["-" if value is None else f"{value:.2f}" for value in (c, m, ratio)]
    works = scale_words(entry, has_rule=has_rule, failed=failed)
    return [f"  {entry['restraint']}", *numbers, works]


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


def result_lines(view: RunView) -> list[str]:
    """The result of each gating algorithm and sensor set, and the exit code."""
    if not view.deciding:
        return ["RESULT: no gating algorithm in this run; nothing decides (exit code 0)."]
    code = "exit code 0"
    if view.tally.exit_code(view.gating):
        code = "exit code 1: a result, not an error"
    lines = [f"RESULT: {result_words(view, pair)}" for pair in view.deciding]
    if len(lines) == 1 and not view.tally.draws:
        return [f"{lines[0]} ({code})."]
    return [*(f"{line}." for line in lines), f"{code.capitalize()}."]


def result_words(view: RunView, pair: Pair) -> str:
    """One clause on the requirements that one algorithm met with one sensor set; nominal apart."""
    tally, label, draws = view.tally, view.labels[pair], view.tally.draws
    nominal, random = (part.get(pair, Totals()) for part in (tally.nominal, tally.random))
    whole = tally.whole(pair)
    unasked_too = any(errors.unasked for errors in tally.rule_errors(pair))
    tail = "; THE RULE FAILED also where nothing is required" if unasked_too else ""
    if not whole.required:
        return f"nothing is required of {label} in this run{tail}"
    if whole.unjudged == whole.required:
        return f"{label} could judge no requirement at all{tail}"
    if not whole.failed:
        over = f", at nominal and in {draws} draws" if draws else ""
        return f"every judged requirement met by {label} in this model{over}{_tails(nominal)}{tail}"
    words = f"{nominal.failed} of {nominal.required} requirements not met by {label}"
    words += " at nominal" if draws else ""
    if nominal.errors:
        words += f", {nominal.errors} of them because THE RULE FAILED"
    words += _tails(nominal)
    if draws:
        number = len(tally.failures(pair))
        words += f"; {number} of {nominal.required} fail in some of {draws} draws"
        if random.errors:
            words += f" (THE RULE FAILED in {random.errors} verdicts)"
    return words + tail


def _tails(totals: Totals) -> str:
    unable = totals.unjudged - totals.uncovered
    tail = f"; {unable} could not be judged" if unable else ""
    if totals.uncovered:
        tail += f"; {totals.uncovered} not judged, as it does not cover their restraints"
    return tail + (f"; {totals.waived} of them waived" if totals.waived else "")


def text_summary(run: Any) -> str:
    """Return the summary of a run as printed on the terminal."""
    from crashsense.reporting.view import view_of

    return compose(view_of(run))
