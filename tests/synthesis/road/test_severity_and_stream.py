"""Sweeps from nominal to severe, and long events in pieces."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.errors import InputError
from crashsense.synthesis import load_recipes
from crashsense.synthesis.road.stream import stream
from crashsense.synthesis.severity import severity_pairs, severity_sweep


@pytest.fixture(scope="module")
def recipes():
    return {recipe.name: recipe for recipe in load_recipes()}


def test_every_misuse_recipe_has_a_severe_setting(recipes):
    pairs = severity_pairs(recipes.values())
    alone = {
        name
        for name, recipe in recipes.items()
        if recipe.matrix.startswith("M")
        and recipe.matrix != "M11"
        and name not in pairs
        and not name.endswith("_severe")
    }
    # the speeds below the severe undercarriage hit share its severe setting; the anchored block is
    # where the sweep runs on to
    assert alone == {"undercarriage_20", "undercarriage_30", "undercarriage_anchored_40"}
    assert len(pairs) >= 25


def test_sweep_runs_from_nominal_to_severe(recipes):
    ladder = severity_sweep("kerb_climb_30", recipes=recipes.values(), shares=[0, 0.25, 0.5, 1])
    heights = [recipe.parameters.height_mm for recipe in ladder]
    assert heights == pytest.approx([125.0, 131.25, 137.5, 150.0])
    lost = [-r.nominal().facts["velocity_change_m_s"][0] for r in ladder]
    assert np.all(np.diff(lost) > 0)
    nominal = recipes["kerb_climb_30"].nominal().signals["central_x"].samples
    assert np.array_equal(ladder[0].nominal().signals["central_x"].samples, nominal)
    assert {r.occurrence for r in ladder} == {"kerb_climb_30"}


def test_undercarriage_runs_on_into_the_open_range(recipes):
    ladder = severity_sweep("undercarriage_40", recipes=recipes.values(), shares=[0, 1, 6, 14])
    changes = [r.nominal().facts["velocity_change_m_s"][0] for r in ladder]
    assert np.all(np.diff(changes) > 0)
    assert changes[1] < 2.5 < 5.0 < changes[-1]
    for recipe, change in zip(ladder, changes, strict=True):
        entry = recipe.requirements["unbelted"]["front_airbag_stage_1"]
        assert entry.expectation == ("open" if change > 5.0 else "no_fire")
        side = recipe.requirements["unbelted"]["side_airbag_left"]
        assert side.expectation == "no_fire"
    anchored = recipes["undercarriage_anchored_40"]
    assert anchored.nominal().facts["velocity_change_m_s"][0] > 5.0
    entry = anchored.requirements["unbelted"]["front_airbag_stage_1"]
    assert entry.expectation == "open"


def test_sweep_refuses_what_it_has_no_end_for(recipes):
    with pytest.raises(InputError, match="0 to 1"):
        severity_sweep("kerb_climb_30", recipes=recipes.values(), shares=[1.5])
    with pytest.raises(InputError, match="kerb_climb_30"):
        severity_sweep("kerb_climb_3", recipes=recipes.values(), shares=[0.5])


@pytest.mark.parametrize("name", ["cobbles_50", "washboard_35"])
def test_pieces_joined_are_one_run_and_the_recipe(recipes, name):
    recipe = recipes[name]
    runs = []
    for piece in (0.5, 2.0):
        pieces = list(stream(recipe, duration_s=2.0, piece_s=piece, draw=3, seed=5))
        runs.append(np.concatenate([p.signals["central_z"].samples for p in pieces]))
        starts = [p.signals["central_z"].start_s for p in pieces]
        assert starts == pytest.approx(np.arange(len(pieces)) * piece)
    assert np.abs(runs[0]).max() > 2.0
    assert runs[0] == pytest.approx(runs[1], abs=1e-8)


def test_a_minute_of_cobbles_in_bounded_memory(recipes):
    resource = pytest.importorskip("resource")

    def run(duration):
        count = sum(
            piece.signals["central_x"].size
            for piece in stream(recipes["cobbles_50"], duration_s=duration, piece_s=1.0)
        )
        assert count == round(duration * 2000)
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    # Peak memory of the process in MiB; a minute kept as a whole would take 120,000 rows of floats,
    # 70 MiB and more.
    short = run(3.0)
    assert run(60.0) - short < 16.0


def test_stream_refuses_with_the_figure(recipes):
    with pytest.raises(InputError, match="MiB"):
        stream(recipes["cobbles_50"], duration_s=1e5, piece_s=1e4)
    with pytest.raises(InputError, match="an obstacle ends by itself"):
        stream(recipes["kerb_climb_30"], duration_s=10.0)
    with pytest.raises(InputError, match="positive duration"):
        stream(recipes["cobbles_50"], duration_s=-1.0)
