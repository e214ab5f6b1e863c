"""Bodies on crush springs along one axis, all draws integrated in one batch.

Equation of motion of body b [kg, m, N]: ``m_b x_b'' = sum of spring forces``. A spring acts between
a body behind and a body ahead; its compression is ``c = x_behind - x_ahead - stand_off``. The force
follows the loading polyline to the largest compression so far and unloads from there along a
straight line (hysteresis); a spring that *holds* pulls along the same line, any other lets go at
zero. A rate effect adds ``|F| r c'`` and a damper ``d c'``; both always dissipate.

Integration: leapfrog (velocities at half steps) of fixed step. The scheme conserves momentum to
rounding; every operation is elementwise over draws, so that a row does not depend on the others.
Numpy over springs and draws; where engine ``fast`` computes, the compiled
:func:`crashsense.compiled.marches.chain_steps` gives the same bits by the same operations in the
same order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray, IntArray, by_draw
from crashsense.engine import given
from crashsense.errors import Fault, InputError
from crashsense.synthesis.side_by_side import march_kinds


@dataclass(frozen=True, eq=False)
class CrushSpring:
    """One spring of a chain.

    Parameters
    ----------
    name : for traces and messages
    behind, ahead : numbers of the two bodies; the force pushes *ahead* forward, *behind* back
    curve : loading polyline, shape (points, 2): compression [m] from 0 on, force [N]; beyond the
        last point the last slope continues
    unloading_n_per_m : slope of unloading [N/m], no softer than the steepest loading slope
    stand_off : gap to close before contact [m], scalar or shape (draws,)
    scale : factor on loading and unloading [-], scalar or shape (draws,)
    rate_s_per_m : rate effect r [s/m], >= 0
    damper_n_s_per_m : viscous damper d [N s/m] of a spring that holds, >= 0
    holds : True if the spring also pulls
    """

    name: str
    behind: int
    ahead: int
    curve: FloatArray
    unloading_n_per_m: float
    stand_off: FloatArray | float = 0.0
    scale: FloatArray | float = 1.0
    rate_s_per_m: float = 0.0
    damper_n_s_per_m: float = 0.0
    holds: bool = False

    @property
    def slopes(self) -> FloatArray:
        """Loading slopes [N/m], one a segment."""
        return np.asarray(np.diff(self.curve[:, 1]) / np.diff(self.curve[:, 0]))


@dataclass(frozen=True, eq=False)
class SpringChainMotion:
    """Motion of a chain, stored every *step_s*, arrays (time, bodies or springs, draws).

    ``velocity`` at the stored instants [m/s], ``position`` [m], ``force`` [N]; with a ledger
    ``compression`` and ``largest`` (so far) [m], else of no instants. In memory the instants of a
    draw are neighbours. What is computed from compression needs a ledger.
    """

    step_s: float
    velocity: FloatArray
    position: FloatArray
    force: FloatArray
    compression: FloatArray
    largest: FloatArray
    masses: FloatArray
    springs: tuple[CrushSpring, ...]

    def body_acceleration(self, body: int) -> FloatArray:
        """Mean acceleration over each stored step [m/s^2], shape (draws, time), zero first.

        The mean over the step is what its velocity change is divided by: it integrates exactly.
        """
        speed = self.velocity[:, body, :]
        out = np.zeros((speed.shape[1], speed.shape[0]))
        out[:, 1:] = (np.diff(speed, axis=0) / self.step_s).T
        return out

    def elastic_energy(self) -> FloatArray:
        """Energy that unloading would return [J], (time, springs, draws)."""
        out = np.empty_like(self.force)
        for number, spring in enumerate(self.springs):
            stiffness = spring.unloading_n_per_m * spring.scale
            static = self._static_force(number)
            out[:, number] = 0.5 * static * static / stiffness
        return out

    def absorbed_energy(self) -> FloatArray:
        """Energy lost to crush and rate effect [J], from the curves alone, (time, springs, draws).

        Area under the loading curve up to the largest compression, less what unloading from there
        gives back, plus the integral of ``(|F| r + d) c'^2``.
        """
        out = np.empty_like(self.force)
        for number, spring in enumerate(self.springs):
            knots, bends = _ramps(spring)
            reach = self.largest[:, number]
            area = np.zeros_like(reach)
            peak = np.zeros_like(reach)
            for knot, bend in zip(knots, bends, strict=True):
                over = np.maximum(reach - knot, 0.0)
                area += 0.5 * bend * over * over
                peak += bend * over
            scale = spring.scale
            lost = scale * (area - 0.5 * peak * peak / spring.unloading_n_per_m)
            rate = self.velocity[:, spring.behind] - self.velocity[:, spring.ahead]
            static = np.abs(self._static_force(number))
            power = (spring.rate_s_per_m * static + spring.damper_n_s_per_m) * rate * rate
            lost[1:] += np.cumsum(0.5 * self.step_s * (power[1:] + power[:-1]), axis=0)
            out[:, number] = lost
        return out

    def kinetic_energy(self) -> FloatArray:
        """Kinetic energy [J], (time, bodies, draws); a fixed body has none."""
        finite = np.where(np.isfinite(self.masses), self.masses, 0.0)
        return np.asarray(0.5 * finite * self.velocity**2)

    def _static_force(self, number: int) -> FloatArray:
        spring = self.springs[number]
        knots, bends = _ramps(spring)
        reach = self.largest[:, number]
        peak = np.zeros_like(reach)
        for knot, bend in zip(knots, bends, strict=True):
            peak += bend * np.maximum(reach - knot, 0.0)
        drop = spring.unloading_n_per_m * (reach - self.compression[:, number])
        static = spring.scale * (peak - drop)
        return np.asarray(static if spring.holds else np.maximum(static, 0.0))


def _ramps(spring: CrushSpring) -> tuple[FloatArray, FloatArray]:
    """Write the loading polyline as a sum of ramps: knots [m] and changes of slope [N/m]."""
    slopes = spring.slopes
    return spring.curve[:-1, 0], np.diff(slopes, prepend=0.0)


def check_spring(spring: CrushSpring, *, file: str, field: str) -> list[Fault]:
    """Return the physical impossibilities of a spring, one fault each."""
    faults = []
    compressions = spring.curve[:, 0]
    if compressions[0] != 0.0 or spring.curve[0, 1] != 0.0:
        faults.append(Fault(file, field, spring.curve[0].tolist(), "a curve that starts at 0, 0"))
    if (np.diff(compressions) <= 0).any():
        faults.append(Fault(file, field, compressions.tolist(), "compressions that increase"))
        return faults
    if (spring.curve[:, 1] < 0).any():
        faults.append(Fault(file, field, spring.curve[:, 1].tolist(), "forces of 0 or more"))
    if spring.damper_n_s_per_m and not spring.holds:
        expected = "0; a damper needs a spring that holds"
        faults.append(Fault(file, f"{field}.damper", spring.damper_n_s_per_m, expected))
    steepest = float(spring.slopes.max())
    if spring.unloading_n_per_m < steepest * (1.0 - 1e-9):
        expected = f"unloading no softer than the steepest loading slope, {steepest:.4g} N/m"
        faults.append(Fault(file, f"{field}.unloading", spring.unloading_n_per_m, expected))
    return faults


def largest_stable_step(masses: Sequence[float], springs: Sequence[CrushSpring]) -> float:
    """Return the step [s] that the leapfrog scheme can take at most, by Gershgorin's bound.

    The stiffness that body b feels is no more than twice the sum of the unloading slopes at it:
    ``step < 2 / omega_max``, ``omega_max^2 <= max_b 2 sum(k) / m_b``.
    """
    highest = 0.0
    for body, mass in enumerate(masses):
        if np.isfinite(mass):
            total = sum(s.unloading_n_per_m for s in springs if body in (s.behind, s.ahead))
            highest = max(highest, 2.0 * total / mass)
    return 2.0 / float(np.sqrt(highest)) if highest > 0 else np.inf


@dataclass(frozen=True, eq=False)
class Chain:
    """A chain that starts from rest lengths, and how it is integrated.

    Parameters
    ----------
    masses : [kg], shape (bodies, draws); infinite for a fixed body
    springs : the springs
    speeds : initial speeds [m/s], shape (bodies, draws)
    duration_s : simulated time [s]
    stored_step_s : time between stored instants [s]
    substeps : integration steps per stored step
    ledger : also keep compressions (costs memory)
    """

    masses: FloatArray
    springs: Sequence[CrushSpring]
    speeds: FloatArray
    duration_s: float
    stored_step_s: float
    substeps: int
    ledger: bool = False

    @property
    def step_s(self) -> float:
        """Step of the integration [s]."""
        return self.stored_step_s / self.substeps

    @property
    def instants(self) -> int:
        """Number of stored instants, the first included."""
        return 1 + round(self.duration_s / self.stored_step_s)

    @property
    def ends(self) -> IntArray:
        """Numbers of the bodies behind and ahead of each spring, (2, springs)."""
        return np.array([[s.behind for s in self.springs], [s.ahead for s in self.springs]])

    @property
    def kind(self) -> tuple[Any, ...]:
        """Chains of one kind can be integrated side by side."""
        steps = (self.stored_step_s, self.substeps, self.instants, self.ledger)
        return (len(self.masses), self.ends.tobytes(), *steps)

    def check(self) -> None:
        """Refuse an impossible spring, and a step that is unstable for the lightest body."""
        faults = [f for s in self.springs for f in check_spring(s, file="chain", field=s.name)]
        if faults:
            raise InputError(faults)
        nominal = [float(row.min()) for row in self.masses]
        limit = largest_stable_step(nominal, self.springs)
        if self.step_s > 0.5 * limit:
            expected = f"at most {0.5e6 * limit:.3g} us for these masses and springs"
            got = f"{1e6 * self.step_s:.3g} us"
            raise InputError([Fault("chain", "step", got, expected)])

    def laws(self) -> FloatArray:
        """Stand-off, unloading, scale, rate effect, damper, least force: (6, springs, draws)."""
        size, springs = self.masses.shape[1], self.springs
        return np.stack(
            [
                by_draw(numbers, size)
                for numbers in (
                    [s.stand_off for s in springs],
                    [s.unloading_n_per_m for s in springs],
                    [s.scale for s in springs],
                    [s.rate_s_per_m for s in springs],
                    [s.damper_n_s_per_m for s in springs],
                    [-np.inf if s.holds else 0.0 for s in springs],
                )
            ]
        )

    def ramps(self, points: int) -> tuple[FloatArray, FloatArray]:
        """Knots [m] and changes of slope [N/m] of the loading curves, (points, springs)."""
        knots, bends = np.full((2, points, len(self.springs)), np.inf)
        bends[:] = 0.0
        for index, spring in enumerate(self.springs):
            where, change = _ramps(spring)
            knots[: where.size, index] = where
            bends[: where.size, index] = change
        return knots, bends

    @property
    def points(self) -> int:
        """Largest number of ramps of a spring."""
        return max(s.curve.shape[0] - 1 for s in self.springs)


def integrate_chains(chains: Sequence[Chain]) -> list[SpringChainMotion]:
    """Integrate several chains, those of one kind side by side where numpy computes.

    Raises
    ------
    InputError : if a spring is impossible, or the step unstable for the lightest body
    """
    for chain in chains:
        chain.check()
    return march_kinds(chains, kind=lambda chain: chain.kind, march=_integrate)


def _integrate(chains: Sequence[Chain]) -> list[SpringChainMotion]:
    """Integrate chains of one kind, draws side by side."""
    masses, speeds = (np.concatenate([getattr(c, n) for c in chains], axis=-1) for n in _BY_DRAW)
    laws = np.concatenate([chain.laws() for chain in chains], axis=-1)
    one = chains[0]
    (bodies, size), number, step = masses.shape, len(one.springs), one.step_s
    rows = np.cumsum([bodies, bodies, number, *[number, number] * one.ledger])
    made = np.empty((rows[-1], size, one.instants))
    stored = np.split(made.transpose(2, 0, 1), rows[:-1], axis=1)
    velocity, position, force, *more = stored
    largest = np.maximum(-laws[0], 0.0)
    velocity[0], position[0], force[0] = speeds, 0.0, 0.0
    if one.ledger:
        more[0][0], more[1][0] = -laws[0], largest
    points = max(chain.points for chain in chains)
    ramps = [chain.ramps(points) for chain in chains]
    compiled = engine.kernels()
    if compiled is not None:
        knots, bends = ramps[0]
        inputs = (step / masses, laws, knots.T, bends.T, one.ends)
        compiled.chain_steps(*map(given, inputs), one.substeps, step, made, given(largest))
    else:
        draws = [chain.masses.shape[1] for chain in chains]
        curves = np.repeat(np.array(ramps), draws, axis=0).transpose(1, 2, 3, 0).copy()
        _step_arrays(step / masses, laws, curves, one.ends, one.substeps, step, stored, largest)
    ends = np.cumsum([0, *(chain.masses.shape[1] for chain in chains)]).tolist()
    motions = []
    for chain, first, last in zip(chains, ends[:-1], ends[1:], strict=True):
        tables = [table[..., first:last] for table in stored]
        if not chain.ledger:
            tables += [np.empty((0, number, last - first))] * 2
        v, x, f, c, reached = tables
        about = (np.asarray(chain.masses), tuple(chain.springs))
        motions.append(SpringChainMotion(chain.stored_step_s, v, x, f, c, reached, *about))
    return motions


#: What chains side by side have in turn, draws last.
_BY_DRAW = ("masses", "speeds")


def _step_arrays(
    per_mass: FloatArray,
    laws: FloatArray,
    curves: FloatArray,
    ends: IntArray,
    substeps: int,
    step: float,
    stored: Sequence[FloatArray],
    largest: FloatArray,
) -> None:
    """All steps by numpy over springs and draws; fills *stored* from its second instant.

    *curves*: knots and changes of slope, (2, points, springs, draws). *stored*: velocity, position,
    force, and compression and largest where they are kept; *largest* is that of the first instant,
    and changed.
    """
    stand_off, unloading, scale, rate, damper, floor = laws
    behind, ahead = ends
    v, x = (table[0].copy() for table in stored[:2])
    number, size = stand_off.shape
    moved, net = np.empty_like(v), np.zeros_like(v)
    c, closing, other, force = (np.zeros((number, size)) for _ in range(4))
    knots, bends = curves
    ramps = np.empty_like(knots)
    pairs = [(net[b], net[a], force[i]) for i, (b, a) in enumerate(ends.T)]
    half = 0.5 * step
    for instant in range(1, stored[0].shape[0]):
        for _ in range(substeps):
            np.multiply(v, half, out=moved)
            x += moved
            x.take(behind, axis=0, out=c, mode="clip")
            x.take(ahead, axis=0, out=other, mode="clip")
            c -= other
            c -= stand_off
            np.maximum(largest, c, out=largest)
            np.subtract(largest, knots, out=ramps)
            np.maximum(ramps, 0.0, out=ramps)
            ramps *= bends
            np.subtract(c, largest, out=force)
            force *= unloading
            for ramp in ramps:
                force += ramp
            np.maximum(force, floor, out=force)
            force *= scale
            # Speed in the middle of the step, by the last step's change: second order in the step.
            net *= 0.5
            net += v
            net.take(behind, axis=0, out=closing, mode="clip")
            net.take(ahead, axis=0, out=other, mode="clip")
            closing -= other
            np.abs(force, out=other)
            other *= rate
            other += damper
            closing *= other
            force += closing
            np.maximum(force, floor, out=force)
            net.fill(0.0)
            for back, front, push in pairs:
                back -= push
                front += push
            net *= per_mass
            v += net
            np.multiply(v, half, out=moved)
            x += moved
        for table, values in zip(stored, (v, x, force, c, largest), strict=False):
            table[instant] = values
