"""Codes on the way from the sensor to the control unit: payload, status codes, timing, losses.

The default is the airbag use of PSI5, an open two-wire current interface: synchronous slots in a
500 us period, two start bits, data, one parity bit, 8 us a bit at 125 kbit/s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crashsense.arrays import BoolArray, IntArray
from crashsense.draws import noise, uniforms
from crashsense.errors import Fault, InputError


@dataclass(frozen=True)
class Payload:
    """Code ranges of a word of *bits* bits, two's complement.

    10 bits: data -480..+480; +481..+511 status and error, of them +500 defect; -512..-481
    initialisation. Other lengths scale the same shares (a 16-bit word carries -30720..+30720). From
    memory of the open specification. ``limit``: largest data code; ``defect``: of a failed sensor.
    """

    bits: int
    limit: int
    defect: int

    @classmethod
    def of(cls, bits: int) -> Payload:
        """Return the payload of a word of *bits* bits.

        >>> Payload.of(10).limit, Payload.of(16).limit, Payload.of(10).defect
        (480, 30720, 500)
        """
        if not 4 <= bits <= 24:
            raise InputError([Fault("payload", "bits", bits, "a word length of 4 to 24 bits")])

        def scaled(code: int) -> int:
            return code * 2**bits // 2**10

        # Short words keep at least one code for status.
        limit = min(scaled(480), 2 ** (bits - 1) - 2)
        top = 2 ** (bits - 1) - 1
        return cls(bits, limit, min(top, max(limit + 1, scaled(500))))


def word_time_s(bits: int, *, bit_time_s: float = 8e-6) -> float:
    """Duration of a word [s]: two start bits, the data, one parity bit.

    >>> round(word_time_s(10) * 1e6, 6)
    104.0
    """
    return (2 + bits + 1) * bit_time_s


def hold_last(
    codes: npt.NDArray[np.int32], *, arrived: npt.NDArray[np.bool_], most: int, failed: int
) -> npt.NDArray[np.int32]:
    """Replace codes that did not arrive by the last one that did, shape (draws, words).

    A code replaces at most *most* lost ones after it. Beyond that, and before any has
    arrived, there is none: the code is *failed*. A later code changes nothing before it.

    >>> hold_last(np.array([[1, 2, 3, 4, 5]], dtype=np.int32), most=1, failed=500,
    ...     arrived=np.array([[False, True, False, False, True]])).tolist()
    [[500, 2, 2, 500, 5]]
    """
    number = np.arange(codes.shape[-1])
    last = np.where(arrived, number, -1)
    np.maximum.accumulate(last, axis=-1, out=last)
    held = np.take_along_axis(codes, np.maximum(last, 0), axis=-1)
    known = (last >= 0) & (number - last <= most)
    return np.where(known, held, np.int32(failed)).astype(np.int32)


def arrived_in_time(
    draws: IntArray,
    words: int,
    *,
    lost: float,
    jitter_s: float,
    room_s: float,
    noisy: BoolArray,
    seed: int,
    axes: tuple[str, ...],
) -> BoolArray | None:
    """Return which codes come, and come in time, shape (draws, words); None if all do.

    *lost*: probability of a lost code [-]; *jitter_s*: deviation of its delay [s], of which
    *room_s* does no harm; *noisy*: draws in which something may be lost; *seed*, *axes*: of the
    random numbers.
    """
    arrived: BoolArray | None = None
    if lost > 0 and noisy.any():
        drawn = uniforms(draws, words, seed=seed, axes=(*axes, "lost_frames"))
        arrived = (drawn >= lost) | ~noisy[:, None]
    if jitter_s > 0 and noisy.any():
        late = jitter_s * noise(draws, words, seed=seed, axes=(*axes, "jitter"))
        in_time = (late <= room_s) | ~noisy[:, None]
        arrived = in_time if arrived is None else arrived & in_time
    return arrived
