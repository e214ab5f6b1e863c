"""``crashsense catalogue``: the library on one page, and levels of misuse beside their ranges."""

from __future__ import annotations

from pathlib import Path

import click

from crashsense.cli.printing import place, say
from crashsense.cli.targets import made, target_file
from crashsense.resources import CAUTION


@click.command("catalogue")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("catalogue.html"),
    show_default=True,
    help="HTML file to write.",
)
@click.option(
    "--levels",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Also write the table of misuse levels beside their ranges (Markdown).",
)
@click.option(
    "--recipes",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of recipes instead of the shipped library.",
)
@click.option(
    "--challenge/--no-challenge",
    default=True,
    show_default=True,
    help="List the no-fire classes that challenge no rule family (senses the library once).",
)
def catalogue(out: Path, levels: Path | None, folder: Path | None, challenge: bool) -> int:
    """Write a page with every event of the library as small charts on shared axes."""
    from crashsense.reporting.catalogue import catalogue_entries, catalogue_page
    from crashsense.synthesis import load_recipes
    from crashsense.synthesis.misuse.levels import levels_table, measure_levels

    for option, path in (("--out", out), ("--levels", levels)):
        if path is not None:
            target_file(path, option=option)
    recipes = load_recipes(folder)
    notes = []
    if challenge:
        from crashsense.studies.challenge import challenge_sentence, challenge_table

        notes.append(challenge_sentence(challenge_table([e for r in recipes for e in r.events()])))
    page = catalogue_page(catalogue_entries(recipes), notes=notes)
    table = None if levels is None else levels_table(measure_levels(recipes))
    made(out).write_text(page, encoding="utf-8")
    say(f"{len(recipes)} recipes: {place(out)}")
    if levels is not None and table is not None:
        made(levels).write_text(table, encoding="utf-8")
        say(f"levels: {place(levels)}")
    say(f"CAUTION: {CAUTION}")
    return 0
