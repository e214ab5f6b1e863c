"""The numpy twin of the integration of lumped masses: all draws at once, stretch by stretch.

In each stretch of :data:`STRETCH` steps it leaves out what cannot change the result: springs that
stay slack, envelopes that are not reached (:class:`_Stretch`). The same bits as its twins in
:mod:`crashsense.synthesis.dynamics.lumped`.
"""

from __future__ import annotations

import numpy as np

from crashsense.synthesis.dynamics.lumped_system import (
    BEAM,
    BODIES,
    CELL_M,
    CELLS,
    FACE,
    FAR,
    LEFT,
    RIGHT,
    RIPPLED,
    SPRINGS,
    TIES,
    FloatArray,
    Ledger,
    Samples,
    System,
    in_play,
    tables,
)

#: Steps of a stretch of the numpy twin.
STRETCH = 32
#: Foreseen for a stretch: the last change of velocity times this factor, and this much [m/s].
STRAY, CALM_M_S = 1.5, 0.3
#: Taken as the last change of velocity before the first stretch [m/s].
FIRST_CHANGE_M_S = 1.0

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
        self.offset, self.slope, self.piece = tables(system)
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
        self.in_play = in_play(system, columns)
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

    def run(self, stretch: _Stretch, rows: FloatArray, books: Ledger | None, first: int) -> bool:
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


def run_arrays(
    system: System,
    columns: dict[str, FloatArray],
    steps: int,
    step_s: float,
    books: Ledger | None,
    samples: Samples,
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
