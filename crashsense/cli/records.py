"""``crashsense records``: folders of measured records: check them, import them as a library."""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING

import click

from crashsense.cli.printing import place, say
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.records.library import Checked


@click.group(invoke_without_command=True)
@click.pass_context
def records(context: click.Context) -> None:
    """Check folders of records, and import them into a library."""
    if context.invoked_subcommand is None:
        say(context.get_help())


@records.command()
@click.argument("folder")
@click.option("--quiet", "-q", is_flag=True, help="The table alone, without warnings and errors.")
def check(folder: str, quiet: bool) -> int:
    """Run every check on every record of FOLDER; print one line for each channel that is used.

    FOLDER holds records (folders, archives, tables) and optionally a manifest, records.toml or
    records.csv. Exit code 0: no error; 2: a record cannot be used.
    """
    from crashsense.records.library import check_folder

    found = check_folder(folder)
    if not quiet:
        for one in found:
            for line in one.lines:
                text = f"{one.name}: {line}"
                if line.startswith("error"):
                    click.echo(text, err=True)
                else:
                    say(text)
    for line in table(found):
        say(line)
    states = Counter(one.state for one in found)
    told = ", ".join(f"{states[s]} {w}" for s, w in _STATES)
    say(f"{folder}: {len(found)} records: {told}")
    say(f"CAUTION: {CAUTION}")
    return 2 if states["error"] else 0


_STATES = (("sound", "sound"), ("warning", "with warnings"), ("error", "that cannot be used"))


def table(found: list[Checked]) -> list[str]:
    """Lines of the table: record, state, and the figures of each channel that is used."""
    rows = [("record", "state", "channel", "peak CFC 60", "velocity change", "t127", "required")]
    for one in found:
        used = [f for f in one.figures if f.state == "taken"]
        rows += [
            (
                one.name,
                one.state,
                f"{f.channel} {f.place}".strip(),
                f"{f.peak_class_60_g:.1f} g",
                f"{f.velocity_change_kmh:+.1f} km/h",
                _ms(f.free_flight_ms),
                _ms(f.required_ms),
            )
            for f in used
        ] or [(one.name, one.state, "-", "-", "-", "-", "-")]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        lines.append("  ".join(cells).rstrip())
    return lines


def _ms(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.1f} ms"


@records.command("import")
@click.argument("folder")
@click.option("--out", required=True, metavar="LIBRARY", help="Folder to write; new or empty.")
def import_records(folder: str, out: str) -> int:
    """Import every record of FOLDER into LIBRARY, which '--records LIBRARY' then reads.

    All or nothing: with one fault in one record nothing is written. The library holds one Parquet
    table for each event, and library.json with sources, digests and assumptions.
    """
    from crashsense.records.library import import_folder

    events = import_folder(folder, out)
    say(f"{place(out)}: {len(events)} events")
    say(f"next: crashsense evaluate --records {out}")
    say(f"CAUTION: {CAUTION}")
    return 0
