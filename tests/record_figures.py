"""Figures of the frontal model beside public records: ``python tests/record_figures.py FOLDER``.

The records do not ship with the project (``shared/data`` beside the checkout); figures of them are
written where you say and are not kept in it. Model: twelve draws, thin, and their mean.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from frontal_support import DATA, FRONTAL

from crashsense import engine
from crashsense.filters.channel_class import channel_class_filter
from crashsense.plotting import new_figure, save, tidy
from crashsense.records import read_record
from crashsense.units import STANDARD_GRAVITY

DRAWS = range(1, 13)
ZERO, RATE_HZ = 500, 1e4
MODEL, RECORD = "#b4552d", "#1f3a5f"


def slow(values, rate_hz):
    """CFC 60 with 20 ms of rest before, so that contact is no start-up of the filter."""
    rest = round(0.02 * rate_hz)
    padded = np.concatenate([np.zeros((*values.shape[:-1], rest)), values], axis=-1)
    return channel_class_filter(padded, rate_hz=rate_hz, channel_class=60)[..., rest:]


def made(recipe, **changes):
    with engine.using("fast" if engine.installed() else "numpy"):
        return recipe.with_parameters(name="beside_a_record", **changes).synthesise(DRAWS, seed=1)


def panel(axes, title, unit, *, record, model, until_ms=150.0):
    """*record*: label -> (values, rate); *model*: (draws, samples) from contact on at 10 kHz."""
    time = 1e3 * np.arange(model.shape[1]) / RATE_HZ
    axes.plot(time, model.T, color=MODEL, lw=0.4, alpha=0.35)
    axes.plot(time, model.mean(axis=0), color=MODEL, lw=1.8, label="model, mean of draws")
    for style, (label, (values, rate)) in zip(("-", "--"), record.items(), strict=False):
        axes.plot(1e3 * np.arange(values.size) / rate, values, style, color=RECORD, label=label)
    axes.set(title=title, ylabel=unit, xlabel="ms after contact", xlim=(0.0, until_ms))
    axes.legend(frameon=False, fontsize=8)
    tidy(axes)


def engine_of_10146():
    """Deceleration of the engine [g] from contact on: top, bottom (dies at 67 ms), their mean.

    It pitches: the top reads 107 g at most, the bottom 211, the middle 150.
    """
    out = {}
    for name, channel in (("top", "095"), ("bottom", "096")):
        rows = np.loadtxt(DATA / "nhtsa_10146" / f"v10146.{channel}")
        out[name] = -(rows[rows[:, 0] > -5e-5, 1] - rows[rows[:, 0] < 0.0, 1].mean())
    length = out["bottom"].size
    return out | {"middle": 0.5 * (out["top"][:length] + out["bottom"])}


def wall_10146(folder):
    model = made(FRONTAL["wall_full_57_record"])
    floors = {}
    for event in read_record(DATA / "nhtsa_10146"):
        signal = event.signals["central_x"]
        first = round(-signal.start_s * signal.rate_hz)
        floors[f"floor, {event.name.rsplit('_', 1)[-1]}"] = (
            signal.samples[:first].mean() - signal.samples[first:]
        ) / STANDARD_GRAVITY
    engine_g = engine_of_10146()
    table = np.genfromtxt(DATA / "nhtsa_10146_wall" / "wall_force.csv", delimiter=",", names=True)
    force = table["total_kn"][table["time_s"] > -5e-5]
    figure = new_figure(11.0, 7.5)
    (a, b), (c, d) = figure.subplots(2, 2)
    cabin = -model.signals["rear_seat_crossmember_x"][:, ZERO:] / STANDARD_GRAVITY
    record = {name: (slow(v, RATE_HZ), RATE_HZ) for name, v in floors.items()}
    panel(a, "Rear seat cross-member, CFC 60", "g", record=record, model=slow(cabin, RATE_HZ))
    change = STANDARD_GRAVITY / RATE_HZ
    record = {name: (np.cumsum(v) * change, RATE_HZ) for name, v in floors.items()}
    panel(b, "Velocity change", "m/s", record=record, model=np.cumsum(cabin, axis=1) * change)
    top = -model.signals["powertrain_x"][:, ZERO:] / STANDARD_GRAVITY
    record = {
        "mean of top and bottom": (slow(engine_g["middle"], RATE_HZ)[:600], RATE_HZ),
        "top": (slow(engine_g["top"], RATE_HZ), RATE_HZ),
    }
    panel(c, "Engine, CFC 60", "g", record=record, model=slow(top, RATE_HZ))
    pushed = 1e-3 * model.trace["obstacle_force"][:, ZERO:]
    record = {"174 load cells": (slow(force, RATE_HZ), RATE_HZ)}
    panel(d, "Force on the wall, CFC 60", "kN", record=record, model=slow(pushed, RATE_HZ))
    figure.suptitle("Public test 10146, wall at 57.1 km/h, 1719 kg (the front is fitted to it)")
    return save(figure, Path(folder) / "wall_10146.png")


def wall_2320(folder):
    model = made(FRONTAL["wall_full_57_record"], speed_kmh=56.5, vehicle_mass_kg=1354.0)
    table = np.genfromtxt(DATA / "nhtsa_02320" / "v02320_078.csv", delimiter=",", names=True)
    rate = 1.0 / float(table["time_s"][1])
    figure = new_figure(11.0, 4.2)
    a, b = figure.subplots(1, 2)
    cabin = -model.signals["rear_seat_crossmember_x"][:, ZERO : ZERO + 600] / STANDARD_GRAVITY
    record = {"left rear seat": (slow(-table["acc_g"], rate), rate)}
    panel(a, "CFC 60", "g", record=record, model=slow(cabin, RATE_HZ), until_ms=60.0)
    record = {"left rear seat": (-np.cumsum(table["acc_g"]) * STANDARD_GRAVITY / rate, rate)}
    lost = np.cumsum(cabin, axis=1) * STANDARD_GRAVITY / RATE_HZ
    panel(b, "Velocity change", "m/s", record=record, model=lost, until_ms=60.0)
    figure.suptitle("Public test 2320, wall at 56.5 km/h, 1354 kg (predicted: speed and mass)")
    return save(figure, Path(folder) / "wall_2320.png")


def oblique_8789(folder):
    model = made(FRONTAL["oblique_barrier_90"], vehicle_mass_kg=1800.0)
    table = np.genfromtxt(DATA / "nhtsa_08789" / "v08789_cg.csv", delimiter=",", names=True)
    table, rate = table[table["time_s"] >= 0.0], 2000.0
    figure = new_figure(11.0, 7.5)
    (a, b), (c, d) = figure.subplots(2, 2)
    x = -model.cabin_x[:, ZERO:]
    record = {"centre of gravity": (table["deceleration_x_g"], rate)}
    panel(a, "x, CFC 60", "g", record=record, model=slow(x / STANDARD_GRAVITY, RATE_HZ))
    record = {"centre of gravity": (np.cumsum(table["deceleration_x_g"]) * 9.80665 / rate, rate)}
    panel(b, "Velocity change x", "m/s", record=record, model=np.cumsum(x, axis=1) / RATE_HZ)
    aside = np.cumsum(table["acceleration_y_g"]) * 9.80665 / rate
    y = np.cumsum(model.cabin_y[:, ZERO:], axis=1) / RATE_HZ
    record = {"centre of gravity": (aside, rate)}
    panel(c, "Velocity change y", "m/s", record=record, model=y)
    turned = np.cumsum(table["yaw_acceleration_deg_s2"]) / rate
    yaw = np.degrees(np.cumsum(model.trace["yaw"][:, ZERO:], axis=1)) / RATE_HZ
    panel(
        d,
        "Yaw rate, nose to the right",
        "deg/s",
        record={"centre of gravity": (turned, rate)},
        model=yaw,
    )
    figure.suptitle(
        "Public test 8789, oblique moving barrier, 15 degrees, 35 % overlap"
        " (predicted; 90 km/h, 2490 kg on 1800 kg assumed)"
    )
    return save(figure, Path(folder) / "oblique_8789.png")


FIGURES = {
    "nhtsa_10146": wall_10146,
    "nhtsa_02320": wall_2320,
    "nhtsa_08789": oblique_8789,
}

if __name__ == "__main__":
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    for draw in FIGURES.values():
        print(draw(target))
