"""Measured crashes: one reader per format, and the quality check that every record passes."""

from crashsense.records.findings import Finding
from crashsense.records.formats import supported
from crashsense.records.reading import RecordSource, check_record, read_record

__all__ = ["Finding", "RecordSource", "check_record", "read_record", "supported"]
