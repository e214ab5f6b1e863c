"""Lumped masses on crush springs, in the plane: the frontal structure, all draws at once.

Front ends left and right, powertrain and cabin move along x; the whole car moves in y and turns in
yaw. The obstacle's face moves along its normal ``n``, before the ground, a trolley or another car::

    far -- face )-- front_left / front_right / powertrain / cabin        n = (cos a, -sin a)

What is behind the face (a trolley, another car) is a planar body too: the contact lies b to the
right and c ahead of its centre of gravity, pushes it back, aside and round, and the face's normal
turns with it (a falls by the turn). Its edge moves across the car, and what it comes to cover is
met from then on.

Tyres hold an axle that slides sideways: G min(1, v / v0) against its lateral velocity v, with the
limit G = mu g times the mass that the axle carries at rest.

Kinematics are linear (small yaw): a point ahead by p and to the right by q of the centre of gravity
stands at (x - q yaw, y + p yaw). So every spring works along fixed directions of the degrees of
freedom, and takes from one exactly what it gives to the others: momentum and energy balance.
Valid up to about 20 degrees of yaw.

Crush spring (elastic-plastic)::

    F = k (x - p),  p = max(p, x - E(x) / k),  F >= 0 (a rail: p = min(p, x + T / k), F >= -T)
    E(x) = s(x) c g (1 + r max(0, dx/dt)) (1 + q tri(x / L + phase))

with compression x [m], permanent set p [m], unloading stiffness k [N/m], envelope E [N]: the
polyline s of the vehicle file, factor c [-], rate effect r [s/m], folds of relative height q and
length L. T: force at which a rail yields in tension (contacts carry none). g: share that is met: it
grows with the part of the car that the obstacle has come to cover, and falls, for all contacts
alike, as the car moves away sideways; nothing left is met again, nothing met is spared. Elastic
energy F^2 / (2 k), absorbed energy the integral of F dp.

A folding spring is elastic over its straight length: k = k0 / (1 - p / L) with the
length L of the spring, up to p = :data:`.lumped_system.SOLID` L, where the folds lie solid.

The obstacle's face meets the car ever farther back: a contact is as far ahead of the centre of
gravity as length is left, a - (x_cabin - x_face), and its forces turn the car by that lever.

A crushed front end is spent: below its envelope it has a damper d in parallel, F = min(E, k (x - p)
+ d dx/dt), F >= 0, with d the share z of critical for k and the two bodies in contact. Loading
along the envelope is unchanged; a crushed end that leaves the obstacle and meets it again gives
back about exp(-2 z / sqrt(1 - z^2) acos(z)) of its speed (0.18 for z = 0.8).

On the face friction acts against sliding: mu F min(1, v / v0). Rails have friction in their joints,
limited; ties (mounts, beam) act both ways: F = k (x - p) + d dx/dt, abs(F - d dx/dt) <= yield.

Integration: semi-implicit Euler, step :data:`STEP_S`. The same bits come from numpy over many draws
and from :func:`crashsense.compiled.crush.crush_march`: compiled, draws side by side (engine
``fast``), or draw by draw in Python's own numbers for few draws; only +, -, *, /, comparison and
table look-up occur, which IEEE 754 defines exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crashsense import engine
from crashsense.compiled.crush import CONTACTS, CRUSHED, LEDGER, SIXTH, TURN, crush_draw
from crashsense.engine import given
from crashsense.synthesis.dynamics.few_draws import draw_by_draw
from crashsense.synthesis.dynamics.lumped_system import (
    BODIES,
    CELLS,
    FREEDOMS,
    SPRINGS,
    STEP_S,
    Columns,
    FloatArray,
    System,
    check_stable,
    columns_of,
    tables,
)

__all__ = ["BODIES", "FREEDOMS", "SPRINGS", "STEP_S", "Motion", "System", "integrate"]

#: Rows that an integration keeps: acceleration of the car's six freedoms, force on the face along
#: its normal, power that the car's own springs absorb.
ROWS = (*FREEDOMS[:6], "obstacle_force", "power")


@dataclass(frozen=True, eq=False)
class Motion:
    """What an integration returns; arrays of shape (draws, samples), sample 0 at first contact.

    ``rows``: those of :data:`ROWS`, shape (rows, draws, samples). ``ledger`` (when asked for):
    every step's forces, part and power of dampers in them, sets, straight shares, drags,
    velocities, travels, each (steps, rows, draws).
    """

    rate_hz: float
    rows: FloatArray
    ledger: Mapping[str, FloatArray]

    @property
    def acceleration(self) -> Mapping[str, FloatArray]:
        """By freedom [m/s^2], yaw [rad/s^2]."""
        return dict(zip(FREEDOMS[:6], self.rows, strict=False))

    @property
    def obstacle_force(self) -> FloatArray:
        """On the face along its normal [N]."""
        return np.asarray(self.rows[6])

    @property
    def power(self) -> FloatArray:
        """Force times closing speed, summed over the loading springs of the vehicle [W]."""
        return np.asarray(self.rows[7])


def integrate(
    system: System,
    *,
    duration_s: float,
    step_s: float = STEP_S,
    ledger: bool = False,
    rest: int = 0,
) -> Motion:
    """Integrate from first contact; a sample every step.

    Parameters
    ----------
    system : what moves
    duration_s : time from first contact [s]
    step_s : integration step [s]
    ledger : also keep every step's forces, sets and velocities (costs memory)
    rest : samples of rest (zeros) to put before first contact
    """
    check_stable(system, step_s=step_s)
    columns = columns_of(system)
    steps = round(duration_s / step_s)
    offset, slope = tables(system)
    kept = np.empty((len(ROWS), system.draws, rest + steps))
    books = np.zeros((steps if ledger else 0, sum(LEDGER.values()), system.draws))
    compiled = engine.kernels()
    if compiled is not None and not ledger:
        _, start, share, gap, *others = by_draw = _by_draw(columns)
        compiled.crush_steps(
            given(np.concatenate([by_draw[0], share, *others])), given(start), given(gap),
            given(np.concatenate([*map(np.ravel, _of_all(columns)), [step_s, offset.shape[1]]])),
            given(offset), given(slope), rest, kept,
        )  # fmt: skip
    else:
        kept[:, :, :rest] = 0.0
        if not _run_numbers(columns, offset, slope, step_s, rest, kept, books):
            _run_arrays(columns, offset, slope, step_s, rest, kept, books)
    return Motion(
        rate_hz=1.0 / step_s,
        rows=kept,
        ledger=_by_name(books) if ledger else {},
    )


def _by_name(books: FloatArray) -> dict[str, FloatArray]:
    ends = np.cumsum([0, *LEDGER.values()])
    return {
        name: books[:, first:last]
        for name, first, last in zip(LEDGER, ends[:-1], ends[1:], strict=True)
    }


def _by_draw(columns: Columns) -> list[FloatArray]:
    """Rows that each draw has of its own, draws last, as ``crush_draw`` takes them."""
    c = columns
    own = np.array([*c.normal, c.friction, c.per_width, c.overlap, c.contact_right, *c.grip])
    return [c.inverse_mass, c.velocity, c.share, c.gap, c.ripple, c.phase, c.damper, own]


def _of_all(columns: Columns) -> list[FloatArray]:
    """Numbers that all draws share, as ``crush_march`` takes them."""
    c = columns
    return [c.stiffness, c.per_length, c.pull, c.least, c.tie, c.met, c.numbers]


def _run_numbers(
    columns: Columns,
    offset: FloatArray,
    slope: FloatArray,
    step_s: float,
    rest: int,
    kept: FloatArray,
    books: FloatArray,
) -> bool:
    """All steps of few draws in Python's own numbers; False where arrays have to do it."""
    common = [values.tolist() for values in (*_of_all(columns), offset, slope)]
    by_draw = _by_draw(columns)

    def march(draw: int) -> None:
        rows = [values[:, draw].tolist() for values in by_draw]
        out, book = kept[:, draw].tolist(), books[:, :, draw].tolist()
        crush_draw(rows, common, step_s, rest, out, book)
        kept[:, draw] = out
        if book:
            books[:, :, draw] = book

    return draw_by_draw(columns.friction.size, march)


