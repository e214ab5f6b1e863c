"""Lesson 9: hidden clipping."""

from __future__ import annotations

import numpy as np

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.sensing.chain import stop_at
from crashsense.units import STANDARD_GRAVITY


def _loss_m_s(*, mean_g: float, swing_g: float, limit_g: float, seconds: float) -> float:
    """Velocity [m/s] that clipping takes from a mean with a square swing on it."""
    swing = np.tile([swing_g, swing_g, -swing_g, -swing_g], 50)
    true = (mean_g + swing)[None, :] * STANDARD_GRAVITY
    clipped, _ = stop_at(true, level=limit_g * STANDARD_GRAVITY)
    return float((true - clipped).mean() * seconds)


LESSON = Lesson(
    number=9,
    name="hidden_clipping",
    title="hidden clipping",
    question="No code is ever at its limit. Can the sensor still have been too small?",
    parts=(
        Part(
            """
In a sensor the amplifier comes first and the filter after it. If ringing drives the amplifier to
its limit, the top of each swing is cut off, and the bottom is not. The filter then smooths what is
left: the ringing disappears, and with it every sign that something was cut. What remains is a mean
that is too low. The [[code|codes]] that the control unit receives never come near their limit. This is
[[hidden clipping]].

A case that can be done by hand: a mean of 20 g for 20 ms, with a square swing of +/-60 g on it. The
true signal jumps between 80 g and -40 g. An amplifier that ends at 50 g passes 50 g and -40 g: the
mean is 5 g instead of 20 g. Missing are `(20 + 60 - 50) / 2 = 15 g`, over 20 ms that is 2.9 m/s, when
a whole crash rule may have a threshold of 2.
""",
            """
import numpy as np
import crashsense
from crashsense.event import RESTRAINTS
from crashsense.units import STANDARD_GRAVITY

rate_hz = 10_000.0
times = np.arange(-0.06, 0.06, 1 / rate_hz)
swing = 60 * np.where(np.arange(times.size) // 2 % 2 == 0, 1, -1)      # 2.5 kHz
inside = (times >= 0) & (times < 0.02)
true_g = np.where(inside, 20 + swing, 0.0)

signal = crashsense.Signal(-true_g * STANDARD_GRAVITY, rate_hz=rate_hz, start_s=-0.06,
                           unit="m/s^2", axis="x", location="central")
event = crashsense.Event(
    "swing", family="misuse", occurrence="swing", context=crashsense.Context(),
    signals={"central_x": signal},
    requirements={r: crashsense.Requirement("no_fire", basis="an exercise") for r in RESTRAINTS})

standard = crashsense.load_sensor_set("standard")
results = {}
for range_g in (50, 120):
    sensors = standard.changed("central_x", range=range_g * STANDARD_GRAVITY, name=f"{range_g}_g")
    trial = crashsense.trial(event, sensor_set=sensors, algorithm=[], channels=["central_x"])
    sensor, codes = sensors.sensor("central_x"), trial.samples.codes["central_x"][0]
    received = -trial.samples.channels["central_x"][0] / STANDARD_GRAVITY
    velocity = received.sum() * STANDARD_GRAVITY / trial.rate_hz
    results[range_g] = (1e3 * trial.times_s[0], received)
    print(f"+/-{range_g} g: largest code {abs(codes).max()} of {sensor.code_limit}, "
          f"velocity change {velocity:.2f} m/s")
print(f"true: {20 * STANDARD_GRAVITY * 0.02:.2f} m/s; "
      f"missing by hand: {15 * STANDARD_GRAVITY * 0.02:.2f} m/s")
""",
        ),
        Part(
            "What the control unit received from either part. Neither curve comes near its limit.",
            """
from crashsense.plotting import BLUE, VERMILION, new_figure, tidy

figure = new_figure(7.0, 3.6)
axes = figure.subplots()
for range_g, colour, style in ((120, BLUE, "-"), (50, VERMILION, "--")):
    axes.step(*results[range_g], where="post", color=colour, ls=style, label=f"+/-{range_g} g")
axes.axhline(20, color="grey", lw=0.8, ls=":")
axes.set_xlim(-5, 40)
axes.set_xlabel("time [ms]")
axes.set_ylabel("received deceleration [g]")
axes.legend(frameon=False)
tidy(axes)
""",
        ),
        Part(
            """
How does one find it, if not in the codes? By counting inside the model, ahead of the filter, which the
tool does for every channel and every draw (`clipped_before_filter` in the table of verdicts), and by
`crashsense study range`, which asks the same question of the whole library.
"""
        ),
    ),
    sources=(
        "Missing velocity (mean + swing - limit) / 2 times duration: by hand, 15 g over 20 ms are "
        "2.94 m/s.",
        "Saturation ahead of the filter: construction of such sensors, from memory.",
    ),
    exercises=(
        Exercise(
            "The same swing of +/-60 g on a mean of 10 g for 20 ms, and an amplifier that ends at "
            "50 g: how much velocity is missing?",
            "m/s",
            lambda: _loss_m_s(mean_g=10.0, swing_g=60.0, limit_g=50.0, seconds=0.020),
            "Only the upper half of the swing is cut, and it is there half of the time.",
        ),
        Exercise(
            "A mean of 20 g for 20 ms, a swing of +/-90 g, and an amplifier that ends at +/-70 g: "
            "how much is missing? (Both ends: look at each.)",
            "m/s",
            lambda: _loss_m_s(mean_g=20.0, swing_g=90.0, limit_g=70.0, seconds=0.020),
            "The lower end of the swing is 20 - 90 = -70 g: is it cut?",
        ),
    ),
    minutes=25,
    teacher="""
Ten minutes of reading, fifteen for the exercises. Ask before the second part: "The largest code is a
tenth of the limit. Is the sensor big enough?" Nearly everyone says yes.

Students may lower the frequency of the swing below the corner of the filter and see that the clipping
is then no longer hidden.
""",
)
