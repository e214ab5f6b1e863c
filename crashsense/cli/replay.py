"""``crashsense replay RUN EVENT DRAW``: one evaluation of a run again, with its traces."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli.options import draw_of, evaluation_options
from crashsense.cli.printing import place, say
from crashsense.cli.targets import made, target_file
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION
from crashsense.text_table import text_table

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.results import Replay, Run
    from crashsense.verdict_schema import PlainRow

#: End of a file of traces -> how a table writes it.
WRITERS = {".csv": "to_csv", ".parquet": "to_parquet"}

SHOWN = (
    "restraint",
    "expectation",
    "verdict",
    "required_time_ms",
    "fire_time_ms",
    "time_margin_ms",
    "demand_margin",
    "held_by",
)


def row_lines(rows: Sequence[PlainRow]) -> list[str]:
    """The rows as text: requirement and outcome, times in ms."""
    head = ["restraint", "must", "verdict", "by", "fired", "spare", "margin", "held by"]

    def cell(value: Any) -> str:
        if value is None:
            return "-"
        return f"{value:.3f}" if isinstance(value, float) else str(value).replace("_", " ")

    body = [[str(row[SHOWN[0]]), *(cell(row[name]) for name in SHOWN[1:])] for row in rows]
    return text_table([head, *body], left=(0, 1, 2, 7))


def check_target(file: str) -> Path:
    """Return the file for the traces; refuse it before anything is computed."""
    return target_file(file, option="--out", endings=tuple(WRITERS))


def write_traces(traces: pd.DataFrame, path: Path) -> None:
    """Write traces as CSV or Parquet, by the ending of the name; the folder is created."""
    try:
        getattr(traces, WRITERS[path.suffix.lower()])(made(path), index=False)
    except OSError as error:
        expected = f"a file that can be written ({error.strerror or error})"
        raise InputError([Fault("command line", "--out", str(path), expected)]) from error


@click.command()
@evaluation_options
@click.option("--trust", is_flag=True, help="Run rules of RUN that you never evaluated here.")
@click.option("--out", metavar="FILE.csv|.parquet", help="Write the traces there.")
def replay(
    run: str, event: str, number: int | None, draw: int | None, out: str | None, **options: Any
) -> int:
    """Run DRAW (default 0, nominal) of EVENT of the run folder RUN again.

    It gives the same rows, and the traces behind them.

    Rules in Python or C that you have not evaluated on this machine run only with --trust.

    Exit code 1 if a row differs from the row stored in the run. Rows are compared bit for bit or,
    where the engine of the run is not installed here and numpy computes, floats to 1e-9.
    """
    from crashsense.results import open_run

    target = None if out is None else check_target(out)
    draw = draw_of(number, draw)
    replayed = _run_again(open_run(run), event, draw=draw, **options)
    say(f"CAUTION: {CAUTION}\n")
    rows = replayed.plain_rows
    paths = ", ".join(dict.fromkeys(row["path"] for row in rows))
    say(
        f"{event}, draw {draw}, sensors {replayed.trial.sensor_set.name}, "
        f"algorithm {replayed.trial.algorithm.name}, path {paths}; times in ms"
    )
    say("\n".join(row_lines(rows)))
    if target is not None:
        write_traces(replayed.trial.traces(), target)
        say(f"Traces: {place(target)}")
    for note in replayed.notes:
        say(f"Note: {note}")
    how = "bit for bit" if replayed.exact else "to 1e-9"
    if replayed.differences:
        say(f"DIFFERS from the run (compared {how}) in: {', '.join(replayed.differences)}")
        return 1
    say(f"The same as in the run, {how}.")
    return 0


def _run_again(run: Run, event: str, *, draw: int, **options: Any) -> Replay:
    """The evaluation run again, if it can be without kernels, whose loading takes longer than it.

    The signals of the nominal draw are kept. Where its rows then are not those of the run to the
    last bit, the engine of the run decides.
    """
    from crashsense import engine
    from crashsense.results import replay

    if draw == 0 and (run.engine == "numpy" or engine.installed()):
        with engine.for_small_work(run.engine):
            found = replay(run, event, draw=draw, **options)
        if found.exact:
            return found
    return replay(run, event, draw=draw, **options)
