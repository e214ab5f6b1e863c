"""``crashsense explain RUN EVENT``: why a restraint fired, or why not."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from typing import Any

import click

from crashsense.cli.options import draw_of, evaluation_options
from crashsense.cli.printing import place, say, width
from crashsense.cli.targets import FIGURES, made, target_file
from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import CAUTION


@click.command()
@evaluation_options
@click.option("--trust", is_flag=True, help="Run rules of RUN that you never evaluated here.")
@click.option("--restraint", metavar="NAME", help="This restraint only.")
@click.option("--tree", is_flag=True, help="Every branch of the rules, with inputs and samples.")
@click.option("--figure", metavar="FILE", help="Also draw the event to this file (.png, .svg).")
def explain(
    run: str,
    event: str,
    number: int | None,
    draw: int | None,
    restraint: str | None,
    tree: bool,
    figure: str | None,
    **options: Any,
) -> None:
    """Say why a restraint fired in EVENT of the run folder RUN, or why not.

    The evaluation is run again. The output is one sentence for each restraint (those with the same
    reason share it); for the most important one (or --restraint) also a table of its criteria in
    physical units: the value that each needs, and its values at the required time and when the
    restraint fired; * marks what decided. Two restraints in order have a joint name:
    front_airbag_stage_2_after_stage_1.
    Rules in Python or C that you have not evaluated on this machine run only with --trust.
    """
    from crashsense.event import ALL_RESTRAINTS
    from crashsense.results import open_run, replay

    if restraint is not None and restraint not in ALL_RESTRAINTS and "_after_" not in restraint:
        expected = nearest(restraint, ALL_RESTRAINTS)
        raise InputError([Fault("command line", "--restraint", restraint, expected)])
    target = None
    if figure is not None:
        target = target_file(figure, option="--figure", endings=FIGURES)
    draw = draw_of(number, draw)
    opened = open_run(run)
    with _engine_for(draw, made_by=opened.engine):
        replayed = replay(opened, event, draw=draw, **options)
        trial = replayed.trial
        known = [*trial.event.requirements, *trial.event.orders]
        if restraint is not None and restraint not in known:
            raise InputError(
                [Fault("command line", "--restraint", restraint, nearest(restraint, known))]
            )
        found = [trial.explain(name) for name in (known if restraint is None else [restraint])]
    say(f"CAUTION: {CAUTION}")
    say(
        f"\n{trial.event.name}, draw {draw}, sensor set {trial.sensor_set.name}, "
        f"algorithm {trial.algorithm.name}"
    )
    for note in replayed.notes:
        say(f"Note: {note}")
    if tree:
        for one in found:
            say(f"\n{one}")
    else:
        _short(found)
    if target is not None:
        from crashsense.plotting import import_without_help, save
        from crashsense.reporting.stacked_figure import trial_event_figure
        from crashsense.reporting.timing import spreads_of

        import_without_help()
        spreads = spreads_of(opened.statistics() if opened.tally.draws else None)
        save(trial_event_figure(trial, restraint=restraint, spreads=spreads), made(target))
        say(f"\nFigure: {place(target)}")


def _engine_for(draw: int, *, made_by: str) -> AbstractContextManager[None]:
    """The nominal draw, whose signals are kept, is small work; another is integrated first."""
    from crashsense import engine

    if draw != 0:
        return nullcontext()
    return engine.for_small_work("numpy" if made_by == "numpy" else engine.requested())


def _short(found: list[Any]) -> None:
    from crashsense.trials.explain import main_explanation, shared

    say()
    for group in shared(found):
        say(group.headline)
    main = main_explanation(found)
    table = [] if main is None else main.table(width=width())
    if main is not None and table:
        if len(found) > 1:
            say(f"\n{main.restraint}")
        say("\n".join(table))
