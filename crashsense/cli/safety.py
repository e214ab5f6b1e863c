"""``crashsense safety``: the notes that say what the program must not be used for."""

from __future__ import annotations

import click

from crashsense.cli.printing import prose, say, width
from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import CAUTION, folder


def note_names() -> list[str]:
    """Names of the shipped notes, in reading order."""
    return [path.stem.split("_", 1)[1] for path in sorted(folder("safety_notes").glob("*.md"))]


@click.command()
@click.argument("note", required=False)
def safety(note: str | None) -> None:
    """Print scope and limits, hazards, regulations and limits of the data.

    NOTE: print only this one: scope, hazards, regulations, data_limits.
    """
    names = note_names()
    if note is not None and note not in names:
        raise InputError([Fault("command line", "note", note, nearest(note, names))])
    if note is None:
        say(f"CAUTION: {CAUTION}\n")
    for path in sorted(folder("safety_notes").glob("*.md")):
        if note is None or path.stem.endswith(note):
            say(prose(path.read_text(encoding="utf-8"), width()))
