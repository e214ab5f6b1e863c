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
only +, -, *, comparison and table look-up occur, which IEEE 754 defines exactly. The numpy
twin stands in :mod:`crashsense.synthesis.dynamics.lumped_block`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from types import ModuleType

import numpy as np

from crashsense import engine
from crashsense.synthesis.dynamics.lumped_block import run_arrays
from crashsense.synthesis.dynamics.lumped_system import (
    BODIES,
    CELL_M,
    CELLS,
    RIPPLED,
    ROWS,
    SPRINGS,
    STEP_S,
    TIES,
    FloatArray,
    Ledger,
    Samples,
    System,
    check_stable,
    columns_of,
    in_play,
    tables,
)

__all__ = ["BODIES", "SPRINGS", "STEP_S", "Motion", "System", "check_stable", "integrate"]

#: Draws up to which the plain-float twin is the faster one.
FEW = 10


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
    columns = columns_of(system)
    draws = columns["velocity"].shape[1]
    samples = int(round(duration_s / (step_s * per_sample)))
    steps = samples * per_sample
    compiled = engine.kernels()
    if compiled is not None and few is None and not ledger:
        run: Callable[..., None] = partial(_run_compiled, compiled)
    else:
        run = _run_floats if (draws <= FEW if few is None else few) else run_arrays
    books = Ledger(steps, draws) if ledger else None
    samples_of = Samples(draws, samples=samples, per_sample=per_sample, rest=rest)
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


def _run_floats(
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: Ledger | None,
    samples: Samples,
) -> None:
    """Twin for few draws, in plain floats."""
    draws = columns["velocity"].shape[1]
    rows = samples.room(steps)
    offset, slope = (table.tolist() for table in tables(system)[:2])
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
    books: Ledger | None,
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
    numbers = list(range(count)) if books is not None else in_play(system, columns)
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


def _run_compiled(
    kernels: ModuleType,
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: Ledger | None,
    samples: Samples,
) -> None:
    """Twin for engine ``fast``: compiled over all steps, a few draws side by side."""
    offset, slope, _ = tables(system)
    active = in_play(system, columns)
    springs = np.array(
        [(*ends, system.stiffness[n], i in active) for i, (n, ends) in enumerate(SPRINGS.items())],
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
