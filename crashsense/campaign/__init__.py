"""Campaigns: a plan cut into tasks, and where they run."""

from crashsense.campaign.reopen import Replay, replay
from crashsense.campaign.running import Estimate, evaluate
from crashsense.plan import Plan, PlanFile, resolve_plan
from crashsense.results import Run, draw_statistics, open_run

__all__ = [
    "Estimate",
    "Plan",
    "PlanFile",
    "Replay",
    "Run",
    "draw_statistics",
    "evaluate",
    "open_run",
    "replay",
    "resolve_plan",
]
