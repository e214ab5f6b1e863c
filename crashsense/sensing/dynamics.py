"""The element in motion: second order, stepped, with a mechanical stop.

    x'' + (w0 / Q) x' + w0^2 x = w0^2 a,    |x| <= stop

with x as the acceleration that it would read at rest. Between stops the motion is linear and one
exact step (input linear between samples) serves all draws; rows that reach the stop are stepped
one sample at a time: at the stop the mass rests (the blow is inelastic) until the force turns.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray


def _exact_step(
    *, resonance_hz: float, quality: float, step_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Matrices of the exact step for a first-order hold: state (x, v / w0), inputs a[n], a[n+1]."""
    from scipy.linalg import expm

    w0 = 2.0 * np.pi * resonance_hz
    system = np.zeros((4, 4))
    system[0, 1] = w0
    system[1, :3] = (-w0, -w0 / quality, w0)
    system[2, 3] = 1.0 / step_s
    power = expm(system * step_s)
    now = power[:2, 2] - power[:2, 3]
    return power[:2, :2], now, power[:2, 3]


def step_element(
    samples: FloatArray,
    *,
    rate_hz: float,
    resonance_hz: float,
    quality: float,
    stop: float,
    oversampling: int = 1,
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Return the reading [u] and how many samples lie at the stop, shape (draws,).

    Parameters
    ----------
    samples : true acceleration [u], shape (draws, samples), linear between samples
    rate_hz : its rate [Hz]; the element is stepped at ``oversampling`` times that
    resonance_hz, quality : of the element [Hz], [-]
    stop : reading at the mechanical stop [u]
    """
    from crashsense.scipy_filters import sosfilt

    rate = rate_hz * oversampling
    move, now, then = _exact_step(resonance_hz=resonance_hz, quality=quality, step_s=1.0 / rate)
    fine = _linear_between(samples, oversampling)
    # Transfer function of the exact step from a to x, for the rows that never touch the stop.
    trace, determinant = move[0, 0] + move[1, 1], np.linalg.det(move)
    numerator = [
        then[0],
        now[0] - move[1, 1] * then[0] + move[0, 1] * then[1],
        -move[1, 1] * now[0] + move[0, 1] * now[1],
    ]
    sections = np.array([[*numerator, 1.0, -trace, determinant]])
    first = fine[:, :1]
    out = first + sosfilt(fine - first, sections=sections)[0]
    beyond = np.abs(out).max(axis=-1) > stop
    hits = np.zeros(samples.shape[0], dtype=np.int64)
    if beyond.any():
        rows = np.flatnonzero(beyond)
        out[rows], at_stop = _step_with_stop(fine[rows], move, now, then, stop)
        hits[rows] = np.count_nonzero(at_stop[:, ::oversampling], axis=-1)
    return np.ascontiguousarray(out[:, ::oversampling]), hits


def _linear_between(samples: FloatArray, factor: int) -> FloatArray:
    if factor == 1:
        return samples
    n = samples.shape[-1]
    out = np.empty((samples.shape[0], (n - 1) * factor + 1))
    out[:, ::factor] = samples
    for part in range(1, factor):
        share = part / factor
        out[:, part::factor] = samples[:, :-1] * (1.0 - share) + samples[:, 1:] * share
    return out


def _step_with_stop(
    fine: FloatArray, move: FloatArray, now: FloatArray, then: FloatArray, stop: float
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    x = np.clip(fine[:, 0], -stop, stop)
    v = np.zeros_like(x)
    out = np.empty_like(fine)
    at_stop = np.zeros(fine.shape, dtype=bool)
    out[:, 0] = x
    for n in range(1, fine.shape[-1]):
        before, after = fine[:, n - 1], fine[:, n]
        x, v = (
            move[0, 0] * x + move[0, 1] * v + now[0] * before + then[0] * after,
            move[1, 0] * x + move[1, 1] * v + now[1] * before + then[1] * after,
        )
        hit = np.abs(x) >= stop
        x = np.clip(x, -stop, stop)
        # Inelastic: what velocity is left points away from the stop.
        v = np.where(hit, np.where(x > 0, np.minimum(v, 0.0), np.maximum(v, 0.0)), v)
        out[:, n] = x
        at_stop[:, n] = hit
    return out, at_stop
