"""Example: leaky velocity change, written sample by sample as a control unit would run it."""

from __future__ import annotations

from crashsense.event import Context
from crashsense.rules.per_sample import Frame


class LeakyVelocity:
    """Leaky, floored velocity change of a frontal impact.

    Parameters
    ----------
    threshold_m_s : velocity change that fires [m/s]
    leak_m_s2 : constant leak [m/s^2]
    """

    requires = frozenset({"central_x"})
    scales = True
    monotone = True

    def __init__(self, *, threshold_m_s: float = 1.5, leak_m_s2: float = 20.0) -> None:
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
