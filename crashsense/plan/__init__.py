"""The plan: what is evaluated, from a TOML file or from Python, and the checksums of its inputs."""

from crashsense.plan.resolve import Plan, PlanFile, resolve_plan

__all__ = ["Plan", "PlanFile", "resolve_plan"]
