"""``crashsense study element``: which geometry of an element is enough for a set of events."""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli.options import WholeNumber
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import chosen_events, event_options, progress_bar
from crashsense.errors import Fault, InputError

DEFAULT_FOLDER = "crashsense-study-element"


class Varied(click.ParamType):
    """``NAME=V1,V2,...`` or ``NAME=FIRST:LAST:STEP`` (last included)."""

    name = "name=values"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from crashsense.cli.study_severity import Speeds

        if isinstance(value, tuple):
            return value
        name, equals, text = str(value).partition("=")
        if not equals or not name.strip():
            expected = "a number of the element file and its values, as gap_um=1,1.5,2"
            raise InputError([Fault("command line", "--vary", value, expected)])
        try:
            return name.strip(), Speeds().convert(text, param, ctx)
        except InputError:
            expected = "numbers with commas between them, or FIRST:LAST:STEP"
            raise InputError([Fault("command line", "--vary", value, expected)]) from None


@click.command("element")
@click.argument("element", metavar="FILE")
@click.option(
    "--vary",
    type=Varied(),
    multiple=True,
    required=True,
    help="A number of the element file and its values, as gap_um=1,1.5,2 or pressure_pa=1e4,1e5;"
    " may be repeated for a grid.",
)
@click.option("--sensor", multiple=True, help="Channel with the element (default central_x).")
@event_options
@click.option("--algorithm", default="guarded", metavar="NAME|FILE", show_default=True)
@click.option("--sensor-set", default="standard", metavar="NAME|FILE", show_default=True)
@click.option("--restraint", default="front_airbag_stage_1", show_default=True)
@click.option("--draws", type=WholeNumber(0), default=0, show_default=True)
@click.option("--seed", type=WholeNumber(0), default=1, show_default=True)
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def element_command(element: str, **options: Any) -> int:
    """Judge the element in FILE over a grid of geometries.

    Each point is a sensor: clipping before the filter, velocity lost at the required time, c/m,
    missed and inadvertent, noise on the quiet road. The study says which is the smallest and
    softest that loses no requirement, and which event rules out the next. Writes tables (CSV,
    Parquet), text and figure. Example:

    crashsense study element my_element.toml --vary gap_um=1:3:0.5 --vary beam_width_um=2,3,4
    """
    from crashsense.sensing.element_file import load_element
    from crashsense.studies.element import study_element
    from crashsense.studies.element_report import element_text, write_element_study
    from crashsense.studies.folders import check_folder

    check_folder(options["out"], study="study element", prefix="element")
    one = load_element(element)
    found = study_element(
        chosen_events(options),
        element=one,
        vary=dict(options["vary"]),
        sensors=options["sensor"] or ("central_x",),
        algorithm=options["algorithm"],
        sensor_set=options["sensor_set"],
        restraint=options["restraint"],
        draws=options["draws"],
        seed=options["seed"],
        on_progress=progress_bar("events"),
    )
    text = element_text(found)
    say(text)
    folder = write_element_study(found, options["out"], text=text)
    say(f"\nTables and figure: {place(folder)}")
    return 0
