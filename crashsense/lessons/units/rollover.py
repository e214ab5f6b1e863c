"""Lesson 11: rollover, energy, stability factor, critical sliding velocity."""

from __future__ import annotations

from crashsense.lessons.form import Exercise, Lesson, Part
from crashsense.synthesis.rollover.roll import critical_sliding_speed, static_stability_factor

LESSON = Lesson(
    number=11,
    name="rollover",
    title="rollover: energy decides",
    question="When is it certain that a car will roll over, and how early can one know?",
    parts=(
        Part(
            """
A car that slides sideways against a kerb is a body that is tripped. Whether it **can** be tipped by a
steady side force is a matter of shape alone, the static stability factor

`SSF = T / (2 h)`,

track width over twice the height of the centre of gravity: it is the lateral acceleration, in g, at
which a rigid car begins to lift its wheels. The fictional car, 1.50 m of track and 0.55 m high, has
1.36. Tyres on a road give about 1 g at most, so this car slides before it tips; it needs something to
trip over.
""",
            """
from crashsense.synthesis.rollover.roll import (
    critical_sliding_speed, static_stability_factor, tipping_energy)

car = {"height_m": 0.55, "track_m": 1.50}
print(f"static stability factor   {static_stability_factor(**car):.3f}")
""",
        ),
        Part(
            """
Whether it **will** go over is a matter of energy. To fall over its wheels the centre of gravity must be
lifted from `h` to the distance from the edge of the wheels, `sqrt(h^2 + (T/2)^2)`:

`E = m g (sqrt(h^2 + (T/2)^2) - h)`.

If a slide is stopped dead at the wheels, the momentum `m v h` about that edge becomes rotation,
`m v h = I_o w`, and what is left as energy, `I_o w^2 / 2`, must exceed E. That gives the critical
sliding velocity `v = sqrt(2 E I_o) / (m h)`, with `I_o = I + m (h^2 + (T/2)^2)`.
""",
            """
energy = tipping_energy(mass_kg=1500.0, **car)
speed = critical_sliding_speed(mass_kg=1500.0, roll_inertia_kg_m2=480.0, **car)
print(f"energy to tip             {energy:.0f} J: that of a fall of "
      f"{1e3 * energy / (1500 * 9.80665):.0f} mm")
print(f"critical sliding velocity {speed:.2f} m/s = {3.6 * speed:.1f} km/h")
""",
        ),
        Part(
            """
The energy is small: it is the roll rate that must be watched, and how far the car has already rolled.
At a roll angle of 0 a high rate is needed to go over, later a lower one. A rule compares the rate with
the rate that is still needed. Three events of the library in that plane; each curve begins at the
origin.
""",
            """
import numpy as np
import crashsense
from crashsense.plotting import BLUE, GREEN, GREY, VERMILION, new_figure, tidy
from crashsense.rules.maps import RollEnergy

rule = RollEnergy(leak_deg_s=0.0)
angles = np.linspace(0, rule.tip_angle_deg, 100)
lift = 9.80665 * rule.radius_m * (1 - np.cos(np.radians(rule.tip_angle_deg - angles)))
needed = np.degrees(np.sqrt(2 * lift) / rule.gyration_m)
print(f"needed at 0 degrees: {needed[0]:.0f} deg/s, at 30 degrees: {np.interp(30, angles, needed):.0f} deg/s")
figure = new_figure(7.0, 4.4)
axes = figure.subplots()
axes.plot(angles, needed, color=GREY, label="needed to go over")
for name, colour, style in (("rollover_kerb_25", VERMILION, "-"), ("rollover_ramp_70", BLUE, "--"),
                            ("near_roll_fishhook_75", GREEN, ":")):
    signal = crashsense.load_events([name])[0].signals["central_roll_rate"]
    rate = np.degrees(signal.samples)
    angle = np.cumsum(rate) * signal.step_s
    sense = np.sign(angle[np.argmax(np.abs(angle))])
    axes.plot(sense * angle, sense * rate, color=colour, ls=style, label=name)
axes.set_xlim(-5, 60)
axes.set_ylim(-20, 260)
axes.set_xlabel("roll angle [degrees]")
axes.set_ylabel("roll rate [degrees/s]")
axes.legend(frameon=False, fontsize=8)
tidy(axes)
""",
        ),
    ),
    sources=(
        "Static stability factor T / (2 h): definition; 1.50 / 1.10 = 1.364 by hand.",
        "Critical sliding velocity: rollover literature, from memory; angular momentum and energy "
        "about the edge of the wheels.",
    ),
    exercises=(
        Exercise(
            "A taller car has its centre of gravity at 0.70 m, at the same track of 1.50 m. What is "
            "its static stability factor?",
            "g",
            lambda: static_stability_factor(height_m=0.70, track_m=1.50),
            "Half the track over the height.",
        ),
        Exercise(
            "That taller car has 1800 kg and a roll inertia of 650 kg m^2. What is its critical "
            "sliding velocity?",
            "m/s",
            lambda: critical_sliding_speed(
                mass_kg=1800.0, height_m=0.70, track_m=1.50, roll_inertia_kg_m2=650.0
            ),
            "Energy to tip first; then the inertia about the edge of the wheels, by the parallel-axis theorem.",
        ),
    ),
    minutes=30,
    teacher="""
Fifteen minutes of reading, fifteen for the exercises. The formula assumes a rigid body and a perfectly
plastic trip; springs, a kerb that gives way and tyres that leave the ground change the number, which
is why the library integrates the motion instead.

Ask why a roll angle alone is a poor criterion: at 50 degrees it is too late for a curtain.
""",
)
