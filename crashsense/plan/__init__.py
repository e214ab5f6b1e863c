"""The plan: what is evaluated, from a TOML file or from Python, and the checksums of its inputs."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crashsense.plan.keys import PlanKeys
    from crashsense.plan.resolve import Plan, resolve_plan

_HOMES = {"Plan": "resolve", "PlanKeys": "keys", "resolve_plan": "resolve"}

__all__ = ["Plan", "PlanKeys", "resolve_plan"]


def __getattr__(name: str) -> Any:
    # Lazy, so that the help of a command reads the keys without the numeric stack.
    if name not in _HOMES:
        raise AttributeError(f"module 'crashsense.plan' has no attribute {name!r}")
    return getattr(importlib.import_module(f"crashsense.plan.{_HOMES[name]}"), name)
