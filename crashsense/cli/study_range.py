"""``crashsense study range``: how the range of a sensor changes verdicts."""

from __future__ import annotations

from functools import partial
from typing import Any

import click

from crashsense.cli.options import OneOf, plan_options
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import chosen_events, event_options, progress_bar
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION

DEFAULT_FOLDER = "crashsense-study-range"


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
@event_options
@click.option("--algorithm", default="guarded", metavar="NAME|FILE", show_default=True)
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--sensor", default="central_x", show_default=True, help="Sensor to vary.")
@click.option("--restraint", default="front_airbag_stage_1", show_default=True)
@click.option(
    "--ranges",
    type=Numbers(),
    help="[g; pressure: kPa; roll rate: deg/s] Default: 35,50,70,100,120,240 g; other kinds: 1/8 to"
    " 2 times the part's own.",
)
@click.option("--bits", type=Numbers(whole=True), help="Default: the part's own.")
@click.option("--corners", type=Numbers(), help="[Hz] Default: the part's own.")
@partial(plan_options, only=("draws", "seed", "vary"))
@click.option("--engine", type=OneOf("numpy", "fast"), help="Default: the fastest installed.")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def range_command(**options: Any) -> int:
    """Run every range, word length and filter corner over a set of events.

    Each is compared with the ideal sensor (unlimited range, no quantisation): which requirements
    the range loses, which it gains, and which fail anyway; with --draws also in random draws, with
    the same car and noise for both. Writes range.parquet, range.csv, range_settings.csv, range.svg
    and advice.txt into a new folder or that of an earlier study. Records replace the
    library unless events are named as well.

    \b
    Example:
      crashsense study range --events "pole_centre_*" --ranges 35,50,100 --draws 50
    """
    from crashsense.engine import choose, using
    from crashsense.rules import load_algorithm
    from crashsense.sensing import load_sensor_set
    from crashsense.studies.folders import check_folder
    from crashsense.studies.range_files import check_range_folder, write_range_study
    from crashsense.studies.range_text import event_lines, settings_lines
    from crashsense.studies.sensor_range import study_range
    from crashsense.studies.wording import count
    from crashsense.trials import Conditions

    # Before the events, whose making takes a while: typing errors are reported at once.
    check_folder(check_range_folder(options["out"]), study="study range")
    engine, note = choose(options["engine"])
    algorithm = load_algorithm(options["algorithm"])
    sensor_set = load_sensor_set(options["sensor_set"])
    if note:
        click.echo(note, err=True)
    events = chosen_events(options)
    draws = options["draws"] or 0
    conditions = Conditions(seed=options["seed"] or 1, vary=options["vary"] or "both")
    with using(engine):
        found = study_range(
            events,
            algorithm=algorithm,
            sensor_set=sensor_set,
            sensor=options["sensor"],
            restraint=options["restraint"],
            ranges=options["ranges"],
            bits=options["bits"],
            corners_hz=options["corners"],
            draws=draws,
            conditions=conditions,
            on_progress=progress_bar("events"),
        )
    folder = write_range_study(found, options["out"])
    with_draws = f", {draws} draws besides the nominal one" if draws else ", nominal sensors"
    say(f"CAUTION: {CAUTION}\n")
    say(
        f"{options['sensor']}, {options['restraint']}, algorithm {found.metadata['algorithm']},"
        f" {count(found.table['event'].nunique(), 'event')}{with_draws}\n"
    )
    say("\n".join(settings_lines(found.settings, found.metadata)))
    say("\n" + "\n".join(event_lines(found)))
    say("\n" + "\n".join(found.advice))
    say(f"\nTables and figure: {place(folder)}")
    return 0
