"""Left and right exchanged: of what a model returns, and of a requirement."""

from __future__ import annotations

from dataclasses import replace

from crashsense.channels import CHANNELS, MIRRORED
from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe_file import RequirementEntry


def _swap_sides(name: str) -> str:
    if "left" in name:
        return name.replace("left", "right")
    return name.replace("right", "left")


def mirrored_entry(entry: RequirementEntry) -> RequirementEntry:
    """Return the entry of the other side: what it names there."""
    update = {
        key: _swap_sides(name)
        for key in ("gap", "after")
        if (name := getattr(entry, key)) is not None
    }
    return entry.model_copy(update=update) if update else entry


def mirrored_synthesis(synthesis: Synthesis) -> Synthesis:
    """Return what the mirror image of a model's event gives."""
    return replace(
        synthesis,
        signals={
            MIRRORED[name]: -values if CHANNELS[name].axis in ("y", "roll") else values
            for name, values in synthesis.signals.items()
        },
        cabin_y=None if synthesis.cabin_y is None else -synthesis.cabin_y,
        gaps={_swap_sides(name): values for name, values in synthesis.gaps.items()},
        quiet=frozenset(MIRRORED[name] for name in synthesis.quiet),
        facts={_swap_sides(name): values for name, values in synthesis.facts.items()},
    )
