"""The work by which speed is judged: one evaluation, as a plain script and through the interface.

One evaluation: 300 ms at 10 kHz, two channels, noise, second-order element and 4-pole low-pass,
sampling at 2 kHz, 10-bit codes, and a rule of leaky velocity, 10 ms window and predicted
displacement, gated by a second channel. The script (:func:`tidied`) is what an engineer has after
tidying up: ``scipy.signal`` for the filters, plain floats in the rule. Its constants are those of
the fused C kernel that marks the other end of the scale. The script imports ``scipy.signal`` when
it runs, so that a process that is measured without it does not hold that package (75 MB).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.event import RESTRAINTS, Context, Event, Requirement
from crashsense.rules import Algorithm, Rule, rule_from_table
from crashsense.rules.kernels import any_within, floored_sum, running_sum, sum_within
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY as G

FloatArray = npt.NDArray[np.float64]

RATE_HZ, EVERY, SAMPLES = 10_000.0, 5, 3000
TICK_S = EVERY / RATE_HZ
LEAK, VELOCITY, WINDOW, TRAVEL, AHEAD_S, ARMING = 0.004, 4.0, 1.6, 0.11, 0.02, 0.6
WINDOW_TICKS, HOLD_TICKS = 20, 40
NOISE_G, RANGE_G, BITS = 0.6, 100.0, 10
STEP_G = 2 * RANGE_G / 2**BITS
CHANNELS = ("central_x", "central_safing_x")


@lru_cache(maxsize=1)
def filters() -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Second-order element, 2 kHz, quality 0.7, and low-pass, each as (b, a)."""
    from scipy.signal import bilinear, butter

    w = 2 * RATE_HZ * np.tan(np.pi * 2000.0 / RATE_HZ)
    b, a = bilinear([w * w], [1, w / 0.7, w * w], RATE_HZ)
    return (b / a[0], a / a[0]), butter(4, 400, fs=RATE_HZ)


def pulses(count: int = 60, *, seed: int = 1, hard: float = 1.0) -> FloatArray:
    """Haversines of 1 to 14 m/s with ringing [g], shape (count, channels, samples)."""
    source = np.random.default_rng(seed)
    t = np.arange(SAMPLES) / RATE_HZ
    out = np.zeros((count, 2, SAMPLES))
    for i in range(count):
        start = 0.01 + 0.01 * source.random()
        duration, change = 0.04 + 0.08 * source.random(), source.uniform(1, 14)
        inside = (t >= start) & (t < start + duration)
        half = np.where(inside, np.sin(np.pi * (t - start) / duration) ** 2, 0.0)
        half *= change / G / (half.sum() / RATE_HZ)
        for c in range(2):
            y = half * (1.0 if c == 0 else 0.8)
            for _ in range(4):
                f, d = source.uniform(30, 500), source.uniform(20, 80)
                level = source.uniform(2, 25) * (change / 8)
                since = np.maximum(t - start - 0.02 * source.random(), 0)
                ringing = np.sin(2 * np.pi * f * since) * np.exp(-d * since)
                y = y + level * ringing * (since > 0)
            out[i, c] = hard * y
    return out


# --- the script ----------------------------------------------------------------------------------


def tidied_front(true: FloatArray, source: np.random.Generator) -> FloatArray:
    """Codes of both channels of one draw, shape (2, ticks)."""
    from scipy.signal import lfilter

    element, lowpass = filters()
    scale = 1 + 0.03 * source.standard_normal((2, 1))
    offset = 0.3 * source.standard_normal((2, 1))
    y = true * scale + offset + NOISE_G * source.standard_normal((2, SAMPLES))
    y = lfilter(*lowpass, lfilter(*element, y))[:, ::EVERY]
    return np.clip(np.round(y / STEP_G), -512, 511)


def tidied_rule(main: FloatArray, second: FloatArray, *, scale: float = 1.0) -> tuple[int, float]:
    """Tick at which demand reaches *scale* (-1: never) and largest demand. Inputs in g."""
    v = s = largest = w = w2 = 0.0
    fire, hold = -1, 0
    a0, a1 = (main * G).tolist(), (second * G).tolist()
    keep = 1 - LEAK
    for i in range(len(a0)):
        a = a0[i]
        v = v * keep + a * TICK_S
        if v < 0:
            v = 0.0
        s += v * TICK_S
        w += a
        w2 += a1[i]
        if i >= WINDOW_TICKS:
            w -= a0[i - WINDOW_TICKS]
            w2 -= a1[i - WINDOW_TICKS]
        if w2 * TICK_S >= ARMING:
            hold = HOLD_TICKS
        if hold > 0:
            d = v / VELOCITY
            e = w * TICK_S / WINDOW
            if e > d:
                d = e
            e = (s + v * AHEAD_S + 0.5 * a * AHEAD_S * AHEAD_S) / TRAVEL
            if e > d:
                d = e
            if d > largest:
                largest = d
            if fire < 0 and d >= scale:
                fire = i
        hold -= 1
    return fire, largest


def tidied(true: FloatArray, source: np.random.Generator) -> tuple[int, float]:
    """One evaluation as the tidied script does it: the 1 of every ratio."""
    codes = tidied_front(true, source) * STEP_G
    return tidied_rule(codes[0], codes[1])


