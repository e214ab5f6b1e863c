"""Codes of some draws on their way to the control unit, and counts of what was clipped or lost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from crashsense.arrays import BoolArray, FloatArray, IntArray
from crashsense.sensing import chain
from crashsense.values import Shown

if TYPE_CHECKING:
    from crashsense.sensing import one_pass
    from crashsense.sensing.sensor import Sensor


@dataclass(frozen=True, eq=False)
class ChainReport(Shown):
    """Counts of what the stages of one sensor did, each of shape (draws,).

    ``at_stop`` and ``clipped_before_filter`` count internal samples (``internal_samples`` a draw),
    ``clipped_after_filter`` codes whose filtered value lay beyond the range, ``clipped_at_code``
    codes at the end of the payload, ``lost_frames`` codes that never came or came too late
    (``words`` a draw). ``fast``: True where the fast path was taken.
    """

    at_stop: IntArray
    clipped_before_filter: IntArray
    clipped_after_filter: IntArray
    clipped_at_code: IntArray
    lost_frames: IntArray
    internal_samples: int
    words: int
    fast: BoolArray


#: Values, codes and validity at the control unit, each (draws, ticks), and what happened.
Run = tuple[FloatArray, npt.NDArray[np.int32], BoolArray, ChainReport]


@dataclass(eq=False)
class Words:
    """Codes and values of all draws, and counts of clipped samples, by draw."""

    codes: npt.NDArray[np.int32]
    values: FloatArray
    before: IntArray
    after: IntArray
    at_code: IntArray

    @classmethod
    def empty(cls, draws: int, words: int) -> Words:
        """Room for the words of some draws, with nothing clipped."""
        counts = (np.zeros(draws, dtype=np.int64) for _ in range(3))
        return cls(np.empty((draws, words), np.int32), np.empty((draws, words)), *counts)

    def put(self, at: IntArray, words: one_pass.Words) -> None:
        """Set the entries of the draws at some places."""
        self.codes[at], self.values[at] = words[:2]
        self.before[at], self.after[at], self.at_code[at] = words[2:]

    def quantise(
        self, analogue: FloatArray, at: IntArray | slice, sensor: Sensor, *, largest: float = np.inf
    ) -> None:
        """Set codes and values of the draws at some places from filtered values, which it uses up.

        *largest*: a bound on their absolute values, if one is known.
        """
        if largest > sensor.range:
            largest = chain.largest_of(analogue)
            self.after[at] = chain.beyond_level(analogue, level=sensor.range, largest=largest)
        self.at_code[at] = chain.round_to_codes(
            analogue, step=sensor.step, limit=sensor.code_limit, largest=largest
        )
        self.codes[at] = analogue
        if isinstance(at, slice):
            np.multiply(analogue, sensor.step, out=self.values[at])
        else:
            analogue *= sensor.step
            self.values[at] = analogue
