"""Results: tables, the run folder, its reopening and provenance, and the tally of what is met."""

from crashsense.results.run import Run, open_run
from crashsense.results.statistics import draw_statistics

__all__ = ["Run", "draw_statistics", "open_run"]
