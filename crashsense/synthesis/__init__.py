"""Synthesis: from recipes to events, by physical models.

Importing the package registers the shipped models. A module of models calls
:func:`crashsense.synthesis.model.register_model` when it is imported, a module of speed sweeps
:func:`crashsense.synthesis.severity.register_speed_sweep`.
"""

from __future__ import annotations

import importlib

from crashsense.synthesis.recipe import Recipe, load_events, load_recipes, parse_recipe

#: Modules that register pulse models.
MODEL_MODULES: tuple[str, ...] = (
    "frontal.impact",
    "combined",
    "misuse.blows",
    "misuse.door_blows",
    "road.ride",
    "side.side_impact",
    "side.rear_impact",
    "rollover.roll",
)

#: Modules that register what their models require at rising speed.
SWEEP_MODULES: tuple[str, ...] = ("frontal.severity", "side.severity")

for _module in (*MODEL_MODULES, *SWEEP_MODULES):
    importlib.import_module(f"crashsense.synthesis.{_module}")

__all__ = ["Recipe", "load_events", "load_recipes", "parse_recipe"]
