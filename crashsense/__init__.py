"""crashsense: a bench for airbag deployment decisions.

Not qualified for any decision about a real vehicle: see ``crashsense safety``.

The names below load on first use (PEP 562), so that starting the command line stays fast.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "Signal": "crashsense.signal",
    "Event": "crashsense.event",
    "Requirement": "crashsense.event",
    "Context": "crashsense.event",
    "EventSource": "crashsense.event",
    "EcuSamples": "crashsense.sensing",
    "SensorSet": "crashsense.sensing",
    "Rule": "crashsense.rules",
    "Algorithm": "crashsense.rules",
    "load_events": "crashsense.synthesis",
    "read_record": "crashsense.records",
    "evaluate": "crashsense.campaign",
    "Run": "crashsense.results",
    "open_run": "crashsense.results",
    "replay": "crashsense.campaign",
    "Replay": "crashsense.campaign",
    "trial": "crashsense.trials",
    "Trial": "crashsense.trials",
    "explain": "crashsense.trials",
    "Explanation": "crashsense.trials",
}

__all__ = ["__version__", *sorted(_HOMES)]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'crashsense' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
