"""Lesson 1: what the proof mass does."""

from __future__ import annotations

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.sensing import mechanics
from crashsense.units import STANDARD_GRAVITY


def _capacitance_ff() -> float:
    rest = mechanics.capacitance(area=40 * 120e-6 * 25e-6, gap=1.5e-6)
    return 1e15 * rest


LESSON = Lesson(
    number=1,
    name="proof_mass",
    title="proof mass, spring, capacitor",
    question=(
        "How far does the mass in an accelerometer move at 1 g, and how can anyone measure that?"
    ),
    parts=(
        Part(
            """
A crash sensor of this kind is a block of silicon, the proof mass, on thin silicon beams. When the
car slows down, the block goes on until the beams push it as hard as the car brakes. Newton and
Hooke give the balance `k x = m a`. What matters is not the mass and not the spring alone but their
ratio, and that ratio is the [[resonance]]: `w^2 = k / m`. So

`x = a / w^2`, with `w = 2 pi f`.

No other number of the [[element]] enters. The mass of a part that resonates at 16 kHz moves, for each
g, by less than two lattice constants of the silicon that it is made of.
""",
            """
from crashsense.sensing import mechanics
from crashsense.units import STANDARD_GRAVITY

for resonance_hz in (4_000, 8_000, 16_000, 32_000):
    x = mechanics.deflection(STANDARD_GRAVITY, resonance_hz=resonance_hz)
    print(f"{resonance_hz / 1e3:4.0f} kHz: {1e9 * x:7.3f} nm for each g")
""",
        ),
        Part(
            """
Nobody measures such a motion directly. The mass carries fingers that stand between fixed fingers:
two capacitors, of which one grows while the other shrinks. A capacitor of two plates has
`C = e A / d`, with `e = 8.854 pF/m`, the area `A` of all fingers and the gap `d`. The difference of
the two is `C1 - C2 = 2 C0 (x/d) / (1 - (x/d)^2)`: nearly proportional to `x` as long as `x` stays
small against the gap.

Forty fingers of 120 um by 25 um at a gap of 2 um are half a picofarad. One g makes a difference of about
a thousandth of that, half a femtofarad, that is, some hundreds of attofarads. (An
attofarad at one volt is six electrons.)
""",
            """
area = 40 * 120e-6 * 25e-6
gap = 2e-6
rest = mechanics.capacitance(area=area, gap=gap)
x = mechanics.deflection(STANDARD_GRAVITY, resonance_hz=16_000)
change = mechanics.capacitance_difference(x / gap, rest=rest)
print(f"at rest       {1e12 * rest:.3f} pF")
print(f"for each g    {1e18 * float(change):.0f} aF")
print(f"at 120 g      {1e18 * float(mechanics.capacitance_difference(120 * x / gap, rest=rest)):.0f} aF")
""",
        ),
        Part(
            "Deflection against resonance, on logarithmic axes: a straight line of slope -2.",
            """
import numpy as np
from crashsense.plotting import BLUE, new_figure, tidy

resonances = np.geomspace(1e3, 50e3, 60)
moved = [1e9 * mechanics.deflection(STANDARD_GRAVITY, resonance_hz=f) for f in resonances]
figure = new_figure(7.0, 3.6)
axes = figure.subplots()
axes.loglog(resonances / 1e3, moved, color=BLUE)
axes.set_xlabel("resonance [kHz]")
axes.set_ylabel("deflection for each g [nm]")
tidy(axes)
""",
        ),
    ),
    sources=(
        "`x = a / w^2`: Newton and Hooke; by hand 9.80665 / (2 pi 16000)^2 = 0.970 nm.",
        "Parallel plates, `C = e A / d`: any text on electrostatics; `e` from CODATA 2018.",
        "Sizes of the comb: assumed, of the order that deep etching of 25 um silicon gives.",
    ),
    exercises=(
        Exercise(
            "How far does the mass of a part with 20 kHz move at 100 g?",
            "nm",
            lambda: 1e9 * mechanics.deflection(100 * STANDARD_GRAVITY, resonance_hz=20_000),
            "Deflection is acceleration over (2 pi f)^2; mind that 100 g are 980.665 m/s^2.",
        ),
        Exercise(
            "The same forty fingers at a gap of 1.5 um: what is the capacitance of one side at "
            "rest?",
            "fF",
            _capacitance_ff,
            "C = e A / d with the area of forty fingers; a femtofarad is 1e-15 F.",
        ),
    ),
    minutes=20,
    teacher="""
Ten minutes of reading, ten for the exercises. Begin with the question and let the class guess the
deflection first: guesses are usually a thousand times too big.

The point to carry away: the resonance alone says how far the mass moves, so it alone says how small
a motion has to be measured. Lesson 2 shows the price of a higher one.
""",
)
