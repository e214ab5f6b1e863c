"""Decision rules: causal maps from control-unit samples to demand."""

from crashsense.rules.algorithm import (
    algorithm_from_table,
    algorithm_from_toml,
    algorithm_names,
    algorithm_text,
    algorithm_to_table,
    algorithm_to_toml,
    load_algorithm,
    rule_from_table,
    rule_to_table,
)
from crashsense.rules.composition import same_element
from crashsense.rules.contract import Algorithm, Rule, rate_faults, reads_context, sharing
from crashsense.rules.registry import installed_families, rule_families

__all__ = [
    "Algorithm",
    "Rule",
    "algorithm_from_table",
    "algorithm_from_toml",
    "algorithm_names",
    "algorithm_text",
    "algorithm_to_table",
    "algorithm_to_toml",
    "installed_families",
    "load_algorithm",
    "rule_families",
    "rule_from_table",
    "rule_to_table",
    "same_element",
    "rate_faults",
    "reads_context",
    "sharing",
]
