"""Many draws in blocks of rows: each block stays in the processor's cache and frees its memory.

Rows do not depend on each other, so the result is the same bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.draws import PAGE
from crashsense.synthesis.model import Synthesis, Variation

#: Draws in a block, and rows in a group.
ROWS, GROUP = 256, PAGE + 1
#: Numbers of an array of which three or four stay in the second-level cache.
CACHED = 32_768


def rows_of(variation: Variation, rows: slice) -> Variation:
    """Return the given rows of a variation."""
    return replace(
        variation,
        draws=variation.draws[rows],
        deviations={name: values[rows] for name, values in variation.deviations.items()},
    )


def row_groups(rows: int) -> list[slice]:
    """Return rows in groups that are worked on at once: what they take stays in the cache.

    A page of draws and the nominal draw are one group. No result depends on the groups.
    """
    return [slice(first, min(first + GROUP, rows)) for first in range(0, rows, GROUP)]


def cached_rows(rows: int, samples: int) -> list[slice]:
    """Return rows in groups of which a few arrays stay in the cache of a core."""
    most = max(1, CACHED // max(1, samples))
    return [slice(first, min(first + most, rows)) for first in range(0, rows, most)]


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
