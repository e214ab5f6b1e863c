"""``crashsense study severity``: chance of firing over impact speed."""

from __future__ import annotations

import math
from typing import Any

import click

from crashsense.cli.options import OneOf, WholeNumber, shown
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import progress_bar
from crashsense.errors import Fault, InputError

DEFAULT_FOLDER = "crashsense-study-severity"

#: Speeds of one study at most: a slip of the pen must not run for a day.
MOST_SPEEDS = 1000


class Speeds(click.ParamType):
    """``FIRST:LAST:STEP`` (last included), or numbers with commas between them [km/h]."""

    name = "first:last:step"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, tuple):
            return value
        try:
            speeds = tuple(_range(value) if ":" in value else map(float, value.split(",")))
        except ValueError:
            speeds = ()
        if not speeds or not all(math.isfinite(speed) for speed in speeds):
            expected = (
                "FIRST:LAST:STEP (as 10:60:2) or numbers with commas between them, in km/h,"
                f" {MOST_SPEEDS} at most"
            )
            raise InputError([Fault("command line", shown(param), value, expected)])
        return speeds


def _range(text: str) -> list[float]:
    first, last, step = (float(part) for part in text.split(":"))
    if not (step > 0.0 and last >= first and (last - first) / step < MOST_SPEEDS):
        raise ValueError(text)
    # Rounded, so that names of events read as the speeds were meant.
    count = int((last - first) / step + 1e-9) + 1
    return [round(first + index * step, 6) for index in range(count)]


@click.command("severity")
@click.argument("recipe", metavar="RECIPE")
@click.option("--speeds", type=Speeds(), default="10:60:2", show_default=True, help="[km/h]")
@click.option("--draws", type=WholeNumber(1), default=200, show_default=True, help="At each speed.")
@click.option(
    "--algorithm", multiple=True, metavar="NAME|FILE", help="Default guarded; may be repeated."
)
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--belts", multiple=True, type=OneOf("belted", "unbelted"), help="Default: both.")
@click.option("--seed", type=WholeNumber(0), default=1, show_default=True)
@click.option("--workers", type=WholeNumber(1), help="Processes to use.")
@click.option(
    "--out",
    metavar="DIR",
    help=f"Default {DEFAULT_FOLDER}, numbered if that holds another study.",
)
def severity_command(recipe: str, **options: Any) -> int:
    """Find the chance of firing over impact speed, for one frontal, side or rear RECIPE.

    RECIPE is a name or a file. It may also be a measured record that states its closing speed: its
    amplitude is scaled with speed, and draws vary only the sensors.

    For each restraint: the share of draws that fire at each speed, the share in time where it must
    fire, the speed at which half of them fire, and the limits of the matrix. Writes
    severity.csv, severity_curves.csv, severity.txt, severity.svg and severity.png. Without --out a
    folder that holds another study is not touched, and a numbered one is used.

    Example: crashsense study severity wall_full_40 --speeds 10:60:2 --draws 50
    """
    from crashsense.studies.folders import check_folder, free_folder
    from crashsense.studies.severity import study_severity, write_severity_study
    from crashsense.studies.severity_report import severity_text

    named = options["out"]
    if named is None:
        check_folder(DEFAULT_FOLDER, study="study severity")
    else:
        check_folder(named, study="study severity", prefix="severity")
    found = study_severity(
        recipe,
        speeds_kmh=options["speeds"],
        draws=options["draws"],
        algorithms=options["algorithm"] or ("guarded",),
        sensor_set=options["sensor_set"],
        belts=options["belts"],
        seed=options["seed"],
        workers=options["workers"],
        on_progress=progress_bar("evaluations"),
    )
    text = severity_text(found)
    say(text)
    target = named or free_folder(DEFAULT_FOLDER, name="severity.txt", text=text + "\n")
    folder = write_severity_study(found, target, text=text)
    say(f"\nTables and figure: {place(folder)}")
    return 0
