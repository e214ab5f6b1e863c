"""Response of a sensing location to a blow: a force history through the modes of the place.

A force F at the place moves its local mass m through all its modes,

    a = (1 / m) sum_i w_i H_i(s) F,   H_i(s) = s^2 / (s^2 + 2 z_i w_i s + w_i^2),   sum w_i = 1,

so that a blow that is short against all modes is felt as F / m, a slow one not at all: the motion
of the car as a body is added by the model of the event. A location further away feels the same
force through a *path*: a share of it, less at high frequencies, in each mode with a sign of its
own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, pi

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.engine import given
from crashsense.synthesis.location.place import Modes, Place, drawn_modes, drawn_signs
from crashsense.synthesis.model import Variation

#: Share of the rate up to which modes are taken; the bilinear map bends what lies above.
HIGHEST_SHARE = 0.36


@dataclass(frozen=True)
class Path:
    """How a force comes from where it acts to a place.

    Parameters
    ----------
    gain : share of the force that is felt at low frequencies [-]; 1 with *corner_hz* infinite: the
        force acts at the place itself
    corner_hz : modes above it are excited less, by 1 / sqrt(1 + (f / corner)^2) [Hz]
    """

    gain: float = 1.0
    corner_hz: float = inf

    @property
    def direct(self) -> bool:
        """True if the force acts at the place itself: all modes answer with one sign."""
        return self.gain == 1.0 and self.corner_hz == inf


def blow_response(
    force: FloatArray,
    *,
    places: Mapping[str, Place],
    paths: Mapping[str, Path],
    variation: Variation,
    rate_hz: float,
) -> dict[str, FloatArray]:
    """Local acceleration along the force [m/s^2], by channel, shape (draws, samples).

    Parameters
    ----------
    force : force on the structure [N], shape (draws, samples), from rest
    places : channel -> place
    paths : channel -> path of the force; a channel without one feels nothing and is left out
    variation : the draws (the modes are those that :func:`.shaking.shake` meets)
    rate_hz : sampling rate [Hz]; modes above 0.36 of it are left out

    Each draw is computed by itself, so that it is the same in any block. Engines numpy and fast
    (:func:`crashsense.compiled.marches.modal_steps`) give the same bits.
    """
    sections = blow_sections(places=places, paths=paths, variation=variation, rate_hz=rate_hz)
    return {name: modal_answer(own, force) for name, own in sections.items()}


def blow_sections(
    *, places: Mapping[str, Place], paths: Mapping[str, Path], variation: Variation, rate_hz: float
) -> dict[str, FloatArray]:
    """The modes by which :func:`blow_response` answers, by channel, each (draws, modes, 5)."""
    out = {}
    for name, path in paths.items():
        modes = drawn_modes(places[name], name, variation=variation)
        gain = modes.weight * (path.gain / places[name].mass_kg)
        if not path.direct:
            signs = drawn_signs(places[name], name, variation=variation)
            gain = gain * signs / np.sqrt(1.0 + np.square(modes.frequency_hz / path.corner_hz))
        out[name] = _sections(modes, gain, rate_hz=rate_hz)
    return out


def _sections(modes: Modes, gain: FloatArray, *, rate_hz: float) -> FloatArray:
    """*gain* H of each mode, by the bilinear map, exact at the mode: shape (draws, modes, 5).

    b (1 - 2 q + q^2) / (1 + c q + d q^2), q one sample of delay: b, -2 b, b, c, d. A mode above the
    highest share of the rate has b = 0.
    """
    high = modes.frequency_hz >= HIGHEST_SHARE * rate_hz
    t = np.tan(pi / rate_hz * np.where(high, 0.25 * rate_hz, modes.frequency_hz))
    below = 1.0 + 2.0 * modes.damping * t + t * t
    b = np.where(high, 0.0, gain) / below
    c = 2.0 * (t * t - 1.0) / below
    return np.stack([b, -2.0 * b, b, c, (1.0 - 2.0 * modes.damping * t + t * t) / below], axis=-1)


def modal_answer(sections: FloatArray, force: FloatArray) -> FloatArray:
    """Sum of the answers of *sections* (draws, modes, 5), from rest, to each row of *force*.

    A section is b0, b1, b2, a1, a2 (a0 = 1). Each engine gives the same bits.
    """
    out = np.empty(force.shape)
    compiled = engine.kernels()
    if compiled is not None:
        compiled.modal_steps(given(sections), given(force[np.newaxis]), out[np.newaxis])
        return out
    from crashsense.scipy_filters import lfilter

    for row in range(force.shape[0]):
        for mode, section in enumerate(sections[row]):
            answer = lfilter(force[row], b=section[:3], a=(1.0, *section[3:]))
            if mode:
                out[row] += answer
            else:
                out[row] = answer
    return out
