"""Reporting: the self-contained page, the text summary, and figures for files."""

from __future__ import annotations

from crashsense.reporting.page import write_report
from crashsense.reporting.summary import text_summary
from crashsense.reporting.view import view_of

__all__ = ["text_summary", "view_of", "write_report"]
