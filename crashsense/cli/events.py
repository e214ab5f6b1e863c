"""``crashsense events``: list, show and export the events of a recipe folder."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli import LazyGroup
from crashsense.cli.options import WholeNumber, shown
from crashsense.cli.printing import place, say
from crashsense.cli.targets import FIGURES, made, target_file, target_folder
from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.synthesis.recipe import Recipe

_FOLDER = click.option("--folder", type=click.Path(), default=None, help="Your own recipe folder.")

#: What the listing may be asked for: alike with and without ``list``.
_FILTERS = (
    click.option("--family", default=None, help="Only events of this family."),
    click.option(
        "--restraint", default=None, help="Only events that state more than 'open' for it."
    ),
    click.option("--expectation", default=None, help="fire, no_fire or open (of any restraint)."),
    click.option("--format", "style", default="text", help="text or json."),
    _FOLDER,
)


def _filters(command: Callable[..., None]) -> Callable[..., None]:
    for option in reversed(_FILTERS):
        command = option(command)
    return command


@click.group(cls=LazyGroup, invoke_without_command=True)
@_filters
@click.pass_context
def events(context: click.Context, **filters: Any) -> None:
    """List, show and export the events of the library or of a folder; default: list."""
    if context.invoked_subcommand is None:
        _list(**filters)
        return
    faults = [
        Fault(
            "command line",
            shown(option),
            filters[option.name],
            f"the option after {context.invoked_subcommand!r}",
        )
        for option in context.command.params
        if option.name and filters[option.name] != option.default
    ]
    if faults:
        raise InputError(faults)


@events.command("list")
@_filters
def list_command(**filters: Any) -> None:
    """List the events: name, row of the matrix, title and expectation."""
    _list(**filters)


def _list(
    family: str | None,
    restraint: str | None,
    expectation: str | None,
    style: str,
    folder: str | None,
) -> None:
    _check_filters(family, restraint, expectation, style)
    from crashsense.reporting.event_card import expectation_words
    from crashsense.synthesis import load_recipes

    rows = [
        row
        for recipe in load_recipes(folder)
        for row in _rows(recipe)
        if family in (None, row["family"]) and _fits(row["expectations"], restraint, expectation)
    ]
    if style == "json":
        text = json.dumps({"schema": 1, "caution": CAUTION, "events": rows}, indent=1)
        say(text, as_it_is=True)
        return
    width = max((len(row["name"]) for row in rows), default=10)
    current = None
    for row in rows:
        if row["family"] != current:
            current = row["family"]
            say(f"\n{current}" if row is not rows[0] else str(current))
        word = expectation_words(row["expectations"])
        say(f"  {row['name']:<{width}}  {row['matrix']:<4} {row['title']}  [{word}]")
    say(f"\n{len(rows)} events. crashsense events show NAME   card and figure of one")


def _check_filters(
    family: str | None, restraint: str | None, expectation: str | None, style: str
) -> None:
    from crashsense.event import EXPECTATIONS, FAMILIES, RESTRAINTS

    checks = (
        ("--family", family, FAMILIES),
        ("--restraint", restraint, RESTRAINTS),
        ("--expectation", expectation, EXPECTATIONS),
        ("--format", style, ("text", "json")),
    )
    faults = [
        Fault("command line", name, value, nearest(value, known))
        for name, value, known in checks
        if value is not None and value not in known
    ]
    if faults:
        raise InputError(faults)


def _fits(expectations: dict[str, str], restraint: str | None, expectation: str | None) -> bool:
    if restraint is not None:
        found = expectations[restraint]
        return found != "open" if expectation is None else found == expectation
    return expectation is None or expectation in expectations.values()


def _rows(recipe: Recipe) -> list[dict[str, Any]]:
    """The facts that a program needs about a recipe's events, without physics."""
    from crashsense.event import RESTRAINTS

    return [
        {
            "name": name,
            "title": recipe.title,
            "family": recipe.family,
            "matrix": recipe.matrix,
            "recipe": recipe.name,
            "file": Path(recipe.file).name,
            "model": recipe.model.name,
            "occurrence": recipe.occurrence,
            "belted": state == "belted",
            "struck_side": recipe.struck_side,
            "varies": recipe.varies,
            "parameters": recipe.parameters.model_dump(mode="json"),
            "basis": dict(recipe.basis),
            "tolerances": {
                key: {"kind": t.kind, "width": t.width, "basis": t.basis}
                for key, t in recipe.tolerances.items()
            },
            "expectations": {r: recipe.requirements[state][r].expectation for r in RESTRAINTS},
            "requirements": {
                r: recipe.requirements[state][r].model_dump(mode="json") for r in RESTRAINTS
            },
            "notes": recipe.notes,
        }
        for name, state in zip(recipe.event_names, recipe.belts, strict=True)
    ]


#: Random draws behind the figure of an event: enough to see the spread, below a second to compute.
DRAWN = 16
#: Most of them: the arrays of all draws are held at once.
MOST_DRAWN = 1000


