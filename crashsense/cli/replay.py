"""``crashsense replay RUN EVENT DRAW``: one evaluation of a run again, with its traces."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli.options import WholeNumber
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.campaign import Replay

SHOWN = (
    "restraint",
    "expectation",
    "verdict",
    "required_time_ms",
    "fire_time_ms",
    "time_margin_ms",
    "demand_margin",
    "held_by",
    "path",
)


def traces_of(replayed: Replay) -> pd.DataFrame:
    """Samples as the control unit finished with them, and every demand: one row a tick."""
    import pandas as pd

    columns: dict[str, Any] = {"time_ms": 1e3 * replayed.times_s}
    for channel, values in replayed.samples.channels.items():
        columns[f"{channel}_si"] = values[0]
    for restraint, branches in replayed.demands.items():
        for branch, demand in branches.items():
            columns[f"{restraint}_{branch}"] = demand
    return pd.DataFrame(columns)


@click.command()
@click.argument("run")
@click.argument("event")
@click.argument("draw", type=WholeNumber(0))
@click.option("--sensor-set", metavar="NAME", help="Sensor set of the run (default: the last).")
@click.option("--algorithm", metavar="NAME", help="Algorithm of the run (default: the last).")
@click.option("--out", metavar="FILE.csv", help="Write the traces there.")
def replay(run: str, event: str, draw: int, out: str | None, **options: Any) -> int:
    """Run DRAW of EVENT of the run folder RUN again: the same rows, and the traces behind them.

    Exit code 1 if a row is not the one that the run has stored, bit for bit.
    """
    from crashsense import campaign

    replayed = campaign.replay(campaign.open_run(run), event, draw=draw, **options)
    click.echo(f"CAUTION: {CAUTION}\n")
    click.echo(
        f"{event}, draw {draw}, sensors {replayed.sensor_set.name}, "
        f"algorithm {replayed.algorithm.name}"
    )
    click.echo(replayed.rows[list(SHOWN)].to_string(index=False, na_rep="-"))
    if out is not None:
        traces_of(replayed).to_csv(Path(out), index=False)
        click.echo(f"Traces: {out}")
    if replayed.differences:
        click.echo(f"DIFFERS from the run in: {', '.join(replayed.differences)}")
        return 1
    click.echo("The same as in the run, bit for bit.")
    return 0
