"""Changes since an earlier run, as the top of the page shows them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crashsense.studies.comparison import compare_runs
from crashsense.studies.comparison_report import result_line

#: Most rows of the table; lost requirements of gating algorithms come first.
MOST = 20

#: Changes in the order of the table.
ORDER = ("lost", "newly failed", "no longer judged", "gained", "newly met")


@dataclass(frozen=True)
class Changes:
    """Requirements that changed: ``baseline`` names the earlier run, ``result`` says it in words.

    ``notes``: other differences between the runs; ``rows``: rows of the comparison, the gravest
    first; ``more``: how many are left out.
    """

    baseline: str
    result: str
    notes: Sequence[str]
    rows: Sequence[Mapping[str, Any]]
    more: int


def changes_since(baseline: str | Path, run: str | Path) -> Changes:
    """Compare a run folder with an earlier one.

    Raises
    ------
    InputError, RunFolderError : as :func:`crashsense.studies.comparison.compare_runs`
    """
    found = compare_runs(baseline, run)
    rows = [row for row in found.table.to_dict("records") if row["change"] in ORDER]
    rows.sort(key=lambda row: (not row["gating"], ORDER.index(row["change"])))
    notes = list(found.said)
    for words, names in (("earlier", found.only_before), ("this", found.only_after)):
        if names:
            notes.append(f"Events only in the {words} run: {', '.join(names)}.")
    if found.withheld:
        notes.append(f"No comparison draw by draw: {found.withheld}.")
    return Changes(
        baseline=str(baseline),
        # Exit codes are those of the comparison, not of this run.
        result=result_line(found, codes=False).removeprefix("RESULT: "),
        notes=notes,
        rows=rows[:MOST],
        more=max(len(rows) - MOST, 0),
    )
