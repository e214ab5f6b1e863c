"""Steps of bodies on crush springs, and of modes, of one draw; run as :mod:`.crush` is.

Loops over bodies, springs and modes stay loops: their numbers are known when a march runs. Python
does not run these: the twins in numpy are named beside them. Numba is not imported here.
"""

from __future__ import annotations

from typing import Any


def chain_march(
    per_mass: Any,
    velocity: Any,
    position: Any,
    net: Any,
    middle: Any,
    gap: Any,
    unloading: Any,
    scale: Any,
    rate: Any,
    damper: Any,
    floor: Any,
    force: Any,
    compression: Any,
    largest: Any,
    knots: Any,
    bends: Any,
    behind: Any,
    ahead: Any,
    half: Any,
    bodies: Any,
    springs: Any,
    points: Any,
    instants: Any,
    substeps: Any,
    room: Any,
    velocities: Any,
    positions: Any,
    forces: Any,
    compressions: Any,
    reaches: Any,
    keeps: Any,
) -> None:
    """Some instants of bodies on crush springs; twin: ``spring_chain._step_arrays``.

    Parameters
    ----------
    per_mass : step over mass, (bodies); beside it the state *velocity*, *position*, *net* (change
        of velocity in the last step), *middle* (velocity in the middle of the step)
    gap, unloading, scale, rate, damper, floor : laws, (springs); beside them the state *force*,
        *compression*, *largest*
    knots, bends : of each spring, *points* numbers one after the other
    behind, ahead : bodies of each spring
    half : half a step [s]
    room : *velocities* and the others hold as many instants of each body or spring
    keeps : 1 where *compressions* and *reaches* are kept, 0 where not
    """
    for instant in range(instants):
        for _ in range(substeps):
            for b in range(bodies):
                position[b] = position[b] + velocity[b] * half
                middle[b] = net[b] * 0.5 + velocity[b]
                net[b] = 0.0
            for i in range(springs):
                back, front = behind[i], ahead[i]
                closed = position[back] - position[front] - gap[i]
                reach = closed if closed > largest[i] else largest[i]
                compression[i], largest[i] = closed, reach
                force[i] = (closed - reach) * unloading[i]
                for point in range(points):
                    over = reach - knots[i * points + point]
                    over = over if over > 0.0 else 0.0
                    force[i] = force[i] + over * bends[i * points + point]
                push = force[i]
                push = (push if push > floor[i] else floor[i]) * scale[i]
                push += (middle[back] - middle[front]) * (abs(push) * rate[i] + damper[i])
                push = push if push > floor[i] else floor[i]
                force[i] = push
                net[back] = net[back] - push
                net[front] = net[front] + push
            for b in range(bodies):
                net[b] = net[b] * per_mass[b]
                velocity[b] = velocity[b] + net[b]
                position[b] = position[b] + velocity[b] * half
        for b in range(bodies):
            at = b * room + instant
            velocities[at], positions[at] = velocity[b], position[b]
        for i in range(springs):
            at = i * room + instant
            forces[at] = force[i]
            for _ in range(keeps):
                compressions[at], reaches[at] = compression[i], largest[i]


def spring_power_march(force: Any, behind: Any, ahead: Any, samples: Any, power: Any) -> None:
    """Add the power that a spring takes up; twin: ``side.crash.crush_power``.

    *behind*, *ahead*: velocities of its bodies; all at every sample.
    """
    for n in range(samples):
        power[n] = power[n] + max(force[n] * (behind[n] - ahead[n]), 0.0)


def lasting_march(power: Any, mass: Any, grown: Any, samples: Any, top: Any) -> None:
    """Power over *mass*, in place, ringing down; twin: ``location.power.ringing_down``.

    *grown*: what power that rings down is multiplied by to stay; *top*: room for a number.
    """
    top[0] = 0.0
    for n in range(samples):
        top[0] = max(top[0], power[n] / mass[0] * grown[n])
        power[n] = top[0] / grown[n]


def modal_march(sections: Any, state: Any, force: Any, samples: Any, out: Any, kept: Any) -> None:
    """Add the answers of some modes to some samples of a force; twin: ``scipy.signal.lfilter``.

    As many modes as *kept* holds states of: few enough for the processor's registers. *sections*:
    b0, b1, b2, a1, a2 of each mode, *state*: two numbers of each; *force*, *out* (samples).
    """
    own = [[sections[5 * m + n] for n in range(5)] for m in range(len(kept) // 2)]
    for n in range(len(kept)):
        kept[n] = state[n]
    for k in range(samples):
        x, total = force[k], out[k]
        for m in range(len(kept) // 2):
            b0, b1, b2, a1, a2 = own[m]
            y = kept[2 * m] + b0 * x
            kept[2 * m] = kept[2 * m + 1] + x * b1 - y * a1
            kept[2 * m + 1] = x * b2 - y * a2
            total = total + y
        out[k] = total
    for n in range(len(kept)):
        state[n] = kept[n]


def blow_march(
    body: Any,
    local: Any,
    samples: Any,
    moved: Any,
    share: Any,
    cosine: Any,
    out: Any,
) -> None:
    """What a location feels of a blow, with what its modes answer; twin: ``misuse.felt.felt``.

    *body*, *local*: acceleration of the car and of what is struck; *moved*: 1 where the location
    takes a *share* of the motion of the latter, else 0; *out*: the answer, and what is felt.
    """
    for k in range(samples):
        answer = out[k]
        out[k] = body[k]
        for _ in range(moved):
            out[k] = body[k] + share * (local[k] - body[k])
        out[k] = (out[k] + answer) * cosine
