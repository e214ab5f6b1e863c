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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.compiled.crush import CONTACTS, CRUSHED, LEDGER, SIXTH, TURN, crush_draw
from crashsense.engine import given
from crashsense.synthesis.dynamics.few_draws import FEW, draw_by_draw
from crashsense.synthesis.dynamics.lumped_system import (
    BODIES,
    CELLS,
    FREEDOMS,
    SPRINGS,
    STEP_S,
    Columns,
    FloatArray,
    System,
    beside,
    check_stable,
    columns_of,
    tables,
)
from crashsense.synthesis.side_by_side import march_kinds

__all__ = [
    "BODIES", "FREEDOMS", "SPRINGS", "STEP_S", "Crash", "Motion", "System", "integrate",
    "integrate_beside",
]  # fmt: skip

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


@dataclass(frozen=True, eq=False)
class Crash:
    """What :func:`integrate` integrates; names as there."""

    system: System
    duration_s: float
    step_s: float = STEP_S
    rest: int = 0

    @property
    def steps(self) -> int:
        """Number of steps."""
        return round(self.duration_s / self.step_s)

    @property
    def kind(self) -> tuple[float, int, int]:
        """Step [s], samples of rest, steps: crashes of one kind can be integrated side by side."""
        return self.step_s, self.rest, self.steps


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
    crash = Crash(system, duration_s, step_s, rest)
    check_stable(system, step_s=step_s)
    columns = columns_of(system)
    offset, slope = tables(system)
    kept = np.empty((len(ROWS), system.draws, rest + crash.steps))
    books = np.zeros((crash.steps if ledger else 0, sum(LEDGER.values()), system.draws))
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
            _run_arrays([columns], [(offset, slope)], step_s, rest, kept, books)
    return Motion(
        rate_hz=1.0 / step_s,
        rows=kept,
        ledger=_by_name(books) if ledger else {},
    )


def integrate_beside(crashes: Sequence[Crash]) -> list[Motion]:
    """Integrate several crashes, those of the same steps side by side where numpy computes."""
    return march_kinds(crashes, kind=lambda one: one.kind, march=_integrate_kind)


def _integrate_kind(crashes: Sequence[Crash]) -> list[Motion]:
    """Integrate crashes of the same steps."""
    systems = [one.system for one in crashes]
    ends = np.cumsum([0, *(system.draws for system in systems)]).tolist()
    step_s, rest, steps = crashes[0].kind
    if len(systems) == 1 or ends[-1] <= FEW:
        return [
            integrate(one.system, duration_s=one.duration_s, step_s=step_s, rest=rest)
            for one in crashes
        ]
    for system in systems:
        check_stable(system, step_s=step_s)
    kept = np.empty((len(ROWS), ends[-1], rest + steps))
    kept[:, :, :rest] = 0.0
    columns = [columns_of(system) for system in systems]
    _run_arrays(columns, [tables(s) for s in systems], step_s, rest, kept, np.zeros((0, 0, 0)))
    return [
        Motion(rate_hz=1.0 / step_s, rows=kept[:, first:last], ledger={})
        for first, last in pairwise(ends)
    ]


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


def _bounded(values: FloatArray, low: FloatArray | float, high: FloatArray | float) -> FloatArray:
    return np.minimum(np.maximum(values, low), high)


