"""Measured crashes: one reader per format, and the quality check that every record passes."""

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
