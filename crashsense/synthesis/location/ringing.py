"""Local ringing: what a sensing location adds to the rigid-body motion of its body.

Two parts. *Structural modes* (engine on its mounts, tunnel, floor, brackets) answer the history of
the exciting force: each is a decaying sine excited by dF/dt. A *broad band* answers folding and
fracture of sheet metal: random, limited to a band, its mean square proportional to the power that
the structure absorbs.

Both are oscillations about the rigid-body motion: once the excitation has ended and the modes have
rung down they have added no velocity.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin

import numpy as np
import numpy.typing as npt

from crashsense import engine

FloatArray = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

#: Makes standard normal numbers: (channel, rows of draws) -> shape (rows, samples).
NoiseSource = Callable[[str, Rows], FloatArray]

#: Rows that are filtered together.
ROWS = 32
#: Deviations of mode frequencies are rounded to this step, so that draws share filters [-].
FREQUENCY_STEP = 0.02


@dataclass(frozen=True)
class Mode:
    """One structural mode of a location.

    Impulse response to dF/dt: gain * w * exp(-z w t) * sin(w t) (per unit of drive), which is the
    band-pass gain * w s / (s^2 + 2 z w s + w^2); amplification at resonance gain / (2 z).

    Parameters
    ----------
    frequency_hz : natural frequency w / (2 pi) [Hz]
    damping : fraction z of critical damping [-], 0 < z < 1
    gain : weight [-]

    Source: form and ranges (30-400 Hz, z 0.03-0.10) from memory of crash-sensing practice.
    """

    frequency_hz: float
    damping: float
    gain: float


@dataclass(frozen=True)
class Band:
    """Broad-band vibration by folding and fracture.

    Mean square of the acceleration = (strength * nearness)^2 * absorbed power per vehicle mass;
    nearness = min(1, absorbed energy per vehicle mass / reach): folding starts at the bumper and
    is hardly felt in the cabin until it has come near. So it is in public crash record 10146, whose
    floor rings with 2 g in the first 10 ms and with 20-30 g from 15 ms on.

    Parameters
    ----------
    low_hz, high_hz : band edges (-3 dB) [Hz]
    strength : root mean square acceleration [m/s^2] at 1 W/kg of absorbed power
    reach_j_kg : absorbed energy from which folding is felt in full [J/kg]; 0: at once
    """

    low_hz: float
    high_hz: float
    strength: float
    reach_j_kg: float = 0.0


@dataclass(frozen=True)
class LocalStructure:
    """The local structure of one sensing location: modes and band."""

    modes: tuple[Mode, ...] = ()
    band: Band | None = None


Sections = tuple[tuple[float, ...], ...]


@lru_cache(maxsize=4096)
def _mode_sections(modes: tuple[Mode, ...], step: int, rate_hz: float) -> Sections:
    """All modes of a location side by side, as one cascade of second-order sections.

    Each mode is the band-pass gain * w s / (s^2 + 2 z w s + w^2) by the bilinear map, exact at w:
    gain * b (1 - z^-2) / A(z). Their sum over the common denominator has the numerator
    (1 - z^-2) times a polynomial, whose roots are shared out over the sections.

    Parameters
    ----------
    modes : at least one
    step : deviation of all frequencies in units of FREQUENCY_STEP
    rate_hz : sampling rate [Hz]
    """
    weights, below = [], []
    for mode in modes:
        angle = 2.0 * pi * mode.frequency_hz * (1.0 + FREQUENCY_STEP * step) / rate_hz
        alpha = mode.damping * sin(angle)
        scale = 1.0 / (1.0 + alpha)
        # The digital peak gain is 1; the analogue one is 1 / (2 z).
        weights.append(mode.gain * alpha * scale / (2.0 * mode.damping))
        below.append(np.array([1.0, -2.0 * cos(angle) * scale, (1.0 - alpha) * scale]))
    above = np.zeros(2 * len(modes) - 1)
    for number, weight in enumerate(weights):
        others = np.array([weight])
        for other, polynomial in enumerate(below):
            if other != number:
                others = np.convolve(others, polynomial)
        above += others
    gain = float(above[np.flatnonzero(above)[0]]) if above.any() else 0.0
    roots = np.roots(above)
    pairs = [(-2.0 * float(r.real), float(abs(r)) ** 2) for r in roots if r.imag > 0.0]
    real = sorted(float(r.real) for r in roots if r.imag == 0.0)
    pairs += [(-(a + b), a * b) for a, b in zip(real[::2], real[1::2], strict=False)]
    pairs += [(-real[-1], 0.0)] if len(real) % 2 else []
    pairs += [(0.0, 0.0)] * (len(modes) - 1 - len(pairs))
    numerators = [(gain, 0.0, -gain), *((1.0, b, c) for b, c in pairs)]
    return tuple((*upper, *lower.tolist()) for upper, lower in zip(numerators, below, strict=True))


@lru_cache(maxsize=256)
def _band_sections(band: Band, rate_hz: float) -> Sections:
    """Second-order Butterworth band-pass that turns white noise of unit variance into noise of the
    band's strength."""
    from scipy.signal import butter, sosfilt

    sections = butter(2, (band.low_hz, band.high_hz), btype="bandpass", fs=rate_hz, output="sos")
    impulse = np.zeros(8192)
    impulse[0] = 1.0
    energy = float(np.sum(np.square(sosfilt(sections, impulse))))
    sections[0, :3] *= band.strength / energy**0.5
    return tuple(map(tuple, sections.tolist()))


