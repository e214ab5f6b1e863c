"""Threshold polylines: demand along a ray, dimensionless and monotone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crashsense.errors import Fault
from crashsense.rules.contract import FloatArray

Vertices = Sequence[tuple[float, float]]


def ray_faults(vertices: Vertices, *, where: str, field: str) -> list[Fault]:
    """Faults of a threshold line that every ray from the origin must cross exactly once.

    The first coordinate must rise, no coordinate may be negative, and the ratio second / first must
    fall from vertex to vertex; otherwise a ray would meet the line twice, and demand would not be
    monotone.
    """
    faults = []
    for number, (u, v) in enumerate(vertices):
        here = f"{field}[{number}]"
        if u < 0.0 or v < 0.0 or (u == 0.0 and v == 0.0):
            faults.append(Fault(where, here, (u, v), "no negative coordinate, and not the origin"))
            continue
        if number == 0:
            continue
        before_u, before_v = vertices[number - 1]
        if u <= before_u:
            expected = f"a first coordinate above {before_u:g}, that of the vertex before"
            faults.append(Fault(where, here, (u, v), expected))
        elif v * before_u >= u * before_v:
            # Cross product of two directions: it must turn clockwise.
            expected = (
                f"a vertex nearer the first axis than {(before_u, before_v)} (each ray from the "
                "origin may cross the line once)"
            )
            faults.append(Fault(where, here, (u, v), expected))
    return faults


def time_faults(vertices: Vertices, *, where: str, field: str) -> list[Fault]:
    """Faults of a threshold over time: time must rise from 0 or more, thresholds be above 0."""
    faults = []
    for number, (time, value) in enumerate(vertices):
        here = f"{field}[{number}]"
        if time < 0.0 or value <= 0.0:
            faults.append(Fault(where, here, (time, value), "time 0 or more, threshold above 0"))
        elif number and time <= vertices[number - 1][0]:
            expected = f"a time above {vertices[number - 1][0]:g}, that of the vertex before"
            faults.append(Fault(where, here, (time, value), expected))
    return faults


def along_ray(u: FloatArray, v: FloatArray, vertices: Vertices) -> FloatArray:
    """Return the distance of (u, v) from the origin over that of the line on the same ray.

    1 on the line, more beyond it. Before the first vertex and beyond the last one the line
    continues parallel to the first axis, at the second coordinate of that vertex; where that is 0
    it falls straight down to the first axis. Negative u and v count as 0; the origin has demand 0.
    """
    u = np.maximum(u, 0.0)
    v = np.maximum(v, 0.0)
    points = [(float(a), float(b)) for a, b in vertices]
    first_v, last_u, last_v = points[0][1], points[-1][0], points[-1][1]
    # Before the first vertex: level line v = first_v (if the vertex is not on the second axis).
    out = v / first_v if first_v > 0.0 else u / points[0][0]
    for (u0, v0), (u1, v1) in zip(points[:-1], points[1:], strict=True):
        # Line through both vertices: (v0 - v1) u + (u1 - u0) v = u1 v0 - u0 v1.
        here = ((v0 - v1) * u + (u1 - u0) * v) / (u1 * v0 - u0 * v1)
        out = np.where(v * u0 <= u * v0, here, out)
    beyond = v / last_v if last_v > 0.0 else u / last_u
    return np.asarray(np.where(v * last_u <= u * last_v, beyond, out), dtype=np.float64)
