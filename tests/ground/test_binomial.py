"""The binomial distribution: scipy's own, and what its import leaves out."""

from __future__ import annotations

import subprocess
import sys

import pytest
import scipy.special

from crashsense import binomial

SCRIPT = """
import sys
import numpy as np
from crashsense.binomial import betaincinv

seen = sorted(name for name in ("numpy.f2py", "numpy.testing") if name in sys.modules)
print(seen, sorted(name for name in ("f2py", "testing") if name in vars(np)))
# 2 of 10: 0.0252 to 0.5561 in tables of the exact interval (from memory)
np.testing.assert_allclose(betaincinv(2, 9, 0.025), 0.0252, atol=5e-5)
print(np.testing is sys.modules["numpy.testing"], np.f2py.__name__)
"""


def test_it_is_that_of_scipy():
    for name in binomial.__all__:
        assert getattr(binomial, name) is getattr(scipy.special, name)


@pytest.mark.slow
def test_modules_that_scipy_does_not_need_are_imported_when_they_are_asked_for():
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True)
    assert done.stdout.splitlines() == ["[] []", "True numpy.f2py"], done.stderr


def test_a_module_that_stands_in_gives_what_the_real_one_has():
    import numpy.testing

    stand_in = binomial._StandIn("numpy.testing")
    assert stand_in.assert_allclose is numpy.testing.assert_allclose
