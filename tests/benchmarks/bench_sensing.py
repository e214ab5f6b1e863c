"""Draws per second of the sensing chain for one event, against a plain script; run as a script.

The plain script does for each draw what a first analysis does: noise and tolerances, element
quasi-static, clipping, ``scipy.signal`` low-pass, sampling, codes, for two channels of 300 ms at
10 kHz. Rounds are interleaved, figures are medians (ranges) of processor time, and ratios belong to
one run on one machine.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
import scipy.signal as ss

from crashsense.sensing import load_sensor_set, sense
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY as G

CHANNELS = ("central_x", "central_safing_x")
RATE = 10_000.0
SAMPLES = 3000
DRAWS = 1000


def pulse(peak_g: float) -> np.ndarray:
    """A haversine of 90 ms with ringing [m/s^2]."""
    t = -0.05 + np.arange(SAMPLES) / RATE
    inside = (t > 0) & (t < 0.09)
    smooth = peak_g * np.sin(np.pi * t / 0.09) ** 2 * inside
    return -G * (smooth + 0.3 * peak_g * np.sin(2 * np.pi * 700 * t) * np.exp(-25 * t) * (t > 0))


def plain_script(true: np.ndarray, draws: int) -> np.ndarray:
    """The chain draw by draw, as one would first write it."""
    standard = load_sensor_set()
    out = np.empty((draws, len(CHANNELS), SAMPLES // 5))
    rng = np.random.default_rng(1)
    for k in range(draws):
        for c, name in enumerate(CHANNELS):
            part = standard.sensor(name)
            corner = part.corner_hz * (1 + part.corner_tolerance * rng.standard_normal())
            if part.filter_kind == "bessel":
                b, a = ss.bessel(part.filter_order, corner, fs=RATE, norm="mag")
            else:
                b, a = ss.butter(part.filter_order, corner, fs=RATE)
            gain = 1 + part.sensitivity_tolerance * rng.standard_normal()
            offset = part.offset_tolerance * rng.standard_normal()
            sigma = part.noise_density * np.sqrt(RATE / 2)
            raw = gain * np.clip(true, -part.stop, part.stop) + offset
            raw = np.clip(
                raw + sigma * rng.standard_normal(SAMPLES), -part.front_end, part.front_end
            )
            smooth = ss.lfilter(b, a, raw)
            codes = np.clip(np.round(smooth[::5] / part.step), -part.code_limit, part.code_limit)
            out[k, c] = codes * part.step
    return out


def chain(true: np.ndarray, draws: int, path: str) -> str:
    """The chain through the public interface, in blocks of 64 draws; returns the path taken."""
    standard = load_sensor_set()
    signals = {
        name: Signal(true, rate_hz=RATE, start_s=-0.05, unit="m/s^2", axis="x", location="central")
        for name in CHANNELS
    }
    taken = set()
    for first in range(1, draws + 1, 64):
        block = range(first, min(first + 64, draws + 1))
        sensed = sense(signals, standard, draws=block, channels=CHANNELS, path=path)
        taken.add(sensed.path)
    return "/".join(sorted(taken))


def seconds(call: Callable[[], object]) -> float:
    """Processor time of a call [s]."""
    start = time.process_time()
    call()
    return time.process_time() - start


def main(rounds: int = 5) -> None:
    """Print draws per second and ratios."""
    mild, hard = pulse(40.0), pulse(150.0)
    cases: dict[str, Callable[[], object]] = {
        "plain script": lambda: plain_script(hard, DRAWS // 10),
        "full path (clips)": lambda: chain(hard, DRAWS, "full"),
        "fast path (no clip)": lambda: chain(mild, DRAWS, "fast"),
    }
    counts = {"plain script": DRAWS // 10}
    for name, call in cases.items():
        call()
        counts.setdefault(name, DRAWS)
    taken: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(rounds):
        for name, call in cases.items():
            taken[name].append(seconds(call) / counts[name])
    base = statistics.median(taken["plain script"])
    print(f"{'case':22}{'us a draw':>12}{'range':>18}{'draws/s':>10}{'ratio':>8}")
    for name, values in taken.items():
        middle = statistics.median(values)
        spread = f"{1e6 * min(values):.0f}..{1e6 * max(values):.0f}"
        print(f"{name:22}{1e6 * middle:12.1f}{spread:>18}{1 / middle:10.0f}{base / middle:8.1f}")
    print("\nauto on the mild pulse takes:", chain(mild, 129, "auto"))
    print("auto on the hard pulse takes:", chain(hard, 129, "auto"))


if __name__ == "__main__":
    main()
