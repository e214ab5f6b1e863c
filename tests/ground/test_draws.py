"""Random numbers by name: independent of who asks, of the block and of the length of the run."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from crashsense import draws

AXES = ("wall_full_56", "central_x", "noise")


@given(
    numbers=st.lists(st.integers(0, 200), min_size=1, max_size=12, unique=True),
    kind=st.sampled_from([draws.normals, draws.uniforms]),
)
@settings(max_examples=40, deadline=None)
def test_draw_depends_on_its_number_only(numbers, kind):
    whole = kind(range(201), 3, seed=5, axes=AXES)
    assert np.array_equal(kind(numbers, 3, seed=5, axes=AXES), whole[numbers])


def test_draw_zero_is_nominal():
    assert not draws.normals([0], 4, seed=1, axes=AXES).any()


def test_every_axis_changes_the_numbers():
    base = draws.normals([1], 4, seed=1, axes=AXES)
    others = [
        draws.normals([2], 4, seed=1, axes=AXES),
        draws.normals([1], 4, seed=2, axes=AXES),
        draws.normals([1], 4, seed=1, axes=("wall_full_56", "central_y", "noise")),
        draws.normals([1], 4, seed=1, axes=("wall_full_5", "6central_x", "noise")),
    ]
    assert [np.array_equal(base, other) for other in others] == [False] * 4


def test_text_and_number_of_the_same_face_do_not_collide():
    assert draws.generator(1, "1").random() != draws.generator(1, 1).random()


def test_normals_are_normal_and_uncorrelated_between_pages():
    numbers = draws.normals(range(1, 4001), 2, seed=3, axes=AXES)
    assert stats.kstest(numbers[:, 0], "norm").pvalue > 1e-3
    pages = numbers[:3968, 0].reshape(-1, draws.PAGE)
    correlation = np.corrcoef(pages[:-1].ravel(), pages[1:].ravel())[0, 1]
    assert abs(correlation) < 4 / np.sqrt(pages[1:].size)


def test_a_whole_number_is_one_axis_whatever_its_type() -> None:
    expected = draws.normals([1, 2], 3, seed=5, axes=("type", 4))
    for kind in (np.int64, np.int32, int):
        assert np.array_equal(
            draws.normals([1, 2], 3, seed=kind(5), axes=("type", kind(4))), expected
        )


def test_longer_rows_begin_with_shorter_ones_by_sample() -> None:
    longer = draws.normals(range(70), 50, seed=2, axes=("a",), by_sample=True)
    shorter = draws.normals(range(70), 20, seed=2, axes=("a",), by_sample=True)
    assert np.array_equal(longer[:, :20], shorter)
    assert np.array_equal(
        draws.normals([40], 50, seed=2, axes=("a",), by_sample=True)[0], longer[40]
    )
    assert not shorter[0].any()
    assert np.unique(shorter[1:]).size == 69 * 20
