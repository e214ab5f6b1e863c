"""One mass on a force-crush polyline: the small model from which the event matrix was derived.

m dv/dt = -F(x), loading along a polyline, unloading F = max(0, F_max (1 - 35 (x_max - x))), x in
m and F_max the force at the largest crush so far; semi-implicit Euler, 10 us, until 250 ms or until
v < 0 and F = 0. Free flight from the same motion. It is no part of the library's events: it stands
here so that the origin of their required times can be recomputed.

Source: the written definition behind the event matrix (derived; wall polyline from public crash
record 10146, the rest from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Polyline = tuple[tuple[float, float], ...]

REFERENCE_KG = 1719.0

#: Crush [m], force [kN] of the wall record; scaled by mass / REFERENCE_KG.
WALL: Polyline = (
    (0.0, 0.0),
    (0.100, 60.0),
    (0.200, 250.0),
    (0.450, 280.0),
    (0.600, 380.0),
    (0.745, 620.0),
    (1.200, 1100.0),
)
#: Not scaled by mass.
POLE: Polyline = (
    (0.0, 0.0), (0.100, 20.0), (0.250, 60.0), (0.400, 80.0), (0.480, 140.0), (0.550, 420.0),
    (0.750, 420.0), (1.000, 700.0),
)  # fmt: skip
UNDERRIDE: Polyline = (
    (0.0, 0.0), (0.100, 8.0), (0.500, 40.0), (0.750, 60.0), (0.850, 300.0), (1.200, 500.0),
)  # fmt: skip

HONEYCOMB_KN, HONEYCOMB_END_KN, HONEYCOMB_M, HONEYCOMB_ELASTIC_M = 160.0, 168.0, 0.400, 0.030


def scaled_wall(*, mass_kg: float, share: float = 1.0) -> Polyline:
    """The wall polyline of a car of *mass_kg*, times *share* (0.65 at 30 degrees, 0.5 at 40 %)."""
    factor = share * mass_kg / REFERENCE_KG
    return tuple((x, factor * force) for x, force in WALL)


def with_honeycomb(front: Polyline) -> Polyline:
    """*front* in series with a honeycomb of 160 to 168 kN over 400 mm.

    Below 160 kN the honeycomb adds 30 mm x F/160; at 160 kN it crushes 400 mm, its force rising to
    168 kN; then the front goes on, not below 168 kN.
    """
    travel = np.array([x for x, _ in front])
    force = np.array([f for _, f in front])
    cut = float(np.interp(HONEYCOMB_KN, force, travel))
    before = [
        (float(x + HONEYCOMB_ELASTIC_M * f / HONEYCOMB_KN), float(f))
        for x, f in zip(travel, force, strict=True)
        if f < HONEYCOMB_KN
    ]
    start = cut + HONEYCOMB_ELASTIC_M
    end = start + HONEYCOMB_M
    meets = float(np.interp(HONEYCOMB_END_KN, force, travel))
    after = [(float(end + x - cut), float(f)) for x, f in front if f > HONEYCOMB_END_KN]
    return (
        *before,
        (start, HONEYCOMB_KN),
        (end, HONEYCOMB_END_KN),
        (end + meets - cut, HONEYCOMB_END_KN),
        *after,
    )


@dataclass(frozen=True)
class OneMassResult:
    """Figures of one impact; times NaN where the travel is not reached."""

    velocity_change_kmh: float
    peak_g: float
    duration_ms: float
    crush_mm: float
    travel_ms: dict[int, float]


def one_mass_impact(
    front: Polyline,
    *,
    speed_kmh: float,
    mass_kg: float = 1500.0,
    travels_mm: Sequence[int] = (100, 127, 150),
) -> OneMassResult:
    """Integrate one impact.

    Parameters
    ----------
    front : loading polyline ((m, kN), ...); beyond its last point the force stays
    speed_kmh : impact speed [km/h], > 0
    mass_kg : mass [kg], > 0
    travels_mm : free travels whose times are wanted [mm]
    """
    step, gravity = 10e-6, 9.81
    xs = [x for x, _ in front]
    fs = [1e3 * f for _, f in front]
    velocity, crush, deepest, top = speed_kmh / 3.6, 0.0, 0.0, 0.0
    start, segment = velocity, 0
    decelerations: list[float] = []
    for _ in range(25000):
        if crush >= deepest:
            deepest = crush
            while segment < len(xs) - 2 and crush > xs[segment + 1]:
                segment += 1
            if crush >= xs[-1]:
                force = fs[-1]
            else:
                slope = (fs[segment + 1] - fs[segment]) / (xs[segment + 1] - xs[segment])
                force = fs[segment] + slope * (crush - xs[segment])
            top = force
        else:
            force = max(0.0, top * (1.0 - 35.0 * (deepest - crush)))
        if velocity < 0.0 and force == 0.0:
            break
        deceleration = force / mass_kg
        decelerations.append(deceleration)
        velocity -= deceleration * step
        crush += velocity * step
    pulse = np.array(decelerations)
    held = np.concatenate([pulse, np.zeros(25000 - pulse.size)])
    flight = np.cumsum(np.cumsum(held) * step) * step
    total = np.concatenate([[0.0], np.cumsum(pulse)])
    window = min(500, pulse.size)
    peak = float((total[window:] - total[:-window]).max()) / window
    times = {}
    for travel in travels_mm:
        reached = flight >= 1e-3 * travel
        times[travel] = 1e3 * step * (int(reached.argmax()) + 1) if reached.any() else float("nan")
    return OneMassResult(
        velocity_change_kmh=3.6 * (start - velocity),
        peak_g=peak / gravity,
        duration_ms=1e3 * step * int(np.count_nonzero(pulse > 0.05 * pulse.max())),
        crush_mm=1e3 * deepest,
        travel_ms=times,
    )
