"""Input of the integration of lumped masses: the system, its tables, its columns.

The physics is described in :mod:`crashsense.synthesis.dynamics.lumped`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import lru_cache

import numpy as np

from crashsense.arrays import FloatArray, by_draw
from crashsense.compiled.crush import CRUSHED
from crashsense.errors import Fault, InputError

#: Degrees of freedom: x of four masses, y and yaw of the whole car; of the obstacle its face along
#: the normal, and of what is behind it travel along the first normal, across it, and yaw.
FREEDOMS = (
    "front_left", "front_right", "powertrain", "cabin", "y", "yaw", "face", "far", "side", "turn",
)  # fmt: skip
#: The masses that move along x of their own.
BODIES = FREEDOMS[:4]

#: Springs, in the order of the tables. The first five meet the obstacle's face.
SPRINGS = (
    "nose_left", "nose_right", "centre", "engine", "direct",
    "rail_left", "rail_right", "firewall", "obstacle",
)  # fmt: skip
RAILS = (5, 6)
#: Springs whose envelope ripples with the folds.
RIPPLED = ("nose_left", "nose_right", "rail_left", "rail_right")
#: Ties, elastic-plastic both ways: powertrain to cabin, front end to front end.
TIES = ("mounts", "beam")

#: Set over length at which a folding spring lies solid [-]: the effective crushing distance of a
#: square tube (Abramowicz and Jones, International Journal of Impact Engineering 2, 1984, 179; the
#: value from memory).
SOLID = 0.73

#: Integration step [s]: one step a stored sample.
STEP_S = 100e-6
#: Cell of the envelope tables [m]; polyline points lie on its multiples.
CELL_M = 0.005
#: Length of the envelope tables [cells]: beyond it the last force stays.
CELLS = 500


#: Corners of the envelope of a spring: ((x [m], force [N]), ...).
Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class System:
    """A planar lumped-mass system for some draws; arrays of shape (draws,) unless stated.

    Parameters
    ----------
    mass : of each of FREEDOMS [kg], yaw and turn [kg m^2]; infinity where it is fixed
    velocity : initial, of each of FREEDOMS [m/s], yaw and turn [rad/s]
    envelopes : spring -> polyline ((x [m], force [N]), ...)
    stiffness : spring -> unloading stiffness before any crush [N/m]
    length : spring -> length that folds [m]; an unnamed one keeps its stiffness
    share : spring -> factor on the envelope [-]
    gap : spring -> distance before contact [m]
    ripple, phase : rippled spring -> relative height of the folds [-], phase of the first [-] 0..1
    rate : rate effect r [s/m]
    fold_m : length of a fold [m]
    pull_n : force at which a rail yields in tension [N]; 0: it carries none
    slip_n, slip_n_s_m : friction of a rail's joints: limit [N] and slope below it [N s/m]
    ties : tie -> (stiffness [N/m], yield force [N], damping [N s/m])
    angle : of the obstacle's normal to x before it turns [rad], positive: it pushes the car to the
        right
    friction : coefficient on the obstacle's face [-]
    width_m : lateral travel after which the obstacle is left [m]; infinite: never
    half_span_m : of the rails [m]
    front_ahead_m : front of the car ahead of its centre of gravity, before it is crushed [m]
    direct_ahead_m, direct_right_m : where the spring ``direct`` meets the obstacle [m], until the
        obstacle's face has come as far back
    crushed_damping : of a crushed front end on the obstacle, share of critical [-]
    overlap : share of the car's width that the obstacle covers at first, from the left [-]
    met : spring -> (a, b, most): met are a + b overlap of it, 0 to most [-]; an unnamed one in full
    car_width_m : width of the car [m]
    contact_right_m : contact to the right of the obstacle's centre of gravity, along its face [m]
    contact_ahead_m : contact ahead of the obstacle's centre of gravity [m]
    grip_n : lateral force of all tyres of the sliding car [N]
    axles_m : front axle ahead, rear axle behind the centre of gravity [m]
    """

    mass: Mapping[str, FloatArray]
    velocity: Mapping[str, FloatArray]
    envelopes: Mapping[str, Corners]
    stiffness: Mapping[str, float]
    share: Mapping[str, FloatArray]
    gap: Mapping[str, FloatArray]
    ripple: Mapping[str, FloatArray]
    phase: Mapping[str, FloatArray]
    rate: float
    fold_m: float
    pull_n: float
    slip_n: float
    slip_n_s_m: float
    ties: Mapping[str, tuple[float, float, float]]
    angle: FloatArray
    friction: FloatArray
    width_m: FloatArray
    half_span_m: float
    front_ahead_m: float
    direct_ahead_m: float = 0.0
    direct_right_m: float = 0.0
    crushed_damping: float = 0.0
    length: Mapping[str, float] = field(default_factory=dict)
    overlap: FloatArray | float = 1.0
    met: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    car_width_m: float = float("inf")
    contact_right_m: FloatArray | float = 0.0
    contact_ahead_m: float = 0.0
    grip_n: FloatArray | float = 0.0
    axles_m: tuple[float, float] = (1.0, 1.0)

    @property
    def draws(self) -> int:
        """Number of draws."""
        return int(np.asarray(self.mass["cabin"]).size)


#: Springs and ties on each mass that moves along x, and on the face.
_ON = {
    "front_left": ("nose_left", "centre", "rail_left", "beam"),
    "front_right": ("nose_right", "centre", "rail_right", "beam"),
    "powertrain": ("engine", "firewall", "mounts"),
    "cabin": ("direct", "rail_left", "rail_right", "firewall", "mounts"),
    "face": ("nose_left", "nose_right", "centre", "engine", "direct", "obstacle"),
    "far": ("obstacle",),
}


def check_stable(system: System, *, step_s: float) -> None:
    """Refuse a step that is too long for the stiffest spring on the lightest body.

    Raises
    ------
    InputError : where step * sqrt(sum of stiffnesses / mass) exceeds 1 (stability needs 2)
    """
    faults = []
    for body, attached in _ON.items():
        mass = float(np.min(system.mass[body]))
        if not mass > 0:
            faults.append(Fault("structure", f"mass of {body}", mass, "a positive mass in kg"))
            continue
        total = sum(
            system.ties[name][0]
            if name in TIES
            else system.stiffness[name]
            / (1.0 - SOLID * (name in system.length))
            * bool(np.any(system.share[name] > 0.0))
            for name in attached
        )
        longest = (mass / max(total, 1e-9)) ** 0.5
        if step_s > longest:
            expected = f"at most {longest:.2g} s for {body} ({mass:g} kg on {total:.3g} N/m)"
            faults.append(Fault("structure", "step_s", step_s, expected))
    if faults:
        raise InputError(faults)


def tables(system: System) -> tuple[FloatArray, FloatArray]:
    """Envelopes over unloading stiffness [m]: offset + slope * x, shape (springs, CELLS).

    Not to be written to: every block of draws of an event has the same ones.
    """
    return _tables(tuple((system.envelopes[name], system.stiffness[name]) for name in SPRINGS))


@lru_cache(maxsize=16)
def _tables(springs: tuple[tuple[Corners, float], ...]) -> tuple[FloatArray, FloatArray]:
    """As :func:`tables`, of envelopes and stiffnesses [N/m]."""
    middle = CELL_M * (np.arange(CELLS) + 0.5)
    offset, slope = np.empty((len(springs), CELLS)), np.empty((len(springs), CELLS))
    for row, (corners, stiffness) in enumerate(springs):
        x, force = np.array(corners).T
        reach = force / stiffness
        # Before the first point and behind the last the force stays.
        steep = np.concatenate([[0.0], np.diff(reach) / np.diff(x), [0.0]])
        start = np.concatenate([reach[:1], reach])
        at = np.concatenate([x[:1], x])
        piece = np.searchsorted(x, middle, side="right")
        slope[row] = steep[piece]
        offset[row] = (start - steep * at)[piece]
        # In the last cell and beyond it the force at its near edge stays.
        last = CELL_M * (CELLS - 1)
        offset[row, -1], slope[row, -1] = np.interp(last, x, reach), 0.0
    for table in (offset, slope):
        table.setflags(write=False)
    return offset, slope


@dataclass(frozen=True, eq=False)
class Columns:
    """The system as arrays, draws last, as both twins integrate it."""

    inverse_mass: FloatArray  # (10, draws)
    velocity: FloatArray  # (10, draws)
    share: FloatArray  # (9, draws)
    gap: FloatArray  # (9, draws)
    ripple: FloatArray  # (9, draws): steepness of the folds, 0 without
    phase: FloatArray  # (9, draws)
    stiffness: FloatArray  # (9,)
    per_length: FloatArray  # (9,): 1 / length that folds, 0 without
    damper: FloatArray  # (CRUSHED, draws)
    pull: FloatArray  # (9,): tension over stiffness; infinity where none is carried
    least: FloatArray  # (9,): least force
    tie: FloatArray  # (2, 3): stiffness, limit [m], damping
    normal: FloatArray  # (2, draws)
    friction: FloatArray  # (draws,)
    per_width: FloatArray  # (draws,)
    overlap: FloatArray  # (draws,)
    met: FloatArray  # (9, 3): a, b, most
    contact_right: FloatArray  # (draws,)
    grip: FloatArray  # (2, draws): of front and rear axle
    numbers: FloatArray  # rate, 1 / fold, slip limit, slip slope, half span, ahead, (direct) ahead,
    # (direct) right, cells a metre, 1 / sliding speed of full friction, SOLID, 1 / width of the
    # car, contact ahead of the obstacle's centre of gravity, axles ahead and behind


#: Columns that a system has once for all its draws.
OF_ALL = ("stiffness", "per_length", "pull", "least", "tie", "met", "numbers")


def beside(systems: Sequence[Columns]) -> Columns:
    """Columns of several systems, draws side by side; :data:`OF_ALL` get draws as well, last."""

    def of_draws(name: str, one: Columns) -> FloatArray:
        values: FloatArray = getattr(one, name)
        if name in OF_ALL:
            values = np.repeat(values[..., None], one.friction.size, axis=-1)
        return values

    names = [entry.name for entry in fields(Columns)]
    return Columns(
        **{name: np.concatenate([of_draws(name, c) for c in systems], axis=-1) for name in names}
    )


#: Sliding speed at which friction is in full [m/s]: below it grows with the speed.
SLIDING_M_S = 1.0


def columns_of(system: System) -> Columns:
    """Arrays of a system."""
    draws = system.draws

    def rows(table: Mapping[str, FloatArray], names: tuple[str, ...]) -> FloatArray:
        return by_draw([table[n] for n in names], draws)

    def of_rippled(table: Mapping[str, FloatArray]) -> FloatArray:
        return by_draw([table[n] if n in RIPPLED else 0.0 for n in SPRINGS], draws)

    stiffness = np.array([system.stiffness[n] for n in SPRINGS], dtype=np.float64)
    pull = np.full(len(SPRINGS), np.inf)
    least = np.zeros(len(SPRINGS))
    if system.pull_n > 0.0:
        for rail in RAILS:
            pull[rail] = system.pull_n / stiffness[rail]
            least[rail] = -np.inf
    axles = system.axles_m
    mass = rows(system.mass, FREEDOMS)
    inverse_mass = 1.0 / mass
    # Two bodies that part, by their reduced mass; the cross-beam holds both front ends.
    reduced = inverse_mass[FREEDOMS.index("face")] + 1.0 / np.stack([*mass[:2], mass[0] + mass[1]])
    # Where both are fixed nothing moves.
    reduced = np.maximum(reduced, 1e-12)
    damper = 2.0 * system.crushed_damping * np.sqrt(stiffness[:CRUSHED, None] / reduced)
    return Columns(
        inverse_mass=inverse_mass,
        velocity=rows(system.velocity, FREEDOMS),
        share=rows(system.share, SPRINGS),
        gap=rows(system.gap, SPRINGS),
        ripple=of_rippled(system.ripple),
        phase=of_rippled(system.phase),
        stiffness=stiffness,
        per_length=np.array([1.0 / system.length.get(n, np.inf) for n in SPRINGS]),
        damper=damper,
        pull=pull,
        least=least,
        tie=np.array([(k, y / k, d) for n in TIES for k, y, d in [system.ties[n]]]),
        normal=np.array([np.cos(system.angle), -np.sin(system.angle)]) * np.ones((2, draws)),
        friction=system.friction * np.ones(draws),
        per_width=1.0 / (system.width_m * np.ones(draws)),
        overlap=system.overlap * np.ones(draws),
        met=np.array([system.met.get(n, (1.0, 0.0, 1.0)) for n in SPRINGS]),
        contact_right=system.contact_right_m * np.ones(draws),
        grip=np.outer([axles[1], axles[0]], system.grip_n * np.ones(draws)) / sum(axles),
        numbers=np.array(
            [
                system.rate, 1.0 / system.fold_m, system.slip_n, system.slip_n_s_m,
                system.half_span_m, system.front_ahead_m, system.direct_ahead_m,
                system.direct_right_m, 1.0 / CELL_M, 1.0 / SLIDING_M_S, SOLID,
                1.0 / system.car_width_m, system.contact_ahead_m, *axles,
            ]
        ),
    )  # fmt: skip