def _run_arrays(
    systems: Sequence[Columns],
    envelopes: Sequence[tuple[FloatArray, FloatArray]],
    step_s: float,
    rest: int,
    kept: FloatArray,
    books: FloatArray,
) -> None:
    """All steps in numpy, draws of all systems side by side.

    A step takes as long as its calls of numpy. Rows that are computed alike are one array, and what
    meets it has a row for each of them, repeated where it is the same: arrays of different shapes
    take three times as long. What a fixed obstacle leaves at zero is not computed.
    """
    steps = kept.shape[2] - rest
    columns = beside(systems)
    draws = columns.friction.size
    count = len(SPRINGS)

    def of_rows(values: Any) -> FloatArray:
        """A number a row, for all draws."""
        return np.repeat(np.array(values)[:, None], draws, axis=1)

    def of_draws(values: FloatArray, rows: int) -> FloatArray:
        """A number a draw, for some rows."""
        return np.repeat(values[None, :], rows, axis=0)

    (
        rate, per_fold, slip, slip_slope, span, ahead, direct_ahead, direct_right, per_cell,
        per_sliding, solid, per_car, behind, axle_ahead, axle_behind,
    ) = columns.numbers  # fmt: skip
    rate, per_fold, per_cell, most_straight = (
        of_draws(values, count) for values in (rate, per_fold, per_cell, solid)
    )
    cu0, su0 = columns.normal + 0.0  # a minus zero is a zero, whether or not the normal can turn
    per_width, off_centre = columns.per_width, columns.contact_right
    stiffness, pull, least = columns.stiffness, columns.pull, columns.least
    per_length = columns.per_length
    crushed_stiffness = stiffness[:CRUSHED]
    met_a, met_b, met_most = columns.met.transpose(1, 0, 2).copy()
    tie_stiffness, tie_limit, tie_damping = columns.tie.transpose(1, 0, 2).copy()
    steep, low = 4.0 * columns.ripple, 1.0 - columns.ripple
    # The envelopes of all systems in one table: where those of each draw begin.
    first = np.repeat(np.arange(len(systems)) * (count * CELLS), [c.friction.size for c in systems])
    base, last = of_rows(np.arange(count) * CELLS) + first, of_rows([CELLS - 1] * count)
    offsets, slopes = (np.concatenate([t[i].ravel() for t in envelopes]) for i in (0, 1))
    nothing = np.zeros((2, count, draws))
    zero, zeros = nothing[0, 0], nothing[0]
    one, slips, slip_slope = np.ones((CONTACTS, draws)), of_draws(slip, 2), of_draws(slip_slope, 2)
    minus_one, minus_slips = -one, -slips
    per_sliding = of_draws(per_sliding, CONTACTS)
    # Travel and velocity.
    u, v = np.zeros((2, len(FREEDOMS), draws))
    v[:] = columns.velocity
    left_u, right_u, powertrain_u, cabin_u, y_u, yaw_u, face_u, far_u, side_u, turned_u = u
    left, right, powertrain, cabin, y, yaw, face, far, side, turned = v
    moves = bool(columns.inverse_mass[7:].any() or v[7:].any())
    p, ties = np.zeros((count, draws)), np.zeros((2, draws))
    # Compression beyond the gap and closing speed of every spring; both where they are positive.
    compression, speed = x = np.empty((2, count, draws))
    compression[:] = -columns.gap
    inside, closing = positive = np.empty((2, count, draws))
    at_contact, at_rails, at_crushed = speed[:CONTACTS], speed[5:7], speed[:CRUSHED]
    farthest, covered, overlap = np.zeros(draws), np.zeros(draws), np.empty((count, draws))
    acc = np.zeros((len(FREEDOMS), draws))
    # Of every contact: the car's motion along and aside, that of the face, cosine and sine of its
    # normal, friction, the share that is left to it.
    along, aside, faces, left_over = np.empty((4, CONTACTS, draws))
    cu, su, mu = (of_draws(a, CONTACTS) for a in (cu0, su0, columns.friction))
    # Ties, mounts and beam: travel and its speed. Sliding speed of the axles.
    bend, bending, axle_slide = np.empty((3, 2, draws))
    back, past, edge = np.zeros((3, draws))
    for step in range(steps):
        lever = np.maximum(ahead - (cabin_u - cu0 * face_u), zero)
        direct = np.minimum(lever, direct_ahead)
        aside[:4] = y + lever * yaw
        aside[4] = y + direct * yaw
        if moves:
            psi = _bounded(turned_u, -TURN, TURN)
            square = psi * psi
            c, s = 1.0 - 0.5 * square, psi * (1.0 - square * SIXTH)
            cu[:], su[:] = cu0 * c - su0 * s, su0 * c + cu0 * s
            # The obstacle's point of contact, along its normal and along its face.
            back = (far * c + side * s) - off_centre * turned
            past = (side * c - far * s) - behind * turned
            edge = su0 * (far_u - off_centre * turned_u) + cu0 * (side_u - behind * turned_u)
        along[:2] = v[:2]
        along[2] = 0.5 * (left + right)
        along[3] = powertrain
        along[4] = cabin - direct_right * yaw
        faces[:] = face
        np.add(cu * along - faces, su * aside, out=at_contact)
        turn = span * yaw
        speed[5] = (cabin + turn) - left
        speed[6] = (cabin - turn) - right
        speed[7] = cabin - powertrain
        speed[8] = face - back
        if step:
            compression += speed * step_s
        gained = edge - (y_u + lever * yaw_u)
        np.maximum(farthest, -gained, out=farthest)
        np.maximum(covered, gained, out=covered)
        overlap[:] = columns.overlap + covered * per_car
        share = columns.share * _bounded(met_a + met_b * overlap, zeros, met_most)
        left_over[:] = np.maximum(1.0 - farthest * per_width, zero)
        share[:CONTACTS] *= left_over
        np.maximum(x, nothing, out=positive)
        cell = np.minimum((inside * per_cell).astype(np.int64), last)
        cell += base
        bound = (offsets[cell] + slopes[cell] * inside) * share
        bound *= 1.0 + rate * closing
        fold = inside * per_fold + columns.phase
        fold -= np.trunc(fold)
        bound *= np.abs(fold - 0.5) * steep + low
        straight = 1.0 - np.minimum(np.maximum(p, zeros) * per_length, most_straight)
        p = _bounded(p, compression - bound * straight, compression + pull * straight)
        f = (compression - p) * (stiffness / straight)
        crushed = f[:CRUSHED]
        spent = crushed + at_crushed * columns.damper
        np.minimum(spent, bound[:CRUSHED] * crushed_stiffness, out=crushed)
        f = np.maximum(f, least)
        # Friction on the face: against the sliding speed of each contact, t = (-su, cu).
        met = f[:CONTACTS]
        slide = cu * aside
        if moves:
            slide -= past
        slide -= su * along
        rub = (mu * met) * _bounded(slide * per_sliding, minus_one, one)
        # Along x and y on each contact.
        fx = cu * met - su * rub
        fy = su * met + cu * rub
        drag = _bounded(at_rails * slip_slope, minus_slips, slips)
        rail_left, rail_right = f[5:7] + drag
        # The beam bends where the front ends move apart more than the car turns.
        bend[0], bend[1] = powertrain_u - cabin_u, (left_u - right_u) - 2.0 * (span * yaw_u)
        bending[0], bending[1] = powertrain - cabin, (left - right) - 2.0 * turn
        ties = _bounded(ties, bend - tie_limit, bend + tie_limit)
        held_by_ties, tie_drag = (bend - ties) * tie_stiffness, bending * tie_damping
        fm, fb = held_by_ties + tie_drag
        f0, f1, f2, f3, f4, _, _, stop, behind_face = f
        fx0, fx1, fx2, fx3, fx4 = fx
        fy0, fy1, fy2, fy3, fy4 = fy
        half = 0.5 * fx2
        on_face = (((f0 + f1) + f2) + f3) + f4
        front_y = ((fy0 + fy1) + fy2) + fy3
        acc[0] = ((rail_left - fx0) - half) - fb
        acc[1] = ((rail_right - fx1) - half) + fb
        acc[2] = (stop - fx3) - fm
        acc[3] = (((fm - rail_left) - rail_right) - stop) - fx4
        axle_slide[0], axle_slide[1] = y + axle_ahead * yaw, y - axle_behind * yaw
        held = columns.grip * _bounded(axle_slide * per_sliding[:2], minus_one[:2], one[:2])
        held_ahead, held_behind = held
        acc[4] = -(front_y + fy4) - (held_ahead + held_behind)
        acc[5] = (
            (span * ((rail_right - rail_left) + 2.0 * fb) - lever * front_y) - direct * fy4
        ) + direct_right * fx4
        acc[5] += axle_behind * held_behind - axle_ahead * held_ahead
        acc[6] = on_face - behind_face
        if moves:
            rubbed = (((rub[0] + rub[1]) + rub[2]) + rub[3]) + rub[4]
            acc[7] = behind_face * c - rubbed * s
            acc[8] = behind_face * s + rubbed * c
            acc[9] = -(off_centre * behind_face + behind * rubbed)
        acc *= columns.inverse_mass
        pushed = np.maximum(f, zeros) * closing
        power = pushed[0] + pushed[1]
        for n in range(2, count - 1):
            power += pushed[n]
        kept[:6, :, rest + step] = acc[:6]
        kept[6, :, rest + step] = on_face
        kept[7, :, rest + step] = power
        if books.size:
            damped = (f - np.maximum((compression - p) * stiffness, least))[:CRUSHED]
            book = (
                f, held_by_ties, p, ties, drag, tie_drag, rub * slide, damped, damped * at_crushed,
                held * axle_slide, v, u, straight,
            )  # fmt: skip
            np.concatenate(book, out=books[step])
        v += acc * step_s
        u += v * step_s
