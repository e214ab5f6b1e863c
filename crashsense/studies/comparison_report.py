"""A comparison of two runs as text: first, whatever is not due to the algorithm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crashsense.resources import CAUTION
from crashsense.studies.comparison import Comparison
from crashsense.studies.two_runs import Side
from crashsense.studies.wording import count

if TYPE_CHECKING:
    import pandas as pd

#: Lines of a list at most, unless it is of lost requirements: those are all named.
MOST = 10

#: Two margins or fire times closer than this are not listed as changed.
LEAST_CHANGE = 1e-9

_GROUPS = (
    ("lost", "Lost: met before, not now"),
    ("gained", "Gained: not met before, met now"),
    ("newly failed", "Not judged before, not met now"),
    ("newly met", "Not judged before, met now"),
    ("no longer judged", "No longer judged"),
)


def comparison_text(found: Comparison) -> str:
    """Return the whole comparison as text, caution first and result last."""
    lines = [f"CAUTION: {CAUTION}", ""]
    lines += [_side("Before", found.before), _side("After", found.after)]
    lines += [f"Compared: {pair}" for pair in found.pairs] + [""]
    lines += [f"NOTE: {sentence}" for sentence in found.said]
    for names, which in ((found.only_before, found.before), (found.only_after, found.after)):
        if names:
            lines.append(f"NOTE: Events only in {which.name} ({len(names)}): {_listed(names)}.")
    if found.withheld:
        lines.append(f"NOTE: No paired statistics: {found.withheld}.")
    lines += _changed_requirements(found)
    for number, pair in enumerate(found.pairs):
        rows = found.table[found.table["pair"] == number]
        lines += ["", f"{pair}: {_counted(rows)}"]
        for change, title in _GROUPS:
            lines += _rows(title, rows[rows["change"] == change], every=change == "lost")
        lines += _transitions(found, number, "nominal", "Verdict changed, nominal")
        lines += _largest(rows, "fire_time_change_ms", "Largest changes of fire time", " ms")
        lines += _largest(rows, "demand_margin_change", "Largest changes of demand margin", "")
        if found.paired_draws:
            lines += _draws(found, number, rows)
    lines += ["", result_line(found)]
    return "\n".join(lines)


def _side(word: str, side: Side) -> str:
    draws = f"{side.draws} draws, seed {side.plan['seed']}" if side.draws else "nominal"
    version = side.identity["versions"].get("crashsense", "?")
    return f"{word:<7} {side.name}: {draws}, written by version {version}"


def _listed(names: tuple[str, ...]) -> str:
    more = f" and {len(names) - MOST} more" if len(names) > MOST else ""
    return ", ".join(names[:MOST]) + more


def _counted(rows: pd.DataFrame) -> str:
    counts = rows["change"].value_counts()
    named = [f"{counts[change]} {change}" for change, _ in _GROUPS if change in counts]
    return f"{len(rows)} event x restraint; {', '.join(named) if named else 'none lost or gained'}"


def _of(row: Any, name: str, form: str, *, none: str = "-") -> str:
    """A value before and after, once where it is the same."""
    values = (row[f"{name}_{end}"] for end in ("before", "after"))
    texts = [none if value != value else f"{value:{form}}" for value in values]
    return texts[0] if texts[0] == texts[1] else " -> ".join(texts)


def _row(row: Any) -> str:
    words = row["verdict_before"], row["verdict_after"]
    text = f"  {row['event']}: {row['restraint']}  " + " -> ".join(dict.fromkeys(words))
    text += f"  fires {_of(row, 'fire_time_ms', '.1f', none='never')}"
    if "fire" in (row["expectation_before"], row["expectation_after"]):
        text += f" of {_of(row, 'required_time_ms', '.1f')} ms"
        text += f"  time margin {_of(row, 'time_margin_ms', '+.1f')} ms"
    else:
        text += " ms"
    text += f"  demand margin {_of(row, 'demand_margin', '+.2f')}"
    marks = ["requirement changed"] if row["requirement_changed"] else []
    marks += ["waived"] if row["waived_after"] else []
    return text + (f"  ({', '.join(marks)})" if marks else "")


def _rows(title: str, rows: pd.DataFrame, *, every: bool = False) -> list[str]:
    if rows.empty:
        return []
    shown = rows if every else rows.head(MOST)
    lines = [title, *(_row(row) for row in shown.to_dict("records"))]
    if len(shown) < len(rows):
        lines.append(f"  and {len(rows) - len(shown)} more (comparison.csv with --out)")
    return lines


def _changed_requirements(found: Comparison) -> list[str]:
    # Sensor sets and algorithms share requirements: each is listed once.
    rows = found.table[found.table["requirement_changed"]]
    rows = rows.drop_duplicates(["event", "restraint"])
    if rows.empty:
        return []
    lines = ["", "Requirements that have themselves changed"]
    for row in rows.head(MOST).to_dict("records"):
        words = row["expectation_before"], row["expectation_after"]
        times = ""
        if "fire" in words:
            times = f" by {_of(row, 'required_time_ms', '.1f')} ms"
        wanted = " -> ".join(dict.fromkeys(words))
        lines.append(f"  {row['event']}: {row['restraint']}  {wanted}{times}")
    if len(rows) > MOST:
        lines.append(f"  and {len(rows) - MOST} more (comparison.csv with --out)")
    return lines


def _transitions(found: Comparison, number: int, over: str, title: str) -> list[str]:
    rows = found.transitions
    rows = rows[(rows["pair"] == number) & (rows["over"] == over)]
    other = rows[rows["verdict_before"] != rows["verdict_after"]]
    same = int(rows["rows"].sum() - other["rows"].sum())
    listed = [
        f"{row['verdict_before']} -> {row['verdict_after']} {row['rows']}"
        for row in other.sort_values("rows", ascending=False, kind="stable").to_dict("records")
    ]
    return [f"{title}: {', '.join([*listed, f'same {same}'])}"]


def _largest(rows: pd.DataFrame, column: str, title: str, unit: str) -> list[str]:
    rows = rows[rows[column].abs() > LEAST_CHANGE]
    if rows.empty:
        return []
    order = rows[column].abs().sort_values(ascending=False, kind="stable").index
    name = column.removesuffix("_change").removesuffix("_change_ms")
    name = "fire_time_ms" if name == "fire_time" else name
    form, change = (".1f", "+.1f") if unit else ("+.2f", "+.3f")
    lines = [title]
    for row in rows.loc[order[: MOST // 2]].to_dict("records"):
        lines.append(
            f"  {row['event']}: {row['restraint']}  {row[column]:{change}}{unit}"
            f"  ({_of(row, name, form)}{unit})"
        )
    return lines


def _draws(found: Comparison, number: int, rows: pd.DataFrame) -> list[str]:
    whole = found.by_draw.iloc[number]
    tested = rows[rows["p_mcnemar"].notna()]
    differing = tested[tested["draws_lost"] + tested["draws_gained"] > 0]
    lines = [
        f"Draw by draw, {found.paired_draws} draws in common: {len(tested)} requirements tested,"
        f" {len(differing)} differ in some draw",
        f"  every requirement met: {whole['all_met_before']:.0f} -> {whole['all_met_after']:.0f}"
        f" draws; lost in {whole['all_met_lost']:.0f}, gained in {whole['all_met_gained']:.0f},"
        f" exact McNemar p = {whole['p_all_met']:.2g}",
        f"  not met a draw: {whole['mean_failures_before']:.2f} ->"
        f" {whole['mean_failures_after']:.2f} on average; more in {whole['more_failures']:.0f}"
        f" draws, fewer in {whole['fewer_failures']:.0f}, exact sign test p ="
        f" {whole['p_failures']:.2g}",
    ]
    if not differing.empty:
        lines.append(
            "  draws: met before and not now, the reverse; McNemar p (Holm for all tested)"
        )
    for words, ascending in (("lost", False), ("gained", False)):
        own = differing[differing[f"draws_{words}"] > 0]
        other = "gained" if words == "lost" else "lost"
        if words == "gained":
            own = own[own["draws_lost"] == 0]
        own = own.sort_values(
            ["p_mcnemar", f"draws_{words}"], ascending=[True, ascending], kind="stable"
        )
        for row in own.head(MOST).to_dict("records"):
            lines.append(
                f"  {row['event']}: {row['restraint']}  lost {row['draws_lost']}, gained"
                f" {row['draws_gained']} of {row['draws_paired']}  p ="
                f" {row['p_mcnemar']:.2g} ({row['p_holm']:.2g})"
            )
        if len(own) > MOST:
            rest = f"with none {other}" if words == "gained" else f"with some {words}"
            lines.append(f"  and {len(own) - MOST} more {rest}")
    lines += _transitions(found, number, "draws", "Verdict changed, draws")
    return lines


def result_line(found: Comparison, *, codes: bool = True) -> str:
    """The last line; with *codes* it states which losses make the exit code 1."""
    lost, sure = len(found.lost), len(found.lost_significantly)
    draws = _result_of_draws(found)
    if lost:
        other = f"; besides, {draws}" if draws else ""
        code = " (exit code 1: a result, not an error)" if codes else ""
        return (
            f"RESULT: {count(lost, 'requirement')} of gating algorithms lost, nominal{other}{code}."
        )
    if draws:
        code = (
            " (exit code 1: lost significantly over draws; a result, not an error)."
            if sure
            else " (exit code 0: none lost at nominal, none significantly over draws; too few"
            " draws show nothing as significant)."
        )
        code = code if codes else "."
        return f"RESULT: of gating algorithms none lost at nominal; {draws}{code} {_UNMET}"
    gating = found.table["gating"].any()
    what = "No requirement of a gating algorithm" if gating else "No gating algorithm; nothing"
    over = f" or in any of {count(found.paired_draws, 'paired draw')}" if found.paired_draws else ""
    if not gating:
        over = ""
    return f"RESULT: {what} was lost in what both runs judged, nominal{over}. {_UNMET}"


_UNMET = "Requirements that neither run meets are not counted here; see each run."


def _result_of_draws(found: Comparison) -> str:
    """Requirements not lost at nominal that paired draws lose; empty where there are none."""
    some, sure = len(found.lost_in_draws), len(found.lost_significantly)
    if not some:
        return ""
    return f"{count(some, 'requirement')} lost in some draws, {sure or 'none'} significantly (Holm)"
