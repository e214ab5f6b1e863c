"""``crashsense study calibrate``: new numbers for an algorithm, and how well they hold."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from crashsense.cli.options import WholeNumber
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import event_options, reading_of

DEFAULT_FOLDER = "crashsense-study-calibrate"


@click.command("calibrate")
@click.argument("algorithm", metavar="ALGORITHM")
@click.option("--plan", metavar="FILE", help="Plan whose events and records are used.")
@event_options
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--draws", type=WholeNumber(1), default=20, show_default=True, help="Searched on.")
@click.option(
    "--held-out", type=WholeNumber(0), default=20, show_default=True, help="Further draws, unseen."
)
@click.option(
    "--folds",
    type=WholeNumber(0),
    default=4,
    show_default=True,
    help="Parts of the classes of events, each left out once.",
)
@click.option("--seed", type=WholeNumber(0), default=1, show_default=True)
@click.option(
    "--budget", type=WholeNumber(1), default=480, show_default=True, help="Seconds in all."
)
@click.option(
    "--generations", type=WholeNumber(1), default=60, show_default=True, help="Of each search."
)
@click.option("--most-numbers", type=WholeNumber(1), help="Free numbers at most.")
@click.option("--name", help="Name of the new algorithm; default ALGORITHM_calibrated.")
@click.option("--workers", type=WholeNumber(1), help="Processes; default: one for each core.")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def calibrate_command(algorithm: str, **options: Any) -> int:
    """Move the free numbers of ALGORITHM (name or file) to make its smallest margin largest.

    The table [calibration] of its file says which numbers are free, and within which bounds.
    Margins are in units of their own scatter over draws. Draws are held out, and whole classes of
    events are left out in turn; only results on these are reported. Writes a new algorithm
    file, calibration.csv, calibration.parquet, calibration_numbers.csv, calibration.txt,
    calibration.svg and .png. If it was stopped, the same command continues. The package itself is
    not changed.

    Example: crashsense study calibrate guarded --events frontal --budget 300 --out my-calibration
    """
    from crashsense.studies.calibration import study_calibration
    from crashsense.studies.calibration_report import calibration_text, write_calibration
    from crashsense.studies.folders import check_folder

    target = Path(options["out"])
    check_folder(target, study="study calibrate", prefix="calibration")
    target.mkdir(parents=True, exist_ok=True)
    found = study_calibration(
        algorithm,
        plan=options["plan"],
        events=options["events"],
        records=options["records"],
        reading=reading_of(options),
        sensor_set=options["sensor_set"],
        draws=options["draws"],
        held_out=options["held_out"],
        folds=options["folds"],
        seed=options["seed"],
        budget_s=options["budget"],
        generations=options["generations"],
        most_numbers=options["most_numbers"],
        name=options["name"],
        workers=options["workers"],
        state=target / "calibration_state.json",
        on_progress=lambda line: click.echo(line, err=True),
    )
    folder = write_calibration(found, target)
    say(calibration_text(found))
    say(f"\nNew algorithm: {place(folder / f'calibration_{found.name}.toml')}")
    say(f"Tables and figure: {place(folder)}")
    return 0
