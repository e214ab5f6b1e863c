"""What changed between two runs: requirements lost and gained, and results draw by draw.

Rows are paired by event, restraint and draw, and by sensor set and algorithm. Lost and gained refer
to the nominal draw. Random draws depend on seed, occurrence and draw number only: with the
same seed draw k of one run is draw k of the other (common random numbers); verdicts are compared
draw by draw. Where seed, variation or sharing of sensors differ, no paired statistics are given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense.errors import Fault, InputError, RunFolderError
from crashsense.results.folder import write_csv, write_text
from crashsense.scoring import FAILURES, MET, VERDICTS
from crashsense.studies.paired import holm, mcnemar_exact
from crashsense.studies.two_runs import DRAWN_BY, Pair, Side, arrow, pair_settings, read_side
from crashsense.studies.wording import count

if TYPE_CHECKING:
    import pandas as pd

#: Verdicts by which a requirement is met.

#: Two required times closer than this are the same [ms].
SAME_MS = 1e-6

#: A loss over draws is significant where its p-value, adjusted by Holm, is below this [-].
LEVEL = 0.05

_IS_MET = np.array([verdict in MET for verdict in VERDICTS] + [False])
_FAILED = np.array([verdict in FAILURES for verdict in VERDICTS] + [False])


@dataclass(frozen=True, eq=False)
class Comparison:
    """What :func:`compare_runs` found.

    ``table``: one row an event, restraint and pair of settings, columns in :data:`COLUMNS`;
    ``transitions``: rows by pair, ``over`` (``nominal`` or ``draws``) and verdict before and after;
    ``by_draw``: one row a pair, the draw as one trial; ``said``: sentences that come first;
    ``paired_draws``: random draws compared, ``withheld``: why there are none.
    """

    before: Side
    after: Side
    pairs: tuple[Pair, ...]
    table: pd.DataFrame
    transitions: pd.DataFrame
    by_draw: pd.DataFrame
    said: tuple[str, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    paired_draws: int
    withheld: str

    @property
    def lost(self) -> pd.DataFrame:
        """Gating requirements met before and not after, at nominal."""
        return self.table[(self.table["change"] == "lost") & self.table["gating"]]

    @property
    def lost_in_draws(self) -> pd.DataFrame:
        """Gating requirements not lost at nominal, but in some paired draw."""
        if not self.paired_draws:
            return self.table.iloc[:0]
        rows = self.table[self.table["gating"] & (self.table["change"] != "lost")]
        return rows[rows["draws_lost"] > 0]

    @property
    def lost_significantly(self) -> pd.DataFrame:
        """Of :attr:`lost_in_draws` those lost in more draws than gained, below :data:`LEVEL`."""
        rows = self.lost_in_draws
        if rows.empty:
            return rows
        return rows[(rows["draws_lost"] > rows["draws_gained"]) & (rows["p_holm"] < LEVEL)]


#: Column of the table -> what it means; ``_before`` and ``_after`` as in a verdict table.
COLUMNS = {
    "gating": "true if the algorithm decides an exit code in either run",
    "change": (
        "lost, gained, newly met, newly failed, no longer judged, or same (met or not met in both,"
        " or judged in neither)"
    ),
    "requirement_changed": "true if the expectation or a required time changed",
    "fire_time_change_ms": "after less before; null where it fires in one run only",
    "demand_margin_change": "after less before; null where an expectation changed",
    "draws_paired": "random draws judged in both runs",
    "draws_met_both, draws_lost, draws_gained, draws_failed_both": "of these",
    "p_mcnemar": "exact two-sided McNemar test of lost against gained",
    "p_holm": "the same, adjusted by Holm for the number of tests of the pair of settings",
}


def compare_runs(
    before: str | Path,
    after: str | Path,
    *,
    algorithms: Sequence[str] = (),
    sensor_sets: Sequence[str] = (),
) -> Comparison:
    """Compare two run folders.

    Parameters
    ----------
    before, after : run folders
    algorithms, sensor_sets : pairs ``A:B`` of names that differ; see :func:`paired_names`

    Raises
    ------
    RunFolderError : no run folder, not complete, or damaged
    InputError : names that cannot be paired, or no event in common
    """
    sides = read_side(before), read_side(after)
    try:
        return _compared(*sides, algorithms=algorithms, sensor_sets=sensor_sets)
    except pa.ArrowException as error:
        names = " or ".join(side.name for side in sides)
        raise RunFolderError(f"{names}: a part is damaged ({error}); evaluate again") from error


def _compared(
    before: Side, after: Side, *, algorithms: Sequence[str], sensor_sets: Sequence[str]
) -> Comparison:
    pairs, said = pair_settings(before, after, algorithms, sensor_sets)
    ours, theirs = before.nominal(), after.nominal()
    mine, other = set(ours["event"]), set(theirs["event"])
    if not mine & other:
        expected = f"an event that {before.name} has too: {_some(sorted(mine))}"
        raise InputError([Fault(after.name, "events", _some(sorted(other)), expected)])
    table = _nominal_table(ours, theirs, pairs)
    changed = int(table["requirement_changed"].sum())
    if changed:
        verb = "has itself changed" if changed == 1 else "have themselves changed"
        said.insert(
            0,
            f"{count(changed, 'requirement')} {verb} (listed below): what changed there is not"
            " due to the algorithm.",
        )
    said += _said_of_inputs(before, after, pairs, sorted(mine & other))
    withheld, draws = _withheld(before, after)
    odd: set[str] = set()
    if draws:
        different = table["occurrence_before"] != table["occurrence_after"]
        odd = set(table.loc[different, "event"])
        if odd:
            said.append(
                f"No paired draws for {_some(sorted(odd))}: the occurrence changed, and its"
                " draws with it."
            )
    table, by_draw, transitions = _with_draws(table, before, after, pairs, draws=draws, odd=odd)
    return Comparison(
        before=before,
        after=after,
        pairs=pairs,
        table=table.drop(columns=["occurrence_before", "occurrence_after"]),
        transitions=transitions,
        by_draw=by_draw,
        said=tuple(said),
        only_before=tuple(sorted(mine - other)),
        only_after=tuple(sorted(other - mine)),
        paired_draws=draws,
        withheld=withheld,
    )


def _withheld(before: Side, after: Side) -> tuple[str, int]:
    """Return why draws cannot be paired, and how many can."""
    differing = [k for k in DRAWN_BY if before.plan[k] != after.plan[k]]
    draws = min(before.draws, after.draws)
    if not draws:
        return "no random draws in both runs", 0
    if differing:
        listed = ", ".join(f"{k} {before.plan[k]} -> {after.plan[k]}" for k in differing)
        return f"{listed}: draw k is not the same realisation in both runs", 0
    return "", draws


def _some(names: Sequence[str], most: int = 6) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _said_of_inputs(
    before: Side, after: Side, pairs: Sequence[Pair], events: Sequence[str]
) -> list[str]:
    """Sentences on what differs between the inputs of the two runs."""
    old, new = before.identity["inputs"], after.identity["inputs"]
    said = []
    differing = {key for key in {*old, *new} if old.get(key) != new.get(key)}
    # Changed requirements are reported from the rows.
    files = {key for key in differing if not key.endswith(": requirements")}
    touched = [e for e in events if any(key.startswith(f"event {e}: ") for key in files)]
    vehicles = sorted(key for key in differing if key.startswith("vehicle: "))
    if touched:
        said.append(
            f"The recipe or record of {count(len(touched), 'event')} changed"
            f" ({_some(touched)}): what changed there is not necessarily due to the algorithm."
        )
    if vehicles:
        said.append(
            f"The content of {_some(vehicles)} differs: recipes that use it give different signals."
        )
    for kind, names in (
        ("sensor set", [(p.sensor_set_before, p.sensor_set_after) for p in pairs]),
        ("algorithm", [(p.algorithm_before, p.algorithm_after) for p in pairs]),
    ):
        for a, b in dict.fromkeys(names):
            # For an algorithm, also the files of user-written rules.
            content = _content(old, f"{kind}: {a}"), _content(new, f"{kind}: {b}")
            same = content[0] == content[1] and bool(content[0])
            if same or a == b:
                word = "the same content in both" if same else "the content differs"
                said.append(f"{kind.capitalize()} {arrow(a, b)}: {word}.")
    had, has = (side.identity.get("plan", {}).get("faults", []) for side in (before, after))
    if had != has:
        said.append(
            f"Faults of sensors: {arrow(', '.join(had) or 'none', ', '.join(has) or 'none')}."
        )
    if before.identity.get("code") != after.identity.get("code"):
        said.append(
            "The program's code differs: what changed is not necessarily due to the algorithm."
        )
    for key in ("path", "engine"):
        was, now = before.identity.get(key), after.identity.get(key)
        if was != now:
            said.append(f"Computed differently: {key} {was} -> {now}.")
    versions = before.identity["versions"], after.identity["versions"]
    odd = [
        f"{k} {v} -> {versions[1].get(k)}"
        for k, v in versions[0].items()
        if versions[1].get(k) != v
    ]
    if odd:
        said.append(f"Different versions: {', '.join(odd)}.")
    return said


def _content(inputs: Mapping[str, str], name: str) -> dict[str, str]:
    """Checksums of an input and of the files that belong to it, without its name."""
    return {
        key.removeprefix(name): digest
        for key, digest in inputs.items()
        if key == name or key.startswith(f"{name}: ")
    }


def _nominal_table(ours: pd.DataFrame, theirs: pd.DataFrame, pairs: Sequence[Pair]) -> pd.DataFrame:
    """Pair the nominal rows and describe what changed in each."""
    import pandas as pd

    key = ["pair", "event", "restraint"]
    numbered = []
    for frame, end in ((ours, "before"), (theirs, "after")):
        place = pd.MultiIndex.from_tuples(
            [(getattr(p, f"sensor_set_{end}"), getattr(p, f"algorithm_{end}")) for p in pairs]
        )
        rows = pd.MultiIndex.from_frame(frame[["sensor_set", "algorithm"]])
        frame = frame.assign(pair=place.get_indexer(rows)).drop(columns="draw")
        numbered.append(frame[frame["pair"] >= 0])
    table = numbered[0].merge(numbered[1], on=key, suffixes=("_before", "_after"))
    table = table.rename(columns={"family_before": "family"}).drop(columns="family_after")
    table["gating"] = np.array([p.gating for p in pairs])[table["pair"]]
    met, failed = (
        {e: table[f"verdict_{e}"].isin(words) for e in ("before", "after")}
        for words in (MET, FAILURES)
    )
    judged = {e: met[e] | failed[e] for e in ("before", "after")}
    broke = failed["after"] & (table["verdict_after"] == "rule_error") & ~failed["before"]
    table["change"] = np.select(
        [
            (met["before"] & failed["after"]) | broke,
            failed["before"] & met["after"],
            ~judged["before"] & met["after"],
            ~judged["before"] & failed["after"],
            judged["before"] & ~judged["after"],
        ],
        ["lost", "gained", "newly met", "newly failed", "no longer judged"],
        "same",
    )
    other = table["expectation_before"] != table["expectation_after"]
    times = table["required_time_ms_before"], table["required_time_ms_after"]
    near = ((times[1] - times[0]).abs() <= SAME_MS) | (times[0].isna() & times[1].isna())
    moved = (table["expectation_before"] == "fire") & ~near
    table["requirement_changed"] = other | moved
    table["fire_time_change_ms"] = table["fire_time_ms_after"] - table["fire_time_ms_before"]
    margin = table["demand_margin_after"] - table["demand_margin_before"]
    table["demand_margin_change"] = margin.where(~other)
    first = ["event", "family", "restraint", "sensor_set_before", "sensor_set_after"]
    first += ["algorithm_before", "algorithm_after", "gating", "change", "requirement_changed"]
    rest = [c for c in table.columns if c not in first]
    return table.sort_values(key, ignore_index=True)[first + rest]


def _with_draws(
    table: pd.DataFrame,
    before: Side,
    after: Side,
    pairs: Sequence[Pair],
    *,
    draws: int,
    odd: set[str],
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Add the results of the draws to every row; also the draw as one trial, and transitions."""
    import pandas as pd

    size = len(VERDICTS)
    nominal, drawn = (np.zeros((len(pairs), size, size), dtype=np.int64) for _ in range(2))
    number = {name: index for index, name in enumerate(VERDICTS)}
    at = [table["pair"], *(table[f"verdict_{e}"].map(number) for e in ("before", "after"))]
    np.add.at(nominal, tuple(column.to_numpy(dtype=np.int64) for column in at), 1)
    #: (before, after), pair, draw -> failed requirements
    failures = np.zeros((2, len(pairs), draws + 1), dtype=np.int64)
    table = table.copy()
    if draws:
        cells = np.full((len(table), 4), -1, dtype=np.int64)
        sides = (
            (before, [(p.sensor_set_before, p.algorithm_before) for p in pairs]),
            (after, [(p.sensor_set_after, p.algorithm_after) for p in pairs]),
        )
        same = (table["expectation_before"] == table["expectation_after"]).to_numpy()
        asked = same & (table["expectation_before"] != "open").to_numpy()
        asked_of = list(dict.fromkeys(table["restraint"]))
        restraint = table["restraint"].map(asked_of.index).to_numpy()
        setting = table["pair"].to_numpy()
        for event, rows in table.groupby("event").indices.items():
            if event in odd:
                continue
            codes = [
                side.verdict_codes(str(event), which, draws=draws, restraints=asked_of)
                for side, which in sides
            ]
            for row in rows:
                a, b = (c[setting[row], restraint[row]] for c in codes)
                known = (a >= 0) & (b >= 0)
                known[0] = False  # the nominal draw enters no statistic
                place = size * a[known].astype(np.int64) + b[known]
                drawn[setting[row]] += np.bincount(place, minlength=size**2).reshape(size, size)
                if not asked[row]:
                    continue
                known &= (_IS_MET[a] | _FAILED[a]) & (_IS_MET[b] | _FAILED[b])
                bad = _FAILED[a] & known, _FAILED[b] & known
                failures[0, setting[row]] += bad[0]
                failures[1, setting[row]] += bad[1]
                lost, gained = (int(np.sum(bad[k] & ~bad[1 - k])) for k in (1, 0))
                both = int(np.sum(bad[0] & bad[1]))
                cells[row] = int(known.sum()) - lost - gained - both, lost, gained, both
        done = cells[:, 0] >= 0
        names = ("met_both", "lost", "gained", "failed_both")
        table["draws_paired"] = np.where(done, cells.sum(axis=1), 0)
        for name, column in zip(names, cells.T, strict=True):
            table[f"draws_{name}"] = np.where(done, column, 0)
        tested = done & (cells.sum(axis=1) > 0)
        table["p_mcnemar"] = [
            mcnemar_exact(int(c[1]), int(c[2])) if ok else np.nan
            for c, ok in zip(cells, tested, strict=True)
        ]
        table["p_holm"] = np.nan
        for index in range(len(pairs)):
            own = setting == index
            table.loc[own, "p_holm"] = holm(table.loc[own, "p_mcnemar"].to_numpy())
    by_draw = pd.DataFrame([_by_draw(failures[:, i, 1:]) for i in range(len(pairs)) if draws])
    transitions = [
        {
            "pair": i,
            "over": over,
            "verdict_before": VERDICTS[a],
            "verdict_after": VERDICTS[b],
            "rows": int(counts[i, a, b]),
        }
        for over, counts in (("nominal", nominal), ("draws", drawn))
        for i, a, b in np.argwhere(counts)
    ]
    columns = ["pair", "over", "verdict_before", "verdict_after", "rows"]
    return table, by_draw, pd.DataFrame(transitions, columns=columns)


