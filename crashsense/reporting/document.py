"""A run as a printed document, for review by the people responsible.

It reports tests and their outcome, and approves nothing: the lines for review and release are left
blank. Numbers come from the run as it is stored; nothing is computed again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense.errors import Fault, InputError
from crashsense.event import ALL_RESTRAINTS
from crashsense.plotting import UNIT_NAMES, VERMILION
from crashsense.reporting.paper import Paper, write_pdf
from crashsense.reporting.summary import (
    fitted_sentences,
    milliseconds,
    result_words,
    ruleless_words,
    worst_margins,
)
from crashsense.reporting.view import RunView
from crashsense.reporting.words import must_words
from crashsense.resources import CAUTION
from crashsense.results.folder import RunFolder
from crashsense.results.tally import MET, NOT_MET, WORDS, required_rows, rows_of

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from crashsense.event import Waiver

#: Statement on the cover: what the document is not.
NO_RELEASE = (
    "This document reports what a model computed. It releases nothing, and replaces no test, no "
    "regulation and no certified process. Whether anything is released is decided by the people "
    "responsible, on their own evidence."
)

#: Margins that are listed, and rows of a change list.
MOST_MARGINS = 20


@dataclass(frozen=True, eq=False)
class Evidence:
    """The data that a document needs besides the view of a run.

    ``about``: event -> (row of the event matrix, title); ``rows``: all rows of the matrix that the
    library has; ``waivers``: (event, restraint) -> waiver; ``provenance``: of provenance.json;
    ``faults``: matrix of single faults (``faults_matrix`` of ``study faults``), if there is one;
    ``own_faults``: faults that the whole run carries.
    """

    about: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    rows: frozenset[str] = frozenset()
    waivers: Mapping[tuple[str, str], Waiver] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)
    faults: pd.DataFrame | None = None
    own_faults: Sequence[str] = ()


def evidence_of(run: Any, view: RunView, *, faults: str | Path | None = None) -> Evidence:
    """Collect from a run (:class:`crashsense.results.Run`) and a folder of ``study faults``.

    Raises
    ------
    InputError : the folder of *faults* holds no matrix of single faults
    """
    from crashsense.results.provenance import PROVENANCE
    from crashsense.synthesis import load_recipes

    about, rows = {}, set()
    for recipe in load_recipes():
        rows.add(recipe.matrix)
        about.update(dict.fromkeys(recipe.event_names, (recipe.matrix, recipe.title)))
    waivers = {}
    if bool(view.nominal["waived"].any()):  # the events are synthesised again only then
        for event in run.plan.events:
            for restraint, requirement in event.requirements.items():
                if requirement.waiver is not None:
                    waivers[event.name, restraint] = requirement.waiver
    provenance: dict[str, Any] = {}
    own_faults: Sequence[str] = ()
    if view.folder is not None:
        manifest = RunFolder(view.folder).manifest()
        provenance = RunFolder(view.folder).read_json(PROVENANCE, manifest=manifest)
        own_faults = manifest["identity"]["plan"].get("faults", ())
    return Evidence(
        about=about,
        rows=frozenset(rows - {""}),
        waivers=waivers,
        provenance=provenance,
        faults=None if faults is None else _fault_matrix(faults),
        own_faults=own_faults,
    )


def _fault_matrix(folder: str | Path) -> pd.DataFrame:
    import pandas as pd

    path = Path(folder) / "faults_matrix.parquet"
    expected = "a folder of crashsense study faults (with faults_matrix.parquet)"
    if not path.is_file():
        raise InputError([Fault("report", "--faults", str(folder), expected)])
    return pd.read_parquet(path)


def document_pages(view: RunView, evidence: Evidence) -> list[Figure]:
    """Return the pages of the document."""
    paper = Paper(foot=CAUTION)
    _cover(paper, view, evidence)
    _coverage(paper, view, evidence)
    _verdicts(paper, view)
    _changes(paper, view)
    _margins(paper, view)
    _faults(paper, evidence)
    _sensors(paper, view)
    _requirements(paper, view, evidence)
    _made_from(paper, view, evidence)
    return paper.pages()


def write_document(view: RunView, evidence: Evidence, path: str | Path) -> Path:
    """Write the document as PDF; the folder is created if it does not exist.

    Raises
    ------
    InputError : a name that does not end in .pdf, or a place that cannot be written
    """
    target = Path(path)
    if target.suffix.lower() != ".pdf":
        raise InputError([Fault("report", "--pdf", str(path), "a name that ends in .pdf")])
    pages = document_pages(view, evidence)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        return write_pdf(pages, target)
    except OSError as error:
        expected = f"a file that can be written ({error.strerror or error})"
        raise InputError([Fault("report", "--pdf", str(path), expected)]) from None


def _cover(paper: Paper, view: RunView, evidence: Evidence) -> None:
    paper.add(view.title or "Airbag decisions: tests and their outcome", "title")
    paper.add("")
    paper.add(f"CAUTION: {CAUTION}", colour=VERMILION, bold=True)
    paper.add("")
    paper.add(NO_RELEASE)
    paper.heading("In short")
    for pair in view.deciding:
        paper.add(f"{_sentence(result_words(view, pair))}.", bold=True)
    if not view.deciding:
        paper.add("This run has no gating algorithm: nothing decides.", bold=True)
    if view.changes is not None:
        paper.add(f"Since {view.changes.baseline}: {view.changes.result}")
    for sentence in fitted_sentences(view):
        paper.add(sentence)
    if evidence.own_faults:
        paper.add(f"Every sensor set carries a fault: {', '.join(evidence.own_faults)}.")
    paper.add("")
    events = view.nominal["event"].nunique()
    drawn = f"nominal and {view.tally.draws} random draws, seed {view.seed}"
    paper.table(
        ["what", ""],
        [
            ["run", "in memory" if view.folder is None else view.folder.name],
            ["events", str(events)],
            ["sensor sets", ", ".join(view.sensor_sets)],
            [
                "algorithms (gating)",
                ", ".join(n for n, gate in view.gating.items() if gate) or "none",
            ],
            [
                "compared with",
                ", ".join(n for n, gate in view.gating.items() if not gate) or "none",
            ],
            ["draws", drawn if view.tally.draws else "nominal only: no statement on tolerances"],
            ["computed", str(evidence.provenance.get("finished", "unknown"))],
        ],
    )
    paper.heading("Review and release, by the people responsible")
    paper.add("Left blank. A signature here is that of a person, on evidence beyond this document.")
    for role in ("Prepared by, date", "Reviewed by, date", "Open points", "Released by, date"):
        paper.blank(role)
    paper.new_page()


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _coverage(paper: Paper, view: RunView, evidence: Evidence) -> None:
    paper.heading("Tests: coverage of the event matrix")
    nominal = view.nominal
    one = nominal[
        (nominal["sensor_set"] == nominal["sensor_set"].iloc[0])
        & (nominal["algorithm"] == nominal["algorithm"].iloc[0])
    ]
    rows = []
    for family, own in one.groupby("family", observed=True, sort=False):
        for restraint in ALL_RESTRAINTS:
            words = own.loc[own["restraint"] == restraint, "expectation"].value_counts()
            asked = [int(words.get(name, 0)) for name in ("fire", "no_fire", "open")]
            if asked[0] or asked[1]:
                rows.append([str(family), restraint, *map(str, asked)])
    paper.table(["family", "restraint", "must fire", "must not", "open"], rows)
    names = list(dict.fromkeys(one["event"]))
    tested = {evidence.about[name][0] for name in names if name in evidence.about} - {""}
    own_events = [name for name in names if name not in evidence.about]
    if evidence.rows:
        paper.add(
            f"Rows of the library's event matrix with an event in this run: {len(tested)} of "
            f"{len(evidence.rows)}."
        )
        missing = sorted(evidence.rows - tested)
        if missing:
            paper.add(f"Not tested: {', '.join(missing)}.")
    if own_events:
        paper.add(f"Not from the library (records or your own recipes): {', '.join(own_events)}.")


def _verdicts(paper: Paper, view: RunView) -> None:
    paper.heading("Verdicts, nominal")
    found = [view.counts[pair] for pair in view.pairs]
    shown = [*MET, *(v for v in NOT_MET if any(own[v] for own in found)), "not_evaluated"]
    rows = [
        [
            view.labels[pair] + ("" if view.gating.get(pair[1], True) else " (compared)"),
            *(str(own[name]) for name in ("met", "not_met", *shown)),
        ]
        for pair, own in zip(view.pairs, found, strict=True)
    ]
    paper.table(["algorithm", "met", "not met", *(WORDS[name] for name in shown)], rows)
    for pair in view.pairs:
        if told := ruleless_words(view.nominal, pair, view.rules):
            paper.add(f"{told}.")
    for entry in view.whole_draws:
        paper.add(
            f"{entry['algorithm']} with {entry['sensor_set']}: everything met in "
            f"{entry['all_met']} of {entry['draws']} random draws."
        )


def _changes(paper: Paper, view: RunView) -> None:
    paper.heading("Changes since the baseline")
    if view.changes is None:
        paper.add("No baseline was named.")
        return
    paper.add(f"Baseline: {view.changes.baseline}. {view.changes.result}")
    for note in view.changes.notes:
        paper.add(note)
    rows = [
        [row["change"], row["event"], row["restraint"], *_before_after(row)]
        for row in view.changes.rows
    ]
    head = ["change", "event", "restraint", "before", "now"]
    paper.table(head, rows, none="No requirement changed between met and not met.")
    if view.changes.more:
        paper.add(f"and {view.changes.more} more (crashsense study compare lists all)")


def _before_after(row: Mapping[str, Any]) -> list[str]:
    return [str(row.get(f"verdict_{side}", "")).replace("_", " ") for side in ("before", "after")]


def _margins(paper: Paper, view: RunView) -> None:
    paper.heading("Worst margins, nominal")
    rows = worst_margins(view.rows_shown(), most=MOST_MARGINS, rules=view.rules)
    paper.table(
        ["event", "restraint", "algorithm", "demand margin", "time margin", "verdict"],
        [
            [
                row.event,
                row.restraint,
                view.labels[row.sensor_set, row.algorithm],
                f"{row.demand_margin:+.2f}",
                milliseconds(row.time_margin_ms, sign=True) if row.expectation == "fire" else "-",
                WORDS[row.verdict],
            ]
            for row in rows_of(rows)
        ],
    )


def _faults(paper: Paper, evidence: Evidence) -> None:
    paper.heading("Single sensor faults")
    matrix = evidence.faults
    if matrix is None:
        paper.add("No matrix of single faults was given (crashsense study faults makes one).")
        return
    harmful = matrix[matrix["events_harmed"] > 0]
    paper.add(f"{len(harmful)} of {len(matrix)} single faults harm a requirement met without them.")
    paper.table(
        ["fault", "gravest", "events harmed", "first event"],
        [
            [row.fault, str(row.gravest).replace("_", " "), str(row.events_harmed), row.first_event]
            for row in rows_of(harmful.sort_values("events_harmed", ascending=False))
        ],
    )


def _sensors(paper: Paper, view: RunView) -> None:
    """Parts by channel, and the card of each element that a part comes from."""
    for entry in view.sensors:
        paper.heading(f"Sensors: {entry['sensor_set']}")
        paper.table(
            ["channel", "part", "range, +/-", "corner", "total delay", "element"],
            [
                [
                    one["channel"],
                    one["part"],
                    f"{one['range']:g} {UNIT_NAMES[one['unit']]}",
                    "none" if one["corner_hz"] is None else f"{one['corner_hz']:g} Hz",
                    f"{one['delay_ms']:.2f} ms",
                    one["element"] or "-",
                ]
                for one in entry["channels"]
            ],
        )
        for element in entry["elements"]:
            where = ", ".join(element["channels"])
            paper.add(f"Element {element['name']}: {element['title']} ({where})", bold=True)
            paper.table(
                ["quantity", "value", "unit", "formula"],
                [
                    [row[key] for key in ("name", "value", "unit", "formula")]
                    for row in element["rows"]
                ],
            )


def _requirements(paper: Paper, view: RunView, evidence: Evidence) -> None:
    for pair in view.shown:
        paper.new_page()
        paper.heading(f"Requirements: {view.labels[pair]}, nominal")
        paper.add("Not met first, then waived, then the rest.")
        own = view.nominal
        own = required_rows(own[(own["sensor_set"] == pair[0]) & (own["algorithm"] == pair[1])])
        met = own["verdict"].isin(MET)
        order = own.assign(_place=met.astype(int) * 2 - own["waived"].astype(int))
        order = order.sort_values("_place", kind="stable")
        paper.table(
            ["event", "row", "restraint", "must", "by", "fired", "margin", "verdict", "waiver"],
            _requirement_rows(order, evidence),
            none="Nothing is required.",
        )


def _requirement_rows(rows: pd.DataFrame, evidence: Evidence) -> Iterator[list[str]]:
    for row in rows_of(rows):
        waiver = evidence.waivers.get((row.event, row.restraint))
        told = "" if waiver is None else f"until {waiver.until}: {waiver.why}"
        fires = row.expectation == "fire"
        yield [
            row.event,
            evidence.about.get(row.event, ("-", ""))[0] or "-",
            row.restraint,
            must_words(row.expectation),
            milliseconds(row.required_time_ms) if fires else "-",
            "-" if row.fire_time_ms != row.fire_time_ms else milliseconds(row.fire_time_ms),
            _margin_words(row),
            WORDS[row.verdict],
            told or ("waived" if row.waived else ""),
        ]


def _margin_words(row: Any) -> str:
    """Demand margin of a row; time margin of an order, which has no demand."""
    if row.expectation == "order" and row.time_margin_ms == row.time_margin_ms:
        return milliseconds(row.time_margin_ms, sign=True)
    return "-" if row.demand_margin != row.demand_margin else f"{row.demand_margin:+.2f}"


def _made_from(paper: Paper, view: RunView, evidence: Evidence) -> None:
    paper.new_page()
    paper.heading("Made from")
    found = evidence.provenance
    versions = [[name, version] for name, version in dict(found.get("versions", {})).items()]
    if found:
        versions.append(["engine, path", f"{found.get('engine')}, {found.get('path')}"])
        versions.append(["code (SHA-256)", str(found.get("code_sha256", ""))])
    paper.table(["program", "version"], versions, none="Not stored (a run in memory).")
    inputs = dict(found.get("inputs_sha256", {}))
    chief = {k: v for k, v in inputs.items() if not k.startswith("event ")}
    paper.table(["input", "SHA-256"], [[name, digest] for name, digest in chief.items()])
    events = len(inputs) - len(chief)
    if events:
        paper.add(
            f"Digests of {events} files and requirements of events: provenance.json of the run."
        )
    paper.heading("Notes")
    for note in view.notes[:60]:
        paper.add(note, "small")
    if len(view.notes) > 60:
        paper.add(f"{len(view.notes) - 60} more are on the page of the run", "small")
    if not view.notes:
        paper.add("none")
