"""``crashsense evaluate``: the main job, from signals to verdicts and a report."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from contextlib import AbstractContextManager, nullcontext
from typing import Any

import click

from crashsense.cli.options import OneOf, WholeNumber, plan_options
from crashsense.cli.printing import say
from crashsense.cli.targets import target_folder

DEFAULT_FOLDER = "crashsense-run"

#: Random draws of the shipped library where neither a plan nor an option says how many: the first
#: page that a user sees shows spread, and not one realisation.
LIBRARY_DRAWS = 20


@click.command()
@click.argument("plan", required=False, metavar="[PLAN.toml]")
@plan_options
@click.option(
    "--out",
    metavar="DIR",
    help=f"Run folder (default {DEFAULT_FOLDER}, numbered if that holds another plan's run).",
)
@click.option("--workers", type=WholeNumber(1), help="Processes to use.")
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a dask cluster (extra cluster).")
@click.option("--engine", type=OneOf("numpy", "fast"), help="Default: the fastest installed.")
@click.option("--path", type=OneOf("auto", "full"), help="full: filter every draw's noise.")
@click.option("--dry-run", is_flag=True, help="Print what would be computed, then stop.")
@click.pass_context
def evaluate(context: click.Context, plan: str | None, **options: Any) -> int:
    """Judge algorithms on the shipped library, on a PLAN.toml or on measured records.

    Without arguments: the shipped library with 20 random draws besides the nominal one (--draws 0:
    nominal only), sensor set 'standard', algorithms 'plain' and 'guarded'. Records replace the
    library unless the plan names events. Without --out a folder that holds a run of another plan is
    not touched; a new folder with a number is used. The run folder holds report.html, verdicts.csv,
    verdicts.parquet, summary.json, plan.toml and provenance.json, with draws also statistics.csv.

    Exit code 0: every requirement met by every gating algorithm. 1: some not met, which is a
    result and not an error. 2: bad input; nothing was written. 130: interrupted.
    """
    named = options.pop("out")
    if named is not None:
        target_folder(named, option="--out")
    whole = not (plan or options["events"] or options["records"])
    if whole and options["draws"] is None:
        options["draws"] = LIBRARY_DRAWS
    context.with_resource(_workers_begun(options, whole=whole))
    from crashsense import campaign, reporting
    from crashsense.reporting.view import view_of
    from crashsense.synthesis.nominal_cache import in_processes

    given = {name: value for name, value in options.items() if value not in (None, ())}
    if given.pop("dry_run"):
        say(str(campaign.estimate(plan, **given)))
        return 0
    progress = campaign.ProgressLine() if sys.stderr.isatty() else None
    try:
        with in_processes(given.get("workers")):
            run = campaign.evaluate(
                plan,
                out=named or DEFAULT_FOLDER,
                or_next=named is None,
                on_progress=progress,
                on_begin=lambda words: click.echo(words, err=True),
                **given,
            )
    except KeyboardInterrupt:
        click.echo("\nwhat was written is kept; the same command continues it", err=True)
        raise
    finally:
        if progress is not None:
            progress.clear()
    view = view_of(run)  # reads every part once, for all three
    assert run.folder is not None  # it was named
    reporting.write_report(view, run.folder)
    say(reporting.text_summary(view))
    return run.exit_code


def _workers_begun(options: Mapping[str, Any], *, whole: bool) -> AbstractContextManager[None]:
    """Start the server from which workers are forked, if the work is sure to be shared.

    It then imports while this process does: call this before anything heavy is imported here.
    """
    from crashsense import engine, processes

    most = processes.cores() if options["workers"] is None else options["workers"]
    wanted = whole or options["workers"] is not None
    if most > 1 and wanted and not options["cluster"] and not options["dry_run"]:
        fast = options["engine"] != "numpy" and engine.installed()
        return processes.begun("fast" if fast else "numpy")
    return nullcontext()
