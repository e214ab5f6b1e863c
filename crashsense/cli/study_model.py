"""``crashsense study model``: the library's prediction beside a measured crash."""

from __future__ import annotations

import click

from crashsense.cli.options import WholeNumber
from crashsense.cli.printing import place, say
from crashsense.cli.targets import FIGURES, made, target_file
from crashsense.resources import CAUTION

DEFAULT_FIGURE = "crashsense-study-model.png"


@click.command("model")
@click.argument("record", metavar="RECORD")
@click.option("--channel", help="The channel to take, by its name or number.")
@click.option("--obstacle", help="The obstacle, as the frontal model names it; default: header.")
@click.option("--speed-kmh", type=float, help="Closing speed; default: the record's.")
@click.option("--mass-kg", type=float, help="Test mass; default: the record's.")
@click.option("--draws", type=WholeNumber(0), default=20, show_default=True)
@click.option("--seed", type=WholeNumber(0), default=1, show_default=True)
@click.option("--figure", default=DEFAULT_FIGURE, show_default=True, metavar="FILE")
def model_command(
    record: str,
    channel: str | None,
    obstacle: str | None,
    speed_kmh: float | None,
    mass_kg: float | None,
    draws: int,
    seed: int,
    figure: str,
) -> int:
    """Compare a record with the library's prediction for its speed, mass and obstacle.

    Velocity at 10 to 50 ms, t127, required time, peak, crush and levels of bands, so that you can
    see whether the fictional car represents yours. This command fits nothing to it.

    Example: crashsense study model my_record --figure model.png
    """
    from crashsense.files import number
    from crashsense.plotting import save
    from crashsense.records import read_record
    from crashsense.studies.model_against_record import as_text, model_figure, predict

    target = target_file(figure, option="--figure", endings=FIGURES)
    for option, value in (("--speed-kmh", speed_kmh), ("--mass-kg", mass_kg)):
        if value is not None:
            number(value, file="command line", field=option, above=0.0)
    predictions = [
        predict(
            event,
            obstacle=obstacle,
            speed_kmh=speed_kmh,
            mass_kg=mass_kg,
            draws=draws,
            seed=seed,
        )
        for event in read_record(record, channel=channel)
    ]
    say(f"CAUTION: {CAUTION}\n")
    say(as_text(predictions))
    save(model_figure(predictions), made(target))
    say(f"\nFigure: {place(target)}")
    return 0
