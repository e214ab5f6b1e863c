"""``crashsense explain RUN EVENT``: why did it fire, or why not?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from crashsense.cli.options import WholeNumber
from crashsense.errors import Fault, InputError, nearest
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.campaign import Replay
    from crashsense.rules.why import Why


def explanation(replayed: Replay, restraint: str) -> list[str]:
    """Lines that explain one restraint of a replayed evaluation."""
    from crashsense.rules import same_element
    from crashsense.rules.why import why, why_not_by

    row = replayed.rows[replayed.rows["restraint"] == restraint].iloc[0]
    wanted = row["expectation"]
    if wanted == "fire" or row["required_time_ms"] == row["required_time_ms"]:
        wanted = f"{wanted} by {row['required_time_ms']:.2f} ms"
    lines = [f"{restraint}: {row['verdict']} (required: {wanted})"]
    rule = replayed.algorithm.rules.get(restraint)
    if rule is None:
        return [*lines, "  the algorithm has no rule for it"]
    if row["verdict"] == "not_evaluated":
        missing = sorted(c for c in rule.requires if not replayed.samples.valid[c].any())
        return [*lines, f"  not evaluated: {', '.join(missing) or 'a channel'} is missing"]
    if row["verdict"] == "rule_error":
        return [*lines, f"  the rule itself failed: {row['reason']}"]
    found = why(rule, replayed.samples)
    if found.demand == 0.0:
        return [*lines, "  its demand stays 0 throughout"]
    if row["verdict"] in ("late", "missed"):
        due_ms = float(row["required_time_ms"])
        nearest_then = why_not_by(rule, replayed.samples, by_s=1e-3 * due_ms)
        lines += [f"  {line}" for line in due_lines(nearest_then, due_ms=due_ms)]
    lines += [f"  {line}" for line in found.lines()]
    if same_element(rule, replayed.samples):
        lines.append("  arming reads the element of the main rule: no independent protection")
    return lines


def due_lines(found: Why | None, *, due_ms: float) -> list[str]:
    """What a late restraint lacked at its required time [ms]."""
    if found is None:
        return [f"at the required time ({due_ms:.2f} ms) its demand was still 0"]
    head = (
        f"up to the required time ({due_ms:.2f} ms) demand had reached {found.demand:.4g} of 1, "
        f"at {found.time_s * 1e3:.2f} ms (sample {found.tick})"
    )
    return [head, *found.short_lines()]


@click.command()
@click.argument("run")
@click.argument("event")
@click.option("--draw", type=WholeNumber(0), default=0, help="Draw (default 0, nominal).")
@click.option("--sensor-set", metavar="NAME", help="Sensor set of the run (default: the last).")
@click.option("--algorithm", metavar="NAME", help="Algorithm of the run (default: the last).")
@click.option("--restraint", metavar="NAME", help="This restraint only.")
def explain(run: str, event: str, draw: int, restraint: str | None, **options: Any) -> None:
    """Say why a restraint fired in EVENT of the run folder RUN, or why not.

    The evaluation is run again. For each restraint: which branch of its rule reached 1, when, how
    much of its criterion there was against the threshold, and the inputs at that sample; * marks
    what decided. For one that is late or missed, first what was nearest at the required time.
    """
    from crashsense.campaign import open_run, replay
    from crashsense.event import RESTRAINTS

    if restraint is not None and restraint not in RESTRAINTS:
        expected = nearest(restraint, RESTRAINTS)
        raise InputError([Fault("command line", "--restraint", restraint, expected)])
    replayed = replay(open_run(run), event, draw=draw, **options)
    click.echo(f"CAUTION: {CAUTION}\n")
    click.echo(
        f"{replayed.event.name}, draw {draw}, sensor set {replayed.sensor_set.name}, "
        f"algorithm {replayed.algorithm.name}"
    )
    for note in replayed.notes:
        click.echo(f"Note: {note}")
    for name in RESTRAINTS if restraint is None else (restraint,):
        click.echo("")
        for line in explanation(replayed, name):
            click.echo(line)
