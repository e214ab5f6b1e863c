"""``crashsense explain RUN EVENT``: why did it fire, or why not?"""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli.options import WholeNumber
from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import CAUTION


@click.command()
@click.argument("run")
@click.argument("event")
@click.option("--draw", type=WholeNumber(0), default=0, help="Draw (default 0, nominal).")
@click.option("--sensor-set", metavar="NAME", help="Sensor set of the run (default: the last).")
@click.option("--algorithm", metavar="NAME", help="Algorithm of the run (default: the last).")
@click.option("--trust", is_flag=True, help="Run rules of RUN that you never evaluated here.")
@click.option("--restraint", metavar="NAME", help="This restraint only.")
def explain(run: str, event: str, draw: int, restraint: str | None, **options: Any) -> None:
    """Say why a restraint fired in EVENT of the run folder RUN, or why not.

    The evaluation is run again. For each restraint: which branch of its rule reached 1, when, how
    much of its criterion there was against the threshold, and the inputs at that sample; * marks
    what decided. For one that is late or missed, first what was nearest at the required time.
    Rules in Python or C that you have not evaluated on this machine run only with --trust.
    """
    from crashsense.event import RESTRAINTS
    from crashsense.results import open_run, replay

    if restraint is not None and restraint not in RESTRAINTS:
        expected = nearest(restraint, RESTRAINTS)
        raise InputError([Fault("command line", "--restraint", restraint, expected)])
    replayed = replay(open_run(run), event, draw=draw, **options)
    click.echo(f"CAUTION: {CAUTION}\n")
    trial = replayed.trial
    click.echo(
        f"{trial.event.name}, draw {draw}, sensor set {trial.sensor_set.name}, "
        f"algorithm {trial.algorithm.name}"
    )
    for note in replayed.notes:
        click.echo(f"Note: {note}")
    for name in RESTRAINTS if restraint is None else (restraint,):
        click.echo(f"\n{trial.explain(name)}")
