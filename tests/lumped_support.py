"""A lumped-mass system of which only the given springs and bodies exist, for closed forms."""

from __future__ import annotations

import numpy as np

from crashsense.synthesis.dynamics.lumped import FREEDOMS, SPRINGS, System
from crashsense.synthesis.dynamics.lumped_system import RIPPLED

MASS, SPEED = 1500.0, 56.0 / 3.6


def single(*, springs=None, ties=None, mass=None, velocity=None, **plane):
    """A system without any spring except the given ones; all bodies fixed except those given."""
    one = np.ones(1)
    springs = springs or {}
    nothing = ((0.0, 0.0), (1.0, 0.0))
    masses = dict.fromkeys(FREEDOMS, np.inf * one) | {k: v * one for k, v in (mass or {}).items()}
    ahead = plane.pop("direct_ahead_m", 0.0)
    right = plane.pop("direct_right_m", 0.0)
    return System(
        mass=masses,
        velocity=dict.fromkeys(FREEDOMS, 0.0 * one)
        | {k: v * one for k, v in (velocity or {}).items()},
        envelopes={n: springs[n][0] if n in springs else nothing for n in SPRINGS},
        stiffness={n: springs[n][1] if n in springs else 1.0 for n in SPRINGS},
        share={n: one * (n in springs) for n in SPRINGS},
        gap=dict.fromkeys(SPRINGS, 0.0 * one),
        rate=0.0,
        ripple=dict.fromkeys(RIPPLED, 0.0 * one),
        fold_m=1.0,
        phase=dict.fromkeys(RIPPLED, 0.0 * one),
        pull_n=0.0,
        slip_n=0.0,
        slip_n_s_m=0.0,
        ties={"mounts": (1.0, 0.0, 0.0), "beam": (1.0, 0.0, 0.0)} | (ties or {}),
        angle=plane.pop("angle", 0.0) * one,
        friction=plane.pop("friction", 0.0) * one,
        width_m=plane.pop("width_m", np.inf) * one,
        half_span_m=0.45,
        front_ahead_m=1.75,
        direct_ahead_m=ahead,
        direct_right_m=right,
        **plane,
    )
