"""Decision rules: causal maps from control-unit samples to demand."""

from crashsense.rules.contract import Algorithm, Rule

__all__ = ["Algorithm", "Rule"]
