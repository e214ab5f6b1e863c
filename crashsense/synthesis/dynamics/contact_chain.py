"""Bodies in a row that meet by contacts and local springs: hammer, sheet, bracket, car.

Along one line, body i lies behind body i + 1. The joint between them closes by
c = x_i - x_(i+1) - gap [m] and carries one of

    a local spring (*holds*: pulls as well) or a contact of measured stiffness (F >= 0)
        F = k1 c for c < bend, k1 bend + k2 (c - bend) beyond, + damping c'
    a contact of round bodies (``hertz`` > 0), elastic up to the depth c_y of first yield
        F = K c^(3/2) for c < c_y, K c_y^(3/2) + 3/2 K sqrt(c_y) (c - c_y) beyond
        from its deepest point c_m back along F_m ((c - c_m + u) / u)^(3/2), u = F_m / (K sqrt(c_m))
        all times (1 + hysteresis c'), F >= 0

The round contact after yield is that of Thornton (Journal of Applied Mechanics 64, 1997, 383): the
pressure under the contact is limited, and the dented surface is flatter when it lets go. The factor
with c' is the loss of Hunt and Crossley (Journal of Applied Mechanics 42, 1975, 440). A *plastic*
contact of measured stiffness lets go as soon as it stops closing.

Semi-implicit Euler; small steps while the blow lasts, larger ones while the rest rings down. The
numpy march over the draws and the compiled
:func:`crashsense.compiled.synthesis.contact_steps` (engine ``fast``) give the same bits, by the
same operations in the same order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray, by_draw
from crashsense.synthesis.side_by_side import march_kinds

#: Draws marched together by numpy; rows that are gone through many times together.
ROWS, ROWS_TOGETHER = 512, 4
#: Bend of a joint that never bends [m].
NO_BEND = 1e9


@dataclass(frozen=True, eq=False)
class Joint:
    """Forces between a body and the next; scalars or arrays of shape (draws,), SI.

    Parameters
    ----------
    stiffness, bend, stiffness_past_bend : k1 [N/m], bend [m], k2 [N/m]
    damping : [N s/m]
    gap : [m]
    hertz : K [N/m^(3/2)]; above 0 the joint is a contact of round bodies and k1, k2 and damping
        are not used
    yield_depth : c_y [m]
    hysteresis : [s/m]
    holds, plastic : see the module
    """

    stiffness: Any = 0.0
    damping: Any = 0.0
    gap: Any = 0.0
    bend: Any = NO_BEND
    stiffness_past_bend: Any = 0.0
    hertz: Any = 0.0
    yield_depth: Any = 1e9
    hysteresis: Any = 0.0
    holds: bool = False
    plastic: bool = False

    def __post_init__(self) -> None:
        """Refuse a contact of round bodies that pulls."""
        if self.holds and np.any(np.asarray(self.hertz) > 0.0):
            raise ValueError("a contact of round bodies (hertz > 0) cannot hold: it never pulls")


_NUMBERS = (
    "stiffness",
    "damping",
    "gap",
    "bend",
    "stiffness_past_bend",
    "hertz",
    "yield_depth",
    "hysteresis",
)


class Speeds(Sequence[FloatArray]):
    """Speeds of the bodies of a chain, each computed when it is first asked for."""

    def __init__(self, force: FloatArray, per_mass: FloatArray, start: FloatArray) -> None:
        self._force, self._per_mass, self.start = force, per_mass, start
        self._found: dict[int, FloatArray] = {}

    def __len__(self) -> int:
        return len(self.start)

    def __getitem__(self, body: Any) -> Any:
        number = range(len(self))[body]
        if number not in self._found:
            self._found[number] = self._of(number)
        return self._found[number]

    def _of(self, body: int, *, rows: slice = slice(None)) -> FloatArray:
        """From the impulses of its joints; of some draws."""
        net = np.zeros(self._force[0][rows].shape)
        if body > 0:
            net += self._force[body - 1][rows]
        if body < len(self._force):
            net -= self._force[body][rows]
        net *= self._per_mass[body][rows, None]
        speed = np.cumsum(net, axis=-1, out=net)
        speed += self.start[body][rows, None]
        return speed

    def closing_power(self, first: int) -> FloatArray:
        """Power that joints from *first* on take up while they close [W], (draws, samples)."""
        power = np.zeros(self._force[0].shape)
        # Few rows at a time: they stay in the processor's cache.
        for at in range(0, len(power), ROWS_TOGETHER):
            rows = slice(at, at + ROWS_TOGETHER)
            ahead = self._of(first, rows=rows)
            for joint in range(first, len(self._force)):
                behind = self._of(joint + 1, rows=rows)
                ahead -= behind
                np.maximum(ahead, 0.0, out=ahead)
                ahead *= self._force[joint][rows]
                power[rows] += ahead
                ahead = behind
        return power


@dataclass(frozen=True, eq=False)
class ChainMotion:
    """Forces of the joints [N] and speeds [m/s] of the bodies, each (draws, samples).

    Forces are means over the steps of a sample, so that impulses are preserved; speeds are those at
    its end. ``start``: speeds at the start, (bodies, draws).
    """

    force: tuple[FloatArray, ...]
    speed: Speeds
    start: FloatArray
    sample_s: float

    def way(self, body: int) -> FloatArray:
        """Travel of a body at the end of each sample [m], (draws, samples)."""
        speed = self.speed[body]
        way = np.cumsum(speed, axis=-1)
        # Trapezoid: half of the speeds at both ends too much.
        way -= 0.5 * (speed - self.start[body][:, None])
        way *= self.sample_s
        return way


@dataclass(frozen=True, eq=False, kw_only=True)
class Contacts:
    """A chain, and how it is marched.

    Parameters
    ----------
    masses : [kg], infinite for a body that is fixed or driven at constant speed
    joints : one between each two bodies
    speeds : at the start [m/s], one a body
    size : number of draws
    samples : of the result
    rate_hz, substeps : rate of the result; steps a sample
    fine_samples, fine_substeps : so many samples at the start take so many steps each
    """

    masses: Sequence[Any]
    joints: Sequence[Joint]
    speeds: Sequence[Any]
    size: int
    samples: int
    rate_hz: float
    substeps: int
    fine_samples: int = 0
    fine_substeps: int = 1

    @property
    def kinds(self) -> npt.NDArray[np.bool_]:
        """Of each joint: whether it holds, is plastic, is a contact of round bodies."""
        return np.array([(j.holds, j.plastic, bool(np.all(j.hertz > 0.0))) for j in self.joints])

    @property
    def laws(self) -> FloatArray:
        """Numbers of each joint, (joints, numbers, draws)."""
        return np.array(
            [by_draw([getattr(j, name) for name in _NUMBERS], self.size) for j in self.joints]
        )

    @property
    def alike(self) -> tuple[Any, ...]:
        """Chains that are alike in this can be marched side by side."""
        bends = any(np.any(joint.bend < NO_BEND) for joint in self.joints)
        steps = (self.rate_hz, self.substeps, self.fine_samples, self.fine_substeps)
        return (self.kinds.tobytes(), bends, *steps)


def march_chains(chains: Sequence[Contacts]) -> list[ChainMotion]:
    """March several chains, those that are alike side by side where numpy computes."""
    return march_kinds(chains, kind=lambda chain: chain.alike, march=_march_beside)


def _march_beside(chains: Sequence[Contacts]) -> list[ChainMotion]:
    """March chains that are alike, draws side by side, to the end of the longest."""
    one = chains[0]
    ends = np.cumsum([0, *(chain.size for chain in chains)]).tolist()
    size, samples = ends[-1], max(chain.samples for chain in chains)
    force = np.empty((len(one.joints), size, samples))
    inverse_mass = 1.0 / np.concatenate([by_draw(c.masses, c.size) for c in chains], axis=-1)
    laws = np.concatenate([chain.laws for chain in chains], axis=-1)
    start = np.concatenate([by_draw(c.speeds, c.size) for c in chains], axis=-1)
    steps = np.full(samples, one.substeps, dtype=np.int64)
    steps[: one.fine_samples] = one.fine_substeps
    compiled = engine.kernels()
    # A kernel takes its own groups of draws, and fills an array as a whole.
    march, together = (_march, ROWS) if compiled is None else (compiled.contact_steps, max(size, 1))
    sample_s = 1.0 / one.rate_hz
    for first in range(0, size, together):
        rows = slice(first, min(first + together, size))
        march(
            np.ascontiguousarray(inverse_mass[:, rows]),
            np.ascontiguousarray(laws[:, :, rows]),
            one.kinds,
            start[:, rows].copy(),
            steps,
            sample_s,
            force[:, rows],
        )
    motions = []
    for chain, first, last in zip(chains, ends[:-1], ends[1:], strict=True):
        own = force[:, first:last, : chain.samples]
        begin = start[:, first:last]
        speeds_of = Speeds(own, inverse_mass[:, first:last] * sample_s, begin)
        motions.append(ChainMotion(tuple(own), speeds_of, begin, sample_s))
    return motions


def _march(
    inverse_mass: FloatArray,
    laws: FloatArray,
    kinds: npt.NDArray[np.bool_],
    speeds: FloatArray,
    steps: npt.NDArray[np.int64],
    sample_s: float,
    force: FloatArray,
) -> None:
    """All steps with numpy over the draws; fills *force*."""
    x, v = np.zeros_like(speeds), speeds
    stiffness, damping, gap, bend, past, hertz, yields, hysteresis = laws.transpose(1, 0, 2)
    bends, gaps = bool((bend < NO_BEND).any()), bool(gap.any())
    contacts = [(i, *kind[1:]) for i, kind in enumerate(kinds.tolist()) if not kind[0]]
    # The force at first yield and the slope beyond it.
    root = np.sqrt(yields)
    at_yield, beyond = hertz * yields * root, 1.5 * hertz * root
    deep = np.full(gap.shape, 1e-30)
    gone = np.zeros(gap.shape, dtype=bool)
    sums, push, work = np.empty_like(gap), np.empty_like(gap), np.empty_like(gap)
    between, rates, moved = np.empty_like(gap), np.empty_like(gap), np.empty_like(v)
    ahead, behind = x[:-1], x[1:]
    v_ahead, v_behind = v[:-1], v[1:]
    count, h, per = 0, 0.0, inverse_mass
    for sample, now in enumerate(steps.tolist()):
        if now != count:
            count, h = now, sample_s / now
            per = inverse_mass * h
            per_ahead, per_behind = per[:-1], per[1:]
        sums[:] = 0.0
        for _ in range(count):
            np.subtract(ahead, behind, out=between)
            if gaps:
                between -= gap
            np.subtract(v_ahead, v_behind, out=rates)
            if bends:
                near = np.minimum(between, bend)
                np.multiply(stiffness, near, out=push)
                push += past * (between - near)
            else:
                np.multiply(stiffness, between, out=push)
            np.multiply(damping, rates, out=work)
            push += work
            for i, plastic, is_round in contacts:
                f, closing, rate = push[i], between[i], rates[i]
                touch = closing > 0.0
                if not touch.any():
                    f[:] = 0.0
                    continue
                if is_round:
                    np.maximum(deep[i], closing, out=deep[i])
                    c = deep[i]
                    root = np.sqrt(c)
                    top = np.where(
                        c < yields[i],
                        hertz[i] * c * root,
                        at_yield[i] + beyond[i] * (c - yields[i]),
                    )
                    full = top / (hertz[i] * root)
                    share = np.maximum((closing - c) + full, 0.0) / full
                    f[:] = top * share * np.sqrt(share) * (1.0 + hysteresis[i] * rate)
                np.maximum(f, 0.0, out=f)
                f[~touch] = 0.0
                if plastic:
                    gone[i] |= touch & (rate <= 0.0)
                    f[gone[i]] = 0.0
            sums += push
            np.multiply(push, per_behind, out=work)
            v_behind += work
            np.multiply(push, per_ahead, out=work)
            v_ahead -= work
            np.multiply(v, h, out=moved)
            x += moved
        np.multiply(sums, 1.0 / count, out=force[:, :, sample])
