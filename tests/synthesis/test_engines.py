"""Engine fast against its twins over the whole library: synthesis gives the same bits."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.synthesis import load_recipes

#: One draw, a few (twins in plain floats), more than a few (numpy over the draws).
DRAWS = {"nominal": [0], "many": list(range(11))}


@pytest.mark.parametrize("recipe", load_recipes(), ids=lambda recipe: recipe.name)
def test_both_engines_synthesise_the_same_bits(recipe):
    pytest.importorskip("numba")
    for draws in DRAWS.values():
        plain = recipe.synthesise(draws, seed=5)
        with engine.using("fast"):
            fast = recipe.synthesise(draws, seed=5)
        for kind in ("signals", "facts", "trace", "gaps"):
            ours, theirs = getattr(plain, kind), getattr(fast, kind)
            assert ours.keys() == theirs.keys()
            for name, values in ours.items():
                assert np.array_equal(values, theirs[name], equal_nan=True), (kind, name)
