"""Campaigns: a plan, its tasks, where they run, the run folder, statistics and replay."""

from crashsense.campaign.plan import Plan, PlanFile, resolve_plan
from crashsense.campaign.reopen import Replay, replay
from crashsense.campaign.run import Run, open_run
from crashsense.campaign.running import Estimate, evaluate
from crashsense.campaign.statistics import draw_statistics

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
