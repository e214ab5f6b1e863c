"""The plan: what is evaluated, from a TOML file or from Python, and the checksums of its inputs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crashsense.lazy import loader

if TYPE_CHECKING:
    from crashsense.plan.keys import PlanKeys
    from crashsense.plan.resolve import Plan, resolve_plan

_HOMES = {"Plan": "resolve", "PlanKeys": "keys", "resolve_plan": "resolve"}

__all__ = ["Plan", "PlanKeys", "resolve_plan"]

# The help of a command reads the keys without the numeric stack.
__getattr__ = loader(__name__, _HOMES)
