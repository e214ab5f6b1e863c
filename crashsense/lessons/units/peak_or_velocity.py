"""Lesson 6: why peak g is a bad criterion and velocity a better one."""

from __future__ import annotations

import numpy as np

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY


def _half_sine_change(peak_g: float, duration_s: float) -> float:
    """Velocity change [m/s] of a half-sine pulse, integrated as the tool integrates."""
    times = np.linspace(0.0, duration_s, 20_001)
    pulse = peak_g * STANDARD_GRAVITY * np.sin(np.pi * times / duration_s)
    return float(cumulative_trapezoid(pulse, step_s=float(times[1]))[-1])


LESSON = Lesson(
    number=6,
    name="peak_or_velocity",
    title="peak g against velocity",
    question="Why not simply fire when the deceleration passes some level?",
    parts=(
        Part(
            """
A hammer on steel gives a hundred g and more, and a crash at 40 km/h gives thirty. The difference is
how long. A half-sine pulse of peak `A` and length `T` changes the velocity by

`dv = 2 A T / pi`:

100 g for 1 ms are 0.6 m/s, 30 g for 90 ms are 17 m/s. Only the second one throws an occupant.
""",
            """
import numpy as np
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY

for name, peak_g, length_s in (("blow", 100, 1e-3), ("crash", 30, 90e-3)):
    times = np.linspace(0, length_s, 2001)
    pulse = peak_g * STANDARD_GRAVITY * np.sin(np.pi * times / length_s)
    change = cumulative_trapezoid(pulse, step_s=times[1])[-1]
    by_hand = 2 * peak_g * STANDARD_GRAVITY * length_s / np.pi
    print(f"{name:5s} {peak_g:3d} g, {1e3 * length_s:4.0f} ms: {change:6.3f} m/s (by hand {by_hand:6.3f})")
""",
        ),
        Part(
            """
Let two [[rule|rules]] compete on a part of the library. Each computes one number from the same
samples, sample by sample: the latest deceleration, or the velocity change so far. A rule returns
[[demand]], the number over its threshold; with thresholds of 1 g and 1 m/s demand simply is the
number. For a crash that must fire the largest value **up to the required time** counts, for
everything that must not fire the largest value at all.
""",
            """
import crashsense
from crashsense.rules.algorithm import algorithm_from_table

def algorithm(name, rule):
    return algorithm_from_table({"name": name, "rules": {"front_airbag_stage_1": rule}})

peak = algorithm("peak", {"family": "level", "channel": "-central_x", "threshold_g": 1.0,
                          "window_ms": 0.5})
velocity = algorithm("velocity", {"family": "velocity_change", "channel": "-central_x",
                                  "threshold_m_s": 1.0, "leak_g": 1.0})
run = crashsense.evaluate(
    events=["wall_full_2*", "wall_full_32", "wall_full_4*", "wall_full_5*", "odb_40_40", "odb_40_56",
            "hammer_*", "mallet_*", "pothole_*", "kerb_climb_*", "undercarriage_*"],
    algorithms=[peak, velocity])
rows = run.verdicts[run.verdicts["restraint"] == "front_airbag_stage_1"]
must = rows[rows["expectation"] == "fire"]
must_not = rows[rows["expectation"] == "no_fire"]
print(f"{must['event'].nunique()} events must fire, {must_not['event'].nunique()} must not")
""",
        ),
        Part(
            """
A threshold that fires every crash in time is at most the smallest value of the crashes, `c`. How many
of the other events pass it?
""",
            """
for name, unit in (("peak", "g"), ("velocity", "m/s")):
    c = must.loc[must["algorithm"] == name, "demand_at_required_time"].min()
    others = must_not[must_not["algorithm"] == name]
    passed = int((others["max_demand"] >= c).sum())
    print(f"{name:8s}: threshold at most {c:6.2f} {unit:3s}  "
          f"-> {passed} of {len(others)} events that must not fire pass it")
""",
        ),
        Part(
            "Each event once: peak to the right, velocity upwards. The dotted lines are the highest "
            "thresholds that still fire every crash in time.",
            """
from crashsense.plotting import BLUE, GREY, VERMILION, new_figure, tidy

figure = new_figure(7.0, 4.6)
axes = figure.subplots()
for part, column, mark, colour, label in (
    (must, "demand_at_required_time", "o", BLUE, "must fire (up to the required time)"),
    (must_not, "max_demand", "x", VERMILION, "must not fire"),
):
    table = part.pivot(index="event", columns="algorithm", values=column)
    axes.scatter(table["peak"], table["velocity"], marker=mark, color=colour, label=label)
    if part is must:
        axes.axvline(table["peak"].min(), color=GREY, ls=":")
        axes.axhline(table["velocity"].min(), color=GREY, ls=":")
axes.set_xlabel("largest deceleration [g]")
axes.set_ylabel("largest velocity change, 1 g of leak [m/s]")
axes.legend(frameon=False, fontsize=8)
tidy(axes)
""",
        ),
        Part(
            """
Velocity is the better criterion of the two, but not a sufficient one: see which events remain, and
lesson 8.
"""
        ),
    ),
    sources=(
        "`dv = 2 A T / pi`: integral of a half sine, by hand; 100 g for 1 ms are 0.624 m/s.",
        "Counts are computed from the library when the page is written.",
    ),
    exercises=(
        Exercise(
            "A hammer blow reads as a half sine of 150 g that lasts 0.8 ms. By how much does it "
            "change the velocity?",
            "m/s",
            lambda: _half_sine_change(150.0, 0.8e-3),
            "Two over pi times peak times length, in SI units.",
        ),
        Exercise(
            "A wall stops a car from 50 km/h with a half-sine pulse of 90 ms, without rebound. "
            "What is the peak?",
            "g",
            lambda: 50.0 / 3.6 / _half_sine_change(1.0, 0.090),
            "Rearrange the formula: the mean of a half sine is 2/pi of its peak.",
        ),
    ),
    minutes=30,
    teacher="""
Ten minutes of reading; running the events takes a minute or so on the first call, less later. Let
the class predict the picture before it appears.

The 1 g of leak keeps slow braking out of the sum; ask what happens without it (set `leak_g` to 0)
and with 4 g.
""",
)