def _filtered(sections: Sections, rows: FloatArray) -> FloatArray:
    """Second-order sections along each row, from rest."""
    from scipy.signal import sosfilt

    compiled = engine.kernels()
    table = np.array(sections)
    if compiled is None:
        return np.asarray(sosfilt(table, rows, axis=-1))
    return np.asarray(compiled.filter_rows(table, rows, np.zeros((len(table), len(rows), 2))))


def _by_frequency(factor: FloatArray) -> list[tuple[int, Rows]]:
    """Draws that share their filters: (deviation in FREQUENCY_STEP, rows), a few rows at a time."""
    steps = np.round((factor - 1.0) / FREQUENCY_STEP).astype(np.int64)
    groups = []
    for step in np.unique(steps):
        rows = np.flatnonzero(steps == step)
        groups += [(int(step), rows[at : at + ROWS]) for at in range(0, rows.size, ROWS)]
    return groups


def ring(
    rigid: Mapping[str, FloatArray],
    *,
    structures: Mapping[str, LocalStructure],
    drive: FloatArray,
    power: FloatArray,
    rate_hz: float,
    frequency_factor: FloatArray,
    noise: NoiseSource,
    pages: Sequence[Rows],
    spent: frozenset[str] = frozenset(),
    first: int = 0,
    last: int | None = None,
) -> dict[str, FloatArray]:
    """Rigid-body motion plus local ringing [m/s^2] of every location, by channel.

    Parameters
    ----------
    rigid : channel -> acceleration of its body, shape (draws, samples), zero before *first*
    structures : channel -> local structure; a channel without one stays as it is
    drive : exciting force over vehicle mass [m/s^2], shape (draws, samples), zero before *first*
    power : absorbed (crush) power per vehicle mass [W/kg], shape (draws, samples)
    rate_hz : sampling rate [Hz]
    frequency_factor : factor on all mode frequencies, shape (draws,); rounded to FREQUENCY_STEP
    noise : standard normal numbers of a channel for some draws, shape (rows, last - first)
    pages : rows of draws whose noise is best made together; each row once
    spent : channels whose array in *rigid* serves nothing else: it takes the sum
    first : index of the first sample that can differ from zero
    last : index behind the last sample with power; the band has rung down soon after

    Rows depend on nothing but themselves: a block gives what its rows give one by one. Few rows go
    through all locations before the next, so that they stay in the processor's cache.
    """
    shaken = {name: structures[name] for name in rigid if name in structures}
    out = dict(rigid)
    for name in shaken.keys() - spent:
        out[name] = np.empty_like(drive)
        out[name][:, :first] = 0.0
    for step, rows in _by_frequency(frequency_factor):
        force = drive[rows, first:]
        for name, structure in shaken.items():
            if structure.modes:
                part = _filtered(_mode_sections(structure.modes, step, rate_hz), force)
                part += rigid[name][rows, first:]
            else:
                part = rigid[name][rows, first:]
            out[name][rows, first:] = part
    end = drive.shape[1] if last is None else last
    for rows in pages:
        absorbed = np.maximum(power[rows, first:end], 0.0)
        root = np.sqrt(absorbed)
        loudness = {0.0: root}
        for name, structure in shaken.items():
            if structure.band is not None:
                reach = structure.band.reach_j_kg
                if reach not in loudness:
                    energy = np.cumsum(absorbed, axis=-1) / rate_hz
                    loudness[reach] = root * np.minimum(energy / reach, 1.0)
                excitation = noise(name, rows)
                excitation *= loudness[reach]
                sections = _band_sections(structure.band, rate_hz)
                out[name][rows, first:end] += _filtered(sections, excitation)
    return out
