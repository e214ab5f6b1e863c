"""Obstacles of the frontal recipes: bodies and springs in series with the car's front.

An obstacle says how it meets the springs of the vehicle file (shares, extra gaps), how its face
rubs and when the car leaves it sideways, and what is behind the face: the ground, a honeycomb, a
trolley, another car, an animal. Nothing here belongs to a single recipe.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

import numpy as np

from crashsense.arrays import FloatArray

Polyline = tuple[tuple[float, float], ...]

#: Rigid face on the ground: the spring behind a fixed face is never compressed.
NOTHING: Polyline = ((0.0, 0.0), (1.0, 1.0))

#: The body of an animal: 33 kN/m when first touched, 40 kN/m when wholly crushed at 1.2 m.
ANIMAL: Polyline = ((0.0, 0.0), (0.30, 10e3), (0.60, 40e3), (1.20, 64e3))


@dataclass(frozen=True)
class Obstacle:
    """How an obstacle meets the car.

    Parameters
    ----------
    title : plain words
    contact : ``"nose"``, ``"centre"``, ``"upper"`` or ``"outboard"``: which part of the car is met
    face_kg : mass of the moving face [kg]; infinite: rigid and fixed
    spring : loading polyline behind the face [m, N]
    unloading : its unloading stiffness [N/m]
    moves : the body behind is a mass of its own (trolley, car), not the ground
    engine_gap_m : further travel before the powertrain is met [m]
    nose_share : factor on the nose envelope [-]
    friction : coefficient on the face [-]
    edge_deg : slant of the face where the car meets its edge [deg]
    spring_overlap : overlap for which the spring is stated: a honeycomb pushes over what is met;
        0: whatever the overlap [-]
    width_m : width of the face [m]; 0: that of the car
    ahead_m : face ahead of the centre of gravity of what moves [m]
    gyration_m2 : yaw inertia of what moves over its mass [m^2]; infinite: it neither turns nor
        moves aside
    basis : where the numbers come from
    """

    title: str
    contact: str = "nose"
    face_kg: float = inf
    spring: Polyline = NOTHING
    unloading: float = 1e7
    moves: bool = False
    engine_gap_m: float = 0.0
    nose_share: float = 1.0
    friction: float = 0.3
    edge_deg: float = 0.0
    spring_overlap: float = 0.0
    width_m: float = 0.0
    ahead_m: float = 0.0
    gyration_m2: float = inf
    basis: str = field(default="", kw_only=True)


OBSTACLES: dict[str, Obstacle] = {
    "rigid_wall": Obstacle(
        "rigid wall", basis="fixed and rigid by definition; friction 0.3 (memory)"
    ),
    "deformable_barrier": Obstacle(
        "fixed deformable barrier",
        face_kg=30.0,
        spring=((0.0, 0.0), (0.03, 160e3), (0.43, 168e3), (0.50, 2.0e6), (0.60, 5.0e6)),
        unloading=60e6,
        friction=0.4,
        spring_overlap=0.4,
        width_m=1.0,
        basis="honeycomb 0.34 MPa on 0.4-0.5 m2: 160 kN over 400 mm at 40 % overlap, then the wall;"
        " 1 m wide (memory)",
    ),
    "moving_barrier": Obstacle(
        "moving progressive deformable barrier",
        face_kg=30.0,
        spring=((0.0, 0.0), (0.03, 110e3), (0.25, 160e3), (0.60, 360e3), (0.75, 3.0e6)),
        unloading=40e6,
        moves=True,
        friction=0.4,
        spring_overlap=0.5,
        width_m=1.0,
        ahead_m=1.9,
        gyration_m2=1.9,
        basis="trolley 1400 kg at 50 km/h, progressive honeycomb 1 m wide, stated for 50 % overlap"
        " (memory); yaw inertia and face ahead of the centre of gravity as those of the trolley of"
        " side impacts, 2570 kg m2 of 1361 kg (memory)",
    ),
    "oblique_barrier": Obstacle(
        "moving deformable barrier of oblique tests",
        face_kg=30.0,
        spring=(
            (0.0, 0.0),
            (0.01, 260e3),
            (0.30, 260e3),
            (0.32, 610e3),
            (0.60, 610e3),
            (0.70, 5.0e6),
        ),
        unloading=60e6,
        moves=True,
        friction=0.4,
        spring_overlap=0.35,
        width_m=2.0,
        ahead_m=1.9,
        gyration_m2=1.9,
        basis="trolley 2490 kg at 90 km/h; two layers of honeycomb of 300 mm, 0.724 and 1.711 MPa"
        " (memory), on 0.36 m2 at 35 % overlap; 2 m wide (assumed); turns as the other trolley",
    ),
    "centre_pole": Obstacle(
        "rigid pole at the centre",
        contact="centre",
        engine_gap_m=0.10,
        basis="250-300 mm pole; powertrain met at 400-550 mm (memory)",
    ),
    "underride": Obstacle(
        "bonnet-high bar (underride)",
        contact="upper",
        basis="upper body only, the rails pass below (memory)",
    ),
    "small_overlap": Obstacle(
        "rigid small-overlap wall",
        contact="outboard",
        nose_share=0.15,
        edge_deg=22.0,
        friction=0.15,
        basis="outboard of the rail: corner of the nose, then wheel and sill; a beam end yields in"
        " bending at 6-8 kN m on 0.15 m beyond the rail (memory), 0.15 of half the nose at 0.2 m of"
        " crush; a flat plate with an edge of 150 mm radius (memory) faces the car with 12 degrees"
        " in the mean over 25 % overlap, with 33 when only the edge is met: 22 between (geometry);"
        " low friction assumed",
    ),
    "car": Obstacle(
        "another car",
        face_kg=60.0,
        spring=(
            (0.0, 0.0),
            (0.13, 40e3),
            (0.22, 200e3),
            (0.45, 280e3),
            (0.60, 380e3),
            (0.745, 620e3),
            (1.20, 1100e3),
        ),
        unloading=30e6,
        moves=True,
        nose_share=0.75,
        friction=0.5,
        ahead_m=1.75,
        gyration_m2=1.5,
        basis="force against crush of a public wall record, simplified (derived), as a 1719 kg car;"
        " its beam stands at another height: three quarters of the nose are met (assumed); as wide"
        " as this car and turns as it does",
    ),
    "bumper_barrier": Obstacle(
        "low-speed bumper barrier",
        nose_share=0.8,
        basis="meets the bumper over part of its height (memory)",
    ),
    "animal": Obstacle(
        "an animal",
        face_kg=6.0,
        spring=ANIMAL,
        unloading=1e8,
        moves=True,
        basis="k 15-40 kN/m in the mean over its crush, restitution near 0 (memory); unloading"
        " 100 MN/m: so stiff that it gives nothing back by itself (assumed)",
    ),
    "tall_animal": Obstacle(
        "a tall animal, its body above the bumper",
        contact="upper",
        face_kg=6.0,
        spring=ANIMAL,
        unloading=1e8,
        moves=True,
        basis="its body meets bonnet and pillars, the legs before the rails are left out (memory);"
        " otherwise as an animal",
    ),
    "light_object": Obstacle(
        "a light stiff object (shopping trolley)",
        face_kg=5.0,
        spring=((0.0, 0.0), (0.05, 8e3), (0.40, 12e3), (0.60, 60e3)),
        unloading=1e8,
        moves=True,
        nose_share=0.5,
        basis="wire frame that folds at 8-12 kN; unloading 100 MN/m, gives nothing back (assumed)",
    ),
}


#: Share of a contact that an obstacle meets which overlaps from the left: a + b overlap, 0 to 1. A
#: rail stands at a quarter of the width, so that 40 % overlap meets one rail in full; the other is
#: met from half the width on. The powertrain spans from 20 to 80 % of the width.
MET: dict[str, tuple[float, float, float]] = {
    "nose_left": (0.0, 2.5, 1.0),
    "nose_right": (-1.0, 2.0, 1.0),
    "engine": (-1.0 / 3.0, 1.0 / 0.6, 1.0),
}


def slant_gaps(angle: FloatArray, *, half_span_m: float) -> tuple[FloatArray, FloatArray]:
    """Further travel along the normal to the powertrain and to the right nose [m].

    For a wall slanted away to the right: sin(angle) times half and whole rail span; *angle* [rad].
    """
    slope = np.sin(np.abs(angle))
    return slope * half_span_m, 2.0 * slope * half_span_m
