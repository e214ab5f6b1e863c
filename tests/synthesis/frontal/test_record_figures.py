"""Figures of model and public record side by side: written and not empty; to be looked at."""

import pytest
from frontal_support import DATA
from matplotlib.image import imread
from record_figures import FIGURES
from record_table import plain_car, rows

from crashsense.synthesis.frontal.fit import with_numbers
from crashsense.synthesis.frontal.vehicle import load_vehicle


@pytest.mark.quick(1)
@pytest.mark.parametrize("folder", sorted(FIGURES))
def test_model_and_record_stand_side_by_side(folder, tmp_path):
    if not (DATA / folder).is_dir():
        pytest.skip(f"public test data {folder} is not beside this checkout")
    drawn = imread(FIGURES[folder](tmp_path))
    assert drawn.shape[1] > 1000
    assert 0.02 < (drawn[..., :3].min(axis=-1) < 0.9).mean() < 0.5


def test_table_says_what_was_fitted_and_what_is_predicted():
    """One record in turn is no source of the car; fitting itself is left out here."""
    if not all((DATA / folder).is_dir() for folder in FIGURES):
        pytest.skip("public test data are not beside this checkout")
    car = load_vehicle("small_car")
    found = [row.split(" | ") for row in rows(car, with_numbers(car, {"rate.effect_s_per_m": 0.0}))]
    assert {row[0]: {r[4] for r in found if r[0] == row[0]} for row in found} == {
        "| 10146": {"fitted", "predicted"}, "| 2320": {"predicted"}, "| 8789": {"predicted"},
    }  # fmt: skip
    assert any(row[3] != row[5] for row in found)
    assert plain_car(car).springs.rails.points[-1][1] == 200.0
