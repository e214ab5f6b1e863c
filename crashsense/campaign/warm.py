"""Imports that a worker needs: the fork server loads them once for all workers.

Importing this module is its only effect. For a run with the engine ``fast`` the server also loads
:mod:`crashsense.campaign.warm_compiled`.
"""

from __future__ import annotations

import crashsense.campaign.evaluation
from crashsense.synthesis.model import SHIPPED, find_model

for _names in SHIPPED.values():
    find_model(_names[0])

__all__ = ["crashsense"]
