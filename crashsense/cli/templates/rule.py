"""A rule of my own: leaky velocity change, one sample at a time.

Check it:   crashsense check-rule my_rule.py:LeakyVelocity
The law of the house: demand at a sample depends on this sample and earlier ones only.
"""


class LeakyVelocity:
    """Velocity change of a frontal impact that leaks away, over its threshold."""

    #: Channels without which the rule cannot judge. SI: m/s^2, Pa, rad/s.
    requires = frozenset({"central_x"})
    #: Demand scales as 1 over the threshold: one evaluation answers every threshold.
    scales = True
    #: A higher threshold never fires earlier.
    monotone = True

    def __init__(self, *, threshold_m_s: float = 1.8, leak_m_s2: float = 20.0) -> None:
        self.threshold_m_s = threshold_m_s
        self.leak_m_s2 = leak_m_s2
        self.step_s = 0.0
        self.velocity = 0.0

    def reset(self, *, rate_hz, context) -> None:
        """Forget everything; called before the first sample of each evaluation."""
        self.step_s = 1.0 / rate_hz
        self.velocity = 0.0

    def update(self, frame) -> float:
        """Take one tick and return demand: criterion over threshold, 0 or more; 1 fires."""
        deceleration = -frame.value("central_x")
        self.velocity = max(0.0, self.velocity + (deceleration - self.leak_m_s2) * self.step_s)
        return self.velocity / self.threshold_m_s
