"""Fit the front structure of a vehicle file to a measured wall test.

Fitted are forces and unloading stiffness of nose, rails, engine and firewall, two gaps, shares
of mass, rate effect, joints and mounts (:func:`fitted_names`), to the rigid-body pulse of the
record (CFC 60, every 2 ms), its crush and free travel, the force on the wall if it was measured,
and, so that other speeds and obstacles follow, three things that one record does not contain:
restitution against speed, peaks that rise with speed, and required times of the event matrix
(:data:`WITHOUT_RECORD`). Sensing locations, centre, upper body, sill, the lengths that fold, the
damping of what is crushed and geometry are not fitted.

A seeded search (one-plus-one evolution) from the numbers of the vehicle file that it is given;
they stay in the fitted file (table ``fit.start``). The same start, seed and rounds give the same
numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import tomli_w

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.filters.channel_class import channel_class_filter
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.dynamics.lumped import Motion, integrate
from crashsense.synthesis.frontal.impact import FrontalParameters, build_system
from crashsense.synthesis.frontal.vehicle import FitEntry, FrontalVehicle
from crashsense.synthesis.model import Variation
from crashsense.units import STANDARD_GRAVITY

#: Time between the fitted samples of a pulse [s], and how far it is fitted [s].
EVERY_S, UNTIL_S = 0.002, 0.100
#: What a miss of one costs one: pulse [g], force [kN].
PULSE_G, FORCE_KN = 3.0, 60.0

#: Speeds [km/h] at which the wall is looked at besides the record's.
WALL_KMH = (8.0, 10.0, 13.0, 16.0, 20.0, 25.0, 32.0, 40.0, 48.0, 56.0, 64.0)
#: Restitution of a full-width wall (trade, from memory): speed [km/h], restitution [-].
RESTITUTION = ((8.0, 0.36), (10.0, 0.34), (25.0, 0.23), (40.0, 0.17), (56.0, 0.15), (64.0, 0.13))

#: Required times [ms] of the event matrix by obstacle and speed (derived from a one-mass model).
MATRIX: dict[str, tuple[dict[str, Any], dict[float, float]]] = {
    "wall": (
        {"obstacle": "rigid_wall"},
        {20: 34.5, 25: 30, 32: 25, 40: 22, 48: 20, 56: 18, 64: 16},
    ),
    "angled": ({"obstacle": "rigid_wall", "angle_deg": 30.0}, {32: 35, 40: 32, 48: 29}),
    "barrier": (
        {"obstacle": "deformable_barrier", "overlap": 0.4},
        {20: 46, 32: 41, 40: 37, 56: 32, 64: 30},
    ),
}

#: Peaks of a full-width wall in the event matrix (5 ms mean, same one-mass model): km/h, g.
PEAKS = ((16.0, 14.0), (25.0, 16.5), (40.0, 21.0), (48.0, 28.0), (56.0, 37.0), (64.0, 45.0))

#: What the search holds to besides the record.
WITHOUT_RECORD = (
    "restitution of a full-width wall against speed (trade, from memory)",
    "CFC 60 peaks that rise with speed, of the wall near those of the event matrix",
    "required times of the event matrix, 15 matrix rows (derived from a one-mass model)",
    "front ends that are not thrown: no faster than the obstacle can, no more than 30 g forwards",
    "a nose whose force never falls with crush",
)


@dataclass(frozen=True, eq=False)
class WallRecord:
    """A full-width wall test.

    Parameters
    ----------
    name : of the record
    speed_kmh, mass_kg : as tested
    deceleration_g : of the body, positive, from contact on
    rate_hz : sampling rate [Hz]
    wall_force_kn : on the barrier, positive, from contact on, same rate; None: not measured
    """

    name: str
    speed_kmh: float
    mass_kg: float
    deceleration_g: FloatArray
    rate_hz: float
    wall_force_kn: FloatArray | None = None

    def slow_pulse(self) -> FloatArray:
        """CFC 60 deceleration [g] every 2 ms."""
        return _every(_smooth(self.deceleration_g, self.rate_hz), self.rate_hz)

    def slow_force(self) -> FloatArray | None:
        """CFC 60 force on the wall [kN] every 2 ms."""
        if self.wall_force_kn is None:
            return None
        return _every(_smooth(self.wall_force_kn, self.rate_hz), self.rate_hz)


def _smooth(values: FloatArray, rate_hz: float) -> FloatArray:
    """CFC 60 with 20 ms of rest before, so that contact is no start-up of the filter."""
    rest = round(0.02 * rate_hz)
    padded = np.concatenate([np.zeros(rest), values])
    return np.asarray(channel_class_filter(padded, rate_hz=rate_hz, channel_class=60))[rest:]


def _every(values: FloatArray, rate_hz: float) -> FloatArray:
    """Every 2 ms, up to the end of a record that is shorter."""
    places = np.arange(0.0, min(UNTIL_S, (values.size - 1) / rate_hz), EVERY_S) * rate_hz
    return np.interp(places, np.arange(values.size), values)


@dataclass(frozen=True, eq=False)
class Fit:
    """Result of a search: the vehicle (its ``fit`` names the source) and the misses by kind."""

    vehicle: FrontalVehicle
    misses: Mapping[str, float]


def speeds_variation(speeds_kmh: Sequence[float], base_kmh: float) -> Variation:
    """A block whose draws are nominal cars at the given speeds (as factors of *base_kmh*)."""
    factors = np.array(speeds_kmh) / base_kmh - 1.0
    return Variation(
        draws=np.arange(1, factors.size + 1),
        seed=0,
        occurrence="fit",
        deviations={"speed": factors},
    )


def _move(
    car: FrontalVehicle, obstacle: Mapping[str, Any], speeds: Sequence[float], **more: Any
) -> Motion:
    base = 50.0
    parameters = FrontalParameters.model_construct(
        **{
            **FrontalParameters(obstacle="rigid_wall", speed_kmh=base).model_dump(),
            **obstacle,
            **more,
        }
    )
    system = build_system(parameters, speeds_variation(speeds, base), car=car)
    return integrate(system, duration_s=0.16)


def _travel(motion: Motion, speeds_kmh: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    """Velocity change and crush of the cabin, shape (speeds, samples) [m/s], [m]."""
    step = 1.0 / motion.rate_hz
    change = -cumulative_trapezoid(motion.acceleration["cabin"], step_s=step)
    start = np.array(speeds_kmh)[:, None] / 3.6
    return change, cumulative_trapezoid(start - change, step_s=step)


def record_misses(car: FrontalVehicle, record: WallRecord) -> dict[str, float]:
    """Sums of squared misses of the record alone by kind, each in units of its tolerance."""
    out: dict[str, float] = {}
    motion = _move(
        car, {"obstacle": "rigid_wall"}, [record.speed_kmh], vehicle_mass_kg=record.mass_kg
    )
    change, crush = _travel(motion, [record.speed_kmh])
    step = 1.0 / motion.rate_hz
    pulse = _every(
        _smooth(-motion.acceleration["cabin"][0] / STANDARD_GRAVITY, motion.rate_hz), motion.rate_hz
    )
    wanted = record.slow_pulse()
    out["pulse"] = float(np.sum(np.square((pulse[: wanted.size] - wanted) / PULSE_G)))
    measured = cumulative_trapezoid(
        STANDARD_GRAVITY * record.deceleration_g, step_s=1.0 / record.rate_hz
    )
    way = cumulative_trapezoid(record.speed_kmh / 3.6 - measured, step_s=1.0 / record.rate_hz)
    flight = cumulative_trapezoid(measured, step_s=1.0 / record.rate_hz)
    own = cumulative_trapezoid(change[0], step_s=step)
    travel_s = [
        float(np.argmax(flight >= 0.127)) / record.rate_hz,
        float(np.argmax(own >= 0.127)) * step,
    ]
    # A record that ends before the car has stopped does not know its crush.
    stopped = bool(measured.max() >= record.speed_kmh / 3.6)
    out["crush"] = stopped * ((crush[0].max() - way.max()) / 0.02) ** 2
    out["free travel"] = ((travel_s[1] - travel_s[0]) / 0.0007) ** 2
    force = record.slow_force()
    if force is not None:
        found = _every(_smooth(1e-3 * motion.obstacle_force[0], motion.rate_hz), motion.rate_hz)
        far = (found[: force.size] - force) / FORCE_KN
        out["wall force"] = 0.5 * float(np.sum(np.square(far)))
    return out


def misses(car: FrontalVehicle, record: WallRecord) -> dict[str, float]:
    """Sums of squared misses by kind: of the record, and of what else the search holds to."""
    out = record_misses(car, record)
    nose = np.array([force for _, force in car.springs.nose.points])
    out["nose falls"] = float(np.sum(np.square(np.minimum(np.diff(nose), 0.0) / 20.0)))
    for name, (obstacle, times) in MATRIX.items():
        speeds = [*WALL_KMH] if name == "wall" else [float(v) for v in times]
        motion = _move(car, obstacle, speeds)
        out |= _misses_at_speeds(name, motion, speeds, times)
    return out


def _misses_at_speeds(
    name: str, motion: Motion, speeds: Sequence[float], times: Mapping[float, float]
) -> dict[str, float]:
    out = {}
    change, _ = _travel(motion, speeds)
    step = 1.0 / motion.rate_hz
    flight = cumulative_trapezoid(change, step_s=step)
    rows = [speeds.index(float(v)) for v in times]
    found = np.array([1e3 * float(np.argmax(flight[r] >= 0.127)) * step - 30.0 for r in rows])
    wanted = np.array([*times.values()])
    out[f"{name}: matrix"] = float(np.sum(np.square((found / wanted - 1.0) / 0.08)))
    slow = np.array(
        [
            _smooth(-row / STANDARD_GRAVITY, motion.rate_hz).max()
            for row in motion.acceleration["cabin"]
        ]
    )
    # Peaks rise with speed: by a tenth of a g for each km/h, say.
    rise = np.diff(slow) - 0.15 * np.diff(np.array(speeds))
    out[f"{name}: peaks rise"] = float(np.sum(np.square(np.minimum(rise, 0.0) / 1.0)))
    front = np.minimum(
        cumulative_trapezoid(motion.acceleration["front_left"], step_s=step).min(axis=-1), 0.0
    )
    thrown = np.maximum(-front / (np.array(speeds) / 3.6) - 1.25, 0.0)
    swing = np.array(
        [
            _smooth(row / STANDARD_GRAVITY, motion.rate_hz).max()
            for row in motion.acceleration["front_left"]
        ]
    )
    out[f"{name}: front ends"] = float(np.sum(np.square(thrown / 0.1)))
    out[f"{name}: front ends"] += float(np.sum(np.square(np.maximum(swing - 30.0, 0.0) / 30.0)))
    if name == "wall":
        restitution = change.max(axis=-1) / (np.array(speeds) / 3.6) - 1.0
        known = np.interp(speeds, *np.array(PEAKS).T)
        above = np.array(speeds) >= PEAKS[0][0]
        out["wall: peaks"] = float(np.sum(np.square((slow - known)[above] / 4.0)))
        grid, table = np.array(RESTITUTION).T
        far = (restitution - np.interp(speeds, grid, table)) / 0.03
        out["wall: restitution"] = float(np.sum(np.square(far)))
    return out


def fitted_names(car: FrontalVehicle) -> list[str]:
    """Dotted names of the fitted numbers."""
    names = [
        f"springs.{spring}.points.{number}.1"
        for spring in ("nose", "rails", "engine", "firewall")
        for number in range(1, len(getattr(car.springs, spring).points))
    ]
    names += [f"springs.{s}.unloading_kn_per_m" for s in ("nose", "rails", "engine", "firewall")]
    names += ["springs.engine.gap_m", "springs.firewall.gap_m", "masses.powertrain_share"]
    names += ["rate.effect_s_per_m", "ties.mounts.yield_kn", "joints.slip_kn"]
    return names


def _mutable(car: FrontalVehicle) -> dict[str, Any]:
    data = car.model_dump()
    for spring in data["springs"].values():
        spring["points"] = [list(point) for point in spring["points"]]
    return data


def _holder(data: dict[str, Any], name: str) -> tuple[Any, Any]:
    """The table or list that holds a dotted name, and its key in it."""
    table: Any = data
    *path, last = name.split(".")
    for key in path:
        table = table[int(key)] if isinstance(table, list) else table[key]
    return table, int(last) if isinstance(table, list) else last


def numbers_of(car: FrontalVehicle, names: Sequence[str]) -> dict[str, float]:
    """The numbers of a vehicle by dotted name."""
    data = _mutable(car)
    return {name: float(table[key]) for name in names for table, key in [_holder(data, name)]}


def with_numbers(car: FrontalVehicle, numbers: Mapping[str, float]) -> FrontalVehicle:
    """The vehicle with some numbers replaced by dotted name.

    Raises
    ------
    ValueError : (pydantic) where the numbers are no vehicle
    """
    data = _mutable(car)
    for name, value in numbers.items():
        table, key = _holder(data, name)
        table[key] = value
    return FrontalVehicle.model_validate(data)


def started(car: FrontalVehicle) -> FrontalVehicle:
    """The vehicle as its fit began; unchanged if it holds no fit."""
    return car if car.fit is None else with_numbers(car, car.fit.start)


def to_toml(car: FrontalVehicle) -> str:
    """The vehicle as a TOML file."""
    return tomli_w.dumps(car.model_dump(mode="json", exclude_none=True))


def fit_vehicle(
    car: FrontalVehicle,
    record: WallRecord,
    *,
    seed: int = 1,
    rounds: int = 1000,
    report: Callable[[int, float], None] | None = None,
) -> Fit:
    """Search from *car*: change a few numbers at a time, keep changes that cost less.

    *report* is called with the round and the best cost every 100 rounds. Uses engine ``fast`` if
    numba is installed (some milliseconds a round; numpy: about a second).
    """
    with engine.using(engine.requested()):
        source = np.random.default_rng(seed)
        names = fitted_names(car)
        began = numbers_of(car, names)
        start = best = float(sum(misses(car, record).values()))
        width = 0.08
        for number in range(rounds):
            step = source.standard_normal(len(names))
            step *= source.random(len(names)) < max(0.12, 1.5 / len(names))
            try:
                values = numbers_of(car, names).values()
                changed = [
                    float(f"{v * f:.4g}") for v, f in zip(values, np.exp(width * step), strict=True)
                ]
                trial = with_numbers(car, dict(zip(names, changed, strict=True)))
                value = float(sum(misses(trial, record).values()))
            except ValueError:
                continue
            if value < best:
                car, best, width = trial, value, min(0.3, width * 1.25)
            else:
                # Narrower while nothing is found, wide again after that.
                width = width * 0.97 if width > 0.01 else 0.15
            if report is not None and number % 100 == 0:
                report(number, best)
        by_kind = misses(car, record)
    force = record.slow_force()
    samples = len(record.slow_pulse()) + (0 if force is None else len(force))
    entry = FitEntry(
        record=record.name,
        speed_kmh=record.speed_kmh,
        mass_kg=record.mass_kg,
        seed=seed,
        rounds=rounds,
        fitted=len(names),
        to=samples + 2,
        start_cost=round(start, 3),
        cost=round(best, 3),
        start=began,
    )
    return Fit(vehicle=car.model_copy(update={"fit": entry}), misses=by_kind)
