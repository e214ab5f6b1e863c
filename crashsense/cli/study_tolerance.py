"""``crashsense study tolerance``: which tolerance moves fire time and margin."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from crashsense.cli.options import WholeNumber
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import DRAW_KEYS, resolved, study_options

DEFAULT_FOLDER = "crashsense-study-tolerance"

#: Draws where neither a plan file nor an option says how many.
DRAWS = 200


@click.command("tolerance")
@click.argument("plan", required=False, metavar="[PLAN.toml]")
@study_options(*DRAW_KEYS)
@click.option(
    "--sobol", type=WholeNumber(0), default=0, metavar="POINTS", help="Sobol indices; 64 or so."
)
@click.option(
    "--corners/--no-corners", default=True, help="Corners of build and temperature (default)."
)
@click.option(
    "--sigma", type=float, default=3.0, show_default=True, help="Standard deviations of a corner."
)
@click.option("--workers", type=WholeNumber(1), help="Processes to use.")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def tolerance_command(plan: str | None, **options: Any) -> int:
    """Rank the tolerances of pulse, sensors and control unit by their effect on each decision.

    Over random draws (default 200): rank correlation of every drawn value with margin and fire
    time, a tornado, and the worst draw by name; --sobol adds shares of variance by sensor
    tolerance. Corners: cold, room and hot, with every sensor tolerance at 3 sigma on the side that
    hurts (min) or helps (max), each with a plan in tolerance_corners that evaluates it again.
    Writes tolerance.csv, tolerance_worst.csv, tolerance_corners.csv, all also as Parquet,
    tolerance.txt, tolerance.svg, tolerance.png, and the run itself in tolerance_run, to replay any
    draw.

    \b
    Example:
      crashsense study tolerance --events wall_full_40 --draws 200 --sobol 64
    """
    from crashsense.engine import choose, using
    from crashsense.studies.corners import corner_plans
    from crashsense.studies.folders import check_folder
    from crashsense.studies.study_files import write_study
    from crashsense.studies.tolerance import study_tolerance, tolerance_figure, tolerance_text

    out, workers = (options.pop(name) for name in ("out", "workers"))
    given = {name: options.pop(name) for name in ("sobol", "corners", "sigma")}
    check_folder(out, study="study tolerance", prefix="tolerance")
    if plan is None and options["draws"] is None:
        options["draws"] = DRAWS
    engine, note = choose(options.pop("engine"))
    if note:
        click.echo(note, err=True)
    with using(engine):
        asked = resolved(plan, options)
        found = study_tolerance(asked, out=Path(out) / "tolerance_run", workers=workers, **given)
    corners, plans = corner_plans(found.corners, asked)
    found = replace(found, corners=corners)
    text = tolerance_text(found)
    say(text)
    folder = write_study(
        out,
        name="tolerance",
        tables={"": found.table, "worst": found.worst, "corners": found.corners},
        text=text,
        figure=tolerance_figure(found),
    )
    (folder / "tolerance_corners").mkdir(exist_ok=True)
    for name, content in plans.items():
        (folder / "tolerance_corners" / name).write_text(content, encoding="utf-8")
    say(f"\nTables and figure: {place(folder)}")
    return 0
