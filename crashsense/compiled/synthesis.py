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
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.on_lanes import Lanes
from crashsense.compiled.vectors import WIDTH, Vector, address, everywhere, larger, smaller

_jit: Any = kernel()
_WORD = ir.IntType(64)
_PLACES = ir.VectorType(ir.IntType(32), WIDTH)


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


#: Points of a path that are sought together, and vectors of them.
_PATCH = 32
_VECTORS = _PATCH // WIDTH


def _vectors(b: Any, at: Any) -> list[Vector]:
    """The numbers of a patch, from an address."""
    row = Lanes(b, at, 0)
    return [row[n] for n in range(_VECTORS)]


@intrinsic  # type: ignore[untyped-decorator]
def _top(typing: Any, at: Any) -> Any:
    """The largest of a patch of numbers."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        one, other, third, last = _vectors(b, given[0])
        found = larger(larger(one, other), larger(third, last))
        for part in (WIDTH // 2, WIDTH // 4, WIDTH // 8):
            order = ir.Constant(_PLACES, [(k + part) % WIDTH for k in range(WIDTH)])
            found = larger(found, Vector(b, b.shuffle_vector(found.value, found.value, order)))
        return b.extract_element(found.value, ir.Constant(ir.IntType(32), 0))

    return types.float64(types.int64), generate


@intrinsic  # type: ignore[untyped-decorator]
def _raised(typing: Any, best: Any, ahead: Any, behind: Any, drop: Any, top: Any) -> Any:
    """Raise a patch to the higher of two others and *drop*; 0 if none of it then lies below *top*.

    The first three are addresses.
    """

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        row, fall, top = Lanes(b, given[0], 0), everywhere(b, given[3]), everywhere(b, given[4])
        lowest = top
        pairs = zip(_vectors(b, given[1]), _vectors(b, given[2]), strict=True)
        for n, (one, other) in enumerate(pairs):
            row[n] = found = larger(larger(one, other) + fall, row[n])
            lowest = smaller(lowest, found)
        return (lowest < top).any()

    return types.int64(*[types.int64] * 3, *[types.float64] * 2), generate


@intrinsic  # type: ignore[untyped-decorator]
def _put_mean(typing: Any, at: Any, count: Any, divisor: Any) -> Any:
    """Put the mean of each point of a patch, at an address, and the *count* - 1 points behind."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        at, count, divisor = given
        sums = [cgutils.alloca_once_value(b, one.value) for one in _vectors(b, at)]
        with cgutils.for_range(b, count, start=ir.Constant(_WORD, 1)) as loop:
            further = _vectors(b, b.add(at, b.shl(loop.index, ir.Constant(_WORD, 3))))
            for place, more in zip(sums, further, strict=True):
                b.store((Vector(b, b.load(place)) + more).value, place)
        row = Lanes(b, at, 0)
        for n, place in enumerate(sums):
            row[n] = Vector(b, b.load(place)) / everywhere(b, divisor)
        return context.get_dummy_value()

    return types.void(types.int64, types.int64, types.float64), generate


@_jit
def tyre_path(heights: FloatArray, drops: FloatArray, half: int, out: FloatArray) -> None:
    """Highest points under a wheel, and their means over *half* a patch to each side.

    Twins: ``synthesis.road.profile.wheel_path`` and ``patch_mean``, same bits: the largest of
    ``heights[row, i + k] + drops[k]`` over k, for each row and i of *out*. *drops* (an odd number):
    the same to both sides of the middle, and falling from there.

    From the middle outward, until even the highest point of all under a patch lies too low: on
    level road at once. A sum never falls as its term rises, rounded or not.
    """
    points, reach = out.shape[1], (drops.size - 1) // 2
    under = _PATCH + 2 * reach
    patches = -(-points // _PATCH)
    # Patches begin at the same places of the road, of which the first *reach* lie before it.
    blocks = patches + -(-under // _PATCH)
    ground, tops = np.empty(blocks * _PATCH), np.empty(blocks)
    wheel = np.empty(patches * _PATCH + 2 * half + _PATCH)
    whole = 2 * half + 1
    for row in range(out.shape[0]):
        ground[:reach], ground[reach + points :] = heights[row, 0], heights[row, -1]
        ground[reach : reach + points] = heights[row]
        for n in range(blocks):
            tops[n] = _top(address(ground) + 8 * _PATCH * n)
        for first in range(0, points, _PATCH):
            top = tops[first // _PATCH]
            for n in range(first // _PATCH + 1, (first + under - 1) // _PATCH + 1):
                top = tops[n] if tops[n] > top else top
            best, middle = (
                address(wheel) + 8 * (half + first),
                address(ground) + 8 * (first + reach),
            )
            wheel[half + first : half + first + _PATCH] = -np.inf
            for d in range(reach + 1):
                further = drops[min(reach + d + 1, 2 * reach)]
                if not _raised(
                    best, middle + 8 * d, middle - 8 * d, drops[reach + d], top + further
                ):
                    break
        wheel[:half], wheel[half + points :] = wheel[half], wheel[half + points - 1]
        if half > 0:
            # Each patch is put where no later one looks.
            for first in range(0, points, _PATCH):
                _put_mean(address(wheel) + 8 * first, whole, float(whole))
        out[row] = wheel[:points]
    ground[0] = wheel[0] = 0.0  # kept until here: the steps know their addresses only


def check_steps() -> None:
    """Compile and run every kernel of this module on next to nothing."""

    def ones(*shape: int) -> FloatArray:
        return np.ones(shape)

    contact_steps(
        ones(2, 1), ones(1, 8, 1), np.ones((1, 3), dtype=np.bool_), ones(2, 1),
        np.ones(1, dtype=np.int64), 1.0, ones(1, 1, 1),
    )  # fmt: skip
    told = ones(1, 5), ones(3)
    for one in told:
        one.setflags(write=False)
    tyre_path(*told, 1, ones(1, 5))
