"""Steps of random shaking, of one draw: from random numbers by a Fourier transform to motion.

Written in plain numbers, as :mod:`.chain` is; :func:`with_mode` works on arrays too, and numpy uses
it (:mod:`crashsense.synthesis.location.transform`). Numba is not imported here.

The transform is that of ``numpy.fft.irfft`` to the last bit where numpy is compiled without fused
multiplication (x86-64), for lengths that are powers of 2: passes of radix 4 over real numbers, one
of radix 2 first where need be (P. N. Swarztrauber, "Vectorizing the FFTs", in: Parallel
Computations, Academic Press 1982; the order of operations is that of pocketfft, which numpy uses).
Numbers of a pass stand as ``re 0, re 1, im 1, re 2, im 2, ..., re half``.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

#: Two numbers, or arrays of them.
Pair = tuple[Any, Any]

#: Square root of 2.
ROOT_2 = 1.4142135623730951


# --- of one number, or of an array ----------------------------------------------------------------


def with_mode(answer: Any, below: Any, top: Any, under: Any) -> Pair:
    """One more mode in the fraction ``top / under``, the power of several modes' answers.

    That of a mode is ``answer / below``: ``weight^2 r^2 / (1 + bend r + r^2)``, with ``r = (f /
    f_mode)^2`` and bend ``4 damping^2 - 2``. A fraction of all of them costs one division.
    """
    return top * below + answer * under, under * below


# --- of one draw, from bin to bin and from sample to sample ---------------------------------------


def amplitude_march(
    frequency_2: Any,
    inverse: Any,
    bend: Any,
    weight: Any,
    gain: Any,
    widths: Any,
    firsts: Any,
    bands: Any,
    modes: Any,
    top: Any,
    under: Any,
    energy: Any,
    out: Any,
) -> None:
    """Amplitude of every bin; twin: ``location.transform.amplitudes``.

    Parameters
    ----------
    frequency_2 : square of its frequency, (bins)
    inverse, bend, weight : 1 / square of the frequency, bend, weight of each mode, (modes)
    gain : root mean square of each band, (bands); *widths*, *firsts*: its bins, and the first
    top, under, energy : room for a number each
    """
    for band in range(bands):
        first, width = firsts[band], widths[band]
        energy[0] = 0.0
        for k in range(width):
            n = first + k
            top[0], under[0] = 0.0, 1.0
            for m in range(modes):
                ratio = frequency_2[n] * inverse[m]
                below = (ratio + bend[m]) * ratio + 1.0
                answer = ratio * weight[m]
                top[0], under[0] = with_mode(answer * answer, below, top[0], under[0])
            power = top[0] / under[0]
            energy[0] = energy[0] + power
            out[n] = sqrt(power)
        factor = gain[band] / sqrt(energy[0])
        for k in range(width):
            out[first + k] = out[first + k] * factor


def numbers_march(
    real: Any,
    imaginary: Any,
    more_real: Any,
    more_imaginary: Any,
    share: Any,
    rest: Any,
    amplitude: Any,
    bins: Any,
    low: Any,
) -> None:
    """Put the common part into the lowest bins, then the amplitude into all, in place."""
    for n in range(low):
        real[n] = real[n] * rest + share * more_real[n]
        imaginary[n] = imaginary[n] * rest + share * more_imaginary[n]
    for n in range(bins):
        real[n], imaginary[n] = real[n] * amplitude[n], imaginary[n] * amplitude[n]


def spectrum_march(
    real: Any, imaginary: Any, begin: Any, width: Any, first: Any, length: Any, to: Any
) -> None:
    """Some bins, of which number *begin* is bin *first* + *begin*, as a spectrum; zero elsewhere.

    Neither bin 0 nor bin *length* / 2 may be among them.
    """
    for n in range(length):
        to[n] = 0.0
    for n in range(width):
        at = begin + n
        place = (first + at) * 2
        to[place - 1], to[place] = real[at], imaginary[at]


def halves_march(
    given: Any, parts: Any, size: Any, pairs: Any, evens: Any, cosine: Any, sine: Any, to: Any
) -> None:
    """A pass of radix 2: *parts* spectra of 2 x *size* numbers into twice as many.

    *pairs*: (size - 1) / 2 complex numbers; *evens*: *parts* if *size* is even, else none.
    """
    apart = parts * size
    for k in range(parts):
        at, out = k * size * 2, k * size
        a, b = given[at], given[at + size * 2 - 1]
        to[out], to[out + apart] = a + b, a - b
        for i in range(pairs):
            n = i * 2 + 1
            m = size * 2 - 3 - i * 2
            turn = (i + 1) * parts
            ar, br = given[at + n], given[at + m]
            ai, bi = given[at + n + 1], given[at + m + 1]
            to[out + n], to[out + n + 1] = ar + br, ai - bi
            r, i2 = ar - br, ai + bi
            c, s = cosine[turn], sine[turn]
            to[out + apart + n + 1] = c * i2 + s * r
            to[out + apart + n] = c * r - s * i2
    for k in range(evens):
        at, out = k * size * 2, k * size
        to[out + size - 1] = 2.0 * given[at + size - 1]
        to[out + size - 1 + apart] = -2.0 * given[at + size]


def quarters_march(
    given: Any, parts: Any, size: Any, pairs: Any, evens: Any, cosine: Any, sine: Any, to: Any
) -> None:
    """A pass of radix 4: *parts* spectra of 4 x *size* numbers into four times as many; as above.

    In a spectrum number n of a quarter meets the last but n of another, as its mirror image.
    """
    apart = parts * size
    for k in range(parts):
        first = k * size * 4
        second, third, fourth = first + size, first + size * 2, first + size * 3
        one = k * size
        two, three, four = one + apart, one + apart * 2, one + apart * 3
        a, b = given[first], given[fourth + size - 1]
        more, less = a + b, a - b
        c, d = 2.0 * given[second + size - 1], 2.0 * given[third]
        to[one], to[three] = more + c, more - c
        to[four], to[two] = less + d, less - d
        for i in range(pairs):
            n = i * 2 + 1
            m = size - 3 - i * 2
            ar, br = given[first + n], given[fourth + m]
            ai, bi = given[first + n + 1], given[fourth + m + 1]
            cr, dr = given[third + n], given[second + m]
            ci, di = given[third + n + 1], given[second + m + 1]
            more_r, less_r, more_i, less_i = ar + br, ar - br, ai - bi, ai + bi
            even_r, odd_i, odd_r, even_i = cr + dr, cr - dr, ci + di, ci - di
            to[one + n], to[one + n + 1] = more_r + even_r, more_i + even_i
            turn = (i + 1) * parts
            r, j = less_r - odd_r, less_i + odd_i
            w, v = cosine[turn], sine[turn]
            to[two + n + 1], to[two + n] = w * j + v * r, w * r - v * j
            turn = turn * 2
            r, j = more_r - even_r, more_i - even_i
            w, v = cosine[turn], sine[turn]
            to[three + n + 1], to[three + n] = w * j + v * r, w * r - v * j
            turn = (i + 1) * parts * 3
            r, j = less_r + odd_r, less_i - odd_i
            w, v = cosine[turn], sine[turn]
            to[four + n + 1], to[four + n] = w * j + v * r, w * r - v * j
    for k in range(evens):
        first = k * size * 4
        second, third, fourth = first + size, first + size * 2, first + size * 3
        one = k * size + size - 1
        a, b = given[fourth], given[second]
        more, less = a + b, a - b
        c, d = given[first + size - 1], given[third + size - 1]
        even, odd = c + d, c - d
        to[one], to[one + apart] = even + even, ROOT_2 * (odd - more)
        to[one + apart * 2], to[one + apart * 3] = less + less, -ROOT_2 * (odd + more)


def levels_march(power: Any, samples: Any, level: Any) -> None:
    """Level of the shaking: root of the power, if any."""
    for n in range(samples):
        level[n] = sqrt(max(power[n], 0.0))


def classes_march(near: Any, samples: Any, law: Any, level: Any, lowest: Any, highest: Any) -> None:
    """Level of the lowest and of the highest class; twin: ``location.transform.shares``.

    *law*: of the lowest class far away, and how it falls; nearness at which the highest rises, and
    width of the rise; of that class far away, and how it rises.
    """
    for n in range(samples):
        closer = min(max(near[n], 0.0), 1.0)
        felt = min(max((closer - law[2]) / law[3], 0.0), 1.0)
        lowest[n] = level[n] * (law[0] + law[1] * closer)
        highest[n] = level[n] * (law[4] + law[5] * felt)


def first_march(motion: Any, level: Any, samples: Any, apart: Any, total: Any) -> None:
    """Some samples of a motion, *apart* from each other, in their envelope."""
    for n in range(samples):
        at = n * apart
        total[at] = motion[n] * level[at]


def more_march(motion: Any, level: Any, samples: Any, apart: Any, total: Any) -> None:
    """The same of one more class, added."""
    for n in range(samples):
        at = n * apart
        total[at] = total[at] + motion[n] * level[at]
