"""Steps of bodies that meet by contacts and local springs, of one draw; run as :mod:`.chain` is.

The physics, and the twin in numpy: :mod:`crashsense.synthesis.dynamics.contact_chain`. Python does
not run these. Numba is not imported here.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

#: Numbers of a joint: its law (stiffness, damping, gap, bend, stiffness past it, Hertz stiffness,
#: yield depth, hysteresis), force at first yield and slope beyond it; then its state: depth,
#: whether it has let go, force, and their sum over a sample.
LAW, JOINT = 8, 14
#: Numbers of a body: 1 / mass, step / mass, position, speed.
BODY = 4


def contact_march(
    stiffness: Any,
    damping: Any,
    gap: Any,
    bend: Any,
    past: Any,
    hertz: Any,
    yields: Any,
    hysteresis: Any,
    at_yield: Any,
    beyond: Any,
    deep: Any,
    gone: Any,
    force: Any,
    sums: Any,
    inverse_mass: Any,
    per: Any,
    x: Any,
    v: Any,
    springs: Any,
    rounds: Any,
    contacts: Any,
    plastics: Any,
    joints: Any,
    bodies: Any,
    samples: Any,
    substeps: Any,
    step_s: Any,
    share: Any,
    room: Any,
    out: Any,
) -> None:
    """Some samples of bodies in a row.

    Parameters
    ----------
    stiffness to sums : of each joint, (joints); *inverse_mass* to *v*: of each body, (bodies)
    springs, rounds, contacts, plastics : 1 where a joint has the law of a spring, that of a round
        contact; where it only pushes; where it lets go as soon as it no longer closes; else 0
    substeps, step_s, share : of the samples: steps, step [s], 1 / steps
    out : mean force of each joint; room for *room* samples of each
    """
    for sample in range(samples):
        step = step_s[sample]
        for b in range(bodies):
            per[b] = inverse_mass[b] * step
        for i in range(joints):
            sums[i] = 0.0
        for _ in range(substeps[sample]):
            for i in range(joints):
                closing = x[i] - x[i + 1] - gap[i]
                rate = v[i] - v[i + 1]
                for _ in range(springs[i]):
                    near = bend[i] if bend[i] < closing else closing
                    far = past[i] * (closing - near)
                    force[i] = stiffness[i] * near + far + damping[i] * rate
                for _ in range(rounds[i]):
                    force[i] = 0.0
                    for _ in range(any(closing > 0.0)):
                        depth = deep[i] if deep[i] > closing else closing
                        deep[i] = depth
                        root = sqrt(depth)
                        elastic = hertz[i] * depth * root
                        dented = at_yield[i] + beyond[i] * (depth - yields[i])
                        top = elastic if depth < yields[i] else dented
                        full = top / (hertz[i] * root)
                        left = (closing - depth) + full
                        left = (left if left > 0.0 else 0.0) / full
                        force[i] = top * left * sqrt(left) * (1.0 + hysteresis[i] * rate)
                for _ in range(contacts[i]):
                    push = force[i]
                    push = push if push > 0.0 else 0.0
                    push = push if closing > 0.0 else 0.0
                    for _ in range(plastics[i]):
                        ended = 1.0 if rate <= 0.0 else gone[i]
                        gone[i] = ended if closing > 0.0 else gone[i]
                    force[i] = 0.0 if gone[i] > 0.0 else push
                sums[i] = sums[i] + force[i]
            for i in range(joints):
                v[i + 1] = v[i + 1] + force[i] * per[i + 1]
            for i in range(joints):
                v[i] = v[i] - force[i] * per[i]
            for b in range(bodies):
                x[b] = x[b] + v[b] * step
        for i in range(joints):
            out[i * room + sample] = sums[i] * share[sample]
