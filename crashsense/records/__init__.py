"""Measured crashes: one reader per format, and the quality check that every record passes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crashsense.lazy import loader

if TYPE_CHECKING:
    from crashsense.records.findings import Finding
    from crashsense.records.formats import supported
    from crashsense.records.reading import (
        ChannelFigures,
        RecordCheck,
        check_record,
        inspect_record,
        read_record,
    )
    from crashsense.records.source import RecordSource

_HOMES = {
    "ChannelFigures": "reading",
    "Finding": "findings",
    "RecordCheck": "reading",
    "RecordSource": "source",
    "check_record": "reading",
    "inspect_record": "reading",
    "read_record": "reading",
    "supported": "formats",
}

__all__ = [
    "ChannelFigures",
    "Finding",
    "RecordCheck",
    "RecordSource",
    "check_record",
    "inspect_record",
    "read_record",
    "supported",
]

# A plan without records, and whoever explains one of its events, needs no reader.
__getattr__ = loader(__name__, _HOMES)
