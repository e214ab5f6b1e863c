"""Campaigns: a plan cut into tasks, and where they run."""

from crashsense.campaign.reopen import Replay, replay
from crashsense.campaign.running import Estimate, evaluate
from crashsense.plan import Plan, PlanFile, resolve_plan
from crashsense.results import Run, open_run

__all__ = [
    "Estimate",
    "Plan",
    "PlanFile",
    "Replay",
    "Run",
    "evaluate",
    "open_run",
    "replay",
    "resolve_plan",
]
