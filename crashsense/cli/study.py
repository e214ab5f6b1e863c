"""``crashsense study``: questions over many evaluations; a new study adds one line to STUDIES."""

from __future__ import annotations

import sys
from typing import Any

import click

from crashsense.cli import LazyGroup
from crashsense.cli.options import OneOf
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION

#: Study -> (module in this room, function, one line for ``--help``).
STUDIES: dict[str, tuple[str, str, str]] = {
    "compare": ("study_compare", "compare_command", "What changed between two runs."),
    "range": ("study", "range_command", "Which sensor range, word length and corner to buy."),
    "severity": ("study_severity", "severity_command", "Chance of firing over impact speed."),
}

DEFAULT_FOLDER = "crashsense-study-range"


@click.group(cls=LazyGroup, table=STUDIES)
def study() -> None:
    """Studies on the library or on records."""


class Numbers(click.ParamType):
    """Numbers with commas between them."""

    name = "number,..."

    def __init__(self, *, whole: bool = False) -> None:
        self.whole = whole

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, tuple):
            return value
        try:
            return tuple((int if self.whole else float)(text) for text in value.split(","))
        except ValueError:
            shown = param.opts[-1] if param is not None else ""
            expected = f"{'whole ' if self.whole else ''}numbers with commas between them"
            raise InputError([Fault("command line", shown, value, expected)]) from None


@click.command("range")
@click.option(
    "--events",
    multiple=True,
    metavar="NAME|GLOB|FAMILY",
    help="Events of the library (default: all); may be repeated.",
)
@click.option("--records", multiple=True, metavar="PATH", help="Measured record; may be repeated.")
@click.option("--channel", help="Records: the channel to take, by its name or number.")
@click.option("--belts", type=OneOf("belted", "unbelted"), help="Records: belt state.")
@click.option("--expect", type=OneOf("fire", "no_fire", "open"), help="Records: for stage 1.")
@click.option("--algorithm", default="guarded", metavar="NAME|FILE", show_default=True)
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--sensor", default="central_x", show_default=True, help="Sensor that is varied.")
@click.option("--restraint", default="front_airbag_stage_1", show_default=True)
@click.option("--ranges", type=Numbers(), default="35,50,70,100,120,240", show_default=True)
@click.option("--bits", type=Numbers(whole=True), default="10", show_default=True)
@click.option("--corners", type=Numbers(), default="400", show_default=True, help="[Hz]")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def range_command(**options: Any) -> int:
    """Run every range, word length and filter corner over a set of events.

    Writes range.parquet, range.csv, range_settings.csv, range.svg and advice.txt. Records replace
    the library unless events are named as well.
    """
    from crashsense.rules import load_algorithm
    from crashsense.sensing import load_sensor_set
    from crashsense.studies.sensor_range import study_range, write_range_study

    # Before the events, whose making takes a while: a mistyped name is told at once.
    algorithm = load_algorithm(options["algorithm"])
    sensor_set = load_sensor_set(options["sensor_set"])
    events = _events(options)
    bar = sys.stderr.isatty()

    def progress(done: int, total: int) -> None:
        if bar:
            click.echo(f"\r{done}/{total} events", nl=done == total, err=True)

    found = study_range(
        events,
        algorithm=algorithm,
        sensor_set=sensor_set,
        sensor=options["sensor"],
        restraint=options["restraint"],
        ranges_g=options["ranges"],
        bits=options["bits"],
        corners_hz=options["corners"],
        on_progress=progress,
    )
    folder = write_range_study(found, options["out"])
    click.echo(f"CAUTION: {CAUTION}\n")
    click.echo(
        f"{options['sensor']}, {options['restraint']}, algorithm {found.metadata['algorithm']},"
        f" {found.table['event'].nunique()} events, nominal sensors\n"
    )
    click.echo(
        "  range g  bits  corner Hz  clipped before/after %  velocity error 60 ms m/s"
        "  shift ms  c/m   failed"
    )
    for _, row in found.settings.iterrows():
        click.echo(
            f"  {row['range_g']:7g} {row['bits']:5g} {row['corner_hz']:10g}"
            f"  {100 * row['worst_clipped_before_filter']:10.1f} /"
            f" {100 * row['worst_clipped_after_filter']:<8.1f}"
            f"  {_number(row['worst_velocity_error_60ms_m_s'], 3):>24}"
            f"  {_number(row['worst_fire_time_shift_ms'], 1):>8}"
            f"  {_number(row['separation_ratio'], 2):>5}  {row['failures']:5d}"
        )
    click.echo("\n" + "\n".join(found.advice))
    click.echo(f"\nTables and figure: {folder}")
    return 0


def _number(value: float, digits: int) -> str:
    return "-" if value != value else f"{value:.{digits}f}"


def _events(options: dict[str, Any]) -> list[Any]:
    from crashsense.synthesis import load_events

    events: list[Any] = []
    if options["records"]:
        from crashsense.records import read_record

        for path in options["records"]:
            events += read_record(
                path,
                channel=options["channel"],
                belts=options["belts"],
                expect=options["expect"],
            )
    if options["events"] or not options["records"]:
        events += load_events(list(options["events"]) or None)
    return events
