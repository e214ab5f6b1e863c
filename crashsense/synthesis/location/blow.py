"""What a sensing location feels of a blow: a force history through the modes of the place.

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

from crashsense.synthesis.location.modes import FloatArray
from crashsense.synthesis.location.place import Modes, Place, drawn_modes
from crashsense.synthesis.model import Variation

#: Share of the rate up to which the answer is computed; modes above it are left out.
HIGHEST_SHARE = 0.36
#: Time that the modes are given to ring down before the record is closed in itself [s].
RING_DOWN_S = 0.10


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

    Each draw is made by itself, so that it is the same in any block.
    """
    from scipy.fft import next_fast_len

    samples = force.shape[1]
    length = int(next_fast_len(samples + round(RING_DOWN_S * rate_hz), real=True))
    count = int(HIGHEST_SHARE * length) + 1
    # The bilinear map, exact at the mode: tan(pi f / rate) stands for frequency.
    tangent = np.tan(pi / length * np.arange(count))
    modes = {n: drawn_modes(places[n], n, variation=variation) for n in paths}
    out = {name: np.empty(force.shape) for name in paths}
    for row in range(variation.size):
        pushed = np.fft.rfft(force[row], n=length)[:count]
        for name, path in paths.items():
            real, imaginary = _response(modes[name], row, path, tangent, rate_hz)
            real /= places[name].mass_kg
            imaginary /= places[name].mass_kg
            answer = np.empty(count, dtype=np.complex128)
            answer.real = pushed.real * real - pushed.imag * imaginary
            answer.imag = pushed.real * imaginary + pushed.imag * real
            out[name][row] = np.fft.irfft(answer, n=length)[:samples]
    return out


def _response(
    modes: Modes, row: int, path: Path, tangent: FloatArray, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Real and imaginary part of the sum of weight H over the modes of one draw, shape (bins,)."""
    frequency = modes.frequency_hz[row]
    gain = modes.weight[row] * path.gain
    if not path.direct:
        gain = gain * modes.sign[row] / np.sqrt(1.0 + np.square(frequency / path.corner_hz))
    low = frequency < HIGHEST_SHARE * rate_hz
    gain, damping = gain[low][:, None], modes.damping[row][low][:, None]
    u = tangent / np.tan(pi / rate_hz * frequency[low])[:, None]
    # H = -r / ((1 - r) + 2 j z u), r = u^2
    share = u * u
    apart = 1.0 - share
    below = (4.0 * damping * damping) * share
    below += apart * apart
    share *= gain
    share /= below
    u *= share
    u *= 2.0 * damping
    apart *= share
    return -_summed(apart), _summed(u)


def _summed(parts: FloatArray) -> FloatArray:
    """Sum over the first axis in order, the same in any block."""
    out = parts[0].copy()
    for each in parts[1:]:
        out += each
    return out
