"""Many draws in blocks of rows: each block stays in the processor's cache and frees its memory.

Rows do not depend on each other, so the result is the same bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.draws import PAGE
from crashsense.synthesis.model import Synthesis, Variation

#: Draws in a block.
ROWS = 256


def rows_of(variation: Variation, rows: slice | npt.NDArray[np.int64]) -> Variation:
    """Return the given rows of a variation."""
    return Variation(
        draws=variation.draws[rows],
        seed=variation.seed,
        occurrence=variation.occurrence,
        deviations={name: values[rows] for name, values in variation.deviations.items()},
    )


def draw_groups(variation: Variation) -> list[npt.NDArray[np.int64]]:
    """Return the rows in groups of :data:`~crashsense.draws.PAGE` draws that draw noise at once.

    The nominal draw goes with the first group. The result does not depend on the groups.
    """
    groups = np.maximum(variation.draws - 1, 0) // PAGE
    return [np.flatnonzero(groups == group) for group in np.unique(groups)]


def in_blocks(
    simulate: Callable[[Any, Variation], Synthesis], *, rows: int = ROWS
) -> Callable[[Any, Variation], Synthesis]:
    """Wrap a model's ``simulate`` so that it works on *rows* draws at a time."""

    def simulate_in_blocks(parameters: Any, variation: Variation) -> Synthesis:
        if variation.size <= rows:
            return simulate(parameters, variation)
        whole: dict[str, dict[str, FloatArray]] = {}
        part = None
        for first in range(0, variation.size, rows):
            last = min(first + rows, variation.size)
            part = simulate(parameters, rows_of(variation, slice(first, last)))
            # Locations that share their motion go on sharing it: part -> whole, whole -> part.
            shared: dict[int, FloatArray] = {}
            filled: dict[int, int] = {}
            arrays: dict[str, Mapping[str, FloatArray]] = {
                "signals": part.signals,
                "gaps": part.gaps,
                "facts": part.facts,
                "trace": part.trace,
                "cabin": {
                    name: values
                    for name, values in (("x", part.cabin_x), ("y", part.cabin_y))
                    if values is not None
                },
            }
            for kind, group in arrays.items():
                into = whole.setdefault(kind, {})
                for name, values in group.items():
                    key = id(values)
                    if name not in into:
                        if key not in shared:
                            shared[key] = np.empty((variation.size, *values.shape[1:]))
                        into[name] = shared[key]
                    if filled.setdefault(id(into[name]), key) != key:
                        into[name] = into[name].copy()
                    into[name][first:last] = values
        if part is None:
            return simulate(parameters, variation)
        return Synthesis(
            signals=whole["signals"],
            rate_hz=part.rate_hz,
            start_s=part.start_s,
            cabin_x=whole["cabin"].get("x"),
            cabin_y=whole["cabin"].get("y"),
            gaps=whole["gaps"],
            quiet=part.quiet,
            facts=whole["facts"],
            trace=whole["trace"],
        )

    return simulate_in_blocks
