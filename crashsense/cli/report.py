"""``crashsense report RUN``: the page of a run folder, written again."""

from __future__ import annotations

import click

from crashsense.cli.options import say


@click.command()
@click.argument("run")
@click.option("--title", default="", metavar="TEXT", help="Title of the page.")
@click.option("--baseline", metavar="RUN", help="Show what changed since this earlier run.")
def report(run: str, title: str, baseline: str | None) -> int:
    """Write report.html of the run folder RUN again, from what the run has stored.

    Nothing is sensed or judged again. With --baseline the page and the summary begin with the
    requirements that were lost and gained since an earlier run (crashsense study compare says
    more).

    Exit codes are those of the run: 0 if every requirement was met by every gating algorithm, 1 if
    some were not.
    """
    from dataclasses import replace

    from crashsense import reporting
    from crashsense.reporting.changes import changes_since
    from crashsense.reporting.view import view_of
    from crashsense.results import open_run

    opened = open_run(run)
    changes = None if baseline is None else changes_since(baseline, run)
    view = replace(view_of(opened), title=title, changes=changes)
    reporting.write_report(view, run)
    say(reporting.text_summary(view))
    return opened.exit_code
