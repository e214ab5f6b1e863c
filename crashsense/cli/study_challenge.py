"""``crashsense study challenge``: which no-fire classes challenge which rule family."""

from __future__ import annotations

from pathlib import Path

import click

from crashsense.cli.printing import place, say
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION


@click.command("challenge")
@click.option(
    "--events",
    multiple=True,
    metavar="NAME|GLOB|FAMILY",
    help="Events of the library (default: all); may be repeated.",
)
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for the table (Markdown); without it the table is printed.",
)
def challenge_command(events: tuple[str, ...], sensor_set: str, out: Path | None) -> int:
    """Largest demand of each rule family, with its default numbers, over each no-fire class.

    A class in which no family passes a third of its threshold is not challenging: that its
    requirements are held shows nothing.
    """
    from crashsense.studies.challenge import (
        as_markdown,
        as_text,
        challenge_sentence,
        challenge_table,
    )
    from crashsense.synthesis import load_events

    table = challenge_table(load_events(list(events) or None), sensor_set=sensor_set)
    if table.empty:
        raise InputError(
            [Fault("study challenge", "--events", list(events), "an event that must not fire")]
        )
    if out is None:
        say(as_text(table))
    else:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(as_markdown(table), encoding="utf-8")
        say(f"{len(table)} no-fire classes: {place(out)}")
        say(challenge_sentence(table))
    say(f"CAUTION: {CAUTION}")
    return 0
