"""Lesson 2: why range costs resonance squared, and what pull-in is."""

from __future__ import annotations

from math import sqrt

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.sensing import mechanics
from crashsense.units import STANDARD_GRAVITY


def _resonance_khz() -> float:
    travel = mechanics.deflection(60.0 * STANDARD_GRAVITY, resonance_hz=8_000.0)
    too_far = mechanics.deflection(240.0 * STANDARD_GRAVITY, resonance_hz=8_000.0)
    return 8.0 * sqrt(too_far / travel)


def _pull_in_v() -> float:
    return mechanics.pull_in_one_sided(stiffness=50.0, gap=1.5e-6, area=40 * 120e-6 * 25e-6)


LESSON = Lesson(
    number=2,
    name="range_and_resonance",
    title="why range costs resonance squared, and pull-in",
    question="Why is a sensor for 480 g not simply a sensor for 120 g with another label?",
    parts=(
        Part(
            """
At full scale the mass may use only a part of its gap: as far as the read-out is still linear, with
room left before the stops. Let that be `x_max`. With `x = a / w^2` of lesson 1

`a_max = w^2 x_max`:

at the same travel, full scale grows with the **square of the [[resonance]]**. Four times the
[[range]] needs twice the resonance, which needs four times the stiffness of the springs. And the
signal for each g falls to a quarter, while the noise of the amplifier stays what it was.
""",
            """
from math import pi, sqrt
from crashsense.sensing import mechanics
from crashsense.units import STANDARD_GRAVITY

travel = 0.12e-6   # m, 6 % of a gap of 2 um
print("range    resonance   for each g")
for range_g in (60, 120, 240, 480):
    resonance_hz = sqrt(range_g * STANDARD_GRAVITY / travel) / (2 * pi)
    x = mechanics.deflection(STANDARD_GRAVITY, resonance_hz=resonance_hz)
    print(f"{range_g:4d} g   {resonance_hz / 1e3:6.2f} kHz   {1e9 * x:6.3f} nm")
""",
        ),
        Part(
            """
Why not make the springs soft and pull the mass back by voltage? Because plates with a voltage
between them attract each other, the more the closer they are. A spring pulls back in proportion to
the travel, the electric force grows with `1 / (d - x)^2`. Up to one third of the gap there is a
balance; beyond it there is none and the mass snaps to the electrode. That is **pull-in**. For one
electrode it comes at

`V = sqrt(8 k d^3 / (27 e A))`, at `x = d / 3`.

The voltage on the fingers also takes stiffness off the spring: the element gets softer the harder
it is driven.
""",
            """
stiffness, gap, area = 50.0, 2e-6, 40 * 120e-6 * 25e-6
volts = mechanics.pull_in_one_sided(stiffness=stiffness, gap=gap, area=area)
print(f"pull-in at {volts:.2f} V; at 1 V the voltage takes off "
      f"{100 * mechanics.electrostatic_softening(area=area, gap=gap, volts=1.0) / stiffness:.2f} % "
      "of the stiffness")
""",
        ),
        Part(
            "Spring and electric force over the gap. At the pull-in voltage the two touch, at one "
            "third of the gap.",
            """
import numpy as np
from crashsense.plotting import BLUE, GREY, VERMILION, new_figure, tidy

share = np.linspace(0, 0.7, 200)
figure = new_figure(7.0, 3.8)
axes = figure.subplots()
axes.plot(share, 1e6 * stiffness * share * gap, color=BLUE, label="spring")
for factor, style in ((0.8, ":"), (1.0, "-"), (1.2, "--")):
    force = mechanics.PERMITTIVITY * area * (factor * volts) ** 2 / (2 * (gap * (1 - share)) ** 2)
    axes.plot(share, 1e6 * force, color=VERMILION, ls=style,
              label=f"electric, {factor:g} x pull-in voltage")
axes.axvline(1 / 3, color=GREY, lw=0.8)
axes.set_ylim(0, 1.1e6 * stiffness * 0.7 * gap)
axes.set_xlabel("deflection over gap x/d")
axes.set_ylabel("force [uN]")
axes.legend(frameon=False)
tidy(axes)
""",
        ),
    ),
    sources=(
        "`a_max = w^2 x_max`: lesson 1 rearranged; twice the range is 1.414 times the resonance.",
        "Pull-in at one third of the gap: any text on microsystems; by hand from the condition that "
        "force and slope of force are both equal.",
    ),
    exercises=(
        Exercise(
            "A part for 60 g resonates at 8 kHz. What resonance does a part for 240 g need, at "
            "the same travel?",
            "kHz",
            _resonance_khz,
            "Full scale goes with the square of the resonance; the ratio of ranges is 4.",
        ),
        Exercise(
            "The element of the text, k = 50 N/m and forty fingers of 120 um by 25 um, with a gap "
            "of 1.5 um instead of 2 um: at which voltage on one side does it pull in?",
            "V",
            _pull_in_v,
            "The gap enters with the power 3/2.",
        ),
    ),
    minutes=25,
    teacher="""
Fifteen minutes of reading, ten for the exercises. A good question for the class: who pays for the
fourfold range? (The read-out: a quarter of the signal at the same noise.)

The pull-in formula falls out of two equations, force and slope of force; a class that knows
derivatives can find the third of the gap on the board in five minutes.
""",
)
