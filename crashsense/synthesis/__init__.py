"""Synthesis: from recipes to events, by physical models.

A shipped model (:data:`crashsense.synthesis.model.SHIPPED`) is imported when a recipe names it.
A module of models calls :func:`crashsense.synthesis.model.register_model` when it is imported, a
module of speed sweeps :func:`crashsense.synthesis.severity.register_speed_sweep`.
"""

from crashsense.synthesis.recipe import Recipe, load_events, load_recipes, parse_recipe

__all__ = ["Recipe", "load_events", "load_recipes", "parse_recipe"]
