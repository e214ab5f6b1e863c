"""Example: leaky velocity change, written sample by sample as a control unit would run it."""

from __future__ import annotations

import math

from crashsense.event import Context
from crashsense.rules.per_sample import Frame


class LeakyVelocity:
    """Leaky, floored velocity change of a frontal impact.

    Parameters
    ----------
    threshold_m_s : velocity change that fires [m/s]
    leak_m_s2 : constant leak [m/s^2]

    Raises
    ------
    ValueError : a threshold that is not above 0, or a leak below 0; nothing is evaluated then
    """

    requires = frozenset({"central_x"})
    scales = True
    monotone = True

    def __init__(self, *, threshold_m_s: float = 1.5, leak_m_s2: float = 20.0) -> None:
        if not 0.0 < threshold_m_s < math.inf:
            raise ValueError(f"threshold_m_s: got {threshold_m_s}; expected m/s, more than 0")
        if not 0.0 <= leak_m_s2 < math.inf:
            raise ValueError(f"leak_m_s2: got {leak_m_s2}; expected m/s^2, 0 or more")
        self.threshold_m_s = threshold_m_s
        self.leak_m_s2 = leak_m_s2
        self.step_s = 0.0
        self.velocity = 0.0

    def reset(self, *, rate_hz: float, context: Context) -> None:
        """Forget everything; called before the first sample of every evaluation."""
        self.step_s = 1.0 / rate_hz
        self.velocity = 0.0

    def update(self, frame: Frame) -> float:
        """Take one frame and return demand."""
        deceleration = -frame.value("central_x")
        self.velocity += (deceleration - self.leak_m_s2) * self.step_s
        if self.velocity < 0.0:
            self.velocity = 0.0
        return self.velocity / self.threshold_m_s if frame.valid["central_x"] else 0.0
