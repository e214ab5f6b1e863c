"""What a worker needs, imported by name: the fork server loads it once for all workers.

Importing this module is its whole effect. Of a run with the engine ``fast`` the server also loads
:mod:`crashsense.campaign.warm_compiled`.
"""

from __future__ import annotations

import scipy.signal
import scipy.special

import crashsense.campaign.evaluation

__all__ = ["crashsense", "scipy"]
