"""Tests on paired draws, against independent computations."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import binomtest

from crashsense.studies.paired import holm, mcnemar_exact


def test_mcnemar_is_the_binomial_test_of_the_discordant_draws() -> None:
    # McNemar 1947, exact form: X ~ Bin(b + c, 1/2), two-sided; scipy computes it another way.
    pairs = [p for p in product(range(25), range(25)) if sum(p)] + [(3, 400), (5000, 5200)]
    ours = [mcnemar_exact(b, c) for b, c in pairs]
    theirs = [binomtest(b, b + c, 0.5).pvalue for b, c in pairs]
    np.testing.assert_allclose(ours, theirs, rtol=1e-9)


def test_mcnemar_edges() -> None:
    assert mcnemar_exact(0, 0) == 1.0
    # One direction only: 2 (1/2)^n.
    assert mcnemar_exact(8, 0) == pytest.approx(2.0**-7)
    with pytest.raises(ValueError, match="expected 0 or more"):
        mcnemar_exact(-1, 2)


def test_holm_by_its_definition() -> None:
    # Holm 1979: reject the i-th smallest if all before it were and p_i <= alpha / (m - i + 1). The
    # adjusted value is the least alpha at which that happens.
    given = np.array([0.04, 0.001, np.nan, 0.012, 0.5, 0.012])
    adjusted = holm(given)
    assert np.isnan(adjusted[2])
    ordered = sorted(p for p in given if p == p)
    for alpha in (0.0049, 0.0051, 0.047, 0.049, 0.079, 0.081, 0.49, 0.51):
        rejected = set()
        for i, p in enumerate(ordered):
            if p > alpha / (len(ordered) - i):
                break
            rejected.add(p)
        assert {p for p, a in zip(given, adjusted, strict=True) if a <= alpha} == rejected
    assert holm([]).size == 0
