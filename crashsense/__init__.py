"""crashsense: a bench for airbag deployment decisions.

Not qualified for any decision about a real vehicle: see ``crashsense safety``.

The names below load on first use (PEP 562), so that starting the command line stays fast.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.2.0"

#: Module -> names that it gives to the top level; ``__init__.pyi`` says the same to type checkers.
_NAMES = {
    "crashsense.signal": "Signal",
    "crashsense.event": "Context Event EventSource Requirement",
    "crashsense.errors": "CrashsenseError Fault InputError MissingExtraError RuleError"
    " RunFolderError UnknownNameError",
    "crashsense.occupant": "required_time_to_fire",
    "crashsense.filters.channel_class": "channel_class_filter",
    "crashsense.synthesis": "load_events",
    "crashsense.records": "load_record",
    "crashsense.sensing": "EcuSamples SensorSet load_sensor_set",
    "crashsense.rules": "Algorithm Rule load_algorithm",
    "crashsense.trials": "Explanation Trial explain trial",
    "crashsense.plan": "Plan",
    "crashsense.results": "Replay Run open_run replay",
    "crashsense.campaign": "Estimate ProgressLine estimate evaluate",
    "crashsense.reporting": "write_report",
}

_HOMES = {name: module for module, names in _NAMES.items() for name in names.split()}

#: Name at the top level -> name in its module, where they differ.
_OTHER_NAMES = {"load_record": "read_record"}

__all__ = ["__version__", *sorted(_HOMES)]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'crashsense' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), _OTHER_NAMES.get(name, name))


def __dir__() -> list[str]:
    return sorted(__all__)
