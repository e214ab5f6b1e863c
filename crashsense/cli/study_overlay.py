"""``crashsense study overlay``: one criterion in its units, all events in one picture."""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import event_options, reading_of

DEFAULT_FOLDER = "crashsense-study-overlay"


@click.command("overlay")
@click.argument("criterion", metavar="ALGORITHM:DEFINITION")
@click.option("--restraint", default="front_airbag_stage_1", show_default=True)
@click.option("--plan", metavar="FILE", help="Plan whose events and records are used.")
@event_options
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def overlay_command(criterion: str, **options: Any) -> int:
    """Draw one criterion of an algorithm (name or file) in its units over all events.

    Velocity against time with the threshold line, the plane of a map with its line, or the amount
    of any other criterion over time. Events that must fire are drawn up to their required time,
    those that must not in full, in two colours and shapes; the three that bind are named
    for each kind. Writes overlay.csv, overlay.parquet, overlay.txt, overlay.svg and overlay.png.

    Example: crashsense study overlay guarded:ramp_belted --events frontal
    """
    from crashsense.studies.folders import check_folder
    from crashsense.studies.overlay import overlay_text, study_overlay, write_overlay

    check_folder(options["out"], study="study overlay", prefix="overlay")
    names = ("restraint", "plan", "events", "records", "sensor_set")
    given = {name: options[name] for name in names}
    found = study_overlay(criterion, reading=reading_of(options), **given)
    folder = write_overlay(found, options["out"])
    say(overlay_text(found))
    say(f"\nTable and figure: {place(folder)}")
    return 0
