"""``crashsense report RUN``: the page of a run folder, written again."""

from __future__ import annotations

import click

from crashsense.cli.printing import place, say
from crashsense.errors import Fault, InputError


@click.command()
@click.argument("run")
@click.option("--title", default="", metavar="TEXT", help="Title of the page.")
@click.option("--baseline", metavar="RUN", help="Show what changed since this earlier run.")
@click.option("--pdf", metavar="FILE.pdf", help="Also write a PDF document for review.")
@click.option("--faults", metavar="DIR", help="For --pdf: folder of crashsense study faults.")
@click.option("--trust", is_flag=True, help="Run rules of RUN that you never evaluated here.")
def report(
    run: str, title: str, baseline: str | None, pdf: str | None, faults: str | None, trust: bool
) -> int:
    """Write report.html of the run folder RUN again, from the data stored in the run.

    Nothing is sensed or judged again. With --baseline the page and the summary begin with the
    requirements that were lost and gained since an earlier run (crashsense study compare says
    more). With --pdf it also writes a document for review: coverage, requirements with waivers,
    verdicts, changes, worst margins, faults, inputs and versions, and blank lines for the people
    responsible. It releases nothing.

    If a run holds no signals, its nominal draw is sensed and judged again; rules in Python or C
    that you have not evaluated on this machine then run only with --trust.

    \b
    Example:
      crashsense report crashsense-run --baseline crashsense-run-before --pdf review.pdf

    The exit code is that of the run: 0 if every requirement was met by every gating algorithm, 1
    if some were not.
    """
    from dataclasses import replace

    from crashsense import reporting
    from crashsense.reporting.view import view_of
    from crashsense.results import open_run

    if faults is not None and pdf is None:
        raise InputError([Fault("command line", "--faults", faults, "--pdf beside it")])
    opened = open_run(run, trust=trust)
    changes = None
    if baseline is not None:
        from crashsense.reporting.changes import changes_since

        changes = changes_since(baseline, run)
    view = replace(view_of(opened), title=title, changes=changes)
    reporting.write_report(view, run)
    say(reporting.text_summary(view))
    if pdf is not None:
        from crashsense.reporting.document import evidence_of, write_document

        written = write_document(view, evidence_of(opened, view, faults=faults), pdf)
        say(f"Document: {place(written)}")
    return opened.exit_code
