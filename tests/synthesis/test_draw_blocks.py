"""Draws in blocks of rows give what one block gives."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.draw_blocks import in_blocks
from crashsense.synthesis.model import Synthesis, Variation, draw_variation
from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.side import rear_impact as rear
from crashsense.synthesis.side import side_impact as side


@pytest.mark.slow
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


def test_shared_motion_stays_shared_while_all_blocks_share_it() -> None:
    def simulate(parameters: object, variation: Variation) -> Synthesis:
        first = variation.draws[:, None] * np.ones(4)
        late = first if variation.draws[0] < 3 else first + 1.0
        signals = {"central_x": first, "central_safing_x": first, "central_y": late}
        return Synthesis(signals=signals, rate_hz=1e4, start_s=0.0)

    variation = draw_variation(np.arange(7), seed=5, occurrence="any", tolerances={})
    signals = in_blocks(simulate, rows=3)(None, variation).signals
    assert signals["central_safing_x"] is signals["central_x"]
    assert signals["central_x"][:, 0].tolist() == [0, 1, 2, 3, 4, 5, 6]
    assert signals["central_y"][:, 0].tolist() == [0, 1, 2, 4, 5, 6, 7]
