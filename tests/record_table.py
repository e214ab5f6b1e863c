"""Table of the frontal model beside public records: ``python tests/record_table.py FILE``.

Which figures were fitted, which are predicted, and what a car would have been predicted as that was
fitted without record 10146: from plain curves to the first 50 ms of record 2320 alone. The records
do not ship with the project. Model: nominal draw. Takes about a minute.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from frontal_support import DATA, peak_g, synthesis
from record_figures import engine_of_10146, slow

from crashsense import engine
from crashsense.records import read_record
from crashsense.synthesis.dynamics.lumped import integrate
from crashsense.synthesis.frontal.fit import (
    WallRecord,
    fit_vehicle,
    speeds_variation,
    with_numbers,
)
from crashsense.synthesis.frontal.impact import FrontalParameters, build_system
from crashsense.synthesis.frontal.vehicle import load_vehicle
from crashsense.units import STANDARD_GRAVITY

WALL_10146 = {"obstacle": "rigid_wall", "speed_kmh": 57.09, "vehicle_mass_kg": 1719.0}
WALL_2320 = {"obstacle": "rigid_wall", "speed_kmh": 56.5, "vehicle_mass_kg": 1354.0}
OBLIQUE_8789 = {
    "obstacle": "oblique_barrier", "speed_kmh": 0.0, "overlap": 0.35, "angle_deg": 15.0,
    "obstacle_mass_kg": 2490.0, "obstacle_speed_kmh": 90.0, "vehicle_mass_kg": 1800.0,
}  # fmt: skip
CRASHES = {"10146": WALL_10146, "2320": WALL_2320, "8789": OBLIQUE_8789}

#: Plain curves to begin from without record 10146: spring -> (kN/m, plateau kN, rise kN/m).
PLAIN = {
    "nose": (3000.0, 900.0, 10.0), "rails": (4000.0, 200.0, 0.0),
    "engine": (4000.0, 400.0, 100.0), "firewall": (4000.0, 300.0, 100.0),
}  # fmt: skip
ROUNDS = 600


def plain_car(car):
    """The vehicle with plain curves in place of the fitted numbers."""
    numbers = {
        "springs.engine.gap_m": 0.4, "springs.firewall.gap_m": 0.8, "rate.effect_s_per_m": 0.005,
        "masses.powertrain_share": 0.15, "ties.mounts.yield_kn": 20.0, "joints.slip_kn": 10.0,
    }  # fmt: skip
    for name, (slope, plateau, rise) in PLAIN.items():
        numbers[f"springs.{name}.unloading_kn_per_m"] = 20000.0
        for k, (x, _) in enumerate(getattr(car.springs, name).points[1:], start=1):
            numbers[f"springs.{name}.points.{k}.1"] = min(slope * x, plateau) + rise * x
    return with_numbers(car, numbers)


def record_2320():
    table = np.genfromtxt(DATA / "nhtsa_02320" / "v02320_078.csv", delimiter=",", names=True)
    rate = 1.0 / float(table["time_s"][1])
    return WallRecord("2320", 56.5, 1354.0, -table["acc_g"], rate)


def figures(x, rate_hz, *, engine_g=None, y=None, yaw_deg_s=None, ends=False, crush_from=None):
    """Figures of one crash: *x* deceleration [m/s^2] from contact on; *y* [m/s], by name."""
    velocity = np.cumsum(x) / rate_hz
    flight = np.cumsum(velocity) / rate_hz
    at = {f"velocity change at {t} ms [m/s]": velocity[round(t * rate_hz / 1e3)] for t in (20, 40)}
    out = at | {"free travel of 127 mm [ms]": 1e3 * np.argmax(flight >= 0.127) / rate_hz}
    if ends:
        return out
    out["velocity change, largest [m/s]"] = velocity.max()
    out["x, peak, CFC 60 [g]"] = slow(x / STANDARD_GRAVITY, rate_hz).max()
    if crush_from is not None:
        out["crush [m]"] = (np.cumsum(crush_from - velocity) / rate_hz).max()
        out["engine, middle, peak, CFC 60 [g]"] = slow(engine_g, 1e4)[:650].max()
    if y is not None:
        out["velocity change y, largest [m/s]"] = np.abs(y).max()
        out["yaw rate at 100 ms [deg/s]"] = yaw_deg_s[round(0.1 * rate_hz)]
        out["yaw rate at 35 ms [deg/s]"] = yaw_deg_s[round(0.035 * rate_hz)]
    return out


def modelled(car, name):
    parameters = FrontalParameters(**CRASHES[name])
    system = build_system(parameters, speeds_variation([1.0], 1.0), car=car)
    motion = integrate(system, duration_s=0.16).acceleration
    x, engine_g = -motion["cabin"][0], -motion["powertrain"][0] / STANDARD_GRAVITY
    plane = {}
    if name == "8789":
        yaw = np.degrees(np.cumsum(motion["yaw"][0])) * 1e-4
        plane = {"y": np.cumsum(motion["y"][0]) * 1e-4, "yaw_deg_s": yaw}
    start = parameters.speed_kmh / 3.6 if name == "10146" else None
    return figures(x, 1e4, engine_g=engine_g, crush_from=start, ends=name == "2320", **plane)


def measured(name):
    if name == "2320":
        record = record_2320()
        return figures(record.deceleration_g * STANDARD_GRAVITY, record.rate_hz, ends=True)
    if name == "10146":
        pulses = []
        for event in read_record(DATA / "nhtsa_10146"):
            signal = event.signals["central_x"]
            first = round(-signal.start_s * signal.rate_hz)
            pulses.append(signal.samples[:first].mean() - signal.samples[first:][:1500])
        middle = engine_of_10146()["middle"]
        return figures(np.mean(pulses, axis=0), 1e4, engine_g=middle, crush_from=57.09 / 3.6)
    table = np.genfromtxt(DATA / "nhtsa_08789" / "v08789_cg.csv", delimiter=",", names=True)
    table = table[table["time_s"] >= 0.0]
    y = np.cumsum(table["acceleration_y_g"]) * STANDARD_GRAVITY / 2000.0
    yaw = np.cumsum(table["yaw_acceleration_deg_s2"]) / 2000.0
    return figures(table["deceleration_x_g"] * STANDARD_GRAVITY, 2000.0, y=y, yaw_deg_s=yaw)


#: How a figure of a record came into the shipped car; all others are predicted.
FITTED = "fitted"
IN_VIEW = "edge of the barrier from geometry, range in view"
NOT_FITTED = ("engine, middle, peak, CFC 60 [g]",)


def rows(car, other):
    """Rows of the table; *other*: the car fitted to 2320 alone."""
    for name in CRASHES:
        record, ours, theirs = measured(name), modelled(car, name), modelled(other, name)
        for figure, value in record.items():
            how = FITTED if name == "10146" and figure not in NOT_FITTED else "predicted"
            without = FITTED if name == "2320" else "predicted"
            cells = f"{value:.3g} | {ours[figure]:.3g} | {how} | {theirs[figure]:.3g} | {without}"
            yield f"| {name} | {figure} | {cells} |"


def ranges():
    """Ranges of classes, means over draws."""
    facts = synthesis("small_overlap_64").facts
    wall = synthesis("wall_full_40", 12, 10.0)
    fast = synthesis("wall_full_40", 12, 56.0)
    for what, found, known, how in (
        ("small overlap 64 km/h, velocity change x [m/s]", facts["velocity_change_m_s"].mean(),
         "9.8 to 17.7 (21 published tests)", "chosen within this range (sill, beam end)"),
        ("the same, velocity change y [m/s]", np.abs(facts["lateral_velocity_m_s"]).mean(),
         "2.7 to 4.2", IN_VIEW),
        ("the same, yaw rate [deg/s]", np.degrees(np.abs(facts["largest_yaw_rate_rad_s"])).mean(),
         "61 to 244", IN_VIEW),
        ("wall 10 km/h, restitution [-]",
         (wall.facts["velocity_change_m_s"] / wall.facts["speed_m_s"]).mean() - 1.0,
         "0.3 to 0.4 (memory)", FITTED),
        ("wall 56 km/h, restitution [-]",
         (fast.facts["velocity_change_m_s"] / fast.facts["speed_m_s"]).mean() - 1.0,
         "0.1 to 0.2 (memory)", FITTED),
        ("wall 56 km/h, peak, CFC 60 [g]", np.median(peak_g(fast.cabin_x)),
         "39 (26 to 56; 692 tests)", "fitted to peaks of the event matrix"),
    ):  # fmt: skip
        yield f"| {what} | {known} | {found:.3g} | {how} |"


TEXT = """# The frontal model beside public records

