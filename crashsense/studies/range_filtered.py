"""What is gone from a record that was filtered before it was written, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from crashsense.records.signal_checks import part_above_filter
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY

#: Ringing of unfiltered floor channels from 250 Hz to 1 kHz: rms over the class 60 peak [-]; what
#: the public records at hand show.
RINGING = (0.15, 0.40)

#: The largest of a ringing over its rms [-]: practice.
CREST = 3.0


def filtered_facts(signal: Signal) -> dict[str, float]:
    """Return what can be said of a filtered channel: plain numbers, empty for other units.

    ``part``: rms from 250 Hz to 1 kHz over the class 60 peak [-]; ``peak_g``: its largest value;
    ``least_g``, ``most_g``: what stood there before filtering if it rang as unfiltered floor
    channels do.

    >>> wave = np.zeros(1000)
    >>> wave[500:700] = 300.0 * np.sin(np.pi * np.arange(200) / 200.0)
    >>> found = Signal(wave, rate_hz=10_000.0, start_s=-0.05, unit="m/s^2", axis="x",
    ...                location="central")
    >>> {name: round(value, 1) for name, value in filtered_facts(found).items()}
    {'part': 0.0, 'peak_g': 30.6, 'least_g': 44.4, 'most_g': 67.3}
    """
    if signal.unit != "m/s^2":
        return {}
    values = np.atleast_2d(signal.samples)[0]
    peak = float(np.abs(values).max()) / STANDARD_GRAVITY
    part = part_above_filter(values, rate_hz=signal.rate_hz)
    least, most = (peak * (1.0 + CREST * rms) for rms in RINGING)
    facts = {"peak_g": peak, "least_g": least, "most_g": most}
    return facts if part is None else {"part": part, **facts}


def filtered_lines(filtered: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Say of each record that was already filtered what of it is a lower bound."""
    lines = []
    for name, facts in filtered.items():
        text = f"{name} was already filtered when it was recorded"
        if "part" in facts:
            text += (
                f": between 250 and 1000 Hz {100 * facts['part']:.2g} % of its class 60 peak is"
                f" left (unfiltered floor channels: {100 * RINGING[0]:.0f} to"
                f" {100 * RINGING[1]:.0f} %)"
            )
        text += (
            ". What a sensor clips before its own filter is gone from it: every loss said of it is"
            " the least that can be, and a range that follows from it is a lower bound."
        )
        if "peak_g" in facts:
            text += (
                f" Its largest value of {facts['peak_g']:.0f} g stands for some"
                f" {facts['least_g']:.0f} to {facts['most_g']:.0f} g before filtering, if it rang"
                f" as those channels do (largest ringing {CREST:g} times its rms)."
            )
        lines.append(text)
    return lines