@events.command()
@click.argument("name")
@click.option("--figure", type=click.Path(), default=None, help="File (.png, .svg, .pdf) to draw.")
@click.option(
    "--draws",
    type=WholeNumber(0, most=MOST_DRAWN),
    default=DRAWN,
    show_default=True,
    help="Random draws whose range is drawn behind the nominal lines; 0: the nominal draw alone.",
)
@_FOLDER
def show(name: str, figure: str | None, draws: int, folder: str | None) -> None:
    """Print the card of an event and draw its motion to a file (NAME.png without --figure).

    Lines of the figure are the nominal draw, bands what the first draws of an evaluation with
    seed 1 span around it: the nominal draw is one of many ways in which the event may go. An event
    without tolerances has no band. The card holds figures of the nominal draw.
    """
    from crashsense import engine
    from crashsense.plotting import import_without_help, save
    from crashsense.reporting.event_card import card
    from crashsense.reporting.event_figure import event_figure
    from crashsense.reporting.kept_motion import kept_motion
    from crashsense.synthesis.recipe import recipe_of_event

    recipe = recipe_of_event(name, folder=folder)
    target = Path(figure if figure is not None else f"{name}.png")
    target_file(target, option="--figure", endings=FIGURES)
    say(CAUTION + "\n")
    with engine.for_small_work(engine.requested()):
        event = next(event for event in recipe.events() if event.name == name)
        for line in card(recipe, event):
            say(line)
        import_without_help()
        save(event_figure(kept_motion(recipe, event, draws=draws)), made(target))
    say(f"\nFigure: {place(target)}")


#: File formats of an export, by their ending: of one event, and of each of several.
ENDINGS = (".csv", ".parquet", ".mme", ".zip")
FORMATS = ("csv", "parquet", "zip")


@events.command()
@click.argument("names", nargs=-1)
@click.option(
    "--out",
    required=True,
    type=click.Path(),
    help="File (.csv, .parquet, .mme, .zip) for one event, folder for several.",
)
@click.option("--family", "families", multiple=True, help="Events of this family; may be repeated.")
@click.option("--format", "style", default=None, help="csv, parquet or zip; default: csv.")
@_FOLDER
def export(
    names: tuple[str, ...],
    out: str,
    families: tuple[str, ...],
    style: str | None,
    folder: str | None,
) -> None:
    """Write the signals of events: CSV or Parquet with metadata, or ISO/TS 13499.

    NAMES may contain the wildcards * and ?, quoted for the shell. Several events go to a folder,
    one file each. NAME.mme is written with a folder 'Channel' beside it, NAME.zip holds both.
    A table also has the cabin's rigid-body motion where the model knows it (rigid_body_x_g), which
    no sensor reads.
    """
    from crashsense import engine
    from crashsense.records.writing import write_iso13499, write_signals

    chosen = _chosen(names, families, folder)
    target = Path(out)
    count = sum(len(wanted) for _, wanted in chosen)
    if style is not None and style not in FORMATS:
        raise InputError([Fault("command line", "--format", style, nearest(style, FORMATS))])
    ending = target.suffix.lower().removeprefix(".")
    single = count == 1 and not target.is_dir() and (ending != "" or style is None)
    if single:
        target_file(target, option="--out", endings=ENDINGS)
        if style not in (None, ending):
            expected = f"the ending .{style}, or no --format"
            raise InputError([Fault("command line", "--out", out, expected)])
    else:
        expected = f"a folder, for {count} events"
        if target.suffix.lower() in ENDINGS or target.is_file():
            raise InputError([Fault("command line", "--out", out, expected)])
        target_folder(target, option="--out").mkdir(parents=True, exist_ok=True)
    with engine.using(engine.requested()):
        for recipe, wanted in chosen:
            for event in recipe.events():
                if event.name in wanted:
                    path = target if single else target / f"{event.name}.{style or FORMATS[0]}"
                    iso = path.suffix.lower() in (".mme", ".zip")
                    (write_iso13499 if iso else write_signals)(event, made(path))
                    say(f"{place(path)}: {len(event.signals)} signals")


def _chosen(
    names: tuple[str, ...], families: tuple[str, ...], folder: str | None
) -> list[tuple[Recipe, list[str]]]:
    """Recipes with the names of their requested events, in the order of the library."""
    from fnmatch import fnmatchcase

    from crashsense.errors import UnknownNameError
    from crashsense.event import FAMILIES
    from crashsense.synthesis import load_recipes
    from crashsense.synthesis.selection import nearest_events

    if not names and not families:
        expected = "names of events (with wildcards), or --family"
        raise InputError([Fault("command line", "NAMES", "", expected)])
    faults = [
        Fault("command line", "--family", family, nearest(family, FAMILIES))
        for family in families
        if family not in FAMILIES
    ]
    if faults:
        raise InputError(faults)
    recipes = [r for r in load_recipes(folder) if not families or r.family in families]
    known = [name for recipe in recipes for name in recipe.event_names]
    for pattern in names:
        if not any(fnmatchcase(name, pattern) for name in known):
            raise UnknownNameError([Fault("", "event", pattern, nearest_events(pattern, known))])
    wanted = [
        (
            recipe,
            [n for n in recipe.event_names if not names or any(fnmatchcase(n, p) for p in names)],
        )
        for recipe in recipes
    ]
    return [(recipe, found) for recipe, found in wanted if found]
