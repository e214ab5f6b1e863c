"""Either side can be struck: the mirrored recipe gives the same table, left and right exchanged."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.campaign import evaluate
from crashsense.event import MIRRORED_RESTRAINTS
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.recipe import load_recipes

NAMES = ("side_pole_75_32", "side_barrier_90_12", "rollover_kerb_25", "near_roll_j_turn_75")
KEY = ["event", "sensor_set", "algorithm", "restraint"]


@pytest.mark.slow
def test_verdict_table_of_the_mirror_image() -> None:
    root = shipped_folder("pulses")
    recipes = [
        r for family in ("side", "rollover") for r in load_recipes(root / family) if r.name in NAMES
    ]
    assert len(recipes) == len(NAMES)
    events = [e for r in recipes for e in (*r.events(), *r.mirrored().events())]
    table = evaluate(events=events, draws=0).verdicts
    is_mirror = table["event"].str.endswith("_mirrored")
    plain = table[~is_mirror].copy()
    mirror = table[is_mirror].copy()
    mirror["event"] = mirror["event"].str.removesuffix("_mirrored")
    mirror["restraint"] = mirror["restraint"].map(MIRRORED_RESTRAINTS)
    plain = plain.sort_values(KEY).reset_index(drop=True)
    mirror = mirror.sort_values(KEY).reset_index(drop=True)
    assert len(plain) >= 7 * len(NAMES)
    for column in (*KEY, "expectation", "verdict", "held_by"):
        assert plain[column].equals(mirror[column]), column
    for column in ("required_time_ms", "fire_time_ms", "max_demand", "time_margin_ms"):
        np.testing.assert_allclose(plain[column], mirror[column], rtol=1e-9, err_msg=column)
    near = plain[(plain["restraint"] == "side_airbag_left") & (plain["event"] == NAMES[0])]
    assert (near["max_demand"] > 0).all()
