"""``crashsense study``: questions over many evaluations. A new study adds one line to STUDIES."""

from __future__ import annotations

import click

from crashsense.cli import LazyGroup
from crashsense.cli.printing import say

#: Study -> (module in this room, function, one line for ``--help``).
STUDIES: dict[str, tuple[str, str, str]] = {
    "calibrate": (
        "study_calibrate",
        "calibrate_command",
        "New numbers for an algorithm, judged out of sample.",
    ),
    "challenge": (
        "study_challenge",
        "challenge_command",
        "Which no-fire classes challenge which rule family.",
    ),
    "compare": ("study_compare", "compare_command", "What changed between two runs."),
    "faults": ("study_faults", "faults_command", "Which harm each single sensor fault does."),
    "element": ("study_element", "element_command", "Which geometry of an element is enough."),
    "model": ("study_model", "model_command", "The library's prediction beside a record."),
    "range": ("study_range", "range_command", "What each sensor range loses and changes."),
    "scale": ("study_scale", "scale_command", "How far a pulse may be scaled until it flips."),
    "overlay": (
        "study_overlay",
        "overlay_command",
        "One criterion in its units, all events in one picture.",
    ),
    "sweep": ("study_sweep", "sweep_command", "One or two numbers of an algorithm over a grid."),
    "severity": ("study_severity", "severity_command", "Chance of firing over impact speed."),
    "tolerance": ("study_tolerance", "tolerance_command", "Which tolerance moves which decision."),
}


@click.group(cls=LazyGroup, table=STUDIES, invoke_without_command=True)
@click.pass_context
def study(context: click.Context) -> None:
    """Studies on the library or on records; without a name they are listed."""
    if context.invoked_subcommand is None:
        say(context.get_help())
