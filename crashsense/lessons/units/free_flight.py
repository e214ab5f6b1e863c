"""Lesson 5: from pulse to velocity to travel; where the required time comes from."""

from __future__ import annotations

import numpy as np

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.occupant import free_flight_time, required_time_to_fire
from crashsense.units import STANDARD_GRAVITY


def _square(level_g: float) -> np.ndarray:
    return np.full(4000, level_g * STANDARD_GRAVITY)


def _speed_at_the_bag() -> float:
    time = float(free_flight_time(_square(10.0), rate_hz=10_000.0))
    return 10.0 * STANDARD_GRAVITY * time


LESSON = Lesson(
    number=5,
    name="free_flight",
    title="from pulse to velocity to travel",
    question="By when must the airbag fire, and who says so?",
    parts=(
        Part(
            """
When the car slows down, an occupant without a belt does not. Seen from the car, the occupant flies
forward: the [[deceleration]] of the cabin, integrated once, is the occupant's speed in the cabin, and
integrated twice the travel. The trade has a rule of thumb: after 5 inches, **127 mm**, the occupant
must meet a full bag, and a bag takes about **30 ms** to fill. So the [[required time]] to fire is the time of 127 mm of free
flight less 30 ms. It is a rule of thumb and no regulation; for a belted occupant it is convention.

A constant deceleration can be done by hand: `s = a t^2 / 2`, so `t = sqrt(2 s / a)`. At 10 g that is
50.9 ms, and 20.9 ms remain to decide.
""",
            """
import numpy as np
from crashsense import required_time_to_fire
from crashsense.occupant import free_flight_time
from crashsense.units import STANDARD_GRAVITY

for level_g in (5, 10, 20, 30):
    pulse = np.full(2000, level_g * STANDARD_GRAVITY)   # 200 ms at 10 kHz
    flight = 1e3 * float(free_flight_time(pulse, rate_hz=10_000.0))
    required = 1e3 * float(required_time_to_fire(pulse, rate_hz=10_000.0))
    by_hand = 1e3 * (2 * 0.127 / (level_g * STANDARD_GRAVITY)) ** 0.5
    print(f"{level_g:2d} g: flight {flight:6.2f} ms (by hand {by_hand:6.2f}), "
          f"required time {required:6.2f} ms")
""",
        ),
        Part(
            """
A required time below zero is no mistake: at 30 g the bag would have to be fired before contact. No rule
can do that, and the tool reports the number as it is.

Now a real pulse. In the library the required time comes from the **rigid-body motion** of the cabin,
relative to which the occupant moves. A sensor reads more than that: the place where it is
mounted rings. Integrating the sensor instead is close, not equal. Below, both are integrated twice
by hand, with the trapezoidal rule, and compared with the requirement of the event.
""",
            """
import crashsense

event = crashsense.load_events(["wall_full_40"])[0]
stage_1 = event.requirements["front_airbag_stage_1"]
central = event.signals["central_x"]
cabin = event.cabin["x"].samples   # rigid-body motion, m/s^2


def time_of_travel(acceleration, travel_m):
    # Integrate twice from contact on; time at which the travel is reached, in ms.
    after = central.times_s >= 0
    step = central.step_s
    a = -acceleration[after]
    velocity = np.concatenate([[0], np.cumsum((a[1:] + a[:-1]) / 2 * step)])
    travel = np.concatenate([[0], np.cumsum((velocity[1:] + velocity[:-1]) / 2 * step)])
    return 1e3 * np.interp(travel_m, travel, central.times_s[after])


print(event.name + ":", event.title)
print(f"requirement of the event  {1e3 * stage_1.required_s:6.2f} ms")
print(f"by hand, rigid body       {time_of_travel(cabin, 0.127) - 30:6.2f} ms")
print(f"by hand, central sensor   {time_of_travel(central.samples, 0.127) - 30:6.2f} ms")
""",
        ),
        Part(
            """
Both motions are in the file of the event: `crashsense events export wall_full_40 --out wall.csv`
has the sensor's signal in `central_x_g` and the rigid-body motion in `rigid_body_x_g`.
""",
            """
from crashsense.plotting import BLUE, GREY, VERMILION, new_figure, tidy
from crashsense.signal import cumulative_trapezoid

times = 1e3 * central.times_s
figure = new_figure(7.0, 6.0)
panels = figure.subplots(3, 1, sharex=True)
panels[0].plot(times, -central.samples / STANDARD_GRAVITY, color=GREY, lw=0.7, label="central sensor")
panels[0].plot(times, -cabin / STANDARD_GRAVITY, color=BLUE, label="rigid body")
panels[0].set_ylabel("deceleration [g]")
panels[0].legend(frameon=False)
pulse = np.where(central.times_s >= 0, -cabin, 0.0)
velocity = cumulative_trapezoid(pulse, step_s=central.step_s)
travel = cumulative_trapezoid(velocity, step_s=central.step_s)
panels[1].plot(times, 3.6 * velocity, color=BLUE)
panels[1].set_ylabel("velocity [km/h]")
panels[2].plot(times, 1e3 * travel, color=BLUE)
panels[2].axhline(127, color=VERMILION, ls="--")
panels[2].axvline(1e3 * stage_1.required_s, color=VERMILION, ls=":")
panels[2].set_ylim(0, 300)
panels[2].set_ylabel("travel [mm]")
panels[2].set_xlabel("time from contact [ms]; dotted: required time")
panels[2].set_xlim(-5, 100)
for axes in panels:
    tidy(axes)
""",
        ),
    ),
    sources=(
        "`t = sqrt(2 s / a)`: 127 mm at 10 g are 50.9 ms, by hand.",
        "127 mm (5 inches) less 30 ms: a rule of thumb of the trade, from memory.",
    ),
    exercises=(
        Exercise(
            "What is the required time at a constant 15 g?",
            "ms",
            lambda: 1e3 * float(required_time_to_fire(_square(15.0), rate_hz=10_000.0)),
            "First the time of free flight over 127 mm; then subtract the time that the bag needs.",
        ),
        Exercise(
            "How fast does the free occupant move in the cabin, at a constant 10 g, after 127 "
            "mm of travel?",
            "m/s",
            _speed_at_the_bag,
            "From rest at constant acceleration, v^2 = 2 a s.",
        ),
    ),
    minutes=30,
    teacher="""
Fifteen minutes of reading, fifteen for the exercises. Students see here that one number, the
required time, rests on two conventions (127 mm and 30 ms) and on one physical quantity (the motion
of the cabin); let them change each and watch the number.

The two values from the event differ by the ringing of the place where the sensor is mounted. The
hand calculation on the rigid body agrees with the requirement to a few hundredths of a millisecond.
""",
)
