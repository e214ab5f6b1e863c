"""Trials: sense some draws of an occurrence, then judge them. Nothing above senses or scores.

:func:`trial` is for one event; campaigns, replays, studies and the page read trials made by
:func:`run_trials`, a block of draws at a time.
"""

from crashsense.trials.block import Conditions, judge_block, run_trials
from crashsense.trials.explain import Explanation, explain
from crashsense.trials.trial import Trial, joined, trial

__all__ = [
    "Conditions",
    "Explanation",
    "Trial",
    "explain",
    "joined",
    "judge_block",
    "run_trials",
    "trial",
]
