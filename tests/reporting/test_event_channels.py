"""Channels of an event for readers: spectra, bands, and rest at the end."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.reporting.event_card import at_end_words, card
from crashsense.reporting.event_channels import band_peak, third_octaves
from crashsense.synthesis import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes()}


def test_third_octaves_hold_the_whole_power_of_noise():
    noise = np.random.default_rng(2).standard_normal(20000)
    centres, levels = third_octaves(noise, rate_hz=2000.0, low_hz=10.0)
    inside = (centres[-1] * 10**0.05 - centres[0] * 10**-0.05) / 1000.0
    assert np.sum(levels**2) == pytest.approx(inside, rel=0.05)
    # flat noise: levels rise by a third octave's width, 10^(1/20) a band
    slope = np.polyfit(np.log10(centres), np.log10(levels), 1)[0]
    assert slope == pytest.approx(0.5, abs=0.05)


def test_a_short_signal_shows_no_band_that_it_cannot_resolve():
    centres, _ = third_octaves(np.ones(2500), rate_hz=10000.0)
    assert centres[0] > 4.0 * 10000.0 / 2500


def test_band_peak_of_two_tones():
    t = np.arange(4000) / 2000.0
    both = 3.0 * np.sin(2 * np.pi * 12.0 * t) + 0.5 * np.sin(2 * np.pi * 150.0 * t)
    assert band_peak(both, rate_hz=2000.0, band_hz=(8.0, 20.0)) == pytest.approx(3.0, rel=1e-3)
    assert band_peak(both, rate_hz=2000.0, band_hz=(100.0, 300.0)) == pytest.approx(0.5, rel=1e-2)


def test_words_name_the_channels_that_move_and_why():
    with engine.using("fast" if engine.installed() else "numpy"):
        still = at_end_words(RECIPES["hammer_rail"])
        words = at_end_words(RECIPES["side_pole_90_10"])
    assert still == "at rest within the noise of the sensors"
    assert words.startswith("side_left_y, central_roll_rate not at rest: the car slides on")


def test_card_of_a_ride_prints_its_spectrum_beside_what_is_known():
    recipe = RECIPES["rail_crossing_50"]
    with engine.using("fast" if engine.installed() else "numpy"):
        text = "\n".join(card(recipe, recipe.events()[0]))
    assert "wheel hop 10-15 Hz" in text
    assert "100-300" in text
    assert "from memory" in text
    assert "At the end: at rest" in text
