"""Imports that a worker needs: the fork server loads them once for all workers.

Importing this module is its only effect. The server also loads, by the engine of the run,
:mod:`crashsense.campaign.warm_numpy` or :mod:`crashsense.campaign.warm_compiled`.
"""

from __future__ import annotations

import numpy.fft
import pyarrow as pa

import crashsense.campaign.evaluation
from crashsense.rules.registry import rule_families
from crashsense.synthesis.model import SHIPPED, find_model

for _names in SHIPPED.values():
    find_model(_names[0])

rule_families()  # their modules: making their classes takes 20 ms

# Pyarrow imports pandas with the first array that it makes: half of what a worker's first task
# costs beside its work.
pa.array([])

__all__ = ["crashsense", "numpy"]
