"""Random numbers by name: independent of who asks, of the block and of the length of the run."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from crashsense import draws, engine

AXES = ("wall_full_56", "central_x", "noise")


@given(
    numbers=st.lists(st.integers(0, 200), min_size=1, max_size=12, unique=True),
    kind=st.sampled_from([draws.normals, draws.uniforms, draws.noise]),
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


def test_words_are_those_of_the_published_generator():
    """First words from start 0 with the golden step, as the paper's reference code prints them.

    Steele, Lea, Flood (2014); these five for seed 0 are the test values in common use (from
    memory, also by the plain-integer twin below).
    """

    def plain(start: int, step: int, count: int) -> list[int]:
        full, out = 2**64 - 1, []
        for _ in range(count):
            start = (start + step) & full
            z = start
            z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & full
            z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & full
            out.append(z ^ (z >> 31))
        return out

    zero, golden = np.zeros(1, np.uint64), np.array([draws.GOLDEN])
    first = draws._words(zero, golden, 5)[0].tolist()
    assert first == plain(0, int(draws.GOLDEN), 5)
    assert first[0] == 0xE220A8397B1DCDAF
    assert first[1] == 0x6E789E6AA1B965F4
    start, step = draws.rows_of(np.array([7]), kind="noise", seed=1, axes=AXES)
    assert draws._words(start, step, 9)[0].tolist() == plain(int(start[0]), int(step[0]), 9)


def test_steps_of_rows_are_odd_and_irregular():
    _, step = draws.rows_of(np.arange(1, 20001), kind="noise", seed=1, axes=AXES)
    assert (step & np.uint64(1)).all()
    assert np.unique(step).size == step.size
    assert np.bitwise_count(step ^ (step >> np.uint64(1))).min() >= 24


@pytest.mark.parametrize("kind", [draws.normals, draws.noise])
def test_numbers_are_normal_and_rows_and_neighbours_uncorrelated(kind):
    numbers = kind(range(1, 4001), 50, seed=3, axes=AXES)
    size = numbers.size
    assert stats.kstest(numbers.ravel(), "norm").pvalue > 1e-3
    # Standard errors of mean, variance, skewness and kurtosis of a normal sample.
    moments = stats.describe(numbers.ravel())
    assert abs(moments.mean) < 4 / np.sqrt(size)
    assert abs(moments.variance - 1) < 4 * np.sqrt(2 / size)
    assert abs(moments.skewness) < 4 * np.sqrt(6 / size)
    assert abs(moments.kurtosis) < 4 * np.sqrt(24 / size)
    for one, two in (
        (numbers[:, :-1], numbers[:, 1:]),
        (numbers[:, :-4], numbers[:, 4:]),
        (numbers[:-1], numbers[1:]),
        (numbers[:-1, :-1], numbers[1:, 1:]),
        (numbers[:, :-1] ** 2 - 1, numbers[:, 1:] ** 2 - 1),
    ):
        correlation = np.corrcoef(one.ravel(), two.ravel())[0, 1]
        assert abs(correlation) < 4 / np.sqrt(one.size)


def test_noise_has_the_tail_of_the_normal_distribution():
    """By the tables: what a class of 16 bits may be off, and numbers out to 6 deviations."""
    table, tail = draws.noise_tables()
    assert (np.diff(table) > 0).all()
    assert (np.diff(tail) > 0).all()
    middle = (np.arange(65536) + 0.5) / 65536
    assert np.abs(stats.norm.cdf(table) - middle).max() < 8e-6
    assert np.abs(stats.norm.cdf(tail) - middle / 65536).max() < 1.3e-10
    whole = np.concatenate([tail, table[1:-1], -tail])
    rare = np.full(65536, 2.0**-32)
    weight = np.concatenate([rare, np.full(65534, 2.0**-16), rare])
    assert weight.sum() == pytest.approx(1.0, abs=1e-12)
    for power, value, within in ((2, 1.0, 5e-6), (4, 3.0, 2e-4), (6, 15.0, 6e-3)):
        assert (weight * whole**power).sum() == pytest.approx(value, abs=within)
    # And the tail is reached: 3e6 numbers hold about 92 beyond the outermost classes' border.
    border = -stats.norm.ppf(1 / 65536)
    far = sum(
        int((np.abs(draws.noise(range(a, a + 500), 600, seed=9, axes=AXES)) > border).sum())
        for a in range(1, 5001, 500)
    )
    assert stats.poisson.cdf(far, 3e6 / 32768) > 1e-4
    assert stats.poisson.sf(far - 1, 3e6 / 32768) > 1e-4


@given(
    numbers=st.lists(st.integers(0, 10**12), min_size=1, max_size=6),
    width=st.integers(1, 70),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_both_engines_make_the_same_noise(numbers, width):
    pytest.importorskip("numba")
    plain = draws.noise(numbers, width, seed=4, axes=AXES)
    with engine.using("fast"):
        assert np.array_equal(draws.noise(numbers, width, seed=4, axes=AXES), plain)


def test_both_engines_make_the_same_tail():
    pytest.importorskip("numba")
    plain = draws.noise(range(1, 301), 2000, seed=4, axes=AXES)
    assert np.abs(plain).max() > 4.3  # the second table was asked
    with engine.using("fast"):
        assert np.array_equal(draws.noise(range(1, 301), 2000, seed=4, axes=AXES), plain)


def test_a_whole_number_is_one_axis_whatever_its_type() -> None:
    expected = draws.normals([1, 2], 3, seed=5, axes=("type", 4))
    for kind in (np.int64, np.int32, int):
        assert np.array_equal(
            draws.normals([1, 2], 3, seed=kind(5), axes=("type", kind(4))), expected
        )


@pytest.mark.parametrize("kind", [draws.normals, draws.noise, draws.uniforms])
def test_longer_rows_begin_with_shorter_ones(kind) -> None:
    longer = kind(range(70), 50, seed=2, axes=("a",))
    for width in (1, 20, 21, 22, 23):
        assert np.array_equal(longer[:, :width], kind(range(70), width, seed=2, axes=("a",)))
    assert np.array_equal(kind([40], 50, seed=2, axes=("a",))[0], longer[40])
    assert not longer[0].any()
    assert (longer[1:] != 0).all()


def test_a_long_axis_of_draws_has_no_repeated_row() -> None:
    first = draws.uniforms(range(1, 100_001), 1, seed=2, axes=("a",))
    assert np.unique(first).size == 100_000


@given(
    numbers=st.lists(st.integers(0, 10**12), min_size=1, max_size=6),
    width=st.integers(1, 70),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_both_engines_make_the_same_few_numbers(numbers, width):
    pytest.importorskip("numba")
    for kind in (draws.normals, draws.uniforms):
        plain = kind(numbers, width, seed=4, axes=AXES)
        with engine.using("fast"):
            assert np.array_equal(kind(numbers, width, seed=4, axes=AXES), plain)


def test_both_engines_make_the_same_rows():
    """Two in a hundred steps are made more irregular: among these many."""
    pytest.importorskip("numba")
    plain = draws.rows_of(np.arange(20_000), kind="noise", seed=1, axes=AXES)
    with engine.using("fast"):
        assert np.array_equal(
            draws.rows_of(np.arange(20_000), kind="noise", seed=1, axes=AXES), plain
        )


def test_both_engines_make_the_same_tails_of_normal_numbers():
    pytest.importorskip("numba")
    plain = draws.normals(range(20_001), 20, seed=4, axes=AXES)
    assert np.abs(plain).max() > 4.3
    with engine.using("fast"):
        assert np.array_equal(draws.normals(range(20_001), 20, seed=4, axes=AXES), plain)


@pytest.mark.parametrize(
    ("of", "one"), [(draws.normals_of, draws.normals), (draws.uniforms_of, draws.uniforms)]
)
@pytest.mark.parametrize("name", ["numpy", "fast"])
def test_several_names_at_once_are_those_of_each(of, one, name):
    if name == "fast":
        pytest.importorskip("numba")
    names = [("a", "b"), ("a", 2), AXES]
    with engine.using(name):
        found = of(names, [0, 3, 9], width=4, seed=2)
        assert np.array_equal(found, [one([0, 3, 9], 4, seed=2, axes=axes) for axes in names])
        assert of([], [0, 3], width=4, seed=2).shape == (0, 2, 4)


def test_the_largest_word_gives_a_number_below_one(monkeypatch):
    """53 bits, all ones, and a half: the sum would be rounded up to 1, of infinite quantile."""
    monkeypatch.setattr(
        draws, "_words", lambda start, step, width: np.full((1, 1), 2**64 - 1, "u8")
    )
    assert draws.uniforms([1], 1, seed=1, axes=AXES)[0, 0] == 1.0 - 2.0**-53
    assert draws.normals([1], 1, seed=1, axes=AXES)[0, 0] == pytest.approx(8.209536, abs=1e-6)