def _clipped(values: FloatArray, limit: float) -> FloatArray:
    return np.minimum(np.maximum(values, -limit), limit)


def _run_arrays(
    columns: Columns,
    offset: FloatArray,
    slope: FloatArray,
    step_s: float,
    rest: int,
    kept: FloatArray,
    books: FloatArray,
) -> None:
    """All steps in numpy, draws side by side."""
    steps = kept.shape[2] - rest
    (
        rate, per_fold, slip, slip_slope, span, ahead, direct_ahead, direct_right, per_cell,
        per_sliding, solid, per_car, behind, axle_ahead, axle_behind,
    ) = columns.numbers.tolist()  # fmt: skip
    draws = columns.friction.size
    count = len(SPRINGS)
    cu0, su0 = columns.normal
    mu, per_width, off_centre = columns.friction, columns.per_width, columns.contact_right
    stiffness, pull, least, per_length = (
        a[:, None] for a in (columns.stiffness, columns.pull, columns.least, columns.per_length)
    )
    met_a, met_b, met_most = columns.met.T[:, :, None]
    (km, lm, dm), (kb, lb, db) = columns.tie.tolist()
    steep, low = 4.0 * columns.ripple, 1.0 - columns.ripple
    base = (np.arange(count) * CELLS)[:, None]
    offsets, slopes = offset.ravel(), slope.ravel()
    # Travel and velocity side by side.
    q = np.zeros((2, len(FREEDOMS), draws))
    q[1] = columns.velocity
    p = np.zeros((count, draws))
    pm, pb = np.zeros(draws), np.zeros(draws)
    # Compression beyond the gap and closing speed of every spring.
    x = np.empty((2, count, draws))
    x[0] = -columns.gap
    farthest, covered = np.zeros(draws), np.zeros(draws)
    acc = np.empty((len(FREEDOMS), draws))
    along = np.empty((CONTACTS, draws))
    for step in range(steps):
        left, right, powertrain, cabin, y, yaw, face, far, side, turned_by = q.swapaxes(0, 1)
        psi = _clipped(turned_by[0], TURN)
        square = psi * psi
        c, s = 1.0 - 0.5 * square, psi * (1.0 - square * SIXTH)
        cu, su = cu0 * c - su0 * s, su0 * c + cu0 * s
        lever = np.maximum(ahead - (cabin[0] - cu0 * face[0]), 0.0)
        direct = np.minimum(lever, direct_ahead)
        aside, direct_aside = y[1] + lever * yaw[1], y[1] + direct * yaw[1]
        # The obstacle's point of contact, along its normal and along its face.
        back = (far[1] * c + side[1] * s) - off_centre * turned_by[1]
        past = (side[1] * c - far[1] * s) - behind * turned_by[1]
        along[0], along[1], along[3] = left[1], right[1], powertrain[1]
        along[2] = 0.5 * (left[1] + right[1])
        along[4] = cabin[1] - direct_right * yaw[1]
        x[1, :CONTACTS] = cu * along - face[1]
        x[1, :4] += su * aside
        x[1, 4] += su * direct_aside
        turned = span * yaw
        x[1, 5] = (cabin[1] + turned[1]) - left[1]
        x[1, 6] = (cabin[1] - turned[1]) - right[1]
        x[1, 7] = cabin[1] - powertrain[1]
        x[1, 8] = face[1] - back
        if step:
            x[0] += x[1] * step_s
        edge = su0 * (far[0] - off_centre * turned_by[0]) + cu0 * (side[0] - behind * turned_by[0])
        gained = edge - (y[0] + lever * yaw[0])
        np.maximum(farthest, -gained, out=farthest)
        np.maximum(covered, gained, out=covered)
        overlap = columns.overlap + covered * per_car
        share = columns.share * np.minimum(np.maximum(met_a + met_b * overlap, 0.0), met_most)
        share[:CONTACTS] *= np.maximum(1.0 - farthest * per_width, 0.0)
        inside, closing = np.maximum(x[0], 0.0), np.maximum(x[1], 0.0)
        cell = np.minimum((inside * per_cell).astype(np.int64), CELLS - 1) + base
        bound = (offsets[cell] + slopes[cell] * inside) * share
        bound *= 1.0 + rate * closing
        turn = inside * per_fold + columns.phase
        turn -= np.trunc(turn)
        bound *= np.abs(turn - 0.5) * steep + low
        straight = 1.0 - np.minimum(np.maximum(p, 0.0) * per_length, solid)
        p = np.maximum(p, x[0] - bound * straight)
        p = np.minimum(p, x[0] + pull * straight)
        f = (x[0] - p) * (stiffness / straight)
        spent = f[:CRUSHED] + x[1, :CRUSHED] * columns.damper
        f[:CRUSHED] = np.minimum(spent, bound[:CRUSHED] * stiffness[:CRUSHED])
        f = np.maximum(f, least)
        # Friction on the face: against the sliding speed of each contact, t = (-su, cu).
        slide = np.empty((CONTACTS, draws))
        slide[:4], slide[4] = cu * aside - past, cu * direct_aside - past
        slide -= su * along
        rub = (mu * f[:CONTACTS]) * _clipped(slide * per_sliding, 1.0)
        # Along x and y on each contact.
        fx = cu * f[:CONTACTS] - su * rub
        fy = su * f[:CONTACTS] + cu * rub
        drag_left = _clipped(x[1, 5] * slip_slope, slip)
        drag_right = _clipped(x[1, 6] * slip_slope, slip)
        rail_left, rail_right = f[5] + drag_left, f[6] + drag_right
        bend = powertrain[0] - cabin[0]
        pm = np.minimum(np.maximum(pm, bend - lm), bend + lm)
        mounts = (bend - pm) * km
        drag_m = (powertrain[1] - cabin[1]) * dm
        fm = mounts + drag_m
        # The beam bends where the front ends move apart more than the car turns.
        bend = (left[0] - right[0]) - 2.0 * turned[0]
        pb = np.minimum(np.maximum(pb, bend - lb), bend + lb)
        beam = (bend - pb) * kb
        drag_b = ((left[1] - right[1]) - 2.0 * turned[1]) * db
        fb = beam + drag_b
        half = 0.5 * fx[2]
        on_face = (((f[0] + f[1]) + f[2]) + f[3]) + f[4]
        front_y = ((fy[0] + fy[1]) + fy[2]) + fy[3]
        rubbed = (((rub[0] + rub[1]) + rub[2]) + rub[3]) + rub[4]
        acc[0] = ((rail_left - fx[0]) - half) - fb
        acc[1] = ((rail_right - fx[1]) - half) + fb
        acc[2] = (f[7] - fx[3]) - fm
        acc[3] = (((fm - rail_left) - rail_right) - f[7]) - fx[4]
        axle_slide = (y[1] + axle_ahead * yaw[1], y[1] - axle_behind * yaw[1])
        held, held_behind = (
            limit * _clipped(slid * per_sliding, 1.0)
            for limit, slid in zip(columns.grip, axle_slide, strict=True)
        )
        acc[4] = -(front_y + fy[4]) - (held + held_behind)
        acc[5] = (
            (span * ((rail_right - rail_left) + 2.0 * fb) - lever * front_y) - direct * fy[4]
        ) + direct_right * fx[4]
        acc[5] += axle_behind * held_behind - axle_ahead * held
        acc[6] = on_face - f[8]
        acc[7] = f[8] * c - rubbed * s
        acc[8] = f[8] * s + rubbed * c
        acc[9] = -(off_centre * f[8] + behind * rubbed)
        acc *= columns.inverse_mass
        pushed = np.maximum(f, 0.0) * closing
        power = pushed[0]
        for n in range(1, count - 1):
            power = power + pushed[n]
        kept[:6, :, rest + step] = acc[:6]
        kept[6, :, rest + step] = on_face
        kept[7, :, rest + step] = power
        if books.size:
            damped = (f - np.maximum((x[0] - p) * stiffness, least))[:CRUSHED]
            book = (
                (*f, mounts, beam), (*p, pm, pb), (drag_left, drag_right, drag_m, drag_b),
                rub * slide, damped, damped * x[1, :CRUSHED],
                (held * axle_slide[0], held_behind * axle_slide[1]), q[1], q[0], straight,
            )  # fmt: skip
            np.concatenate(book, out=books[step])
        q[1] += acc * step_s
        q[0] += q[1] * step_s
