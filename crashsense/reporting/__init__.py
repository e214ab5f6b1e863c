"""Reporting: the self-contained page, the text summary, and figures for files."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from crashsense.reporting.page import write_report
    from crashsense.reporting.summary import text_summary
    from crashsense.reporting.view import view_of

_HOMES = {"text_summary": "summary", "view_of": "view", "write_report": "page"}

__all__ = ["text_summary", "view_of", "write_report"]


def __getattr__(name: str) -> Any:
    # Lazy: the card of an event needs neither the page nor the tables of a run.
    if name not in _HOMES:
        raise AttributeError(f"module 'crashsense.reporting' has no attribute {name!r}")
    return getattr(importlib.import_module(f"crashsense.reporting.{_HOMES[name]}"), name)
