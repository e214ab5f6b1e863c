"""Helpers of the rule tests: blocks of samples made of simple pulses."""

from __future__ import annotations

import numpy as np

from crashsense.rules.conformance import block

RATE = 2000.0
G = 9.80665


def ticks(size: int = 400, *, quiet: int = 100) -> np.ndarray:
    """Time since the pulse began [s]; the first *quiet* samples lie before it."""
    return (np.arange(size) - quiet) / RATE


def half_sine(peak: float, duration: float, **kwargs: int) -> np.ndarray:
    t = ticks(**kwargs)
    return np.where((t >= 0) & (t <= duration), peak * np.sin(np.pi * t / duration), 0.0)


def square(peak: float, duration: float, **kwargs: int) -> np.ndarray:
    t = ticks(**kwargs)
    return np.where((t >= 0) & (t <= duration), peak, 0.0)


def ramp(rate: float, **kwargs: int) -> np.ndarray:
    return rate * np.maximum(ticks(**kwargs), 0.0)


def samples(**channels: np.ndarray):
    return block({name: np.atleast_2d(x) for name, x in channels.items()}, rate_hz=RATE)


def fire_time(rule, given, *, quiet: int = 100) -> float | None:
    """Time of the first sample with demand >= 1, from the begin of the pulse [s]."""
    over = np.flatnonzero(rule.demand(given)[0] >= 1.0)
    return None if not over.size else (over[0] - quiet) / RATE
