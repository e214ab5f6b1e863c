"""Lumped masses on crush springs: the frontal structure, integrated for all draws at once.

Bodies move along x only. Six bodies in a fixed layout, so that one loop serves every obstacle:

    far -- face -- front_left / front_right / powertrain / cabin

``far`` is the ground, a trolley or another car; ``face`` its surface (fixed for a rigid wall, the
honeycomb's face for a deformable barrier, the front of another car). Springs are listed in
:data:`SPRINGS`. A pole meets the middle of the cross-beam, whose two ends are the front ends.

Crush spring (elastic-plastic, one-sided)::

    F = max(0, k (x - p)),  p = max(p, x - E(x) / k),
    E(x) = s(x) c (1 + r max(0, dx/dt)) (1 + q tri(x / L + phase))

with compression x [m], permanent set p [m], unloading stiffness k [N/m], envelope E [N]: the
polyline s of the vehicle file, contact share and stiffness factor c [-], rate effect r [s/m] and a
folding ripple of relative height q and fold length L. Loading follows the envelope, unloading and
reloading the stiffness k; elastic energy F^2 / (2 k), absorbed energy the integral of F dp.

Ties (mounts, beam) act both ways: F = k (x - p) + d dx/dt with abs(F - d dx/dt) <= yield force.

Integration: semi-implicit Euler (kick, drift; second order in position), step :data:`STEP_S`.
Twins compute the same bits: plain floats for few draws, numpy over the draws for many, and the
compiled :func:`crashsense.compiled_synthesis.crush_steps` for any where engine ``fast`` computes;
only +, -, *, comparison and table look-up occur, which IEEE 754 defines exactly. The numpy twin
goes in stretches of :data:`STRETCH` steps and leaves out, in each, what cannot change the result:
springs that stay slack, envelopes that are not reached (:class:`_Stretch`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from types import ModuleType

import numpy as np
import numpy.typing as npt

from crashsense import engine
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
#: Draws up to which the plain-float twin is the faster one.
FEW = 10
#: Samples that are turned together from time by time to draw by draw.
PARCEL = 64
#: Steps of a stretch of the numpy twin.
STRETCH = 32
#: Foreseen for a stretch: the last change of velocity times this factor, and this much [m/s].
STRAY, CALM_M_S = 1.5, 0.3
#: Taken as the last change of velocity before the first stretch [m/s].
FIRST_CHANGE_M_S = 1.0


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


def _tables(system: System) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64]]:
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


#: Rows that an integration keeps: accelerations of four bodies, force on the obstacle, power.
ROWS = ("front_left", "front_right", "powertrain", "cabin", "obstacle_force", "power")


@dataclass(frozen=True, eq=False)
class Motion:
    """What an integration returns; arrays of shape (draws, samples), sample 0 at first contact.

    ``acceleration`` by body [m/s^2]; ``obstacle_force``: on the obstacle's face [N]; ``power``:
    force times closing speed, summed over the loading springs of the vehicle [W]. ``ledger`` (when
    asked for): every step's forces, permanent sets, velocities, travels and damping forces.
    """

    rate_hz: float
    acceleration: Mapping[str, FloatArray]
    obstacle_force: FloatArray
    power: FloatArray
    ledger: Mapping[str, FloatArray]


def integrate(
    system: System,
    *,
    duration_s: float,
    step_s: float = STEP_S,
    per_sample: int = 2,
    ledger: bool = False,
    few: bool | None = None,
    rest: int = 0,
) -> Motion:
    """Integrate from first contact; a sample every *per_sample* steps.

    Each sample is the mean over a triangle of 2 * *per_sample* steps about it (anti-aliasing that
    keeps the velocity change).

    Parameters
    ----------
    system : what moves
    duration_s : time from first contact [s]
    step_s : integration step [s]
    per_sample : steps in a sample
    ledger : also keep every step's forces, sets and velocities (costs memory)
    few : force the plain-float twin (True) or the numpy twin (False); all give the same bits
    rest : samples of rest (zeros) to put before first contact
    """
    check_stable(system, step_s=step_s)
    columns = _columns(system)
    draws = columns["velocity"].shape[1]
    samples = int(round(duration_s / (step_s * per_sample)))
    steps = samples * per_sample
    compiled = engine.kernels()
    if compiled is not None and few is None and not ledger:
        run: Callable[..., None] = partial(_run_compiled, compiled)
    else:
        run = _run_floats if (draws <= FEW if few is None else few) else _run_arrays
    books = _Ledger(steps, draws) if ledger else None
    samples_of = _Samples(draws, samples=samples, per_sample=per_sample, rest=rest)
    run(system, columns, steps, step_s, books, samples_of)
    samples_of.close()
    kept = dict(zip(ROWS, samples_of.kept, strict=True))
    return Motion(
        rate_hz=1.0 / (step_s * per_sample),
        acceleration={body: kept[body] for body in BODIES[:4]},
        obstacle_force=kept["obstacle_force"],
        power=kept["power"],
        ledger={} if books is None else books.tables(),
    )


class _Samples:
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


class _Ledger:
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


def _columns(system: System) -> dict[str, FloatArray]:
    names = tuple(SPRINGS)
    return {
        "inverse_mass": np.array([1.0 / system.mass[b] for b in BODIES]),
        "velocity": np.array([system.velocity[b] for b in BODIES], dtype=np.float64),
        "share": np.array([system.share[n] for n in names], dtype=np.float64),
        "gap": np.array([system.gap[n] for n in names], dtype=np.float64),
        "phase": np.array([system.phase[n] for n in names[:RIPPLED]], dtype=np.float64),
    }


def _run_floats(
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: _Ledger | None,
    samples: _Samples,
) -> None:
    """Twin for few draws, in plain floats."""
    draws = columns["velocity"].shape[1]
    rows = samples.room(steps)
    offset, slope = (table.tolist() for table in _tables(system)[:2])
    for draw in range(draws):
        rows[:, :, draw] = np.array(
            _run_one(system, columns, draw, offset, slope, steps, step_s, books)
        ).T
    samples.add()


def _run_one(
    system: System,
    columns: dict[str, FloatArray],
    draw: int,
    offset: list[list[float]],
    slope: list[list[float]],
    steps: int,
    step_s: float,
    books: _Ledger | None,
) -> list[tuple[float, ...]]:
    """Integrate one draw in plain floats; returns a tuple of ROWS a step."""
    stiffness = [system.stiffness[name] for name in SPRINGS]
    wl, wr, wp, wc, wf, wo = columns["inverse_mass"][:, draw].tolist()
    vl, vr, vp, vc, vf, vo = columns["velocity"][:, draw].tolist()
    share = columns["share"][:, draw].tolist()
    gap = columns["gap"][:, draw].tolist()
    phase = [*columns["phase"][:, draw].tolist(), 0.0, 0.0, 0.0, 0.0, 0.0]
    (km, ym, dm), (kb, yb, db) = system.ties["mounts"], system.ties["beam"]
    limit_m, limit_b = ym * (1.0 / km), yb * (1.0 / kb)
    rate, per_fold = system.rate, 1.0 / system.fold_m
    steep, low = 4.0 * system.ripple, 1.0 - system.ripple
    per_cell, last = 1.0 / CELL_M, CELLS - 1
    ul = ur = up = uc = uf = uo = 0.0
    count = len(stiffness)
    p = [0.0] * count
    pm = pb = 0.0
    rows: list[tuple[float, ...]] = []
    numbers = list(range(count)) if books is not None else _in_play(system, columns)
    own = count - 1
    for step in range(steps):
        ub, vb = 0.5 * (ul + ur), 0.5 * (vl + vr)
        xs = (ul - uf, ur - uf, uc - ul, uc - ur, ub - uf, up - uf, uc - up, uc - uf, uf - uo)
        vs = (vl - vf, vr - vf, vc - vl, vc - vr, vb - vf, vp - vf, vc - vp, vc - vf, vf - vo)
        row = [0.0] * (count + 2)
        power = 0.0
        for n in numbers:
            x = xs[n] - gap[n]
            # Below its permanent set a spring is slack and its set cannot grow.
            if x > p[n]:
                cell = int(x * per_cell)
                if cell > last:
                    cell = last
                bound = (offset[n][cell] + slope[n][cell] * x) * share[n]
                v = vs[n]
                if v > 0.0:
                    bound = bound * (1.0 + rate * v)
                if n < RIPPLED:
                    turn = x * per_fold + phase[n]
                    turn = turn - int(turn)
                    turn = turn - 0.5
                    if turn < 0.0:
                        turn = -turn
                    bound = bound * (turn * steep + low)
                reach = x - bound
                if reach > p[n]:
                    p[n] = reach
                f = (x - p[n]) * stiffness[n]
                if f > 0.0:
                    row[n] = f
                    if v > 0.0 and n < own:
                        power = power + f * v
        x = up - uc
        if x - limit_m > pm:
            pm = x - limit_m
        if x + limit_m < pm:
            pm = x + limit_m
        elastic_m = (x - pm) * km
        drag_m = (vp - vc) * dm
        x = ul - ur
        if x - limit_b > pb:
            pb = x - limit_b
        if x + limit_b < pb:
            pb = x + limit_b
        elastic_b = (x - pb) * kb
        drag_b = (vl - vr) * db
        if books is not None:
            row[count], row[count + 1] = elastic_m, elastic_b
            books.force[step, :, draw] = row
            books.set[step, :, draw] = (*p, pm, pb)
            books.drag[step, :, draw] = drag_m, drag_b
            books.velocity[step, :, draw] = vl, vr, vp, vc, vf, vo
            books.travel[step, :, draw] = ul, ur, up, uc, uf, uo
        f0, f1, f2, f3, f4, f5, f6, f7, f8 = row[:9]
        fm, fb = elastic_m + drag_m, elastic_b + drag_b
        half = 0.5 * f4
        on_face = (((f0 + f1) + f4) + f5) + f7
        al = (((f2 - f0) - half) - fb) * wl
        ar = (((f3 - f1) - half) + fb) * wr
        ap = ((f6 - f5) - fm) * wp
        ac = ((((fm - f2) - f3) - f6) - f7) * wc
        rows.append((al, ar, ap, ac, on_face, power))
        vl, vr, vp, vc = vl + al * step_s, vr + ar * step_s, vp + ap * step_s, vc + ac * step_s
        vf = vf + ((on_face - f8) * wf) * step_s
        vo = vo + (f8 * wo) * step_s
        ul, ur, up = ul + vl * step_s, ur + vr * step_s, up + vp * step_s
        uc, uf, uo = uc + vc * step_s, uf + vf * step_s, uo + vo * step_s
    return rows


def _in_play(system: System, columns: dict[str, FloatArray]) -> list[int]:
    """Springs that can carry a force in some draw."""
    fixed = not columns["inverse_mass"][FACE:].any() and np.array_equal(
        columns["velocity"][FACE], columns["velocity"][FAR]
    )
    met = [bool((share > 0.0).any()) for share in columns["share"]]
    return [
        n for n, ends in enumerate(SPRINGS.values()) if met[n] and not (fixed and ends[0] == FACE)
    ]


#: What pushes each body, in the order of summation: (spring or tie, sign). Half of the force at the
#: middle of the cross-beam comes to each of its ends.
_MOUNTS, _BEAM_TIE, _HALF = len(SPRINGS), len(SPRINGS) + 1, len(SPRINGS) + 2
_PUSHED: tuple[tuple[tuple[int, int], ...], ...] = (
    ((2, 1), (0, -1), (_HALF, -1), (_BEAM_TIE, -1)),
    ((3, 1), (1, -1), (_HALF, -1), (_BEAM_TIE, 1)),
    ((6, 1), (5, -1), (_MOUNTS, -1)),
    ((_MOUNTS, 1), (2, -1), (3, -1), (6, -1), (7, -1)),
    ((0, 1), (1, 1), (4, 1), (5, 1), (7, 1)),
    ((8, 1),),
)
#: The beam's middle, and its two ends.
_CENTRE = 4


class _Stretch:
    """The springs of a block of draws over some steps, sorted by what they need.

    Travels of bodies and compressions of springs are foreseen to stay within bounds. By these a
    spring is *slack* (no force: left out), *elastic* (its set cannot grow: no envelope) or
    *yielding*, on one straight piece of its envelope (no look-up) or on several. Whoever runs the
    stretch asks :meth:`held` afterwards; where the bounds held, all that was left out was without
    effect, bit for bit. Without *seconds* every spring is yielding and looked up.
    """

    def __init__(self, block: _Block, numbers: list[int], *, seconds: float | None = None) -> None:
        self.yielding = numbers
        self.elastic: list[int] = []
        self.pieces: dict[int, int] = {}
        self.bounds: tuple[FloatArray, ...] = ()
        if seconds is None:
            self.numbers = self.yielding
            return
        u, v = block.travel[:-1], block.velocity
        drift = v * seconds
        spread = _spread(block.change) * seconds
        least = _with_beam(u + np.minimum(drift, 0.0) - spread)
        most = _with_beam(u + np.maximum(drift, 0.0) + spread)
        n = np.array(numbers)
        behind, ahead, gap, have = _BEHIND[n], _AHEAD[n], block.gap[n], block.set[n]
        may_touch = (most[behind] - least[ahead] - gap > have).any(axis=1)
        n = n[may_touch]
        behind, ahead, gap, have = _BEHIND[n], _AHEAD[n], block.gap[n], block.set[n]
        u, v, change = (_with_beam(each) for each in (u, v, block.change))
        x = u[behind] - u[ahead] - gap
        drift = (v[behind] - v[ahead]) * seconds
        spread = _spread(change[behind] - change[ahead]) * seconds
        below = x + np.minimum(drift, 0.0) - spread
        above = x + np.maximum(drift, 0.0) + spread
        cells = np.clip([below.min(axis=1), above.max(axis=1)], 0.0, CELL_M * CELLS)
        first, last = np.minimum(cells * (1.0 / CELL_M), CELLS - 1).astype(np.int64).tolist()
        free = above - have
        self.yielding = []
        for i, number in enumerate(n.tolist()):
            envelope = block.least[number][first[i] : last[i] + 1].min()
            if (free[i] <= envelope * block.share[number]).all():
                self.elastic.append(number)
                continue
            self.yielding.append(number)
            piece = block.piece[number]
            if piece[first[i]] == piece[last[i]]:
                self.pieces[number] = first[i]
        self.numbers = self.yielding + self.elastic
        order = [n.tolist().index(number) for number in self.numbers]
        self.bounds = (least, most, below[order], above[order])

    def held(
        self, *, least: FloatArray, most: FloatArray, below: FloatArray, above: FloatArray
    ) -> bool:
        """True if extremes of travel and compression lie within what was foreseen."""
        if not self.bounds:
            return True
        bodies = slice(0, least.shape[0])
        return bool(
            (least >= self.bounds[0][bodies]).all()
            and (most <= self.bounds[1][bodies]).all()
            and (below >= self.bounds[2]).all()
            and (above <= self.bounds[3]).all()
        )


def _spread(change: FloatArray) -> FloatArray:
    """How far a velocity may stray in a stretch, by its last *change*; shape (rows, 1)."""
    return STRAY * np.abs(change).max(axis=1, keepdims=True) + CALM_M_S


def _with_beam(rows: FloatArray) -> FloatArray:
    """Rows by body, and the middle of the cross-beam."""
    return np.concatenate([rows, 0.5 * (rows[LEFT] + rows[RIGHT])[None]])


_BEHIND = np.array([ends[0] for ends in SPRINGS.values()])
_AHEAD = np.array([ends[1] for ends in SPRINGS.values()])


class _Block:
    """The state of many draws and the arrays that their steps need."""

    def __init__(self, system: System, columns: dict[str, FloatArray], step_s: float) -> None:
        self.step_s = step_s
        self.weight = np.array(columns["inverse_mass"])
        self.velocity = columns["velocity"].copy()
        draws = self.velocity.shape[1]
        self.draws = draws
        self.travel = np.zeros((len(BODIES) + 1, draws))
        self.change = np.full_like(self.velocity, FIRST_CHANGE_M_S)
        self.set = np.zeros((len(SPRINGS), draws))
        self.tie_set = np.zeros((len(TIES), draws))
        self.share, self.gap, self.phase = (columns[k] for k in ("share", "gap", "phase"))
        self.offset, self.slope, self.piece = _tables(system)
        edges = CELL_M * np.arange(CELLS + 1)
        ends = np.minimum(
            self.offset + self.slope * edges[:-1], self.offset + self.slope * edges[1:]
        )
        # Least envelope in a cell, whatever the folds; a trace less covers rounding.
        self.least = np.maximum(ends, 0.0) * (1.0 - 1e-9)
        self.least[:RIPPLED] *= max(0.0, 1.0 - system.ripple)
        if system.rate < 0.0 or not 0.0 <= system.ripple <= 1.0:
            self.least[:] = 0.0
        self.stiffness = np.array([system.stiffness[n] for n in SPRINGS])
        self.rate, self.per_fold = system.rate, 1.0 / system.fold_m
        self.steep, self.low = 4.0 * system.ripple, 1.0 - system.ripple
        self.in_play = _in_play(system, columns)
        stands = (self.weight[FACE:] == 0.0).all() and (self.velocity[FACE:] == 0.0).all()
        self.moving = FACE if stands else len(BODIES)

        def wide(values: list[float]) -> FloatArray:
            return np.repeat(np.array(values)[:, None], draws, axis=1)

        self.tie_k = wide([system.ties[n][0] for n in TIES])
        self.tie_limit = wide([system.ties[n][1] * (1.0 / system.ties[n][0]) for n in TIES])
        self.tie_drag = wide([system.ties[n][2] for n in TIES])
        self.key: tuple[list[int], list[int]] | None = None
        self.state = (self.velocity, self.travel, self.set, self.tie_set)

    def _prepare(self, stretch: _Stretch) -> None:
        """Lay out the rows of a stretch: springs with folds first, then the other yielding ones."""
        numbers, draws = stretch.numbers, self.draws
        if self.key != (stretch.yielding, stretch.elastic):
            self.key = (stretch.yielding, stretch.elastic)
            count, yielding = len(numbers), len(stretch.yielding)
            self.row_gap = self.gap[numbers]
            self.row_k = np.repeat(self.stiffness[numbers][:, None], draws, axis=1)
            self.row_share = self.share[stretch.yielding]
            self.rippled = sum(n < RIPPLED for n in stretch.yielding)
            self.row_phase = self.phase[stretch.yielding[: self.rippled]]
            self.zero = np.zeros((count, draws))
            self.x, self.closing, self.f, self.work = (np.empty((count, draws)) for _ in range(4))
            self.row_offset, self.row_slope, self.bound, self.factor = (
                np.empty((yielding, draws)) for _ in range(4)
            )
            self.turn, self.whole = (np.empty((self.rippled, draws)) for _ in range(2))
        for row, n in enumerate(stretch.yielding):
            if n in stretch.pieces:
                self.row_offset[row] = self.offset[n, stretch.pieces[n]]
                self.row_slope[row] = self.slope[n, stretch.pieces[n]]

    def run(self, stretch: _Stretch, rows: FloatArray, books: _Ledger | None, first: int) -> bool:
        """Take as many steps as *rows* has, shape (ROWS, steps, draws), and fill it.

        Returns True if everything stayed within the bounds of the stretch.
        """
        self._prepare(stretch)
        numbers = stretch.numbers
        count, draws, moving = len(numbers), self.draws, self.moving
        u, v, q = self.travel, self.velocity, self.tie_set
        p = self.set[numbers]
        x, closing, f, work = self.x, self.closing, self.f, self.work
        bound, factor, turn, whole = self.bound, self.factor, self.turn, self.whole
        yielding, rippled = bound.shape[0], self.rippled
        xy, py, cy = x[:yielding], p[:yielding], closing[:yielding]
        xr, br = x[:rippled], bound[:rippled]
        zero, zero_y = self.zero, self.zero[:yielding]
        beam = _CENTRE in numbers
        ends = [(x[i], closing[i], _BEHIND[n], _AHEAD[n]) for i, n in enumerate(numbers)]
        look = [
            (x[row], self.slope[n], self.offset[n], self.row_slope[row], self.row_offset[row])
            for row, n in enumerate(stretch.yielding)
            if n not in stretch.pieces
        ]
        cells, scaled = np.empty(draws, dtype=np.int64), np.empty(draws)
        tie_x, tie_v, elastic, bent = (np.empty((len(TIES), draws)) for _ in range(4))
        pairs = [(tie_x[i], tie_v[i], *ab) for i, ab in enumerate(TIES.values())]
        half = np.empty(draws)
        source = {n: f[i] for i, n in enumerate(numbers)}
        source |= {_MOUNTS: elastic[0], _BEAM_TIE: elastic[1]}
        if beam:
            source[_HALF] = half
        net = np.zeros((moving, draws))
        face = np.zeros(draws) if moving <= FACE else net[FACE]
        targets = [*net[:FACE], face, *net[FAR:]]
        sums = [
            (
                target,
                [
                    (np.add if sign > 0 else np.subtract, source[n])
                    for n, sign in pushed
                    if n in source
                ],
            )
            for target, pushed in zip(targets, _PUSHED, strict=False)
        ]
        obstacle = source.get(8)
        powers = [work[numbers.index(n)] for n in range(len(SPRINGS) - 1) if n in source]
        weight = self.weight[:moving]
        um, vm = u[:moving], v[:moving]
        drift = np.empty((moving, draws))
        least, most = um.copy(), um.copy()
        below, above = np.full_like(x, np.inf), np.full_like(x, -np.inf)
        watch = bool(stretch.bounds)
        accelerations = net[:FACE]
        rate, per_fold, steep, lift = self.rate, self.per_fold, self.steep, self.low
        step_s, per_cell = self.step_s, 1.0 / CELL_M
        v_beam = np.empty(draws)
        bodies_v = [*v, v_beam]
        for step in range(rows.shape[1]):
            if beam:
                np.add(u[LEFT], u[RIGHT], out=u[BEAM])
                u[BEAM] *= 0.5
                np.add(v[LEFT], v[RIGHT], out=v_beam)
                v_beam *= 0.5
            for xn, vn, b, a in ends:
                np.subtract(u[b], u[a], out=xn)
                np.subtract(bodies_v[b], bodies_v[a], out=vn)
            if count:
                x -= self.row_gap
                if watch:
                    np.minimum(below, x, out=below)
                    np.maximum(above, x, out=above)
                np.maximum(closing, zero, out=closing)
            if yielding:
                np.maximum(xy, zero_y, out=xy)
                for xn, slopes, offsets, slope, offset in look:
                    np.multiply(xn, per_cell, out=scaled)
                    np.copyto(cells, scaled, casting="unsafe")
                    slopes.take(cells, out=slope, mode="clip")
                    offsets.take(cells, out=offset, mode="clip")
                np.multiply(self.row_slope, xy, out=bound)
                bound += self.row_offset
                bound *= self.row_share
                np.multiply(cy, rate, out=factor)
                factor += 1.0
                bound *= factor
                if rippled:
                    np.multiply(xr, per_fold, out=turn)
                    turn += self.row_phase
                    np.trunc(turn, out=whole)
                    turn -= whole
                    turn -= 0.5
                    np.abs(turn, out=turn)
                    turn *= steep
                    turn += lift
                    br *= turn
                np.subtract(xy, bound, out=bound)
                np.maximum(py, bound, out=py)
            np.subtract(x, p, out=f)
            f *= self.row_k
            np.maximum(f, zero, out=f)
            for xn, vn, b, a in pairs:
                np.subtract(u[b], u[a], out=xn)
                np.subtract(v[b], v[a], out=vn)
            np.subtract(tie_x, self.tie_limit, out=bent)
            np.maximum(q, bent, out=q)
            np.add(tie_x, self.tie_limit, out=bent)
            np.minimum(q, bent, out=q)
            np.subtract(tie_x, q, out=elastic)
            elastic *= self.tie_k
            tie_v *= self.tie_drag
            if books is not None:
                at = first + step
                books.force[at, numbers] = f
                books.force[at, len(SPRINGS) :] = elastic
                books.set[at, numbers], books.set[at, len(SPRINGS) :] = p, q
                books.drag[at] = tie_v
                books.velocity[at], books.travel[at] = v, u[:-1]
            elastic += tie_v
            if beam:
                np.multiply(source[_CENTRE], 0.5, out=half)
            for target, terms in sums:
                target.fill(0.0)
                for add, term in terms:
                    add(target, term, out=target)
            rows[4, step] = face
            if moving > FACE and obstacle is not None:
                face -= obstacle
            net *= weight
            rows[:4, step] = accelerations
            if powers:
                np.multiply(f, closing, out=work)
                power = rows[5, step]
                power[:] = powers[0]
                for term in powers[1:]:
                    power += term
            else:
                rows[5, step] = 0.0
            net *= step_s
            vm += net
            np.multiply(vm, step_s, out=drift)
            um += drift
            if watch:
                np.minimum(least, um, out=least)
                np.maximum(most, um, out=most)
        self.set[numbers] = p
        return stretch.held(least=least, most=most, below=below, above=above)


def _run_arrays(
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: _Ledger | None,
    samples: _Samples,
) -> None:
    """Twin for many draws, numpy over springs and draws."""
    block = _Block(system, columns, step_s)
    every_spring = list(range(len(SPRINGS)))
    every = samples.per_sample * max(1, STRETCH // samples.per_sample)
    for first in range(0, steps, every):
        count = min(every, steps - first)
        rows = samples.room(count)
        if books is not None:
            block.run(_Stretch(block, every_spring), rows, books, first)
        else:
            before = [array.copy() for array in block.state]
            stretch = _Stretch(block, block.in_play, seconds=count * step_s)
            if not block.run(stretch, rows, None, first):
                for array, was in zip(block.state, before, strict=True):
                    array[:] = was
                block.run(_Stretch(block, block.in_play), rows, None, first)
            block.change = block.velocity - before[0]
        samples.add()


def _run_compiled(
    kernels: ModuleType,
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: _Ledger | None,
    samples: _Samples,
) -> None:
    """Twin for engine ``fast``: compiled over all steps, a few draws side by side."""
    offset, slope, _ = _tables(system)
    in_play = _in_play(system, columns)
    springs = np.array(
        [(*ends, system.stiffness[n], i in in_play) for i, (n, ends) in enumerate(SPRINGS.items())],
        dtype=np.float64,
    )
    ties = np.array(
        [(*ends, k, y * (1.0 / k), d) for n, ends in TIES.items() for k, y, d in [system.ties[n]]]
    )
    folds = (1.0 / system.fold_m, 4.0 * system.ripple, 1.0 - system.ripple)
    kernels.crush_steps(
        columns["inverse_mass"], columns["velocity"], columns["share"], columns["gap"],
        columns["phase"], offset, slope, springs, ties,
        np.array([system.rate, *folds, 1.0 / CELL_M, step_s]), samples.weights, steps, samples.at,
        tuple(samples.kept),
    )  # fmt: skip
