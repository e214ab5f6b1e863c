"""``crashsense study faults``: which single fault of which sensor harms which decision."""

from __future__ import annotations

from typing import Any

import click

from crashsense.cli.options import OneOf
from crashsense.cli.printing import place, say
from crashsense.cli.study_plan import DRAW_KEYS, progress_bar, resolved, study_options
from crashsense.errors import Fault, InputError

DEFAULT_FOLDER = "crashsense-study-faults"

#: Harms, the gravest first; the study has the same list.
HARMS = (
    *("inadvertent", "early", "missed", "late"),
    *("alone", "out_of_order", "too_soon", "too_late", "rule_error", "not_evaluated"),
)

#: Latest time at which a fault may begin [ms].
LATEST_MS = 1e6


@click.command("faults")
@click.argument("plan", required=False, metavar="[PLAN.toml]")
@study_options(*DRAW_KEYS)
@click.option("--sensor", multiple=True, metavar="CHANNEL", help="Sensors that fail; default all.")
@click.option("--kind", multiple=True, metavar="KIND", help="Kinds of fault; default all.")
@click.option(
    "--from-ms",
    multiple=True,
    type=float,
    help="When faults begin, from time zero; may be repeated. Default: from the start.",
)
@click.option(
    "--accept",
    multiple=True,
    type=OneOf(*HARMS),
    help="Harm that does not count for the exit code (nominal draw); may be repeated.",
)
@click.option("--out", default=DEFAULT_FOLDER, metavar="DIR", show_default=True)
def faults_command(plan: str | None, **options: Any) -> int:
    """Cross every single fault of every sensor with events, to see the effect of each fault.

    Lost, stuck, saturated, offset, swapped, inverted, late, wrong gain (crashsense sensors
    faults explains them), one at a time, against the run without a fault. Writes faults.csv and
    .parquet (every decision), faults_matrix.csv and .parquet (one row a fault), faults.txt,
    faults.svg and faults.png.

    Exit code 0: no fault harms a requirement that is met without it. 1: some do, apart from harm
    that --accept names.

    \b
    Example:
      crashsense study faults --events "wall_full_*" --algorithm guarded --accept missed
    """
    from crashsense.engine import choose, using
    from crashsense.studies.faults import fault_figure, fault_text, study_faults
    from crashsense.studies.folders import check_folder
    from crashsense.studies.study_files import write_study

    out, accepted = options.pop("out"), options.pop("accept")
    channels, kinds = options.pop("sensor"), options.pop("kind")
    from_ms = options.pop("from_ms")
    if wrong := [at for at in from_ms if not abs(at) <= LATEST_MS]:
        expected = f"a time from time zero, -{LATEST_MS:g} to {LATEST_MS:g} ms"
        raise InputError([Fault("command line", "--from-ms", wrong[0], expected)])
    check_folder(out, study="study faults", prefix="faults")
    engine, note = choose(options.pop("engine"))
    if note:
        click.echo(note, err=True)
    with using(engine):
        found = study_faults(
            resolved(plan, options),
            channels=channels,
            kinds=kinds,
            from_s=[1e-3 * at for at in from_ms],
            on_progress=progress_bar("occurrences"),
        )
    text = fault_text(found)
    say(text)
    folder = write_study(
        out,
        name="faults",
        tables={"": found.table, "matrix": found.matrix},
        text=text,
        figure=fault_figure(found),
    )
    say(f"\nTables and figure: {place(folder)}")
    harmful = found.harmful(accepted=accepted)
    if accepted:
        say(f"Accepted: {', '.join(accepted)}. Beside these {harmful['fault'].nunique()} harm.")
    return int(len(harmful) > 0)
