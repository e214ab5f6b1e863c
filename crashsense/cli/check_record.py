"""``crashsense check-record``: the quality check of a crash record, on its own."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from crashsense.cli.printing import say
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.records import ChannelFigures


@click.command("check-record")
@click.argument("path")
@click.option(
    "--channel",
    metavar="CHANNEL",
    help="Channel for the central sensor: number(s) separated by commas, a place such as 'sill', "
    "words of its description, or a column of a table.",
)
@click.option("--quiet", "-q", is_flag=True, help="Print warnings and errors only.")
def check_record(path: str, channel: str | None, quiet: bool) -> int:
    """Check a crash record: units, signs, time, offsets, and velocity change against its header.

    PATH is the record's folder, its header file, an archive or a table. Exit code 0: no error
    found; 2: the record cannot be used.
    """
    from crashsense.records import inspect_record

    checked = inspect_record(path, channel=channel)
    findings = checked.findings
    counts = Counter(finding.severity for finding in findings)
    for severity in ("error", "warning", "info"):
        if severity == "info" and quiet:
            continue
        for finding in findings:
            if finding.severity == severity:
                if severity == "error":
                    click.echo(str(finding), err=True)
                else:
                    say(str(finding))
    if not quiet:
        for line in (*figures_table(checked.figures), *stand_ins(checked.figures)):
            say(line)
    say(f"{path}: {counted(counts)}")
    if not quiet:
        say(f"CAUTION: {CAUTION}")
    return 2 if counts["error"] else 0


def counted(counts: Counter[str]) -> str:
    """Say how many findings of each severity there are.

    >>> counted(Counter(error=1, info=2))
    '1 error, 0 warnings, 2 notes'
    """
    pairs = [(counts["error"], "error"), (counts["warning"], "warning"), (counts["info"], "note")]
    return ", ".join(f"{number} {word}{'' if number == 1 else 's'}" for number, word in pairs)


#: Column of a table that needs no other in its place.
CENTRAL = "central_x_g"


def stand_ins(figures: Sequence[ChannelFigures]) -> list[str]:
    """Say which channel is taken for the central sensor, where it is measured elsewhere."""
    taken = [f for f in figures if f.state == "taken" and f.channel != CENTRAL]
    return [
        f"{f.file}: channel {f.channel}{f' ({f.place})' if f.place else ''} stands for central_x"
        for f in taken
    ]


def figures_table(figures: Sequence[ChannelFigures]) -> list[str]:
    """Lines of a table: the figures of each usable channel, one line for each."""
    if not figures:
        return []
    rows = [("channel", "place", "peak CFC 60", "velocity change", "t127", "required", "state")]
    for line in figures:
        rows.append(
            (
                line.channel,
                line.place,
                f"{line.peak_class_60_g:.1f} g",
                f"{line.velocity_change_kmh:+.1f} km/h",
                _ms(line.free_flight_ms),
                _ms(line.required_ms),
                line.state,
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _ms(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.1f} ms"
