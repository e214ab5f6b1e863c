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
Two twins compute the same bits: plain floats for few draws, numpy over the draws for many; only
+, -, *, comparison and table look-up occur, which IEEE 754 defines exactly.
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
#: Draws up to which the plain-float twin is the faster one.
FEW = 6


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


def _tables(system: System) -> tuple[FloatArray, FloatArray]:
    """Envelope tables: force = offset + slope * x in each cell, shape (springs, CELLS)."""
    edges = CELL_M * np.arange(CELLS + 1)
    offset = np.empty((len(SPRINGS), CELLS))
    slope = np.empty_like(offset)
    for row, name in enumerate(SPRINGS):
        points = np.array(system.envelopes[name])
        force = np.interp(edges, points[:, 0], points[:, 1])
        slope[row] = np.diff(force) / CELL_M
        offset[row] = force[:-1] - slope[row] * edges[:-1]
        slope[row, -1], offset[row, -1] = 0.0, force[-1]
    return offset, slope


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
    few : force the plain-float twin (True) or the numpy twin (False); both give the same bits
    """
    check_stable(system, step_s=step_s)
    columns = _columns(system)
    draws = columns["velocity"].shape[1]
    samples = int(round(duration_s / (step_s * per_sample)))
    steps = samples * per_sample
    run = _run_floats if (draws <= FEW if few is None else few) else _run_arrays
    books = _Ledger(steps, draws) if ledger else None
    rows = run(system, columns, steps, step_s, books)
    weights = np.concatenate([np.arange(1, per_sample + 1), np.arange(per_sample - 1, 0, -1)])
    weights = weights / per_sample**2
    kept = {}
    for number, name in enumerate(ROWS):
        series = rows[number]
        total = np.zeros((samples, draws))
        for offset, weight in zip(range(1 - per_sample, per_sample), weights, strict=True):
            if offset < 0:
                total[1:] += (
                    weight * series[per_sample + offset : steps : per_sample][: samples - 1]
                )
            else:
                total += weight * series[offset : steps + offset : per_sample][:samples]
        kept[name] = np.ascontiguousarray(total.T)
    return Motion(
        rate_hz=1.0 / (step_s * per_sample),
        acceleration={body: kept[body] for body in BODIES[:4]},
        obstacle_force=kept["obstacle_force"],
        power=kept["power"],
        ledger={} if books is None else books.tables(),
    )


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
) -> FloatArray:
    """Twin for few draws, in plain floats; returns rows, shape (ROWS, steps, draws)."""
    draws = columns["velocity"].shape[1]
    rows = np.empty((len(ROWS), steps, draws))
    offset, slope = (table.tolist() for table in _tables(system))
    for draw in range(draws):
        rows[:, :, draw] = np.array(
            _run_one(system, columns, draw, offset, slope, steps, step_s, books)
        ).T
    return rows


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
    rate, ripple, per_fold = system.rate, system.ripple, 1.0 / system.fold_m
    inverse = [1.0 / k for k in stiffness]
    per_cell, last = 1.0 / CELL_M, CELLS - 1
    ul = ur = up = uc = uf = uo = 0.0
    count = len(stiffness)
    p = [0.0] * count
    pm = pb = 0.0
    rows: list[tuple[float, ...]] = []
    numbers = range(count)
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
                    bound = bound * (1.0 + ripple * (turn * 4.0 - 1.0))
                reach = x - bound * inverse[n]
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


def _run_arrays(
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: _Ledger | None,
) -> FloatArray:
    """Twin for many draws, numpy over springs and draws; returns rows as _run_floats."""
    weight = columns["inverse_mass"]
    v = columns["velocity"].copy()
    draws = v.shape[1]
    count = len(SPRINGS)
    offset, slope = (table.ravel() for table in _tables(system))
    base = (np.arange(count) * CELLS)[:, None]
    stiffness = np.array([system.stiffness[name] for name in SPRINGS])[:, None]
    inverse = np.array([1.0 / k for k in stiffness[:, 0].tolist()])[:, None]
    behind = np.array([ends[0] for ends in SPRINGS.values()])
    ahead = np.array([ends[1] for ends in SPRINGS.values()])
    tie_k = np.array([[system.ties[name][0]] for name in TIES])
    tie_limit = np.array([[system.ties[n][1] * (1.0 / system.ties[n][0])] for n in TIES])
    tie_drag = np.array([[system.ties[name][2]] for name in TIES])
    tie_behind, tie_ahead = np.array([2, 0]), np.array([3, 1])
    share, gap, phase = columns["share"], columns["gap"], columns["phase"]
    rate, ripple, per_fold = system.rate, system.ripple, 1.0 / system.fold_m
    per_cell = 1.0 / CELL_M
    u7, v7 = np.zeros((7, draws)), np.zeros((7, draws))
    u = u7[:6]
    v7[:6] = v
    v = v7[:6]
    p, q = np.zeros((count, draws)), np.zeros((2, draws))
    rows = np.empty((len(ROWS), steps, draws))
    row = np.zeros((count + 2, draws))
    f, elastic = row[:count], row[count:]
    x, closing, factor, bound, work = (np.empty((count, draws)) for _ in range(5))
    cells = np.empty((count, draws), dtype=np.int64)
    net = np.empty((6, draws))
    for step in range(steps):
        np.add(u[0], u[1], out=u7[6])
        u7[6] *= 0.5
        np.add(v[0], v[1], out=v7[6])
        v7[6] *= 0.5
        np.subtract(u7[behind], u7[ahead], out=x)
        x -= gap
        np.subtract(v7[behind], v7[ahead], out=closing)
        np.maximum(closing, 0.0, out=closing)
        np.maximum(x, 0.0, out=x)
        np.multiply(x, per_cell, out=work)
        np.copyto(cells, work, casting="unsafe")
        np.minimum(cells, CELLS - 1, out=cells)
        cells += base
        np.multiply(slope.take(cells), x, out=bound)
        np.add(offset.take(cells), bound, out=bound)
        bound *= share
        np.multiply(closing, rate, out=factor)
        factor += 1.0
        bound *= factor
        turn = work[:RIPPLED]
        np.multiply(x[:RIPPLED], per_fold, out=turn)
        turn += phase
        turn -= np.trunc(turn)
        turn -= 0.5
        np.abs(turn, out=turn)
        turn *= 4.0
        turn -= 1.0
        turn *= ripple
        turn += 1.0
        bound[:RIPPLED] *= turn
        bound *= inverse
        np.subtract(x, bound, out=bound)
        np.maximum(p, bound, out=p)
        np.subtract(x, p, out=f)
        f *= stiffness
        np.maximum(f, 0.0, out=f)
        tie_x = u[tie_behind] - u[tie_ahead]
        np.maximum(q, tie_x - tie_limit, out=q)
        np.minimum(q, tie_x + tie_limit, out=q)
        np.subtract(tie_x, q, out=elastic)
        elastic *= tie_k
        drag = v[tie_behind] - v[tie_ahead]
        drag *= tie_drag
        if books is not None:
            books.force[step] = row
            books.set[step, :count], books.set[step, count:] = p, q
            books.drag[step] = drag
            books.velocity[step], books.travel[step] = v, u
        fm, fb = elastic + drag
        half = 0.5 * f[4]
        on_face = (((f[0] + f[1]) + f[4]) + f[5]) + f[7]
        net[0] = ((f[2] - f[0]) - half) - fb
        net[1] = ((f[3] - f[1]) - half) + fb
        net[2] = (f[6] - f[5]) - fm
        net[3] = (((fm - f[2]) - f[3]) - f[6]) - f[7]
        net[4] = on_face - f[8]
        net[5] = f[8]
        net *= weight
        rows[:4, step] = net[:4]
        rows[4, step] = on_face
        np.multiply(f, closing, out=work)
        power = work[0] + work[1]
        for number in range(2, count - 1):
            power += work[number]
        rows[5, step] = power
        net *= step_s
        v += net
        u += v * step_s
    return rows
