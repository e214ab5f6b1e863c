"""Contacts in a row, and a wheel on a road, compiled (extra ``fast``); see :mod:`.kernels`.

Further marches of draws side by side stand in :mod:`.marches` and :mod:`.car_marches`. Each kernel
has a twin in numpy, named beside it, and gives the same bits: the same operations in the same
order, and only such as IEEE 754 defines exactly. A draw never depends on the draws beside it.

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
from crashsense.compiled import contact
from crashsense.compiled.caching import kernel
from crashsense.compiled.marches import put_rows
from crashsense.compiled.on_lanes import Common, Count, Lanes, Words, on_lanes
from crashsense.compiled.vectors import WIDTH, Vector, address, everywhere, larger, lines, smaller

_jit: Any = kernel()
_WORD = ir.IntType(64)
_PLACES = ir.VectorType(ir.IntType(32), WIDTH)


#: Samples in a tile of contacts.
TILE = 64

_contacts = on_lanes(contact.contact_march)


@intrinsic  # type: ignore[untyped-decorator]
def _run_contacts(
    typing: Any,
    of_joint: Any,
    of_body: Any,
    kinds: Any,
    substeps: Any,
    step_s: Any,
    share: Any,
    tile: Any,
    joints: Any,
    samples: Any,
) -> Any:
    """March some samples of bodies in a row; addresses first, then counts."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        of_joint, of_body, kinds, substeps, step_s, share, tile = given[:7]
        joints, samples = (Count(b, one) for one in given[7:])
        bodies = joints + 1
        row = (joints * 8).value
        kind = [Words(b, b.add(kinds, b.mul(row, ir.Constant(_WORD, n)))) for n in range(4)]
        _contacts(
            *Lanes(b, of_joint, 0).tables(*[joints] * contact.JOINT),
            *Lanes(b, of_body, 0).tables(*[bodies] * contact.BODY), *kind, joints, bodies, samples,
            Words(b, substeps), Common(b, step_s, 0), Common(b, share, 0), TILE, Lanes(b, tile, 0),
        )  # fmt: skip
        return context.get_dummy_value()

    return types.void(*[types.int64] * 9), generate


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

    *inverse_mass*, *start* (bodies, draws); *laws* (joints, 8, draws): ``contact.LAW``; *kinds*
    (joints, 3): holds, plastic, round; *steps* (samples,): steps of each sample; out: *force*
    (joints, draws, samples).
    """
    joints, draws, samples = force.shape
    bodies = joints + 1
    of_joint = lines(contact.JOINT * joints).reshape((contact.JOINT, joints, WIDTH))
    of_body = lines(contact.BODY * bodies).reshape((contact.BODY, bodies, WIDTH))
    tile = lines(joints * TILE)
    kind = np.empty((4, joints), dtype=np.int64)
    for i in range(joints):
        kind[0, i], kind[1, i] = not kinds[i, 2], kinds[i, 2]
        kind[2, i], kind[3, i] = not kinds[i, 0], kinds[i, 1]
    step_s, share = sample_s / steps, 1.0 / steps
    lanes = address(of_joint), address(of_body), address(kind)
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        of_joint[:], of_body[:] = 0.0, 0.0
        for j in range(WIDTH):
            draw = first + min(j, width - 1)
            for i in range(joints):
                of_joint[: contact.LAW, i, j] = laws[i, :, draw]
                hertz, yields = laws[i, 5, draw], laws[i, 6, draw]
                root = np.sqrt(yields)
                of_joint[8, i, j], of_joint[9, i, j] = hertz * yields * root, 1.5 * hertz * root
                of_joint[10, i, j] = 1e-30
            of_body[0, :, j], of_body[3, :, j] = inverse_mass[:, draw], start[:, draw]
        for at in range(0, samples, TILE):
            ticks = min(TILE, samples - at)
            told = address(steps) + 8 * at, address(step_s) + 8 * at, address(share) + 8 * at
            _run_contacts(*lanes, *told, address(tile), joints, ticks)
            put_rows(tile, TILE, ticks, first, width, at, force)
    # Kept until here: the march knows their addresses only.
    of_joint[0, 0, 0] = of_body[0, 0, 0] = step_s[0] = share[0] = 0.0
    kind[0, 0] = 0


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
