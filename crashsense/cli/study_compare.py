"""``crashsense study compare``: changes between two runs."""

from __future__ import annotations

import click

from crashsense.cli.printing import say
from crashsense.errors import Fault, InputError


@click.command("compare")
@click.argument("run_a", metavar="RUN_A")
@click.argument("run_b", required=False, metavar="[RUN_B]")
@click.option(
    "--algorithm", multiple=True, metavar="A:B", help="Compare A of RUN_A with B of RUN_B."
)
@click.option(
    "--sensor-set",
    multiple=True,
    metavar="A:B",
    help="The same for sensor sets; both may be repeated.",
)
@click.option("--out", metavar="DIR", help="Also write comparison.csv and comparison.txt there.")
def compare_command(
    run_a: str,
    run_b: str | None,
    algorithm: tuple[str, ...],
    sensor_set: tuple[str, ...],
    out: str | None,
) -> int:
    """Say what changed from run folder RUN_A to run folder RUN_B, or inside RUN_A alone.

    Sensor sets and algorithms are paired by name; if one is left over on each side, these two are
    paired as well. Requirements are lost and gained at nominal; if seed, variation and draws are
    the same, the runs are also compared draw by draw. Without RUN_B two algorithms or sensor sets
    of RUN_A are compared: name them, as in --algorithm plain:guarded.

    Exit code 0: no requirement of a gating algorithm was lost. 1: some were, at nominal or with
    significance over paired draws (exact McNemar test, Holm, 5 %), which is a result and not an
    error.
    2: bad input.

    Example: crashsense study compare run-before run-after --out compared
    """
    from crashsense.studies.comparison import compare_runs, write_comparison
    from crashsense.studies.comparison_report import comparison_text
    from crashsense.studies.folders import check_folder

    if run_b is None and not (algorithm or sensor_set):
        expected = "RUN_B, or --algorithm A:B or --sensor-set A:B to compare inside RUN_A"
        raise InputError([Fault("command line", "RUN_B", None, expected)])
    if out is not None:
        check_folder(out, study="study compare", prefix="comparison")
    found = compare_runs(run_a, run_b or run_a, algorithms=algorithm, sensor_sets=sensor_set)
    text = comparison_text(found)
    if out is not None:
        write_comparison(found, out, text=text)
    say(text)
    return 1 if len(found.lost) or len(found.lost_significantly) else 0
