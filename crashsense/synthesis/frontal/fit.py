"""Fit the small car's front to what is known: ``python -m crashsense.synthesis.frontal.fit``.

Seeded search from the present vehicle file. It looks at rigid-body figures only: those of public
crash record 10146 (full-width wall, 57.1 km/h, 1719 kg; derived from its channels), restitution
against speed, and the required times of the event matrix (derived from a one-mass model). It prints
the springs as TOML; nothing is written.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.dynamics.lumped import Motion, integrate
from crashsense.synthesis.frontal.impact import FrontalParameters, build_system
from crashsense.synthesis.frontal.vehicle import FrontalVehicle, load_vehicle
from crashsense.synthesis.model import Variation

FloatArray = npt.NDArray[np.float64]

RECORD_KMH, RECORD_KG = 57.1, 1719.0

#: Speeds [km/h] and required times [ms] of the event matrix, by obstacle.
MATRIX: dict[str, tuple[dict[str, Any], dict[float, float]]] = {
    "wall": (
        {"obstacle": "rigid_wall"},
        {20: 34.5, 25: 30, 32: 25, 40: 22, 48: 20, 56: 18, 64: 16},
    ),
    "angled": ({"obstacle": "rigid_wall", "angle_deg": 30.0}, {20: 44, 32: 35, 40: 32, 48: 29}),
    "barrier": (
        {"obstacle": "deformable_barrier", "overlap": 0.4},
        {32: 41, 40: 37, 56: 32, 64: 30},
    ),
}

#: Further wall speeds at which restitution is looked at [km/h].
SLOW = (8.0, 13.0, 16.0)

#: Figures of the record: name -> (value, tolerance that costs 1). Derived from record 10146.
RECORD: dict[str, tuple[float, float]] = {
    "velocity change at 17 ms [m/s]": (1.6, 0.15),
    "free travel 127 mm [ms]": (47.1, 2.0),
    "velocity change [m/s]": (18.4, 0.4),
    "crush [m]": (0.746, 0.03),
    "time of crush [ms]": (74.0, 3.0),
    "barrier force 190-305 mm [kN]": (286.0, 25.0),
    "barrier force 436-496 mm [kN]": (632.0, 60.0),
    "barrier force 552-743 mm [kN]": (443.0, 45.0),
    "powertrain velocity change 35 ms [m/s]": (13.0, 1.6),
    "powertrain velocity change 40 ms [m/s]": (17.2, 2.0),
    "cabin peak, 10 ms mean [g]": (40.0, 3.0),
}


def speeds_variation(speeds_kmh: Sequence[float]) -> Variation:
    """A block whose draws are nominal cars at the given speeds (as factors of RECORD_KMH)."""
    factors = np.array(speeds_kmh) / RECORD_KMH - 1.0
    return Variation(
        draws=np.arange(1, factors.size + 1),
        seed=0,
        occurrence="fit",
        deviations={"speed": factors},
    )


def travels(motion: Motion, speeds_kmh: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    """Velocity change and crush of the cabin, shape (speeds, samples) [m/s], [m]."""
    step = 1.0 / motion.rate_hz
    change = -cumulative_trapezoid(motion.acceleration["cabin"], step_s=step)
    start = np.array(speeds_kmh)[:, None] / 3.6
    return change, cumulative_trapezoid(start - change, step_s=step)


def record_figures(motion: Motion, *, row: int, speed_kmh: float = RECORD_KMH) -> dict[str, float]:
    """The figures of RECORD, read from one row of a motion of the 1719 kg car."""
    change, crush = (part[row] for part in travels(motion, [speed_kmh] * (row + 1)))
    step = 1.0 / motion.rate_hz
    flight = cumulative_trapezoid(change, step_s=step)
    force = 1e-3 * motion.obstacle_force[row]
    engine = -cumulative_trapezoid(motion.acceleration["powertrain"][row], step_s=step)
    top = int(crush.argmax())
    window = max(1, round(0.010 * motion.rate_hz))
    mean = (change[window:] - change[:-window]) / (window * step)

    def within(low: float, high: float) -> float:
        inside = (crush[:top] >= low) & (crush[:top] <= high)
        path = crush[:top][inside]
        if path.size < 2:
            return 0.0
        return float(np.trapezoid(force[:top][inside], path) / (path[-1] - path[0]))

    def at(time_s: float) -> int:
        return round(time_s * motion.rate_hz)

    return {
        "velocity change at 17 ms [m/s]": float(change[at(0.017)]),
        "free travel 127 mm [ms]": 1e3 * float(np.argmax(flight >= 0.127)) * step,
        "velocity change [m/s]": float(change[-1]),
        "crush [m]": float(crush[top]),
        "time of crush [ms]": 1e3 * top * step,
        "barrier force 190-305 mm [kN]": within(0.190, 0.305),
        "barrier force 436-496 mm [kN]": within(0.436, 0.496),
        "barrier force 552-743 mm [kN]": within(0.552, 0.743),
        "powertrain velocity change 35 ms [m/s]": float(engine[at(0.035)]),
        "powertrain velocity change 40 ms [m/s]": float(engine[at(0.040)]),
        "cabin peak, 10 ms mean [g]": float(mean.max()) / 9.80665,
    }


def cost(car: FrontalVehicle, *, step_s: float = 100e-6) -> float:
    """Sum of squared misses, each in units of its tolerance."""
    total = 0.0
    for name, (obstacle, times) in MATRIX.items():
        speeds = [*times]
        if name == "wall":
            speeds = [*times, *SLOW, RECORD_KMH]
        parameters = FrontalParameters(speed_kmh=RECORD_KMH, vehicle_mass_kg=RECORD_KG, **obstacle)
        system = build_system(parameters, speeds_variation(speeds), car=car)
        duration = 0.16 if name == "wall" else 0.09
        motion = integrate(system, duration_s=duration, step_s=step_s, per_sample=1, few=False)
        change, _ = travels(motion, speeds)
        flight = cumulative_trapezoid(change, step_s=1.0 / motion.rate_hz)
        for row, wanted in enumerate(times.values()):
            found = 1e3 * float(np.argmax(flight[row] >= 0.127)) / motion.rate_hz - 30.0
            total += ((found / wanted - 1.0) / 0.07) ** 2
        if name == "wall":
            figures = record_figures(motion, row=len(speeds) - 1)
            total += 2.0 * sum(
                ((figures[key] - value) / width) ** 2 for key, (value, width) in RECORD.items()
            )
            order = np.argsort(speeds)
            restitution = (3.6 * change[:, -1] / np.array(speeds) - 1.0)[order]
            wanted_e = np.interp(np.array(speeds)[order], [8.0, 25.0, 56.0], [0.42, 0.28, 0.155])
            total += float(np.sum(((restitution - wanted_e) / 0.06) ** 2))
            rises = np.maximum(0.0, restitution[1:] - np.minimum.accumulate(restitution)[:-1])
            total += float(np.sum((np.maximum(0.0, rises - 0.01) / 0.01) ** 2))
    return total


def fitted_names(car: FrontalVehicle) -> list[str]:
    """Dotted names of the fitted numbers."""
    names = [
        f"springs.{spring}.points.{number}.1"
        for spring in ("nose", "rails", "engine", "firewall")
        for number in range(1, len(getattr(car.springs, spring).points))
    ]
    names += [f"springs.{s}.unloading_kn_m" for s in ("nose", "rails", "engine", "firewall")]
    names += ["springs.engine.gap_m", "springs.firewall.gap_m", "masses.powertrain_share"]
    names += ["rate.effect_s_m", "ties.mounts.yield_kn", "masses.front_end_share"]
    return names


def _mutable(car: FrontalVehicle) -> dict[str, Any]:
    data = car.model_dump()
    for spring in data["springs"].values():
        spring["points"] = [list(point) for point in spring["points"]]
    return data


def search(
    car: FrontalVehicle, *, seed: int, rounds: int, progress: bool = True
) -> tuple[FrontalVehicle, float]:
    """One-plus-one evolution: change a few numbers at a time, keep what costs less."""
    source = np.random.default_rng(seed)
    names = fitted_names(car)
    best, width = cost(car), 0.08
    for number in range(rounds):
        step = np.where(source.random(len(names)) < 0.2, source.standard_normal(len(names)), 0.0)
        try:
            trial = _trial(car, np.exp(width * step), names)
            value = cost(trial)
        except ValueError:
            continue
        if value < best:
            car, best, width = trial, value, min(0.3, width * 1.3)
        else:
            width = max(0.01, width * 0.95)
        if progress and number % 50 == 0:
            print(f"# round {number}: cost {best:.2f}, width {width:.3f}", flush=True)
    return car, best


def _trial(
    car: FrontalVehicle, factors: npt.NDArray[np.float64], names: Sequence[str]
) -> FrontalVehicle:
    data = _mutable(car)
    for name, factor in zip(names, factors, strict=True):
        table: Any = data
        *path, last = name.split(".")
        for key in path:
            table = table[int(key)] if isinstance(table, list) else table[key]
        if isinstance(table, list):
            table[int(last)] *= float(factor)
        else:
            table[last] *= float(factor)
    return FrontalVehicle.model_validate(data)


def to_toml(car: FrontalVehicle) -> str:
    """Masses, springs, rate and ties as TOML, rounded as the vehicle file holds them."""
    data = car.model_dump()
    lines = []
    for table in ("masses", "rate"):
        lines.append(f"[{table}]")
        lines += [f"{key} = {value:.5g}" for key, value in data[table].items()]
    for name, spring in data["springs"].items():
        points = ", ".join(f"[{x:.3g}, {force:.4g}]" for x, force in spring["points"])
        lines += [f"[springs.{name}]", f"gap_m = {spring['gap_m']:.4g}", f"points = [{points}]"]
        lines.append(f"unloading_kn_m = {spring['unloading_kn_m']:.5g}")
    for name, tie in data["ties"].items():
        lines.append(f"[ties.{name}]")
        lines += [f"{key} = {value:.5g}" for key, value in tie.items()]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Search and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicle", default="small_car")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=1000)
    options = parser.parse_args(arguments)
    car, best = search(load_vehicle(options.vehicle), seed=options.seed, rounds=options.rounds)
    print(f"# cost {best:.3f} (seed {options.seed}, {options.rounds} rounds)")
    print(to_toml(car))


if __name__ == "__main__":
    main()