Written by `python tests/record_table.py reports/frontal_records.md`; the records do not ship with
the project. Model: nominal draw; ranges: means of draws. Nothing here says that a real car behaves
so: decisions about airbags need measured signals of the vehicle concerned and certified practice.

"Fitted": {fitted} numbers of the shipped car's front were fitted to {to} values of record
10146, to restitution from memory and to times and peaks of the event matrix. "Predicted": from
speed, mass and obstacle; for 8789 speed and masses are assumed, its honeycomb is from memory;
how an obstacle is pushed aside and turns was added with that record in view, no number was
adjusted to it. The last columns leave 10146 out: the same front, begun from plain curves,
fitted to the first 50 ms of 2320 and the same matrix. That is not wholly independent: the
matrix comes from a one-mass model of 10146.

| record | figure | measured | shipped car | how | fitted to 2320 alone | how |
|---|---|---|---|---|---|---|
{rows}

| class | known | model | how |
|---|---|---|---|
{ranges}

Levels of shaking by band and window are printed by `python -m pytest -s
tests/synthesis/frontal/test_levels.py`, required times against the event matrix by `test_impact.py`
beside it (fitted to 15 of 21 rows).
"""


def main(path):
    """Write the table to *path*."""
    car = load_vehicle("small_car")
    with engine.using("fast" if engine.installed() else "numpy"):
        other = fit_vehicle(plain_car(car), record_2320(), seed=1, rounds=ROUNDS).vehicle
        text = TEXT.format(
            fitted=car.fit.fitted, to=car.fit.to, rows="\n".join(rows(car, other)),
            ranges="\n".join(ranges()),
        )  # fmt: skip
    Path(path).write_text(text, encoding="utf-8")
    return text


if __name__ == "__main__":
    print(main(sys.argv[1]))
