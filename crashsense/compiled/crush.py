"""Steps of one draw of a planar system of lumped masses, in plain numbers.

One source for two ways to run it: :func:`crashsense.compiled.marches.crush_steps` runs it on some
draws side by side (engine ``fast``, by :mod:`crashsense.compiled.on_lanes`, which says what such a
source may hold), and without numba Python itself runs it where few draws are wanted, on lists of
floats, several times as fast as numpy on arrays of a few numbers. The physics, and the twin in
numpy over many draws: :mod:`crashsense.synthesis.dynamics.lumped`. All three give the same bits:
only +, -, *, / and comparisons of double precision occur, in the same order. (In a ledger, springs
that the obstacle does not meet stay as they were; arrays go on with them.)

Numba is not imported here.
"""

from __future__ import annotations

from typing import Any

#: Largest turn of the obstacle that turns its normal along [rad]; sine and cosine by their series,
#: and the factor of the sine's third term.
TURN, SIXTH = 0.5, 1.0 / 6.0
#: Springs that meet the obstacle's face, the first of all; of them those of the front ends, also
#: the first: what is crushed there is damped.
CONTACTS, CRUSHED = 5, 3
#: Freedoms, and springs with the obstacle's.
FREEDOMS, SPRINGS = 10, 9
#: State beside travel, velocity, compression and set: sets of the two ties, how far the obstacle's
#: edge has gone off the car and over it, 1 once a step is done, power of this step.
MORE = 6
#: How many numbers the rows have that a march works in: acceleration, closing speed, force, force
#: along x and along y, sliding speed, friction, straight share.
WORK = (FREEDOMS, SPRINGS, SPRINGS, CONTACTS, CONTACTS, CONTACTS, CONTACTS, SPRINGS)
#: What a step's ledger holds, and how many numbers of each, in this order.
LEDGER = {
    "force": 11, "set": 11, "drag": 4, "sliding": CONTACTS, "damped": CRUSHED, "lost": CRUSHED,
    "held": 2, "velocity": 10, "travel": 10, "straight": 9,
}  # fmt: skip


def crush_draw(by_draw: Any, common: Any, step_s: Any, rest: Any, out: Any, books: Any) -> None:
    """All steps of one draw from first contact, in Python's numbers.

    *by_draw*: inverse mass, velocity at first contact, share, gap, ripple, phase, damper, own;
    *common*: stiffness, 1 / length, pull, least force, ties, met, numbers, offset, slope: lists,
    see :func:`crush_march`.
    """
    inverse_mass, start, share, gap, *others = by_draw
    met = [n for n in range(SPRINGS) if share[n] != 0.0]
    state = ([0.0] * FREEDOMS, list(start), [-one for one in gap], [0.0] * SPRINGS, [0.0] * MORE)
    work = [[0.0] * count for count in WORK]
    work[-1] = [1.0] * SPRINGS
    place = (len(out[0]) - rest, rest, out, books)
    crush_march(*[inverse_mass, share, *others, *common, step_s, met, *state, work, *place])


