"""Contacts in a row, and a wheel on a road, compiled (extra ``fast``); see :mod:`.kernels`.

Marches of draws side by side stand in :mod:`.marches` and :mod:`.car_marches`. Each kernel has a
twin in numpy, named beside it, and gives the same bits: the same operations in the same order, and
only such as IEEE 754 defines exactly. A draw never depends on the draws beside it.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel

_jit: Any = kernel()


@_jit
def contact_steps(
    inverse_mass: FloatArray,
    laws: FloatArray,
    kinds: npt.NDArray[np.bool_],
    start: FloatArray,
    steps: npt.NDArray[np.int64],
    sample_s: float,
    force: FloatArray,
) -> None:
    """All steps of bodies in a row; twin: ``synthesis.dynamics.contact_chain``, same bits.

    *inverse_mass*, *start* (bodies, draws); *laws* (joints, 8, draws): stiffness, damping, gap,
    bend, stiffness past it, Hertz stiffness, yield depth, hysteresis; *kinds* (joints, 3): holds,
    plastic, round; *steps* (samples,): steps of each sample; out: *force* (joints, draws, samples).
    """
    joints, draws, samples = force.shape
    bodies = joints + 1
    push = np.empty(joints)
    law = np.empty((joints, 8))
    at_yield, beyond, deep = np.empty(joints), np.empty(joints), np.empty(joints)
    per = np.empty(bodies)
    x, v = np.empty(bodies), np.empty(bodies)
    sums = np.empty(joints)
    gone = np.empty(joints, dtype=np.bool_)
    for draw in range(draws):
        law[:] = laws[:, :, draw]
        v[:] = start[:, draw]
        x[:] = 0.0
        gone[:] = False
        deep[:] = 1e-30
        for i in range(joints):
            root = np.sqrt(law[i, 6])
            at_yield[i], beyond[i] = law[i, 5] * law[i, 6] * root, 1.5 * law[i, 5] * root
        for sample in range(samples):
            count = steps[sample]
            step_s = sample_s / count
            mean = 1.0 / count
            for i in range(bodies):
                per[i] = inverse_mass[i, draw] * step_s
            sums[:] = 0.0
            for _ in range(count):
                for i in range(joints):
                    closing = x[i] - x[i + 1] - law[i, 2]
                    rate = v[i] - v[i + 1]
                    if not kinds[i, 0] and closing <= 0.0:
                        push[i] = 0.0
                        continue
                    if kinds[i, 2]:
                        deep[i] = deep[i] if deep[i] > closing else closing
                        c = deep[i]
                        root = np.sqrt(c)
                        if c < law[i, 6]:
                            top = law[i, 5] * c * root
                        else:
                            top = at_yield[i] + beyond[i] * (c - law[i, 6])
                        full = top / (law[i, 5] * root)
                        share = (closing - c) + full
                        share = (share if share > 0.0 else 0.0) / full
                        f = top * share * np.sqrt(share) * (1.0 + law[i, 7] * rate)
                    else:
                        bend = law[i, 3]
                        near = bend if bend < closing else closing
                        f = law[i, 0] * near + law[i, 4] * (closing - near) + law[i, 1] * rate
                    if not kinds[i, 0]:
                        f = f if f > 0.0 else 0.0
                        gone[i] |= kinds[i, 1] and rate <= 0.0
                        f = 0.0 if gone[i] else f
                    push[i] = f
                    sums[i] += f
                for i in range(bodies):
                    if i > 0:
                        v[i] += push[i - 1] * per[i]
                    if i < joints:
                        v[i] -= push[i] * per[i]
                    x[i] += v[i] * step_s
            for i in range(joints):
                force[i, draw, sample] = sums[i] * mean


#: Points of a path whose highest points under the wheel are sought together.
_PATCH = 32


@_jit
def highest_under(padded: FloatArray, drops: FloatArray, out: FloatArray) -> None:
    """Largest of ``padded[row, i + k] + drops[k]`` over k, for each row and i of *out*.

    Twin: ``synthesis.road.profile.wheel_path``, same bits. *padded* (rows, points + drops - 1);
    *drops* (an odd number): the same to both sides of the middle, and falling from there.

    From the middle outward, until even the highest point of all under a patch lies too low: on
    level road at once. A sum never falls as its term rises, rounded or not.
    """
    points, reach = out.shape[1], (drops.size - 1) // 2
    for row in range(out.shape[0]):
        for first in range(0, points, _PATCH):
            size = min(_PATCH, points - first)
            under = padded[row, first : first + size + 2 * reach]
            best = out[row, first : first + size]
            top = under.max()
            for i in range(size):
                best[i] = under[i + reach] + drops[reach]
            for d in range(1, reach + 1):
                drop = drops[reach + d]
                if top + drop <= best.min():
                    break
                ahead, behind = under[reach + d :], under[reach - d :]
                for i in range(size):
                    height = max(ahead[i], behind[i]) + drop
                    best[i] = height if height > best[i] else best[i]


def check_steps() -> None:
    """Compile and run every kernel of this module on next to nothing."""

    def ones(*shape: int) -> FloatArray:
        return np.ones(shape)

    contact_steps(
        ones(2, 1), ones(1, 8, 1), np.ones((1, 3), dtype=np.bool_), ones(2, 1),
        np.ones(1, dtype=np.int64), 1.0, ones(1, 1, 1),
    )  # fmt: skip
    highest_under(ones(1, 5), ones(3), ones(1, 3))
