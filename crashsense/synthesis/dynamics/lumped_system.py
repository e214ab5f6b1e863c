"""What the integration of lumped masses stands on: the system, its tables, what it keeps.

The physics is described in :mod:`crashsense.synthesis.dynamics.lumped`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crashsense.errors import Fault, InputError

FloatArray = npt.NDArray[np.float64]

BODIES = ("front_left", "front_right", "powertrain", "cabin", "face", "far")
LEFT, RIGHT, POWERTRAIN, CABIN, FACE, FAR = range(6)
#: Pseudo body: the middle of the cross-beam between the front ends.
BEAM = 6

#: Spring -> (body behind, body ahead); compression = travel behind - travel ahead - gap.
SPRINGS: Mapping[str, tuple[int, int]] = {
    "nose_left": (LEFT, FACE),
    "nose_right": (RIGHT, FACE),
    "rail_left": (CABIN, LEFT),
    "rail_right": (CABIN, RIGHT),
    "centre": (BEAM, FACE),
    "engine": (POWERTRAIN, FACE),
    "firewall": (CABIN, POWERTRAIN),
    "direct": (CABIN, FACE),
    "obstacle": (FACE, FAR),
}
#: Springs with a folding ripple: the first four.
RIPPLED = 4
#: Tie -> (body behind, body ahead), elastic-plastic both ways with damping.
TIES: Mapping[str, tuple[int, int]] = {"mounts": (POWERTRAIN, CABIN), "beam": (LEFT, RIGHT)}

#: Integration step [s]; two steps make one stored sample.
STEP_S = 50e-6
#: Cell of the envelope tables [m]; polyline points lie on its multiples.
CELL_M = 0.005
#: Length of the envelope tables [cells]: beyond it the last force stays.
CELLS = 500
#: Samples that are turned together from time by time to draw by draw.
PARCEL = 64


@dataclass(frozen=True, eq=False)
class System:
    """A lumped-mass system for some draws; arrays of shape (draws,) unless stated.

    Parameters
    ----------
    mass : body -> mass [kg]; infinity where the body is fixed
    velocity : body -> initial velocity [m/s]
    envelopes : spring -> polyline ((x [m], force [N]), ...)
    stiffness : spring -> unloading stiffness [N/m]
    share : spring -> factor on the envelope [-]
    gap : spring -> distance before contact [m]
    rate : rate effect r [s/m]
    ripple, fold_m : relative height and length of folds
    phase : rippled spring -> phase of the first fold [-], 0..1
    ties : tie -> (stiffness [N/m], yield force [N], damping [N s/m])
    """

    mass: Mapping[str, FloatArray]
    velocity: Mapping[str, FloatArray]
    envelopes: Mapping[str, tuple[tuple[float, float], ...]]
    stiffness: Mapping[str, float]
    share: Mapping[str, FloatArray]
    gap: Mapping[str, FloatArray]
    rate: float
    ripple: float
    fold_m: float
    phase: Mapping[str, FloatArray]
    ties: Mapping[str, tuple[float, float, float]]


def check_stable(system: System, *, step_s: float) -> None:
    """Refuse a step that is too long for the stiffest spring on the lightest body.

    Raises
    ------
    InputError : where step * sqrt(sum of stiffnesses / mass) exceeds 1 (stability needs 2)
    """
    faults = []
    for number, body in enumerate(BODIES):
        mass = float(np.min(system.mass[body]))
        if not mass > 0:
            faults.append(Fault("structure", f"mass of {body}", mass, "a positive mass in kg"))
            continue
        attached = sum(
            system.stiffness[name]
            for name, ends in SPRINGS.items()
            if number in ends or (BEAM in ends and number in (LEFT, RIGHT))
        ) + sum(system.ties[name][0] for name, ends in TIES.items() if number in ends)
        longest = (mass / attached) ** 0.5
        if step_s > longest:
            expected = f"at most {longest:.2g} s for {body} ({mass:g} kg on {attached:.3g} N/m)"
            faults.append(Fault("structure", "step_s", step_s, expected))
    if faults:
        raise InputError(faults)


def tables(system: System) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64]]:
    """Envelopes over unloading stiffness [m]: offset + slope * x in each cell, and which straight
    piece of the polyline each cell is part of; shape (springs, CELLS).

    All cells of a piece hold the same two numbers: a piece may stand for its cells.
    """
    middle = CELL_M * (np.arange(CELLS) + 0.5)
    offset, slope = np.empty((len(SPRINGS), CELLS)), np.empty((len(SPRINGS), CELLS))
    piece = np.empty(offset.shape, dtype=np.int64)
    for row, name in enumerate(SPRINGS):
        x, force = np.array(system.envelopes[name]).T
        reach = force / system.stiffness[name]
        # Before the first point and behind the last the force stays.
        steep = np.concatenate([[0.0], np.diff(reach) / np.diff(x), [0.0]])
        start = np.concatenate([reach[:1], reach])
        at = np.concatenate([x[:1], x])
        piece[row] = np.searchsorted(x, middle, side="right")
        piece[row, -1] = x.size
        slope[row] = steep[piece[row]]
        offset[row] = (start - steep * at)[piece[row]]
        # In the last cell and beyond it the force at its near edge stays.
        last = CELL_M * (CELLS - 1)
        offset[row, -1], slope[row, -1] = np.interp(last, x, reach), 0.0
    return offset, slope, piece


def columns_of(system: System) -> dict[str, FloatArray]:
    names = tuple(SPRINGS)
    return {
        "inverse_mass": np.array([1.0 / system.mass[b] for b in BODIES]),
        "velocity": np.array([system.velocity[b] for b in BODIES], dtype=np.float64),
        "share": np.array([system.share[n] for n in names], dtype=np.float64),
        "gap": np.array([system.gap[n] for n in names], dtype=np.float64),
        "phase": np.array([system.phase[n] for n in names[:RIPPLED]], dtype=np.float64),
    }


def in_play(system: System, columns: dict[str, FloatArray]) -> list[int]:
    """Springs that can carry a force in some draw."""
    fixed = not columns["inverse_mass"][FACE:].any() and np.array_equal(
        columns["velocity"][FACE], columns["velocity"][FAR]
    )
    met = [bool((share > 0.0).any()) for share in columns["share"]]
    return [
        n for n, ends in enumerate(SPRINGS.values()) if met[n] and not (fixed and ends[0] == FACE)
    ]


#: Rows that an integration keeps: accelerations of four bodies, force on the obstacle, power.
ROWS = ("front_left", "front_right", "powertrain", "cabin", "obstacle_force", "power")


class Samples:
    """Makes samples of steps, stretch by stretch: means over a triangle about each sample."""

    def __init__(self, draws: int, *, samples: int, per_sample: int, rest: int) -> None:
        self.kept = [np.empty((draws, rest + samples)) for _ in ROWS]
        for kept in self.kept:
            kept[:, :rest] = 0.0
        self.per_sample = per_sample
        rising = np.arange(1, per_sample + 1)
        self.weights = np.concatenate([rising, rising[-2::-1]]) / per_sample**2
        self.at = self.end = rest
        self.steps = np.zeros((len(ROWS), per_sample - 1, draws))
        # Turned from time by time to draw by draw in parcels, whose rows do not fall on each other
        # in the cache.
        self.parcel = np.empty((len(ROWS), PARCEL, draws + 8))[:, :, :draws]

    def room(self, steps: int) -> FloatArray:
        """Where to put the next steps, shape (ROWS, steps, draws): a whole number of samples."""
        before = self.per_sample - 1
        tail = self.steps[:, self.steps.shape[1] - before :]
        if self.steps.shape[1] == before + steps:
            self.steps[:, :before] = tail.copy()
        else:
            room = np.empty((len(ROWS), steps, tail.shape[2]))
            self.steps = np.concatenate([tail, room], axis=1)
        return self.steps[:, before:]

    def add(self) -> None:
        """Make samples of the steps that were put there."""
        every = self.per_sample
        count = (self.steps.shape[1] - every + 1) // every
        if self.end - self.at + count > PARCEL:
            self.close()
        large = count > PARCEL
        total = (
            np.empty((len(ROWS), count, self.steps.shape[2]))
            if large
            else self.parcel[:, self.end - self.at :][:, :count]
        )
        work = np.empty(total.shape)
        total.fill(0.0)
        for offset, weight in enumerate(self.weights):
            part = self.steps[:, offset : offset + every * (count - 1) + 1 : every]
            total += np.multiply(part, weight, out=work)
        self.end += count
        if large:
            self._turn(total)

    def close(self) -> None:
        """Hand over what is left in the parcel."""
        self._turn(self.parcel[:, : self.end - self.at])

    def _turn(self, parcel: FloatArray) -> None:
        for kept, part in zip(self.kept, parcel, strict=True):
            kept[:, self.at : self.end] = part.T
        self.at = self.end


class Ledger:
    """Every step's inner quantities, for energy balances."""

    def __init__(self, steps: int, draws: int) -> None:
        count = len(SPRINGS) + len(TIES)
        self.force = np.zeros((steps, count, draws))
        self.set = np.zeros((steps, count, draws))
        self.drag = np.zeros((steps, len(TIES), draws))
        self.velocity = np.zeros((steps, len(BODIES), draws))
        self.travel = np.zeros((steps, len(BODIES), draws))

    def tables(self) -> dict[str, FloatArray]:
        return dict(vars(self))
