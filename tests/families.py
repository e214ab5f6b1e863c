"""A rule of every built-in family with options that matter, and a stream that makes them work."""

from __future__ import annotations

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.rules import rule_families
from crashsense.rules.conformance import block

RATE = 2000.0

#: Families without operations: user-written rules.
OF_A_USER = {"python", "c_library"}

VELOCITY = {"family": "velocity_change", "threshold_m_s": 0.7, "leak_g": 1.0}
LEVEL = {"family": "level", "threshold_g": 2.0}
WINDOW = {"family": "window_velocity", "threshold_m_s": 0.4}
LOST = {"family": "level", "channel": "+side_left_y"}

#: Family -> what a rule of it needs beside its defaults.
FURTHER = {
    "all_of": {"of": [VELOCITY, LEVEL]},
    "any_of": {"of": [VELOCITY, LEVEL, WINDOW]},
    "at_least": {"of": [VELOCITY, LEVEL, WINDOW], "count": 2},
    "armed": {"main": VELOCITY, "arming": LEVEL},
    "gated": {"rule": VELOCITY, "gate": LEVEL},
    "belt_switch": {"belted": VELOCITY, "unbelted": LEVEL},
    "seat_occupied": {"rule": VELOCITY},
    "fallback": {"rule": LOST, "otherwise": VELOCITY},
    "raised_by": {"rule": VELOCITY, "measure": LEVEL},
    "lowered_by": {"rule": VELOCITY, "measure": LEVEL},
    "staged": {"rule": VELOCITY, "measure": LEVEL},
    **{name: {"rule": VELOCITY} for name in ("held", "delayed", "debounced", "scaled")},
    "optional": {"rule": LOST},
    "reset_after_quiet": {"rule": VELOCITY, "activity": LEVEL},
}

#: Further rules: options that change what is written, and times longer than the record.
VARIANTS = [
    {"family": "velocity_change", "time_constant_ms": 30.0, "floor": "no"},
    {"family": "window_velocity", "windows": [[5.0, 0.3], [20.0, 0.8], [900.0, 2.0]]},
    {"family": "window_velocity", "leak_g": 1.0},
    {"family": "side_velocity", "channel": "+central_y", "plausible": "|central_safing_y|"},
    {"family": "side_velocity", "channel": "+central_y", "plausible": "|central_safing_y|",
     "plausible_g": 40.0},
    {"family": "held", "rule": LEVEL, "hold_ms": 5000.0},
    {"family": "delayed", "rule": LEVEL, "delay_ms": 5000.0},
    {"family": "level", "channel": "|central_x|", "threshold_g": 6.0},
    {"family": "armed", "main": {"family": "gated", "rule": LEVEL, "gate": WINDOW}, "arming": LOST},
    {"family": "velocity_change", "reset_ms": 8.0, "reset_below_g": 0.7},
    {"family": "velocity_change", "reset_ms": 0.5, "reset_below_g": 0.3, "floor": "no",
     "time_constant_ms": 40.0},
    {"family": "velocity_change", "reset_ms": 900.0},
    {"family": "reset_after_quiet", "rule": WINDOW, "activity": LEVEL, "quiet_ms": 2.0},
    {"family": "reset_after_quiet", "rule": LEVEL, "activity": WINDOW, "quiet_ms": 900.0},
    {"family": "band_energy", "sections": 3, "low_hz": 40.0, "high_hz": 400.0, "threshold_g": 2.0},
    {"family": "velocity_change_fixed_point", "leak_g": 1.0, "lsb_mg": 400.0},
    {"family": "velocity_displacement_map", "line": [[2.0, 1.0], [50.0, 0.0]]},
    {"family": "velocity_displacement_map", "line": [[40.0, 0.0]]},
    {"family": "velocity_time_map", "line": [[4.0, 1.2]]},
    {"family": "debounced", "rule": LEVEL, "count": 900},
    {"family": "roll_energy", "threshold": 0.4},
    {"family": "window_velocity_jerk_map", "jerk_ms": 0.5},
    {"family": "door_pressure_slope", "window_ms": 0.5},
]  # fmt: skip


def noisy_pulses():
    """Codes of every channel but one: pulses with ringing and noise, 37 draws."""
    source = np.random.default_rng(5)
    t = np.arange(331) / RATE
    channels = {}
    for name in CHANNELS:
        unit = 1000.0 if "pressure" in name else 1.0 if "roll" in name else 40.0
        push = np.sin(np.pi * np.clip((t - 0.02) / 0.08, 0.0, 1.0)) ** 2
        size = 2.0 * unit * source.uniform(-1.0, 1.0, (37, 1))
        noise = 0.1 * unit * source.standard_normal((37, t.size))
        channels[name] = np.round((size * push + noise) / (unit / 200.0)) * (unit / 200.0)
    channels["side_left_y"] = np.full((37, t.size), np.nan)
    return block(channels, rate_hz=RATE)


def tables() -> dict[str, dict]:
    """A rule of every family that has operations, and the variants."""
    names = [name for name in rule_families() if name not in OF_A_USER]
    found = {name: {"family": name, **FURTHER.get(name, {})} for name in names}
    return found | {f"variant {k}": table for k, table in enumerate(VARIANTS)}
