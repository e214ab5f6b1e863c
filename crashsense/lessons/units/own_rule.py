"""Lesson 7: your own rule in ten lines."""

from __future__ import annotations

import numpy as np

from crashsense.lessons.form import Exercise, Lesson, Part


def _time_of_fire_ms(*, level_g: float, threshold_m_s: float, leak_g: float) -> float:
    """When the shipped velocity rule fires on a constant deceleration, without chain [ms].

    A fine tick, so that the answer is that of the formula and not of a sampling grid.
    """
    from crashsense.event import Context
    from crashsense.rules.velocity import VelocityChange
    from crashsense.sensing import EcuSamples
    from crashsense.units import STANDARD_GRAVITY

    rate = 100_000.0
    level = np.full((1, 10_000), -level_g * STANDARD_GRAVITY)
    samples = EcuSamples(
        channels={"central_x": level},
        codes={},
        valid={"central_x": np.ones(level.shape, dtype=bool)},
        rate_hz=rate,
        start_s=np.zeros(1),
        context=Context(),
    )
    demand = VelocityChange(threshold_m_s=threshold_m_s, leak_g=leak_g).demand(samples)[0]
    return float(1e3 * (int(np.argmax(demand >= 1.0)) + 1) / rate)


LESSON = Lesson(
    number=7,
    name="own_rule",
    title="your own rule in ten lines",
    question="How does a decision rule look in code, and how does one know that it is honest?",
    parts=(
        Part(
            """
A [[rule]] is a map from the samples that the control unit has received to a [[demand]] at each
sample. Demand 1 fires. There is one law: demand at a sample may depend on this sample and earlier
ones, never on later ones. The rule does not know the requirement, the speed of the car, or what will
happen next.

Ten lines are enough for the oldest rule of the trade: add up the deceleration, take off a little at
each step so that braking and rough roads leak away, and compare with a threshold.
""",
            """
import numpy as np
from crashsense import Rule
from crashsense.units import STANDARD_GRAVITY

class LeakyVelocity(Rule):
    requires = frozenset({"central_x"})

    def __init__(self, threshold_m_s=1.5, leak_g=4.0):
        self.threshold_m_s, self.leak_g = threshold_m_s, leak_g

    def demand(self, samples):
        valid = samples.valid["central_x"]   # a failed sensor gives no number: count it as nothing
        a = np.where(valid, -samples.channels["central_x"], 0.0)
        step = (a - self.leak_g * STANDARD_GRAVITY) / samples.rate_hz
        velocity = np.zeros(step.shape)
        for n in range(step.shape[1]):
            velocity[:, n] = np.maximum(0, (velocity[:, n - 1] if n else 0) + step[:, n])
        return np.where(valid, velocity / self.threshold_m_s, 0.0)
""",
        ),
        Part(
            """
Does it do what a hand calculation says? At a constant deceleration `a` the rule passes its threshold
`V` after `t = V / (a - leak)`: with 1.5 m/s, 10 g and no leak after 15.3 ms, with 4 g of leak after
25.5 ms.
""",
            """
from crashsense import Context, EcuSamples

def constant(level_g, rate_hz=2000.0, seconds=0.1):
    values = np.full((1, int(seconds * rate_hz)), -level_g * STANDARD_GRAVITY)
    return EcuSamples(channels={"central_x": values}, codes={},
                      valid={"central_x": np.ones(values.shape, dtype=bool)},
                      rate_hz=rate_hz, start_s=np.zeros(1), context=Context())

for leak_g in (0.0, 4.0):
    demand = LeakyVelocity(leak_g=leak_g).demand(constant(10.0))[0]
    fires_at = (np.argmax(demand >= 1) + 1) / 2000.0   # end of the tick in which it passed
    print(f"leak {leak_g:g} g: {1e3 * fires_at:5.1f} ms, by hand "
          f"{1e3 * 1.5 / ((10 - leak_g) * STANDARD_GRAVITY):5.1f} ms")
""",
        ),
        Part(
            """
The answers differ by less than a tick of 0.5 ms. Now the real thing: sensor, filter, bus, noise-free
nominal [[draw]], and a [[verdict]]. Change the threshold in the script and see what is lost.
""",
            """
import crashsense

mine = crashsense.Algorithm("mine", rules={"front_airbag_stage_1": LeakyVelocity()})
for name in ("wall_full_40", "odb_40_40", "pothole_60"):
    trial = crashsense.trial(name, algorithm=mine)
    row = trial.row("front_airbag_stage_1")
    print(f"{name:14s} must {row['expectation']:8s} required {row['required_time_ms']:6.1f} ms  "
          f"fired {row['fire_time_ms']:6.1f} ms  demand {row['max_demand']:5.2f}  {row['verdict']}")
figure = crashsense.trial("wall_full_40", algorithm=mine).plot()
""",
        ),
        Part(
            """
Is it honest? A suite that ships with the tool changes the future and checks whether the past moves,
computes many draws at once and one by one, and leaves the car at rest. From the command line:
`crashsense new rule`, then `crashsense check-rule my_rule.py:LeakyVelocity`.
""",
            """
from crashsense.rules.conformance import check_rule

checks = check_rule(LeakyVelocity)
for check in checks:
    print(check.name, check.message or check.untested or "passed", sep=": ")
""",
        ),
    ),
    sources=(
        "`t = V / (a - leak)`: by hand, 1.5 m/s at 10 g are 15.3 ms.",
        "Velocity change with leak as a criterion: common practice, from memory.",
    ),
    exercises=(
        Exercise(
            "A velocity rule without leak has a threshold of 2 m/s. When does it pass it at a "
            "constant 20 g, sensor and bus left out?",
            "ms",
            lambda: _time_of_fire_ms(level_g=20.0, threshold_m_s=2.0, leak_g=0.0),
            "Velocity is deceleration times time.",
        ),
        Exercise(
            "The same rule with 4 g of leak, at a constant 12 g?",
            "ms",
            lambda: _time_of_fire_ms(level_g=12.0, threshold_m_s=2.0, leak_g=4.0),
            "Only what exceeds the leak adds up.",
        ),
    ),
    minutes=40,
    teacher="""
Ten minutes of reading, thirty at the keyboard. Students who finish early can write the rule one
sample at a time (`crashsense new rule` begins with that), or cheat on purpose: let demand look at
`samples.channels["central_x"][:, -1]` and watch the conformance suite find it.
""",
)
