"""Campaigns: a plan cut into tasks, and where they run."""

from crashsense.campaign.progress import ProgressLine
from crashsense.campaign.running import estimate, evaluate
from crashsense.campaign.size import Estimate

__all__ = ["Estimate", "ProgressLine", "estimate", "evaluate"]
