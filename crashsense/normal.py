"""Quantiles of the normal distribution: Wichura's algorithm AS 241, in arithmetic alone.

Sums, products, quotients and square roots are rounded alike on every processor; the one logarithm
that the tails need is therefore a series here. A number drawn by inversion is the same to the last
bit whatever the machine, the version of numpy and the engine: the functions of one number below are
what the kernels compile (:mod:`crashsense.compiled.normal`), and numpy applies them to arrays.

Source: M. J. Wichura, "Algorithm AS 241: the percentage points of the normal distribution",
Applied Statistics 37 (1988) 477-484, routine PPND16, whose stated accuracy is about 1 part in
10^16. ``statistics.NormalDist.inv_cdf`` of Python's own library uses the same algorithm.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense.arrays import FloatArray

#: Numbers that are computed at once: with their intermediate results they stay in the cache.
_PIECE = 8192

#: Largest distance from 1/2 of a probability that lies in the middle.
MIDDLE = 0.425

#: Largest ``sqrt(-ln p)`` of a probability in the near tail.
NEAR = 5.0

#: Natural logarithm of 2, and the least fraction that the series of the logarithm takes.
LN_2 = 0.6931471805599453
LEAST_FRACTION = 0.7071067811865476


def quantile(probability: Any) -> FloatArray:
    """Value below which a standard normal number lies with the given probability.

    Parameters
    ----------
    probability : 0 to 1 [-], any shape; 0 gives minus infinity, 1 infinity, NaN itself

    >>> [float(round(x, 6)) for x in quantile([0.5, 0.975, 0.0])]
    [0.0, 1.959964, -inf]
    """
    given = np.asarray(probability, dtype=np.float64)
    flat = np.ascontiguousarray(given).reshape(-1)
    out = np.empty(flat.size)
    for first in range(0, flat.size, _PIECE):
        out[first : first + _PIECE] = _quantiles(flat[first : first + _PIECE])
    return out.reshape(given.shape)


def _quantiles(p: FloatArray) -> FloatArray:
    q = p - 0.5
    out = np.asarray(of_middle(q), dtype=np.float64)
    place = np.flatnonzero(~(np.abs(q) <= MIDDLE))  # NaN as well
    if place.size:
        out[place] = _of_tails(p[place])
    return out


def _of_tails(p: FloatArray) -> FloatArray:
    tail = np.minimum(p, 1.0 - p)
    fraction, exponent = np.frexp(tail)
    small = fraction < LEAST_FRACTION
    np.multiply(fraction, 2.0, out=fraction, where=small)
    r = np.sqrt(-logarithm(fraction, exponent - small))
    size = np.asarray(of_near_tail(r), dtype=np.float64)
    if not r.max() <= NEAR:
        far = np.flatnonzero(r > NEAR)
        size[far] = of_far_tail(r[far])
    size[tail == 0.0] = np.inf
    return np.copysign(size, p - 0.5)


# --- of one number, or of an array; compiled as they are ------------------------------------------


def logarithm(fraction: Any, power: Any) -> Any:
    """Natural logarithm of ``fraction 2^power``, *fraction* between sqrt(1/2) and sqrt(2).

    By ``ln f = 2 artanh s``, s = (f - 1) / (f + 1), whose series ends here with s^21: what is left
    out is less than 1e-17.
    """
    s = (fraction - 1.0) / (fraction + 1.0)
    z = s * s
    sum_ = 1.0 / 19.0 + z * (1.0 / 21.0)
    sum_ = 1.0 / 13.0 + z * (1.0 / 15.0 + z * (1.0 / 17.0 + z * sum_))
    sum_ = 1.0 / 7.0 + z * (1.0 / 9.0 + z * (1.0 / 11.0 + z * sum_))
    sum_ = 1.0 + z * (1.0 / 3.0 + z * (1.0 / 5.0 + z * sum_))
    return 2.0 * s * sum_ + power * LN_2


def of_middle(q: Any) -> Any:
    """Quantile of the probability ``1/2 + q``, \\|q\\| up to :data:`MIDDLE`."""
    r = 0.180625 - q * q
    above = 2.5090809287301226727e3 * r + 3.3430575583588128105e4
    above = ((above * r + 6.7265770927008700853e4) * r + 4.5921953931549871457e4) * r
    above = ((above + 1.3731693765509461125e4) * r + 1.9715909503065514427e3) * r
    above = (above + 1.3314166789178437745e2) * r + 3.3871328727963666080e0
    below = 5.2264952788528545610e3 * r + 2.8729085735721942674e4
    below = ((below * r + 3.9307895800092710610e4) * r + 2.1213794301586595867e4) * r
    below = ((below + 5.3941960214247511077e3) * r + 6.8718700749205790830e2) * r
    below = (below + 4.2313330701600911252e1) * r + 1.0
    return above * q / below


def of_near_tail(root: Any) -> Any:
    """Size of the quantile of a probability p, *root* = ``sqrt(-ln p)`` up to :data:`NEAR`."""
    r = root - 1.6
    above = 7.74545014278341407640e-4 * r + 2.27238449892691845833e-2
    above = ((above * r + 2.41780725177450611770e-1) * r + 1.27045825245236838258e0) * r
    above = ((above + 3.64784832476320460504e0) * r + 5.76949722146069140550e0) * r
    above = (above + 4.63033784615654529590e0) * r + 1.42343711074968357734e0
    below = 1.05075007164441684324e-9 * r + 5.47593808499534494600e-4
    below = ((below * r + 1.51986665636164571966e-2) * r + 1.48103976427480074590e-1) * r
    below = ((below + 6.89767334985100004550e-1) * r + 1.67638483018380384940e0) * r
    below = (below + 2.05319162663775882187e0) * r + 1.0
    return above / below


def of_far_tail(root: Any) -> Any:
    """As :func:`of_near_tail`, *root* above :data:`NEAR`."""
    r = root - 5.0
    above = 2.01033439929228813265e-7 * r + 2.71155556874348757815e-5
    above = ((above * r + 1.24266094738807843860e-3) * r + 2.65321895265761230930e-2) * r
    above = ((above + 2.96560571828504891230e-1) * r + 1.78482653991729133580e0) * r
    above = (above + 5.46378491116411436990e0) * r + 6.65790464350110377720e0
    below = 2.04426310338993978564e-15 * r + 1.42151175831644588870e-7
    below = ((below * r + 1.84631831751005468180e-5) * r + 7.86869131145613259100e-4) * r
    below = ((below + 1.48753612908506148525e-2) * r + 1.36929880922735805310e-1) * r
    below = (below + 5.99832206555887937690e-1) * r + 1.0
    return above / below
