"""Designed points for sensitivity studies: which tolerance matters, with few evaluations.

For these studies only. Points of a Latin hypercube or a Sobol sequence fill the space evenly, so
they are not independent: no exact interval on a probability may be computed from them.
"""

from __future__ import annotations

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError, nearest
from crashsense.sensing.tolerance import ROLES

METHODS = ("latin_hypercube", "sobol")


def designed_deviates(
    points: int, *, seed: int, method: str = "latin_hypercube", roles: tuple[str, ...] = ROLES
) -> FloatArray:
    """Standard normal deviates at designed points, shape (points, len(ROLES)).

    Roles left out of *roles* stay nominal. Hand the result to
    ``sense(..., deviates={channel: ...})`` with as many draws as points (numbers from 1).

    >>> designed_deviates(8, seed=1).shape
    (8, 8)
    """
    found = []
    if isinstance(points, bool) or points < 1:
        found.append(Fault("sensitivity", "points", points, "1 or more points"))
    if method not in METHODS:
        found.append(Fault("sensitivity", "method", method, nearest(method, METHODS)))
    elif method == "sobol" and points & (points - 1):
        found.append(Fault("sensitivity", "points", points, "a power of 2 for Sobol points"))
    found += [
        Fault("sensitivity", "roles", role, nearest(role, ROLES))
        for role in roles
        if role not in ROLES
    ]
    if found:
        raise InputError(found)
    from scipy.special import ndtri
    from scipy.stats import qmc

    kind = qmc.LatinHypercube if method == "latin_hypercube" else qmc.Sobol
    unit = kind(d=len(roles), rng=np.random.default_rng(seed)).random(points)
    out = np.zeros((points, len(ROLES)))
    for column, role in enumerate(roles):
        out[:, ROLES.index(role)] = ndtri(np.clip(unit[:, column], 1e-12, 1 - 1e-12))
    return out
