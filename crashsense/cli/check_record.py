"""``crashsense check-record``: the quality check of a crash record, on its own."""

from __future__ import annotations

from collections import Counter

import click

from crashsense.resources import CAUTION


@click.command("check-record")
@click.argument("path")
@click.option(
    "--channel",
    metavar="CHANNEL",
    help="Channel for the central sensor: number(s) split by commas, a place such as 'sill', or a "
    "column of a table.",
)
@click.option("--quiet", "-q", is_flag=True, help="Print warnings and errors only.")
def check_record(path: str, channel: str | None, quiet: bool) -> int:
    """Check a crash record: units, signs, time, offsets, velocity change against its header.

    PATH is the record's folder, its header file or a table. Exit code 0: no error found; 2: the
    record cannot be used.
    """
    from crashsense.records import check_record as check

    findings = check(path, channel=channel)
    counts = Counter(finding.severity for finding in findings)
    for severity in ("error", "warning", "info"):
        if severity == "info" and quiet:
            continue
        for finding in findings:
            if finding.severity == severity:
                click.echo(str(finding), err=severity == "error")
    counted = [(counts["error"], "error"), (counts["warning"], "warning"), (counts["info"], "note")]
    told = ", ".join(f"{number} {word}{'' if number == 1 else 's'}" for number, word in counted)
    click.echo(f"{path}: {told}")
    if not quiet:
        click.echo(f"CAUTION: {CAUTION}")
    return 2 if counts["error"] else 0
