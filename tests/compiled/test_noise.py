"""Noise made in lanes has the bits of its numpy twin, filtered or not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.signal as ss

pytest.importorskip("numba", reason="needs the extra fast")

from crashsense import draws
from crashsense.compiled.filters import CHUNK, SAMPLES, deck_of
from crashsense.compiled.noise import NOISE_DESK, noise_of_lanes, noise_of_rows, stream_of
from crashsense.compiled.vectors import LANES, WIDTH, lines

ROWS = 29  # the last lanes have no row
PIECES = 40


def in_lanes(filters: Any, setting: Any, filtered: bool) -> Any:
    """Noise of :data:`ROWS` draws from 2 on, each by its own filter, shape (draws, samples)."""
    numbers = np.arange(1, 1 + ROWS)
    start, step = draws.rows_of(numbers, kind="noise", seed=4, axes=("lanes",))
    table, tail = draws.noise_tables()
    stream = stream_of(start, step, 1, ROWS - 1, table, tail)
    deck = deck_of(filters, setting, 1, ROWS - 1)
    found = []
    for _ in range(PIECES):
        noise_of_lanes(stream, table, tail, deck, filtered)
        found.append(deck[:SAMPLES].reshape(CHUNK, LANES)[:, : ROWS - 1].T.copy())
    return np.concatenate(found, axis=1)


@pytest.mark.parametrize("sections", [0, 1, 2, 4])
def test_noise_in_lanes_is_that_of_the_draws_through_their_filters(sections: int) -> None:
    filters = np.empty((3, sections, 6))
    for k, corner in enumerate((0.1, 0.15, 0.3)):
        if sections:
            filters[k] = ss.butter(2 * sections, corner, output="sos")
    setting = np.arange(ROWS) % 3
    plain = draws.noise(range(2, 1 + ROWS), CHUNK * PIECES, seed=4, axes=("lanes",))
    assert np.abs(plain).max() > 4.3  # the outermost classes were divided
    np.testing.assert_array_equal(in_lanes(filters, setting, False), plain)
    for found, noise, k in zip(in_lanes(filters, setting, True), plain, setting[1:], strict=True):
        expected = ss.sosfilt(filters[k], noise) if sections else noise
        np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize(("rows", "width"), [(9, 8), (2, 1016), (8, 30_000)])
def test_noise_in_rows_of_lanes_is_that_of_the_draws(rows: int, width: int) -> None:
    start, step = draws.rows_of(np.arange(1, rows + 1), kind="noise", seed=5, axes=("rows",))
    plain = draws.noise_of(start, step, width)
    found, desk = lines(width), lines(NOISE_DESK)
    for first in range(0, rows, WIDTH):
        count = min(WIDTH, rows - first)
        noise_of_rows(start, step, first, count, *draws.noise_tables(), desk, found)
        lanes = first + np.minimum(np.arange(WIDTH), count - 1)
        np.testing.assert_array_equal(found.T, plain[lanes])
    # Outermost classes, of both signs, were divided.
    assert width < 30_000 or (plain.min() < -4.3 and plain.max() > 4.3)
