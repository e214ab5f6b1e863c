"""Lesson 10: side impact, six milliseconds, pressure and plausibility."""

from __future__ import annotations

import numpy as np

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.synthesis.side.door_cavity import adiabatic_overpressure


def _overpressure_kpa(share: float) -> float:
    return float(adiabatic_overpressure(np.array(1.0 - share))) / 1e3


def _share_for(kpa: float) -> float:
    from scipy.optimize import brentq

    return float(100.0 * brentq(lambda share: _overpressure_kpa(share) - kpa, 1e-6, 0.5))


LESSON = Lesson(
    number=10,
    name="side_impact",
    title="side impact: six milliseconds",
    question="What can be known six milliseconds after something has touched the door?",
    parts=(
        Part(
            """
In front there is a metre of car to crush; at the side there is a door. At 29 km/h a pole moves 8 mm
into it in each millisecond: after 6 ms the outer skin is pushed in by 48 mm, and by then the decision
is due. An accelerometer in the middle of the car knows nothing yet: the car behind the door has
hardly begun to move.

So the door itself is the sensor. It is a box of air, and when its skin is pushed in faster than the
air can leave, the pressure rises adiabatically,

`p = p0 (V0 / V)^1.4`.

A tenth of the volume gives 16 kPa, a sixth of an atmosphere, and gives it **at once**.
""",
            """
import numpy as np
from crashsense.synthesis.side.door_cavity import adiabatic_overpressure

speed = 29 / 3.6
print(f"travel of the skin in 6 ms at 29 km/h: {1e3 * speed * 0.006:.1f} mm")
for share in (0.02, 0.05, 0.10, 0.20):
    rise = float(adiabatic_overpressure(np.array(1 - share)))
    print(f"{100 * share:4.0f} % of the volume: {rise / 1e3:5.1f} kPa")
""",
        ),
        Part(
            """
A pole on the door in the library: pressure in the door, acceleration at the pillar, acceleration in
the middle of the car. The vertical line is the required time.
""",
            """
import crashsense
from crashsense.plotting import BLUE, GREEN, VERMILION, GREY, new_figure, tidy
from crashsense.units import STANDARD_GRAVITY

trial = crashsense.trial("side_pole_90_29", algorithm="guarded")
required = 1e3 * trial.event.requirements["side_airbag_left"].required_s
times = 1e3 * trial.times_s[0]
figure = new_figure(7.0, 4.6)
panels = figure.subplots(2, 1, sharex=True)
panels[0].step(times, trial.samples.channels["door_left_pressure"][0] / 1e3, where="post", color=BLUE)
panels[0].set_ylabel("pressure in the door [kPa]")
for channel, colour, style in (("side_left_y", VERMILION, "-"), ("central_y", GREEN, "--")):
    panels[1].step(times, trial.samples.channels[channel][0] / STANDARD_GRAVITY, where="post",
                   color=colour, ls=style, label=channel)
panels[1].legend(frameon=False)
panels[1].set_ylabel("acceleration [g]")
panels[1].set_xlabel("time from contact [ms], as the control unit knows it")
panels[1].set_xlim(-2, 30)
for axes in panels:
    axes.axvline(required, color=GREY, ls=":")
    tidy(axes)
row = trial.row("side_airbag_left")
print(f"required {required:.1f} ms, fired {row['fire_time_ms']:.2f} ms: {row['verdict']}")
""",
        ),
        Part(
            """
Why is pressure not enough? A slammed door and a ball against it make pressure too. A second sensor at
another place must agree that the car as a whole was struck: the [[plausibility]] check. It costs time,
of which there is little, and only has to confirm that something is going on at all.
""",
            """
for name in ("side_pole_90_29", "door_slam_severe_unbelted", "ball_door_severe", "trolley_door_severe"):
    one = crashsense.trial(name, algorithm=[], channels=["door_left_pressure", "central_y"])
    pressure = np.abs(one.samples.channels["door_left_pressure"][0]).max() / 1e3
    lateral = np.abs(one.samples.channels["central_y"][0]).max() / STANDARD_GRAVITY
    print(f"{name:25s} pressure {pressure:6.2f} kPa   centre of the car {lateral:6.2f} g")
""",
        ),
    ),
    sources=(
        "Adiabatic law of air, exponent 1.4: any text on thermodynamics; 10 % of the volume give "
        "101.325 kPa (0.9^-1.4 - 1) = 16.1 kPa, by hand.",
        "8.06 m/s for 6 ms are 48 mm, by hand. That a side decision is due after some 6 ms: from "
        "memory of the trade.",
    ),
    exercises=(
        Exercise(
            "A skin that is pushed in displaces 6 % of the volume of the door before any air has "
            "left. By how much does the pressure rise?",
            "kPa",
            lambda: _overpressure_kpa(0.06),
            "The adiabatic law with V / V0 = 0.94; the rise is over 101.325 kPa.",
        ),
        Exercise(
            "A rule fires at 5 kPa. What share of the volume must be displaced, without leak?",
            "%",
            lambda: _share_for(5.0),
            "Solve the adiabatic law for V / V0; for small shares the rise is about 1.4 times the "
            "share of 101.325 kPa.",
        ),
    ),
    minutes=30,
    teacher="""
Fifteen minutes of reading, fifteen for the exercises. Good questions: what does an open window do to
the pressure, and what does a hole in the door do? (Air leaves; the model has a leak area.) Why does the sensor in
the middle of the car still have a say?
""",
)
