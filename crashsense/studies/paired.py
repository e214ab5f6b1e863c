"""Tests on paired draws: the same draw judged in two versions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crashsense.arrays import FloatArray


def mcnemar_exact(lost: int, gained: int) -> float:
    """Return the two-sided p-value of the exact McNemar test [-].

    Of the draws in which two versions differ, either direction is as likely if neither is better:
    p = min(1, 2 P(X <= min(b, c))), X ~ Bin(b + c, 1/2). Without such draws p is 1. Also the exact
    sign test. Source: McNemar, Psychometrika 12 (1947) 153-157; the exact form after Mosteller,
    Biometrics 8 (1952) 220-226.

    Parameters
    ----------
    lost, gained : draws met before and not after (b), and the reverse (c); 0 or more

    >>> mcnemar_exact(0, 5)
    0.0625
    >>> mcnemar_exact(3, 3)
    1.0
    """
    from scipy.special import bdtr

    if lost < 0 or gained < 0:
        raise ValueError(f"got {lost} and {gained} discordant draws; expected 0 or more")
    both = lost + gained
    return 1.0 if both == 0 else min(1.0, 2.0 * float(bdtr(min(lost, gained), both, 0.5)))


def holm(p_values: Sequence[float] | FloatArray) -> FloatArray:
    """Return p-values adjusted for their number by Holm's step-down rule [-], shape kept.

    Valid however the tests are correlated. NaN (no test) stays. Source: Holm, Scandinavian
    Journal of Statistics 6 (1979) 65-70.

    >>> [round(float(p), 6) for p in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    given = np.asarray(p_values, dtype=np.float64)
    out = np.full(given.shape, np.nan)
    known = np.flatnonzero(~np.isnan(given))
    order = known[np.argsort(given[known], kind="stable")]
    raised = given[order] * (order.size - np.arange(order.size))
    out[order] = np.minimum(np.maximum.accumulate(raised), 1.0) if order.size else raised
    return out
