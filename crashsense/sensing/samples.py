"""What the control unit receives: all that a decision rule ever sees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.event import Context
from crashsense.values import Shown


@dataclass(frozen=True, eq=False)
class EcuSamples(Shown):
    """A block of control-unit samples: one tick for all channels.

    Parameters
    ----------
    channels : channel -> float64 (draws, samples), SI; NaN where not valid
    codes : channel -> int32 (draws, samples), as received
    valid : channel -> bool (draws, samples); False for a failed or absent sensor
    rate_hz : tick rate [Hz]
    start_s : shape (draws,): time [s] at which the control unit has *finished* with sample 0
        (sample instant + transport + task). Fire times use this clock.
    context : what the control unit knows besides

    One event is a block of one draw. Slower sensors hold their last value.
    """

    channels: Mapping[str, FloatArray]
    codes: Mapping[str, npt.NDArray[np.int32]]
    valid: Mapping[str, npt.NDArray[np.bool_]]
    rate_hz: float
    start_s: FloatArray
    context: Context

    @property
    def draws(self) -> int:
        """Number of draws in the block."""
        return int(self.start_s.shape[0])

    @property
    def size(self) -> int:
        """Number of samples in time."""
        return int(next(iter(self.channels.values())).shape[-1]) if self.channels else 0

    @property
    def times_s(self) -> FloatArray:
        """Finish time of every sample [s], shape (draws, samples)."""
        return np.asarray(
            self.start_s[:, None] + np.arange(self.size) / self.rate_hz, dtype=np.float64
        )
