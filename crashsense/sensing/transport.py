"""Words on the way from the sensor to the control unit: payload, status codes, timing, losses.

The default is the airbag use of PSI5, an open two-wire current interface: synchronous slots in a
500 us period, two start bits, data, one parity bit (or three check bits), 8 us a bit at 125 kbit/s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crashsense.errors import Fault, InputError

#: Bit time of the two transmission speeds [s]: 125 kbit/s (8 us) and 189 kbit/s.
BIT_TIME_S = {"125k": 8e-6, "189k": 1.0 / 189e3}

#: Period of the synchronising pulse [s].
SYNC_PERIOD_S = 500e-6


@dataclass(frozen=True)
class Payload:
    """Code ranges of a word of *bits* bits, two's complement.

    10 bits: data -480..+480; +481..+511 status and error; -512..-481 initialisation. Other lengths
    scale the same shares (a 16-bit word carries -30720..+30720). From memory of the open
    specification; status values +487 ready, +488 busy, +489 service mode, +500 defect likewise.
    """

    bits: int
    limit: int
    ready: int
    busy: int
    service: int
    defect: int

    @classmethod
    def of(cls, bits: int) -> Payload:
        """Return the payload of a word of *bits* bits.

        >>> Payload.of(10).limit, Payload.of(16).limit, Payload.of(10).defect
        (480, 30720, 500)
        """
        if not 4 <= bits <= 24:
            raise InputError([Fault("payload", "bits", bits, "a word of 4 to 24 bits")])

        def scaled(code: int) -> int:
            return code * 2**bits // 2**10

        # Short words keep at least one code for status.
        limit = min(scaled(480), 2 ** (bits - 1) - 2)
        top = 2 ** (bits - 1) - 1
        codes = [min(top, max(limit + 1, scaled(code))) for code in (487, 488, 489, 500)]
        return cls(bits, limit, *codes)

    def kind(self, code: int) -> str:
        """Say what a code is: ``"data"``, ``"status"``, ``"initialisation"`` or ``"no word"``.

        >>> [Payload.of(10).kind(code) for code in (480, 481, -481, 512)]
        ['data', 'status', 'initialisation', 'no word']
        """
        top = 2 ** (self.bits - 1)
        if abs(code) <= self.limit:
            return "data"
        if self.limit < code < top:
            return "status"
        return "initialisation" if -top <= code < -self.limit else "no word"


def word_time_s(bits: int, *, bit_time_s: float = 8e-6, check: str = "parity") -> float:
    """Duration of a word [s]: two start bits, the data, one parity bit or three check bits.

    >>> round(word_time_s(10) * 1e6, 6)
    104.0
    """
    return (2 + bits + {"parity": 1, "crc": 3}[check]) * bit_time_s


def even_parity(code: int, *, bits: int) -> int:
    """Parity bit that makes the number of ones even.

    >>> even_parity(7, bits=10), even_parity(-1, bits=10)
    (1, 0)
    """
    return (code & (2**bits - 1)).bit_count() % 2


def crc3(code: int, *, bits: int) -> int:
    """Three check bits of a word, most significant data bit first, augmented by three zero bits.

    Source
        Polynomial 1 + x + x^3 and start value 111: from memory of the open specification. That the
        most significant bit comes first is a house definition. No rule sees them: they show what a
        check finds, and their number enters the length of a word.
    """
    register = 0b111
    word = (code & (2**bits - 1)) << 3
    for position in range(bits + 2, -1, -1):
        out = register >> 2 & 1
        register = (register << 1 | word >> position & 1) & 0b111
        if out:
            register ^= 0b011
    return register


def slots_fit(bits: int, *, slot_starts_s: tuple[float, ...], bit_time_s: float = 8e-6) -> bool:
    """True if words that start at these times neither overlap nor leave the period."""
    starts = sorted(slot_starts_s)
    word = word_time_s(bits, bit_time_s=bit_time_s)
    ends = [start + word for start in starts]
    follow = [*starts[1:], SYNC_PERIOD_S]
    return all(end <= after + 1e-12 for end, after in zip(ends, follow, strict=True))


def hold_last(
    codes: npt.NDArray[np.int32], *, arrived: npt.NDArray[np.bool_], most: int, failed: int
) -> npt.NDArray[np.int32]:
    """Replace words that did not arrive by the last one that did, shape (draws, words).

    A word stands in for at most *most* words after it. Beyond that, and before any word has come,
    the control unit has none: the code is *failed*. A later word changes nothing before it.

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