def tidied_house_rule(main: FloatArray, second: FloatArray) -> tuple[int, float]:
    """As :func:`tidied_rule`, in the families of the house: way since the car last stood still.

    The way is that of a velocity without leak, and starts again whenever that is back at zero.
    """
    v = u = s = largest = w = w2 = 0.0
    fire, hold = -1, 0
    a0, a1 = (main * G).tolist(), (second * G).tolist()
    keep = 1 - LEAK
    for i in range(len(a0)):
        a = a0[i]
        v = v * keep + a * TICK_S
        if v < 0:
            v = 0.0
        u += a * TICK_S
        if u > 0:
            s += u * TICK_S
        else:
            u = s = 0.0
        w += a
        w2 += a1[i]
        if i >= WINDOW_TICKS:
            w -= a0[i - WINDOW_TICKS]
            w2 -= a1[i - WINDOW_TICKS]
        if w2 * TICK_S >= ARMING:
            hold = HOLD_TICKS
        if hold > 0:
            d = v / VELOCITY
            e = w * TICK_S / WINDOW
            if e > d:
                d = e
            if u > 0:
                e = (s + u * AHEAD_S + 0.5 * a * AHEAD_S * AHEAD_S) / TRAVEL
                if e > d:
                    d = e
            if d > largest:
                largest = d
            if fire < 0 and d >= 1.0:
                fire = i
        hold -= 1
    return fire, largest


def tidied_house(true: FloatArray, source: np.random.Generator) -> tuple[int, float]:
    """One evaluation with the rule of the house's families."""
    codes = tidied_front(true, source) * STEP_G
    return tidied_house_rule(codes[0], codes[1])


# --- the same rule through the interface ---------------------------------------------------------


@dataclass(frozen=True)
class ArrayRule(Rule):
    """The script's rule as a user would write it: array kernels, no loop over time."""

    context_free = True

    @property
    def requires(self) -> frozenset[str]:
        """Both channels."""
        return frozenset(CHANNELS)

    def demand(self, samples: Any) -> FloatArray:
        """Return demand, shape (draws, ticks)."""
        a, second = (samples.channels[name] for name in CHANNELS)
        velocity = floored_sum(a * TICK_S, decay=1 - LEAK)
        demand = running_sum(velocity)
        demand *= TICK_S / TRAVEL
        demand += velocity * (AHEAD_S / TRAVEL)
        demand += a * (0.5 * AHEAD_S * AHEAD_S / TRAVEL)
        np.maximum(demand, velocity / VELOCITY, out=demand)
        np.maximum(demand, sum_within(a, WINDOW_TICKS) * (TICK_S / WINDOW), out=demand)
        armed = sum_within(second, WINDOW_TICKS) * TICK_S >= ARMING
        demand *= any_within(armed, HOLD_TICKS)
        return np.clip(demand, 0.0, np.inf, out=demand)


@dataclass(frozen=True)
class CompiledRule(ArrayRule):
    """The same rule with a user-written kernel, compiled by numba."""

    context_free = True

    def demand(self, samples: Any) -> FloatArray:
        """Return demand, shape (draws, ticks)."""
        import compiled_yardstick

        a, second = (samples.channels[name] for name in CHANNELS)
        return np.asarray(compiled_yardstick.demand(a, second))


def house_rule() -> Rule:
    """The rule of :func:`tidied_house_rule`, as a file of an algorithm would say it."""
    main, second = CHANNELS
    window_ms = 1e3 * TICK_S * WINDOW_TICKS
    return rule_from_table(
        {
            "family": "gated",
            "rule": {
                "family": "any_of",
                "of": [
                    {
                        "family": "velocity_change",
                        "channel": main,
                        "threshold_m_s": VELOCITY,
                        "time_constant_ms": -1e3 * TICK_S / float(np.log(1 - LEAK)),
                    },
                    {
                        "family": "window_velocity",
                        "channel": main,
                        "window_ms": window_ms,
                        "threshold_m_s": WINDOW,
                    },
                    {
                        "family": "predicted_displacement",
                        "channel": main,
                        "travel_mm": 1e3 * TRAVEL,
                        "look_ahead_ms": 1e3 * AHEAD_S,
                        "smoothing_ms": 1e3 * TICK_S,
                        "guard_m_s": 1e-12,
                        "leak_g": 0.0,
                    },
                ],
            },
            "gate": {
                "family": "held",
                "hold_ms": 1e3 * TICK_S * (HOLD_TICKS - 1),
                "rule": {
                    "family": "window_velocity",
                    "channel": second,
                    "window_ms": window_ms,
                    "threshold_m_s": ARMING,
                },
            },
        }
    )


def algorithm(rule: Rule) -> Algorithm:
    """The rule for one restraint."""
    return Algorithm("yardstick", rules={"front_airbag_stage_1": rule})


def events(pulses_g: FloatArray) -> list[Event]:
    """One event a pulse; the frontal airbag must fire by 40 ms in half of them."""
    out = []
    for number, pulse in enumerate(pulses_g):
        signals = {
            name: Signal(
                G * row,
                rate_hz=RATE_HZ,
                start_s=0.0,
                unit="m/s^2",
                axis="x",
                location=name.removesuffix("_x"),
            )
            for name, row in zip(CHANNELS, pulse, strict=True)
        }
        requirements = {name: Requirement("open", basis="benchmark") for name in RESTRAINTS}
        wanted = ("fire", 0.040) if number % 2 else ("no_fire", None)
        requirements["front_airbag_stage_1"] = Requirement(
            wanted[0], required_s=wanted[1], basis="benchmark"
        )
        name = f"pulse_{number:02d}"
        out.append(
            Event(
                name,
                family="frontal",
                occurrence=name,
                context=Context(),
                signals=signals,
                requirements=requirements,
            )
        )
    return out
