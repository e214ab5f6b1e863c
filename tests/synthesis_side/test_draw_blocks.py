"""Draws in blocks of rows give what one block gives."""

from __future__ import annotations

import numpy as np

from crashsense.resources import folder as shipped_folder
from crashsense.synthesis import rear, side
from crashsense.synthesis.draw_blocks import in_blocks
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import load_recipes


def test_blocks_of_rows_are_bit_identical() -> None:
    root = shipped_folder("pulses")
    cases = [
        (side.simulate_side, load_recipes(root / "side")[0]),
        (rear.simulate_rear, load_recipes(root / "rear")[1]),
    ]
    for simulate, recipe in cases:
        variation = draw_variation(
            np.arange(7), seed=5, occurrence=recipe.occurrence, tolerances=recipe.tolerances
        )
        whole = simulate(recipe.parameters, variation)
        parts = in_blocks(simulate, rows=3)(recipe.parameters, variation)
        assert set(parts.signals) == set(whole.signals)
        for channel, samples in whole.signals.items():
            assert np.array_equal(parts.signals[channel], samples), channel
        for kind in ("facts", "gaps", "trace"):
            for name, values in getattr(whole, kind).items():
                assert np.array_equal(getattr(parts, kind)[name], values), name
        assert np.array_equal(parts.cabin_x, whole.cabin_x)
        assert parts.quiet == whole.quiet
