"""Local structure at a sensing location: modes that ride on the body and modes that a blow excites.

A mode on a moving base adds its relative acceleration: with base acceleration a,
``u'' + 2 zeta w u' + w^2 u = -a``; the location reads ``a + g u''`` (g: participation [-]). A mode
of modal mass m that a force F excites reads ``F / m`` through the same high-pass. Both return to
rest: they add no lasting velocity.

    H(s) = s^2 / (s^2 + 2 zeta w s + w^2)

Discrete form: bilinear transform, frequency pre-warped at the mode (exact at w). Rows are filtered
one by one, so that a row is the same in any block. Frequencies must stay below a third of the rate.
"""

from __future__ import annotations

from math import pi

import numpy as np

from crashsense.arrays import FloatArray


def mode_sections(*, frequency_hz: float, damping: float, rate_hz: float) -> FloatArray:
    """Second-order section of H(s) = s^2 / (s^2 + 2 zeta w s + w^2), shape (1, 6).

    >>> bool(abs(mode_sections(frequency_hz=50.0, damping=0.1, rate_hz=1e4)[0, :3].sum()) < 1e-12)
    True
    """
    t = np.tan(pi * frequency_hz / rate_hz)
    den = 1.0 + 2.0 * damping * t + t * t
    return np.array(
        [
            [
                1.0 / den,
                -2.0 / den,
                1.0 / den,
                1.0,
                2.0 * (t * t - 1.0) / den,
                (1.0 - 2.0 * damping * t + t * t) / den,
            ]
        ]
    )


def mode_response(
    drive: FloatArray,
    *,
    frequency_hz: FloatArray | float,
    damping: float,
    rate_hz: float,
) -> FloatArray:
    """H(s) applied to *drive*, shape (draws, samples); frequency scalar or (draws,)."""
    from scipy.signal import sosfilt

    rows = np.broadcast_to(np.asarray(frequency_hz, dtype=np.float64), (drive.shape[0],))
    out = np.empty_like(drive)
    for row, frequency in enumerate(rows):
        sections = mode_sections(frequency_hz=float(frequency), damping=damping, rate_hz=rate_hz)
        out[row] = sosfilt(sections, drive[row])
    return out