def crush_march(
    inverse_mass: Any,
    full_share: Any,
    ripple: Any,
    phase: Any,
    damper: Any,
    own: Any,
    stiffness: Any,
    per_length: Any,
    pull: Any,
    least: Any,
    tie: Any,
    met_by: Any,
    numbers: Any,
    offset: Any,
    slope: Any,
    step_s: Any,
    springs: Any,
    u: Any,
    v: Any,
    x: Any,
    p: Any,
    more: Any,
    work: Any,
    steps: Any,
    rest: Any,
    out: Any,
    books: Any,
) -> None:
    """Some steps of one draw.

    Rows are sequences of numbers, tables sequences of rows; names as in ``lumped_system.Columns``,
    of this draw alone. *own*: normal (2), friction, 1 / width, overlap, contact to the right, grip
    (2). *offset*, *slope* (springs, cells). *springs*: numbers of those that the obstacle meets.

    State: *u*, *v*: travel and velocity of each freedom; *x*, *p*: compression and set of each
    spring; *more* (MORE). *work*: rows to work in (WORK). *out* (8, rest + steps):
    ``lumped.ROWS``; *books* (steps, rows): as :data:`LEDGER` says, or empty where no ledger is
    kept.
    """
    count, cells = len(stiffness), len(offset[0])
    keeps = len(books) > 0
    rate, per_fold, slip, slip_slope = numbers[0], numbers[1], numbers[2], numbers[3]
    span, ahead, direct_ahead, direct_right = numbers[4], numbers[5], numbers[6], numbers[7]
    per_cell, per_sliding, solid, per_car = numbers[8], numbers[9], numbers[10], numbers[11]
    behind, axle_ahead, axle_behind = numbers[12], numbers[13], numbers[14]
    cu0, su0, mu, per_width = own[0], own[1], own[2], own[3]
    overlap, off_centre, grip, grip_behind = own[4], own[5], own[6], own[7]
    km, lm, dm = tie[0][0], tie[0][1], tie[0][2]
    kb, lb, db = tie[1][0], tie[1][1], tie[1][2]
    acc, w, f, fx, fy, slide, rubs, straights = work
    for step in range(steps):
        pm, pb, farthest, covered = more[0], more[1], more[2], more[3]
        psi = min(max(u[9], -TURN), TURN)
        square = psi * psi
        c, s = 1.0 - 0.5 * square, psi * (1.0 - square * SIXTH)
        cu, su = cu0 * c - su0 * s, su0 * c + cu0 * s
        lever = max(ahead - (u[3] - cu0 * u[6]), 0.0)
        direct = min(lever, direct_ahead)
        aside, direct_aside = v[4] + lever * v[5], v[4] + direct * v[5]
        back = (v[7] * c + v[8] * s) - off_centre * v[9]
        past = (v[8] * c - v[7] * s) - behind * v[9]
        middle, inner = 0.5 * (v[0] + v[1]), v[3] - direct_right * v[5]
        w[0] = (cu * v[0] - v[6]) + su * aside
        w[1] = (cu * v[1] - v[6]) + su * aside
        w[2] = (cu * middle - v[6]) + su * aside
        w[3] = (cu * v[2] - v[6]) + su * aside
        w[4] = (cu * inner - v[6]) + su * direct_aside
        turned = span * v[5]
        w[5] = (v[3] + turned) - v[0]
        w[6] = (v[3] - turned) - v[1]
        w[7] = v[3] - v[2]
        w[8] = v[6] - back
        for n in range(count):
            x[n] = x[n] + w[n] * step_s if more[4] > 0.0 else x[n]
        more[4] = 1.0
        edge = su0 * (u[7] - off_centre * u[9]) + cu0 * (u[8] - behind * u[9])
        gained = edge - (u[4] + lever * u[5])
        farthest, covered = max(farthest, -gained), max(covered, gained)
        met = max(1.0 - farthest * per_width, 0.0)
        covers = overlap + covered * per_car
        more[5] = 0.0
        for n in springs:
            travel, closing = x[n], w[n]
            inside = travel if travel > 0.0 else 0.0
            closing = closing if closing > 0.0 else 0.0
            cell = int(inside * per_cell)
            cell = cell if cell < cells else cells - 1
            grown, most = met_by[n][0] + met_by[n][1] * covers, met_by[n][2]
            grown = grown if grown > 0.0 else 0.0
            share = full_share[n] * (grown if grown < most else most)
            if n < CONTACTS:
                share *= met
            bound = (offset[n][cell] + slope[n][cell] * inside) * share
            bound *= 1.0 + rate * closing
            turn = inside * per_fold + phase[n]
            turn -= int(turn)
            bound *= abs(turn - 0.5) * (4.0 * ripple[n]) + (1.0 - ripple[n])
            folded = p[n]
            straight = (folded if folded > 0.0 else 0.0) * per_length[n]
            straight = 1.0 - (straight if straight < solid else solid)
            reached, pulled = travel - bound * straight, travel + pull[n] * straight
            folded = folded if folded > reached else reached
            folded = folded if folded < pulled else pulled
            force = (travel - folded) * (stiffness[n] / straight)
            if n < CRUSHED:
                force, most = force + w[n] * damper[n], bound * stiffness[n]
                force = force if force < most else most
            force = force if force > least[n] else least[n]
            p[n], f[n], straights[n] = folded, force, straight
            if n < count - 1:
                more[5] = more[5] + (force if force > 0.0 else 0.0) * closing
        lateral = cu * aside - past
        slide[0] = lateral - su * v[0]
        slide[1] = lateral - su * v[1]
        slide[2] = lateral - su * middle
        slide[3] = lateral - su * v[2]
        slide[4] = (cu * direct_aside - past) - su * inner
        rubbed = 0.0
        for n in range(CONTACTS):
            rub = (mu * f[n]) * min(max(slide[n] * per_sliding, -1.0), 1.0)
            fx[n] = cu * f[n] - su * rub
            fy[n] = su * f[n] + cu * rub
            rubbed += rub
            rubs[n] = rub
        drag_left = min(max(w[5] * slip_slope, -slip), slip)
        drag_right = min(max(w[6] * slip_slope, -slip), slip)
        rail_left, rail_right = f[5] + drag_left, f[6] + drag_right
        bend = u[2] - u[3]
        pm = min(max(pm, bend - lm), bend + lm)
        mounts, drag_m = (bend - pm) * km, (v[2] - v[3]) * dm
        fm = mounts + drag_m
        # The beam bends where the front ends move apart more than the car turns.
        bend = (u[0] - u[1]) - 2.0 * (span * u[5])
        pb = min(max(pb, bend - lb), bend + lb)
        beam, drag_b = (bend - pb) * kb, ((v[0] - v[1]) - 2.0 * turned) * db
        fb = beam + drag_b
        more[0], more[1], more[2], more[3] = pm, pb, farthest, covered
        half = 0.5 * fx[2]
        front_y = ((fy[0] + fy[1]) + fy[2]) + fy[3]
        on_face = (((f[0] + f[1]) + f[2]) + f[3]) + f[4]
        acc[0] = ((rail_left - fx[0]) - half) - fb
        acc[1] = ((rail_right - fx[1]) - half) + fb
        acc[2] = (f[7] - fx[3]) - fm
        acc[3] = (((fm - rail_left) - rail_right) - f[7]) - fx[4]
        slid, slid_behind = v[4] + axle_ahead * v[5], v[4] - axle_behind * v[5]
        held = grip * min(max(slid * per_sliding, -1.0), 1.0)
        held_behind = grip_behind * min(max(slid_behind * per_sliding, -1.0), 1.0)
        acc[4] = -(front_y + fy[4]) - (held + held_behind)
        acc[5] = (
            (span * ((rail_right - rail_left) + 2.0 * fb) - lever * front_y) - direct * fy[4]
        ) + direct_right * fx[4]
        acc[5] += axle_behind * held_behind - axle_ahead * held
        acc[6] = on_face - f[8]
        acc[7] = f[8] * c - rubbed * s
        acc[8] = f[8] * s + rubbed * c
        acc[9] = -(off_centre * f[8] + behind * rubbed)
        if keeps:
            book = books[step]
            for n in range(count):
                book[n], book[11 + n], book[59 + n] = f[n], p[n], straights[n]
            book[9], book[10], book[20], book[21] = mounts, beam, pm, pb
            book[22], book[23], book[24], book[25] = drag_left, drag_right, drag_m, drag_b
            for n in range(CONTACTS):
                book[26 + n] = rubs[n] * slide[n]
            for n in range(CRUSHED):
                damped = 0.0
                if full_share[n] != 0.0:
                    damped = f[n] - max((x[n] - p[n]) * stiffness[n], least[n])
                book[31 + n], book[34 + n] = damped, damped * w[n]
            book[37], book[38] = held * slid, held_behind * slid_behind
            for n in range(10):
                book[39 + n], book[49 + n] = v[n], u[n]
        at = step + rest
        for n in range(10):
            acc[n] *= inverse_mass[n]
            if n < 6:
                out[n][at] = acc[n]
            v[n] += acc[n] * step_s
            u[n] += v[n] * step_s
        out[6][at] = on_face
        out[7][at] = more[5]
