"""``crashsense study sweep``: one or two numbers of an algorithm over a grid."""

from __future__ import annotations

import math
from typing import Any

import click

from crashsense.cli.options import WholeNumber, shown
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import event_options, reading_of
from crashsense.errors import Fault, InputError

DEFAULT_FOLDER = "crashsense-study-sweep"

#: Values of one parameter at most.
MOST_VALUES = 1000


class Values(click.ParamType):
    """``FIRST:LAST:COUNT`` (evenly spaced), or numbers with commas between them."""

    name = "first:last:count"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, tuple):
            return value
        try:
            numbers = _even(value) if ":" in value else tuple(map(float, value.split(",")))
        except ValueError:
            numbers = ()
        if not numbers or not all(math.isfinite(number) for number in numbers):
            expected = "FIRST:LAST:COUNT (as 0.8:1.6:9) or numbers with commas between them"
            raise InputError([Fault("command line", shown(param), value, expected)])
        return numbers


def _even(text: str) -> tuple[float, ...]:
    first, last, number = text.split(":")
    size, low, high = int(number), float(first), float(last)
    if not 2 <= size <= MOST_VALUES or not low < high:
        raise ValueError(text)
    return tuple(round(low + (high - low) * at / (size - 1), 12) for at in range(size))


@click.command("sweep")
@click.argument(
    "parameters", metavar="ALGORITHM:NUMBER [ALGORITHM:NUMBER]", nargs=-1, required=True
)
@click.option(
    "--values",
    type=Values(),
    multiple=True,
    help="Of each number in turn. Default: 11 between half and double that of the file.",
)
@click.option("--plan", metavar="FILE", help="Plan whose events and records are used.")
@event_options
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option(
    "--restraint",
    multiple=True,
    help="Restraints to count; default: all on which the numbers act.",
)
@click.option("--draws", type=WholeNumber(0), default=50, show_default=True)
@click.option("--seed", type=WholeNumber(0), default=1, show_default=True)
@click.option("--workers", type=WholeNumber(1), help="Processes; default: one for each core.")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def sweep_command(parameters: tuple[str, ...], **options: Any) -> int:
    """Judge an algorithm (name or file) at every value of one or two of its numbers.

    For each value: the shares late, missed and inadvertent over draws, with intervals, and the
    smallest margins; the trade-off front; which event binds at each end. A number is named by its
    path in the algorithm's file: guarded:ramp_belted.start_m_s. Writes sweep.csv, sweep.parquet,
    sweep.txt, sweep.svg and sweep.png.

    Example: crashsense study sweep guarded:ramp_belted.start_m_s --values 0.8:2:7 --events frontal
    """
    from itertools import zip_longest

    from crashsense.studies.folders import check_folder
    from crashsense.studies.sweep import study_sweep
    from crashsense.studies.sweep_report import sweep_text, write_sweep

    check_folder(options["out"], study="study sweep", prefix="sweep")
    if len(options["values"]) > len(parameters):
        expected = f"{len(parameters)} at most, one for each number"
        raise InputError([Fault("command line", "--values", len(options["values"]), expected)])
    found = study_sweep(
        dict(zip_longest(parameters, options["values"])),
        plan=options["plan"],
        events=options["events"],
        records=options["records"],
        reading=reading_of(options),
        sensor_set=options["sensor_set"],
        restraints=options["restraint"],
        draws=options["draws"],
        seed=options["seed"],
        workers=options["workers"],
        on_progress=lambda line: click.echo(line, err=True),
    )
    folder = write_sweep(found, options["out"])
    say(sweep_text(found))
    say(f"\nTable and figure: {place(folder)}")
    return 0
