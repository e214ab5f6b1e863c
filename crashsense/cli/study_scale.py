"""``crashsense study scale``: how far a pulse may grow or shrink before a decision flips."""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli.options import OneOf
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import progress_bar, resolved, study_options

DEFAULT_FOLDER = "crashsense-study-scale"


@click.command("scale")
@click.argument("plan", required=False, metavar="[PLAN.toml]")
@study_options()
@click.option(
    "--mode",
    multiple=True,
    type=OneOf("amplitude", "time", "constant_velocity"),
    help="Quantity to multiply; constant_velocity: amplitude up, time down. Default amplitude.",
)
@click.option("--low", type=float, default=0.25, show_default=True, help="Smallest factor.")
@click.option("--high", type=float, default=4.0, show_default=True, help="Largest factor.")
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def scale_command(plan: str | None, **options: Any) -> int:
    """Multiply pulses, of the library or measured, until decisions flip: k_flip.

    Events that must not fire are made harder, those that must fire milder; a required time from
    free flight follows the pulse. Usual targets, from practice: must not 1.2 to 1.5, must fire
    0.85 to 0.8. Nominal draw. Writes scale.csv, scale.parquet, scale.txt, scale.svg and scale.png.

    \b
    Example:
      crashsense study scale --events "wall_full_*" --algorithm guarded
    """
    from crashsense.engine import choose, using
    from crashsense.studies.folders import check_folder
    from crashsense.studies.scale import scale_figure, scale_text, study_scale
    from crashsense.studies.study_files import write_study

    out = options.pop("out")
    given = {name: options.pop(name) for name in ("low", "high")}
    modes = options.pop("mode") or ("amplitude",)
    check_folder(out, study="study scale", prefix="scale")
    engine, note = choose(options.pop("engine"))
    if note:
        click.echo(note, err=True)
    with using(engine):
        found = study_scale(
            resolved(plan, options),
            modes=modes,
            on_progress=progress_bar("events"),
            **given,
        )
    text = scale_text(found)
    say(text)
    tables = {"": found.table}
    folder = write_study(out, name="scale", tables=tables, text=text, figure=scale_figure(found))
    say(f"\nTable and figure: {place(folder)}")
    return 0
