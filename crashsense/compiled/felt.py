"""Steps of what is felt in a frontal crash, of one draw: motion in body axes, absorbed power.

Written in plain numbers, as :mod:`.transform` is, and run on lanes by :mod:`.places`; the twins in
numpy are named beside them. Numba is not imported here.
"""

from __future__ import annotations

from math import factorial
from typing import Any

from crashsense.compiled.transform import Pair

#: Coefficients of the series of sin(x) / x and cos(x) in x^2, the highest power first: enough for
#: the last bit up to 0.8 rad.
_SINE = tuple((-1) ** n / factorial(2 * n + 1) for n in range(7, -1, -1))
_COSINE = tuple((-1) ** n / factorial(2 * n) for n in range(8, -1, -1))


def cosine_and_sine(angle: Any) -> Pair:
    """Cosine and sine of a number, a vector or an array, to 1e-15 up to 3.2 rad.

    In a whole turn they are good to 5e-12, in two to 4e-6. Products and sums alone: the same bits
    on every processor and engine, where libraries differ in the last one. By their series for a
    quarter of the angle, which is doubled twice.
    """
    small = angle * 0.25
    square = small * small
    sine, cosine = square * _SINE[0] + _SINE[1], square * _COSINE[0] + _COSINE[1]
    for factor in _SINE[2:]:
        sine = sine * square + factor
    for factor in _COSINE[2:]:
        cosine = cosine * square + factor
    sine = sine * small
    for _ in range(2):
        sine, cosine = 2.0 * (sine * cosine), 1.0 - 2.0 * (sine * sine)
    return cosine, sine


def turn_march(
    yaw: Any,
    samples: Any,
    step: Any,
    so_far: Any,
    sums: Any,
    square: Any,
    cosine: Any,
    sine: Any,
) -> None:
    """Square of the yaw rate, cosine and sine of the yaw angle; twin: ``frontal.felt.put_motion``.

    *so_far*: sums of acceleration and of rate before, set to those behind; *sums*: room for them.
    """
    sums[0], sums[1] = so_far[0], so_far[1]
    for n in range(samples):
        sums[0] = sums[0] + yaw[n]
        rate = sums[0] * step
        sums[1] = sums[1] + rate
        square[n] = rate * rate
        cosine[n], sine[n] = cosine_and_sine(sums[1] * step)
    so_far[0], so_far[1] = sums[0], sums[1]


def along_march(
    x: Any,
    y: Any,
    yaw: Any,
    square: Any,
    cosine: Any,
    sine: Any,
    samples: Any,
    ahead: Any,
    right: Any,
    out: Any,
) -> None:
    """Acceleration of a place along the car's own x axis; twin: ``frontal.felt.put_motion``."""
    for n in range(samples):
        own = x[n] * cosine[n] + y[n] * sine[n]
        out[n] = (own - right * yaw[n]) - ahead * square[n]


def across_march(
    x: Any,
    y: Any,
    yaw: Any,
    square: Any,
    cosine: Any,
    sine: Any,
    samples: Any,
    ahead: Any,
    right: Any,
    out: Any,
) -> None:
    """The same along its y axis."""
    for n in range(samples):
        own = y[n] * cosine[n] - x[n] * sine[n]
        out[n] = (own + ahead * yaw[n]) - right * square[n]


# --- absorbed power, twins: location.power and frontal.felt -------------------------------------


def loss_march(
    x: Any,
    crushing: Any,
    samples: Any,
    half: Any,
    of_draw: Any,
    sums: Any,
    ends: Any,
    lost: Any,
    slowed: Any,
    folds: Any,
) -> None:
    """Deceleration and the velocity that it takes; both inputs once more, for a filter.

    *half*: half a step [s]; *of_draw*: speed at contact; set are, behind it, least velocity and
    most *crushing*; *sums*, *ends*: room for two numbers each.
    """
    ends[0], ends[1] = of_draw[0], crushing[0]
    # With its negative the first deceleration takes nothing. -0.0 leaves any number as it is.
    sums[0], sums[1] = x[0], -0.0
    for n in range(samples):
        now = -x[n]
        sums[1] = sums[1] + (now + sums[0]) * half
        sums[0] = now
        ends[0] = min(ends[0], of_draw[0] - sums[1])
        ends[1] = max(ends[1], crushing[n])
        lost[n], slowed[n], folds[n] = sums[1], now, crushing[n]
    of_draw[1], of_draw[2] = ends[0], ends[1]


def mirror_march(before: Any, rows: Any, behind: Any, last: Any, mirrored: Any) -> None:
    """Both ends mirrored through their end point, the last of which is sample *last*."""
    for n in range(mirrored):
        before[n] = 2.0 * rows[0] - rows[mirrored - n]
        behind[n] = 2.0 * rows[last] - rows[last - (n + 1)]


def filter_march(
    first: Any,
    second: Any,
    begin: Any,
    by: Any,
    count: Any,
    section: Any,
    rest: Any,
    one: Any,
    other: Any,
) -> None:
    """A second-order section over two rows, in place, from number *begin* on, forth or back.

    *section*: b0, b1, b2, a1, a2; *rest*: its state where it has stood at 1; *by*: 1 or -1; *one*,
    *other*: room for two numbers each.
    """
    one[0], one[1] = rest[0] * first[begin], rest[1] * first[begin]
    other[0], other[1] = rest[0] * second[begin], rest[1] * second[begin]
    for n in range(count):
        at = begin + by * n
        x = first[at]
        y = section[0] * x + one[0]
        one[0] = section[1] * x - section[3] * y + one[1]
        one[1] = section[2] * x - section[4] * y
        first[at] = y
        x = second[at]
        y = section[0] * x + other[0]
        other[0] = section[1] * x - section[3] * y + other[1]
        other[1] = section[2] * x - section[4] * y
        second[at] = y


def power_march(
    slowed: Any,
    folds: Any,
    crushing: Any,
    lost: Any,
    grown: Any,
    samples: Any,
    of_draw: Any,
    laws: Any,
    top: Any,
    out: Any,
) -> None:
    """Absorbed power, ringing down and with the folds.

    *slowed*, *folds*: filtered; *of_draw*: speed, its least and most *crushing* as above, velocity
    common to all masses, or 0; *laws*: share that comes and goes with the folds, its most, least of
    the filtered folds as a share of the most and as such; *top*: room for a number.
    """
    left = of_draw[0] - max(of_draw[3], of_draw[1])
    least = laws[2] * of_draw[2] + laws[3]
    top[0] = 0.0
    for n in range(samples):
        absorbed = max(slowed[n], 0.0) * max(left - lost[n], 0.0)
        top[0] = max(top[0], absorbed * grown[n])
        followed = min(crushing[n] / max(folds[n], least), laws[1])
        out[n] = top[0] / grown[n] * ((1.0 - laws[0]) + laws[0] * followed)


def near_march(lost: Any, samples: Any, of_draw: Any, per_step: Any, crush: Any, out: Any) -> None:
    """Nearness of the crush, from the velocity at which it closes; *crush*: room for a number.

    *of_draw*: speed, and behind three others that of what is met.
    """
    crush[0] = -0.0
    for n in range(samples):
        crush[0] = crush[0] + max((of_draw[0] - lost[n]) - of_draw[4], 0.0)
        out[n] = min(crush[0] * per_step, 1.0)
