"""Which engine computes in a block: small work, and the models inside it."""

from __future__ import annotations

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
            with engine.for_models():
                assert (engine.is_small(), engine.current()) == (False, models)
            assert (engine.is_small(), engine.current()) == (True, "numpy")
        assert (engine.is_small(), engine.current()) == (False, models)


def test_models_outside_small_work_keep_the_engine():
    with engine.using("numpy"), engine.for_models():
        assert (engine.is_small(), engine.current()) == (False, "numpy")
