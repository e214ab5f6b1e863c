"""Filtered noise, drawn at the sample rate of the codes instead of the internal rate.

White noise through the low-pass and sampled at every D-th instant is a stationary Gaussian series
with a rational spectrum. Its poles are the D-th powers of the filter's poles; its numerator follows
from its autocovariance: convolved with the denominator and its mirror image, the covariance becomes
a finite, symmetric polynomial, whose roots inside the unit circle are the moving-average part
(spectral factorisation). One normal number per code then gives exactly the same process.
Plain white noise of the same variance does not: neighbouring samples of the filtered noise are
correlated, and that matters to a rule that integrates.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from threading import Lock
from typing import Any, TypeVar

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.draws import largest_noise
from crashsense.filters.causal import filter_rows
from crashsense.filters.design import sections_of_fraction
from crashsense.sensing import chain

Kept = TypeVar("Kept")

#: Taps up to which noise is a sum of products, and what the taps left out of it may add to a sum.
MOST_TAPS, LEFT_OUT = 32, 1e-13


@dataclass(frozen=True, eq=False)
class WordNoise:
    """An autoregressive moving-average model of the noise in the codes.

    ``sections``: second-order sections that make it from standard normal numbers; ``deviation``:
    its standard deviation for white noise of unit deviation at the internal rate; ``warm_up``:
    samples until it has forgotten its start; ``error``: largest error of its autocovariance, as a
    share of the variance.
    """

    sections: FloatArray
    deviation: float
    warm_up: int
    error: float


class NoiseBank:
    """Cache of noise, and of deviations of sensors, that several sensor sets or events share.

    Keeps the most recent, up to *most_bytes*.
    """

    def __init__(self, *, most_bytes: int) -> None:
        self.most_bytes = most_bytes
        self._kept: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._bytes = 0
        self._lock = Lock()

    def get(self, key: Hashable, make: Callable[[], FloatArray]) -> FloatArray:
        """Return the noise of *key*, made by *make* unless cached."""

        def made() -> FloatArray:
            noise = np.ascontiguousarray(make())
            noise.setflags(write=False)
            return noise

        return self.kept(key, made, size=lambda noise: noise.nbytes)

    def kept(self, key: Hashable, make: Callable[[], Kept], *, size: Callable[[Kept], int]) -> Kept:
        """Return what *make* gave for *key*, made unless cached; *size*: its bytes."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                found: Kept = self._kept[key][0]
                return found
        made = make()
        with self._lock:
            # Another thread may have made it meanwhile: the same numbers.
            if key not in self._kept:
                self._kept[key] = made, size(made)
                self._bytes += self._kept[key][1]
            while self._bytes > self.most_bytes:
                self._bytes -= self._kept.popitem(last=False)[1][1]
        return made

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._kept.clear()
            self._bytes = 0


def autocovariance(sections: FloatArray, *, every: int, lags: int) -> FloatArray:
    """Autocovariance of unit white noise through *sections*, at lags of *every* samples."""
    response = impulse_response(sections)
    return np.array(
        [
            float(np.sum(response[: max(response.size - every * k, 0)] * response[every * k :]))
            for k in range(lags)
        ]
    )


def impulse_response(sections: FloatArray, *, residue: float = 1e-18) -> FloatArray:
    """Impulse response until it has died away to *residue* of a unit pole's start."""
    largest = max(float(np.abs(np.roots(row[3:])).max(initial=0.0)) for row in sections)
    n = 8 + (int(np.ceil(np.log(residue) / np.log(largest))) if largest > 0 else 0)
    pulse = np.zeros((1, min(n, 200_000)))
    pulse[0, 0] = 1.0
    return filter_rows(pulse, sections=sections)[0]


def word_noise(sections: FloatArray | None, *, every: int) -> WordNoise:
    """Model of unit white noise through *sections*, of which every *every*-th sample is taken.

    Many poles far below the sample rate leave no factorisation within the precision of numbers: the
    error is then infinite, and the noise must be drawn at the internal rate.
    """
    if sections is None:
        return WordNoise(np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]]), 1.0, 0, 0.0)
    poles = np.concatenate([np.roots(row[3:]) for row in sections]) ** every
    poles = poles[np.abs(poles) > 0]
    denominator = np.real(np.poly(poles))
    order = denominator.size - 1
    lags = 4 * order + 40
    covariance = autocovariance(sections, every=every, lags=lags)
    both = np.concatenate([covariance[:0:-1], covariance])
    spectrum = np.convolve(np.convolve(both, denominator), denominator[::-1])
    middle = spectrum.size // 2
    finite = spectrum[middle - order : middle + order + 1]
    finite = (finite + finite[::-1]) / 2.0
    slowest = float(np.abs(poles).max())
    warm_up = int(np.ceil(np.log(1e-9) / np.log(slowest)))
    deviation = float(np.sqrt(covariance[0]))
    roots = np.roots(finite)
    inside = roots[np.argsort(np.abs(roots))][:order]
    numerator = np.real(np.poly(inside))
    # The sum of the symmetric polynomial is the square of the numerator's sum.
    square = finite.sum() / numerator.sum() ** 2
    if not 0.0 < square < np.inf:
        return WordNoise(sections, deviation, warm_up, np.inf)
    numerator = numerator * np.sqrt(square)
    model = sections_of_fraction(numerator, denominator)
    reached = autocovariance(model, every=1, lags=lags)
    error = float(np.abs(reached - covariance).max() / covariance[0])
    return WordNoise(
        sections=model,
        deviation=deviation,
        warm_up=warm_up,
        error=error if np.isfinite(error) else np.inf,
    )


class NoiseModels:
    """Models of the noise in the words, one a filter setting."""

    def __init__(self, design: chain.FilterDesign, every: int) -> None:
        settings = range(len(chain.CORNER_SETTINGS))
        found = [word_noise(chain.setting_sections(design, s), every=every) for s in settings]
        self.models: list[WordNoise] = found
        self.warm_up = max(model.warm_up for model in found)
        self.error = max(model.error for model in found)

    @cached_property
    def sections(self) -> FloatArray:
        """Sections of all settings, (settings, sections, 6)."""
        return np.stack([model.sections for model in self.models])

    @cached_property
    def taps(self) -> list[FloatArray] | None:
        """Impulse response of each setting, but for an end that adds less than 1e-13.

        None where one is so long that the filter itself is faster.
        """
        found = []
        for model in self.models:
            response = impulse_response(model.sections)
            left = np.cumsum(np.abs(response[::-1]))[::-1]
            found.append(response[: np.count_nonzero(left > LEFT_OUT)])
        return found if max(taps.size for taps in found) <= MOST_TAPS else None

    @cached_property
    def largest_value(self) -> float:
        """The largest value that noise of unit deviation can have in any code."""
        return largest_noise() * max(_sum_of_response(model.sections) for model in self.models)


#: Those of a design at one rate of the words, made once in a process.
noise_models = lru_cache(maxsize=128)(NoiseModels)


@lru_cache(maxsize=128)
def largest_gain(design: chain.FilterDesign) -> float:
    """By which factor a filter may raise the largest value, in any of its settings, at most."""
    settings = range(len(chain.CORNER_SETTINGS))
    return max(_sum_of_response(chain.setting_sections(design, s)) for s in settings)


def _sum_of_response(sections: FloatArray | None) -> float:
    """Sum of the sizes of an impulse response: what it makes of samples within +/-1 at most."""
    return 1.0 if sections is None else float(np.abs(impulse_response(sections)).sum())