def _by_draw(failures: npt.NDArray[np.int64]) -> dict[str, Any]:
    """The draw as one trial; *failures*: failed requirements, shape (2, draws).

    Valid whether or not events share their sensors: draws are independent, events of one are not.
    """
    met = failures == 0
    lost, gained = int(np.sum(met[0] & ~met[1])), int(np.sum(~met[0] & met[1]))
    more, fewer = int(np.sum(failures[1] > failures[0])), int(np.sum(failures[1] < failures[0]))
    return {
        "draws": failures.shape[1],
        "all_met_before": int(met[0].sum()),
        "all_met_after": int(met[1].sum()),
        "all_met_lost": lost,
        "all_met_gained": gained,
        "p_all_met": mcnemar_exact(lost, gained),
        "mean_failures_before": float(failures[0].mean()),
        "mean_failures_after": float(failures[1].mean()),
        "more_failures": more,
        "fewer_failures": fewer,
        "p_failures": mcnemar_exact(more, fewer),
    }


def write_comparison(found: Comparison, folder: str | Path, *, text: str) -> Path:
    """Write comparison.csv and comparison.txt; return the folder."""
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        expected = f"a folder that can be written ({error.strerror})"
        raise InputError([Fault("study compare", "--out", str(target), expected)]) from None
    write_csv(target / "comparison.csv", [found.table.drop(columns="pair")])
    write_text(target / "comparison.txt", text + "\n")
    return target
