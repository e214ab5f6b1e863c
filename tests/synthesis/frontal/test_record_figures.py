"""Figures of model and public record side by side: written and not empty; to be looked at."""

import pytest
from frontal_support import DATA
from matplotlib.image import imread
from record_figures import FIGURES


@pytest.mark.quick(1)
@pytest.mark.parametrize("folder", sorted(FIGURES))
def test_model_and_record_stand_side_by_side(folder, tmp_path):
    if not (DATA / folder).is_dir():
        pytest.skip(f"public test data {folder} is not beside this checkout")
    drawn = imread(FIGURES[folder](tmp_path))
    assert drawn.shape[1] > 1000
    assert 0.02 < (drawn[..., :3].min(axis=-1) < 0.9).mean() < 0.5
