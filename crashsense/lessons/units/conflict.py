"""Lesson 8: misuse against pole and barrier, the conflict in one picture."""

from __future__ import annotations

import numpy as np

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.occupant import required_time_to_fire
from crashsense.units import STANDARD_GRAVITY


def _velocity_at_required_time(level_g: float, inflation_s: float = 0.030) -> float:
    """Velocity change [m/s] of a constant pulse when the required time comes."""
    pulse = np.full(4000, level_g * STANDARD_GRAVITY)
    required = required_time_to_fire(pulse, rate_hz=10_000.0, inflation_s=inflation_s)
    return level_g * STANDARD_GRAVITY * float(required)


LESSON = Lesson(
    number=8,
    name="conflict",
    title="misuse against pole and barrier",
    question="Why is there no threshold that suits everything?",
    parts=(
        Part(
            """
Fire in time means: the velocity change must have passed the threshold before the required time. For
a constant deceleration `a` the required time is `sqrt(2 s / a) - T`, with 127 mm and 30 ms, so the
velocity that has built up by then is

`V = a (sqrt(2 s / a) - T) = sqrt(2 s a) - a T`.

That has a largest value, at `a = s / (2 T^2)`, 7.2 g, and it is `s / (2 T) = 2.1 m/s`. A velocity
rule with a threshold above 2.1 m/s is late at **every** constant pulse, the mild ones and the hard
ones. This is the ceiling.
""",
            """
import numpy as np
from crashsense import required_time_to_fire
from crashsense.units import STANDARD_GRAVITY

levels = np.arange(1.0, 28.5, 0.1)
built_up = []
for level_g in levels:
    pulse = np.full(4000, level_g * STANDARD_GRAVITY)
    required = float(required_time_to_fire(pulse, rate_hz=10_000.0))
    built_up.append(level_g * STANDARD_GRAVITY * required)
best = int(np.argmax(built_up))
print(f"largest threshold that is in time anywhere: {built_up[best]:.2f} m/s, at {levels[best]:.1f} g")
print(f"by hand: {0.127 / (2 * 0.030):.2f} m/s at {0.127 / (2 * 0.030**2) / STANDARD_GRAVITY:.1f} g")
""",
        ),
        Part(
            """
The floor is what must not fire: kerbs, potholes, a stone under the car. Both are in one picture.
Solid lines must fire, and the dot marks the required time: the threshold must be **below** every
dot. Broken lines must not fire: the threshold must be **above** the whole line. A wall builds up
velocity quickly and leaves little time. A pole passes between the strong rails, and a barrier of
honeycomb gives way: both leave more time, and build up velocity late.
""",
            """
import crashsense
from crashsense.plotting import BLUE, GREEN, INK, VERMILION, GREY, new_figure, tidy

figure = new_figure(7.4, 4.8)
axes = figure.subplots()
dots, tops = {}, {}
looks = iter(((BLUE, "-"), (GREEN, "-"), (INK, "-"), (VERMILION, "--"), (GREY, "--"), (VERMILION, ":")))
for name in ("wall_full_56", "odb_40_40", "pole_centre_29",
             "kerb_climb_40_severe_unbelted", "pothole_60_severe_unbelted",
             "undercarriage_40_severe_unbelted"):
    trial = crashsense.trial(name, algorithm=[], channels=["central_x"])
    times = trial.times_s[0]
    a = -trial.samples.channels["central_x"][0]
    velocity = np.cumsum(a) / trial.rate_hz
    requirement = trial.event.requirements["front_airbag_stage_1"]
    fires = requirement.expectation == "fire"
    colour, style = next(looks)
    axes.plot(1e3 * times, velocity, color=colour, ls=style, label=name)
    if fires:
        dots[name] = np.interp(requirement.required_s, times, velocity)
        axes.plot(1e3 * requirement.required_s, dots[name], "o", color=colour)
        print(f"{name:25s} required {1e3 * requirement.required_s:6.1f} ms: {dots[name]:5.2f} m/s by then")
    else:
        tops[name] = velocity.max()
        print(f"{name:25s} must not fire:      {tops[name]:5.2f} m/s at most")
axes.set_xlim(-5, 150)
axes.set_ylim(-1, 6)
axes.set_xlabel("time [ms], as the control unit knows it")
axes.set_ylabel("velocity change [m/s]")
axes.legend(frameon=False, fontsize=8)
tidy(axes)
print(f"threshold must be above {max(tops.values()):.2f} and at most {min(dots.values()):.2f} m/s")
""",
        ),
        Part(
            """
A threshold suits if it is above `m`, the largest value of what must not fire, and at most `c`, the
smallest value of what must: `m < k <= c`. The quotient c/m is the [[separation]]. Where it is below
1, no threshold of this one criterion suits, and something else has to help: another sensor further
forward, another criterion beside it, or [[arming]]. That is what real algorithms are made of.
"""
        ),
    ),
    sources=(
        "`V = sqrt(2 s a) - a T` and its largest value s / (2 T) = 2.12 m/s: by hand, from free "
        "flight at constant deceleration.",
        "Curves and values are computed from the library when the page is written.",
    ),
    exercises=(
        Exercise(
            "A constant pulse of 12 g: how large may the threshold of a velocity rule be, at most?",
            "m/s",
            lambda: _velocity_at_required_time(12.0),
            "First the required time at 12 g, as in lesson 5; then what has built up by then.",
        ),
        Exercise(
            "A faster bag needs only 20 ms. How large may the threshold be now, at the same 12 g?",
            "m/s",
            lambda: _velocity_at_required_time(12.0, 0.020),
            "Ten more milliseconds at 12 g.",
        ),
    ),
    minutes=30,
    teacher="""
Fifteen minutes of reading and looking at the picture, fifteen for the exercises. The derivation of
the ceiling is two lines of calculus and worth the board: it shows that a velocity threshold is
bounded by the bag (30 ms) and the cabin (127 mm) alone, whatever the car.

Let students look for the pair of events that decides: the lowest dot and the highest broken line.
""",
)
