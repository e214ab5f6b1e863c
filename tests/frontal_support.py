"""What the frontal tests share: recipes, draws at the speed of the machine, bands, public data."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from crashsense import engine
from crashsense.filters.channel_class import channel_class_filter
from crashsense.synthesis.recipe import load_recipes
from crashsense.units import STANDARD_GRAVITY

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
FRONTAL = {r.name: r for r in load_recipes() if r.model.name == "frontal_impact"}

#: Bands [Hz] and windows [s] of the table of measured levels.
BANDS = ((20, 60), (60, 200), (200, 400), (400, 1000), (1000, 2500))
WINDOWS = ((0.0, 0.015), (0.015, 0.035), (0.035, 0.060))


def public(name: str) -> Path:
    """A file of public test data, which does not ship with the project."""
    path = DATA / name
    if not path.is_file():
        pytest.skip(f"public test data {name} is not beside this checkout")
    return path


@cache
def synthesis(name: str, draws: int = 30, speed_kmh: float | None = None):
    """Draws 1..n (0: nominal alone) of a recipe, with the fastest engine there is."""
    recipe = FRONTAL[name]
    if speed_kmh is not None:
        recipe = recipe.with_parameters(name=f"{name}_at_{speed_kmh:g}", speed_kmh=speed_kmh)
    numbers = range(1, draws + 1) if draws else [0]
    with engine.using("fast" if engine.installed() else "numpy"):
        return recipe.synthesise(numbers, seed=1)


def band_levels(samples, *, rate_hz: float, zero: int) -> np.ndarray:
    """Root mean square [g] in each window and band, fourth-order Butterworth forth and back."""
    out = np.empty((len(WINDOWS), len(BANDS)))
    for b, band in enumerate(BANDS):
        sections = butter(4, band, btype="bandpass", fs=rate_hz, output="sos")
        filtered = sosfiltfilt(sections, samples) / STANDARD_GRAVITY
        for w, (start, end) in enumerate(WINDOWS):
            part = filtered[zero + round(start * rate_hz) : zero + round(end * rate_hz)]
            out[w, b] = np.sqrt(np.mean(part**2))
    return out


def mean_levels(name: str, channel: str, *, reached_s: float = 0.0) -> np.ndarray:
    """Mean over 30 draws of the band levels, windows counted from *reached_s* on."""
    made = synthesis(name)
    zero = round((reached_s - made.start_s) * made.rate_hz)
    rows = [band_levels(r, rate_hz=made.rate_hz, zero=zero) for r in made.signals[channel]]
    return np.mean(rows, axis=0)


def peak_g(samples, *, rate_hz: float = 1e4) -> np.ndarray:
    """CFC 60 peak of the deceleration [g], one a row."""
    rows = np.atleast_2d(samples)
    return np.array(
        [
            channel_class_filter(-row, rate_hz=rate_hz, channel_class=60).max() / STANDARD_GRAVITY
            for row in rows
        ]
    )


def show(title: str, found: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
    """Print a table of bands: found (least .. most)."""
    print(f"\n{title}\n{'window ms':>10}" + "".join(f"{f'{a}-{b} Hz':>24}" for a, b in BANDS))
    for w, (start, end) in enumerate(WINDOWS):
        cells = (
            f"{found[w, b]:8.1f} ({low[w, b]:5.1f}..{high[w, b]:5.1f})"
            + (" " if low[w, b] <= found[w, b] <= high[w, b] else "!")
            for b in range(len(BANDS))
        )
        print(f"{1e3 * start:4.0f}-{1e3 * end:4.0f}  " + " ".join(cells))
