"""How draws are cut and under which conditions they are made."""

from __future__ import annotations

import sys

import pandas as pd
import pytest

from crashsense import engine
from crashsense.errors import InputError
from crashsense.rules import load_algorithm
from crashsense.sensing import load_sensor_set
from crashsense.synthesis import load_events
from crashsense.trials import Conditions, run_trials, trial
from crashsense.trials.block import _in_blocks

#: The module: the package has a function of its name.
sense = sys.modules["crashsense.sensing.sense"]


@pytest.mark.parametrize("first", [0, 1, 2, 7, 8, 9, 30])
@pytest.mark.parametrize("size", [1, 3, 8])
def test_blocks_are_whole_in_order_and_cut_at_the_same_draws_wherever_they_begin(first, size):
    """Draw 0 goes with the first block; a cut lies after every multiple of the size."""
    draws = range(first, 41)
    blocks = list(_in_blocks(draws, size))
    assert [draw for block in blocks for draw in block] == list(draws)
    assert all(len(block) <= size + (block[0] == 0) for block in blocks)
    assert all(block[-1] % size == 0 or block[-1] == 40 for block in blocks)
    assert all((block[0] - 1) % size == 0 or block[0] in (0, first) for block in blocks)
    # The slow way, for numbers that are no range, gives the same blocks.
    slow = [list(block) for block in _in_blocks(list(draws), size)]
    assert [draw for block in slow for draw in block] == list(draws)
    assert slow == [list(block) for block in blocks]


@pytest.mark.parametrize("draws", [range(1, 41, 2), range(2, 41, 3), range(20, 0, -1), range(5, 5)])
def test_a_range_with_another_step_is_cut_as_the_same_numbers_in_a_list(draws):
    assert list(_in_blocks(draws, 8)) == list(_in_blocks(list(draws), 8))


def test_a_seed_may_be_zero_and_not_less():
    assert Conditions(seed=0).seed == 0
    with pytest.raises(InputError, match="seed: got -1; expected 0 or more"):
        Conditions(seed=-1)


def test_a_trial_says_which_path_its_draws_took():
    """Asked for, the full path is taken; otherwise the fast one, whose filter is applied once."""
    found = {
        path: trial("hammer_tunnel", draw=[1, 2], algorithm="plain", path=path, engine="numpy")
        for path in ("auto", "full")
    }
    assert found["full"].full.tolist() == [True, True]
    assert found["auto"].full.tolist() == [False, False]
    for path, told in (("auto", "fast"), ("full", "full")):
        assert set(found[path].rows["path"]) == {told}


@pytest.mark.parametrize("name", ["numpy", "fast"])
@pytest.mark.parametrize("scores_only", [True, False])
def test_draws_sensed_in_several_pieces_keep_their_own_required_times(
    monkeypatch, name, scores_only
):
    if name == "fast" and not engine.installed():
        pytest.skip("needs numba (extra fast)")

    def rows():
        trials = run_trials(
            load_events(["odb_40_40"]),
            range(4),
            sensor_sets=[load_sensor_set("standard")],
            algorithms=[load_algorithm("plain")],
            conditions=Conditions(),
            scores_only=scores_only,
        )
        found = [trial.rows for trial in trials]
        key = ["restraint", "draw"]
        return len(found), pd.concat(found).sort_values(key, ignore_index=True)

    with engine.using(name):
        _, whole = rows()
        monkeypatch.setattr(sense, "PIECE_SAMPLES", 1)
        pieces, cut = rows()
    assert pieces > 1
    assert whole.groupby("restraint")["required_time_ms"].nunique().max() == 4
    pd.testing.assert_frame_equal(cut, whole, check_exact=True)
