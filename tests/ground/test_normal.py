"""Quantiles of the normal distribution: against scipy, Python's own library, and known limits."""

from __future__ import annotations

import subprocess
import sys
from statistics import NormalDist

import numpy as np
import pytest
from scipy.special import ndtri

from crashsense import normal


def probabilities() -> np.ndarray:
    """The middle, both tails down to the smallest number there is, and every border."""
    random = np.random.default_rng(3)
    tails = 10.0 ** -random.uniform(0.0, 323.0, 20_000)
    borders = [0.5 - normal.MIDDLE, np.exp(-(normal.NEAR**2)), 0.5, 2.0**-54, 5e-324]
    near = [np.nextafter(p, up) for p in borders for up in (0.0, 1.0)]
    found = np.concatenate(
        [random.random(40_000), tails, 1.0 - tails, borders, near, 1.0 - np.array(near)]
    )
    return found[(found > 0.0) & (found < 1.0)]


def test_as_scipy():
    """scipy.special.ndtri (Cephes): another algorithm. AS 241 states about 1 part in 10^16."""
    p = probabilities()
    np.testing.assert_allclose(normal.quantile(p), ndtri(p), rtol=1e-14, atol=0.0)


def test_as_the_library_of_python():
    """The same algorithm; only the logarithm of the tails is another."""
    p, own = probabilities(), NormalDist()
    wanted = np.array([own.inv_cdf(float(one)) for one in p])
    found = normal.quantile(p)
    np.testing.assert_allclose(found, wanted, rtol=2e-15, atol=0.0)
    middle = np.abs(p - 0.5) <= normal.MIDDLE
    assert middle.sum() > 30_000
    assert np.array_equal(found[middle], wanted[middle])


def test_published_checks():
    """Wichura (1988), at the end: p = 0.25, 0.001 and 1e-20 (also in print elsewhere)."""
    found = normal.quantile([0.25, 0.001, 1e-20])
    wanted = [-0.6744897501960817, -3.090232306167814, -9.262340089798408]
    np.testing.assert_allclose(found, wanted, rtol=2e-16 * 4)


def test_logarithm():
    p = probabilities()
    fraction, power = np.frexp(p)
    small = fraction < normal.LEAST_FRACTION
    found = normal.logarithm(np.where(small, 2.0 * fraction, fraction), power - small)
    np.testing.assert_allclose(found, np.log(p), rtol=1e-15, atol=1e-16)


def test_a_long_array_is_that_of_its_pieces(monkeypatch):
    p = probabilities()[:1000]
    whole = normal.quantile(p)
    monkeypatch.setattr(normal, "_PIECE", 7)
    assert np.array_equal(normal.quantile(p), whole)
    assert np.array_equal(normal.quantile(p.reshape(4, 250)), whole.reshape(4, 250))
    assert np.array_equal(normal.quantile(p[::2]), whole[::2])


def test_ends_and_symmetry():
    assert normal.quantile([0.0, 0.5, 1.0]).tolist() == [-np.inf, 0.0, np.inf]
    assert np.isnan(normal.quantile([np.nan, 0.3])).tolist() == [True, False]
    assert normal.quantile(0.975).shape == ()
    p = np.random.default_rng(1).integers(1, 2**52, 1000) * 2.0**-53  # 1 - p is exact
    assert np.array_equal(normal.quantile(1.0 - p), -normal.quantile(p))


def test_rising_everywhere():
    """Across the borders of the three formulas too, at steps that a number can show."""
    for border in (0.5 - normal.MIDDLE, float(np.exp(-(normal.NEAR**2)))):
        p = border * (1.0 + 1e-13 * np.arange(-500, 501))
        assert (np.diff(normal.quantile(p)) > 0.0).all()


def test_compiled_functions_are_the_same_source():
    pytest.importorskip("numba")
    from crashsense.compiled import normal as compiled

    for name in ("logarithm", "of_middle", "of_near_tail", "of_far_tail"):
        assert getattr(compiled, f"_{name}").py_func is getattr(normal, name)


@pytest.mark.parametrize("left_out", [0, 1, 31])
def test_compiled_quantiles_are_the_same_to_the_last_bit(left_out):
    """In the middle and in both tails, in whole rows of lanes and beyond.

    Down to the smallest number of full precision: a draw is never below 2^-54.
    """
    pytest.importorskip("numba")
    from crashsense.compiled import normal as compiled

    p = probabilities()
    p = np.random.default_rng(4).permutation(p[p >= np.finfo(np.float64).tiny])
    p = p[: p.size // 32 * 32 - left_out]
    assert (p < 1e-12).any()
    assert (np.abs(p - 0.5) < normal.MIDDLE).any()
    found = p.copy()
    compiled.to_quantiles(found)
    np.testing.assert_array_equal(found, normal.quantile(p))


def test_workers_draw_without_scipy():
    """Importing scipy.special takes every worker a fifth of a second."""
    script = (
        "import sys\n"
        "import crashsense.campaign.warm\n"
        "from crashsense import draws\n"
        "draws.normals([1], 2, seed=1, axes=('a',))\n"
        "draws.noise([1], 4, seed=1, axes=('a',))\n"
        "print([name for name in sys.modules if name.startswith('scipy.')])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout == "[]\n", done.stderr
