"""``crashsense recorder RUN EVENT``: an evaluation as an event data recorder would hold it."""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli.options import draw_of, evaluation_options
from crashsense.cli.printing import place, say


@click.command()
@evaluation_options
@click.option("--out", metavar="DIR", help="Write tables and figure there.")
def recorder(
    run: str, event: str, number: int | None, draw: int | None, out: str | None, **options: Any
) -> int:
    """Show EVENT of the run folder RUN as an event data recorder would hold it.

    By the definitions of 49 CFR Part 563: trigger, time zero, velocity change every 10 ms to 250
    ms, its maximum and the time of it, deployment times; in the range and resolution of the
    regulation, beside the true change. With --out it writes recorder.csv, recorder_elements.csv,
    both also as Parquet, recorder.txt, recorder.svg and recorder.png.

    \b
    Example:
      crashsense recorder crashsense-run wall_full_40 --out recorder
    """
    from crashsense.results import open_run
    from crashsense.studies.folders import check_folder
    from crashsense.studies.recorder import recording, recording_figure, recording_text
    from crashsense.studies.study_files import write_study

    if out is not None:
        check_folder(out, study="recorder", prefix="recorder")
    found = recording(open_run(run), event, draw=draw_of(number, draw), **options)
    text = recording_text(found)
    say(text)
    if out is not None:
        folder = write_study(
            out,
            name="recorder",
            tables={"": found.table, "elements": found.elements},
            text=text,
            figure=recording_figure(found),
        )
        say(f"\nTables and figure: {place(folder)}")
    return 0
