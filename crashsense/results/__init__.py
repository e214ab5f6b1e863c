"""Results: tables, the run folder, its reopening and provenance, and the tally of what is met."""

from crashsense.results.replay import Replay, replay
from crashsense.results.run import Run, open_run
from crashsense.results.tally import Tally

__all__ = ["Replay", "Run", "Tally", "open_run", "replay"]
