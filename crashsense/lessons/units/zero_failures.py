"""Lesson 12: what zero failures prove."""

from __future__ import annotations

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.results.statistics import draws_without_failure, upper_bound_without_failure

LESSON = Lesson(
    number=12,
    name="zero_failures",
    title="zero failures in 200 draws",
    question="It was tried 200 times and never failed. How safe is that?",
    parts=(
        Part(
            """
A run with [[draw|draws]] repeats each event with sensors from the whole of their tolerances. Suppose
200 draws, and no failure. The chance of a failure is not zero; it is not known. What can be said: if it
were `p`, then 200 draws without one would happen with probability `(1 - p)^200`. All p for which that
is less than 5 % can be ruled out. What remains is

`p <= 1 - 0.05^(1/200) = 1.49 %`,

at a confidence of 95 %. The **rule of three** is the same by mental arithmetic: 3 / 200 = 1.5 %.
""",
            """
from crashsense.results.statistics import draws_without_failure, upper_bound_without_failure

for draws in (10, 59, 200, 1000, 10_000):
    bound = upper_bound_without_failure(draws)
    print(f"{draws:6d} draws without failure: p up to {100 * bound:7.3f} %   (3/n: {300 / draws:7.3f} %)")
""",
        ),
        Part(
            """
And the other way round: to show that fewer than one in a thousand fail, one needs

`n >= ln 0.05 / ln 0.999`

draws without a single failure. Each further factor of ten costs ten times the draws. Nobody proves a
millionth this way; that takes margins, physics and a reason, not counting.
""",
            """
for p in (1e-2, 1e-3, 1e-4):
    needed = draws_without_failure(1 - p, confidence=0.95)
    print(f"fewer than 1 in {1 / p:6.0f}: {needed:6d} draws without failure")
""",
        ),
        Part(
            "The bound over the number of draws. A failure or two raise it: computed exactly, by "
            "the interval of Clopper and Pearson.",
            """
import numpy as np
from crashsense.plotting import LINES, new_figure, tidy
from crashsense.results.statistics import clopper_pearson

draws = np.unique(np.geomspace(10, 10_000, 25).astype(int))
figure = new_figure(7.0, 4.0)
axes = figure.subplots()
for failures, (colour, style) in zip((0, 1, 3), LINES):
    upper = [100 * clopper_pearson(failures, int(n), level=0.90)[1] for n in draws]
    axes.loglog(draws, upper, color=colour, ls=style, label=f"{failures} failures")
axes.set_xlabel("draws")
axes.set_ylabel("upper bound of p [%], 95 % one-sided")
axes.legend(frameon=False)
tidy(axes)
""",
        ),
        Part(
            """
Two warnings. The bound speaks of the draws that the model makes, not of the road: what no recipe
contains was not tried. And draws of one event say nothing of another one. `crashsense evaluate --draws
200` prints this bound beside its counts.
"""
        ),
    ),
    sources=(
        "1 - 0.05^(1/200) = 1.487 %: by hand, binomial law.",
        "Interval of Clopper and Pearson, Biometrika 26, 1934.",
    ),
    exercises=(
        Exercise(
            "A rule was tried in 100 draws without failure. Up to what chance of failure does that "
            "leave open, at 95 %?",
            "%",
            lambda: 100.0 * upper_bound_without_failure(100),
            "One minus the hundredth root of 0.05.",
        ),
        Exercise(
            "How many draws without failure show that fewer than 1 in 500 fail, at 95 %?",
            "draws",
            lambda: float(draws_without_failure(0.998, confidence=0.95)),
            "Logarithm over logarithm; the rule of three gives nearly the same.",
            tolerance=0.005,
        ),
    ),
    minutes=20,
    teacher="""
Ten minutes of reading, ten for the exercises. Start with dice: nobody has thrown a six in twenty
throws; is the die loaded?

The point to carry away: a test without failure has a number attached, and the number depends on the
count alone. In the discussion, ask what a draw of a model can prove about a car.
""",
)
