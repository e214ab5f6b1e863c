"""``crashsense study challenge``: which no-fire classes challenge which rule family."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import chosen_events, event_options
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION


@click.command("challenge")
@event_options
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for the table (Markdown); without it the table is printed.",
)
def challenge_command(sensor_set: str, out: Path | None, **options: Any) -> int:
    """Find the largest demand of each rule family, with default numbers, over each no-fire class.

    A class in which no family passes a third of its threshold is not challenging: verdicts 'held'
    in such a class show nothing.

    Example: crashsense study challenge --events misuse
    """
    from crashsense.studies.challenge import (
        as_markdown,
        as_text,
        challenge_sentence,
        challenge_table,
    )

    events = chosen_events(options)
    table = challenge_table(events, sensor_set=sensor_set)
    if table.empty:
        names = [event.name for event in events][:12]
        raise InputError([Fault("study challenge", "events", names, "an event that must not fire")])
    if out is None:
        say(as_text(table))
    else:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(as_markdown(table), encoding="utf-8")
        say(f"{len(table)} no-fire classes: {place(out)}")
        say(challenge_sentence(table))
    say(f"CAUTION: {CAUTION}")
    return 0
