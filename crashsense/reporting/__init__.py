"""Reporting: the self-contained page, the text summary, and figures for files."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crashsense.lazy import loader

if TYPE_CHECKING:
    from crashsense.reporting.page import write_report
    from crashsense.reporting.summary import text_summary
    from crashsense.reporting.view import view_of

_HOMES = {"text_summary": "summary", "view_of": "view", "write_report": "page"}

__all__ = ["text_summary", "view_of", "write_report"]

# The card of an event needs neither the page nor the tables of a run.
__getattr__ = loader(__name__, _HOMES)
