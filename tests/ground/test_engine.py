"""Which engine computes in a block: small work, and the models inside it."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from crashsense import engine


@pytest.mark.parametrize("models", ["numpy", pytest.param("fast", id="compiled models")])
def test_small_work_is_numpy_and_its_models_are_as_named(models):
    if models == "fast":
        pytest.importorskip("numba")
    with engine.using(models):
        assert not engine.is_small()
        with engine.for_small_work(models):
            assert (engine.is_small(), engine.current()) == (True, "numpy")
            assert engine.in_turn() == (models == "fast")
            with engine.using("numpy"):  # as a rule of the user computes
                assert not engine.in_turn()
            with engine.for_models():
                assert not engine.in_turn()
                assert (engine.is_small(), engine.current()) == (False, models)
            assert (engine.is_small(), engine.current()) == (True, "numpy")
        assert (engine.is_small(), engine.current()) == (False, models)


def test_models_outside_small_work_keep_the_engine():
    with engine.using("numpy"), engine.for_models():
        assert (engine.is_small(), engine.current()) == (False, "numpy")


LOADED = """
import sys
from crashsense import engine

with engine.using("fast"):
    engine.kernels()
before = "scipy.linalg" in sys.modules
import numba, numpy as np
from numba.np import arraymath

product = numba.njit(lambda a, b: np.convolve(a, b))(np.arange(3.0), np.ones(2))
print([before, arraymath._HAVE_BLAS, "scipy.linalg" in sys.modules], product.tolist())
"""


@pytest.mark.slow
def test_kernels_load_without_linear_algebra_and_numba_keeps_it():
    pytest.importorskip("numba")
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True)
    assert done.stdout.strip() == "[False, True, True] [0.0, 1.0, 3.0, 2.0]", done.stderr


def test_what_is_hidden_from_one_thread_is_there_for_others():
    finder = engine._NotAsked()
    with pytest.raises(ModuleNotFoundError, match=r"scipy\.linalg is not imported here"):
        finder.find_spec("scipy.linalg", None)
    assert finder.find_spec("scipy.special", None) is None
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(finder.find_spec, "scipy.linalg", None).result() is None


def test_a_kernel_is_given_arrays_in_order_and_locked_and_its_caller_keeps_its_own():
    own = np.arange(6.0).reshape(2, 3)
    for array in (own, own.T, own[:, 1:]):
        plain = engine.given(array)
        assert plain.flags.c_contiguous
        assert not plain.flags.writeable
        assert np.array_equal(plain, array)
        assert engine.given(plain) is plain
    assert own.flags.writeable
    assert np.shares_memory(engine.given(own), own)
