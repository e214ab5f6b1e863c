"""Channel frequency classes of crash-test records (SAE J211-1, ISO 6487): zero phase, acausal.

For records and comparison only. A control unit cannot look ahead: what it sees goes through
:mod:`crashsense.filters.causal`.
"""

from __future__ import annotations

from math import pi, sqrt, tan
from typing import overload

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError
from crashsense.filters.zero_phase import forth_and_back
from crashsense.signal import Signal

#: The channel frequency classes of the standards [Hz].
CHANNEL_CLASSES = (60, 180, 600, 1000)

#: One-pass -3 dB corner per unit of channel class [-]: (5/3) / (sqrt(2) - 1)^(1/4), rounded as the
#: standard prints it. Forward and backward together are -3 dB at 1.6667 times the class.
ONE_PASS_CORNER = 2.0775

#: Part of the record mirrored at each end before filtering [s]. SAE J211-1 asks for at least 10 ms
#: of data around the region of interest (from memory) and leaves the method to the user.
MIRRORED_S = 0.05


def channel_class_sections(*, rate_hz: float, channel_class: int) -> FloatArray:
    """Return the second-order section of one pass, shape (1, 6): b0 b1 b2 1 a1 a2.

    Equation (SAE J211-1 Appendix C style, from memory), T = 1/rate::

        wd = 2 pi CFC 2.0775      wa = tan(wd T / 2)      den = 1 + sqrt2 wa + wa^2
        b0 = wa^2/den   b1 = 2 b0   b2 = b0
        a1 = 2 (wa^2 - 1)/den     a2 = (1 - sqrt2 wa + wa^2)/den

    The standard writes the feedback with the opposite sign (b1 = -a1, b2 = -a2 here).

    Parameters
    ----------
    rate_hz : sampling rate [Hz], more than twice 2.0775 times the class
    channel_class : one of :data:`CHANNEL_CLASSES` [Hz]

    >>> section = channel_class_sections(rate_hz=10000.0, channel_class=60)
    >>> f"{section[0, 0]:.11f}"
    '0.00145236747'
    """
    faults = []
    if channel_class not in CHANNEL_CLASSES:
        known = ", ".join(str(c) for c in CHANNEL_CLASSES)
        faults.append(Fault("filter", "channel_class", channel_class, f"one of {known}"))
    elif not rate_hz > 2.0 * ONE_PASS_CORNER * channel_class:
        limit = 2.0 * ONE_PASS_CORNER * channel_class
        faults.append(
            Fault("filter", "rate_hz", rate_hz, f"above {limit:g} Hz for class {channel_class}")
        )
    if faults:
        raise InputError(faults)
    corner = tan(pi * channel_class * ONE_PASS_CORNER / rate_hz)
    denominator = 1.0 + sqrt(2.0) * corner + corner**2
    b0 = corner**2 / denominator
    a1 = 2.0 * (corner**2 - 1.0) / denominator
    a2 = (1.0 - sqrt(2.0) * corner + corner**2) / denominator
    return np.array([[b0, 2.0 * b0, b0, 1.0, a1, a2]])


@overload
def channel_class_filter(samples: Signal, *, channel_class: int) -> Signal: ...


@overload
def channel_class_filter(
    samples: npt.ArrayLike, *, rate_hz: float, channel_class: int
) -> FloatArray: ...


def channel_class_filter(
    samples: Signal | npt.ArrayLike, *, channel_class: int, rate_hz: float | None = None
) -> Signal | FloatArray:
    """Filter a record to a channel class, forward and backward: no phase shift, not causal.

    Two passes of the two-pole section of :func:`channel_class_sections`: four poles in all, -3 dB
    at about 1.6667 times the class. Both ends are mirrored through their end point over
    :data:`MIRRORED_S` (less where the record is shorter) and the filter starts settled on the first
    value, so a constant or a ramp has no start-up transient. Programs that start another way may
    differ within about 10 ms of either end.

    Parameters
    ----------
    samples : a :class:`~crashsense.signal.Signal`, or an array of shape (..., samples), finite
    rate_hz : sampling rate of an array [Hz]; a signal has its own
    channel_class : 60, 180, 600 or 1000 [Hz]

    Returns
    -------
    signal, or array of the same shape and unit

    >>> flat = channel_class_filter(np.ones(500), rate_hz=10000.0, channel_class=60)
    >>> bool(np.allclose(flat, 1.0, rtol=0, atol=1e-12))
    True
    """
    if isinstance(samples, Signal):
        if rate_hz is not None:
            expected = "nothing: a signal has its own rate"
            raise InputError([Fault("filter", "rate_hz", rate_hz, expected)])
        filtered = channel_class_filter(
            samples.samples, rate_hz=samples.rate_hz, channel_class=channel_class
        )
        note = f"filtered to channel class {channel_class} (zero phase)"
        return samples.replaced(filtered, note=note)
    if rate_hz is None:
        raise InputError([Fault("filter", "rate_hz", None, "the sampling rate of the array in Hz")])
    sections = channel_class_sections(rate_hz=rate_hz, channel_class=channel_class)
    values = np.asarray(samples, dtype=np.float64)
    if values.ndim < 1 or not np.isfinite(values).all():
        expected = "finite values, shape (..., samples)"
        raise InputError([Fault("filter", "samples", f"shape {values.shape}", expected)])
    mirrored = min(values.shape[-1] - 1, round(MIRRORED_S * rate_hz))
    return forth_and_back(values, sections=sections, mirrored=mirrored)
