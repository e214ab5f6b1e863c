"""The table of verdicts: its columns, their types and its key.

Here and not beside what makes the rows, so that a run is read without what senses and judges.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pyarrow as pa

from crashsense.resources import CAUTION

#: A row as plain values: column -> text, number, truth or None.
PlainRow = Mapping[str, Any]

#: Version of the layout of a run folder; a reader refuses a later one by name.
SCHEMA_VERSION = 1

KEY = ("event", "draw", "sensor_set", "algorithm", "restraint")

METADATA = {
    b"crashsense_schema_version": str(SCHEMA_VERSION).encode(),
    b"crashsense_caution": CAUTION.encode(),
}

VERDICT_SCHEMA = pa.schema(
    [
        ("event", pa.string()),
        ("family", pa.string()),
        ("occurrence", pa.string()),
        ("restraint", pa.string()),
        ("sensor_set", pa.string()),
        ("algorithm", pa.string()),
        ("draw", pa.int64()),
        ("expectation", pa.string()),
        ("required_time_ms", pa.float64()),
        ("fire_time_ms", pa.float64()),
        ("time_margin_ms", pa.float64()),
        ("max_demand", pa.float64()),
        ("demand_at_required_time", pa.float64()),
        ("demand_before_allowed", pa.float64()),
        ("demand_margin", pa.float64()),
        ("arming_time_ms", pa.float64()),
        ("held_by", pa.string()),
        ("path", pa.string()),
        ("verdict", pa.string()),
        ("infeasible", pa.bool_()),
        ("waived", pa.bool_()),
        ("clipped_before_filter", pa.int64()),
        ("seed", pa.int64()),
        ("reason", pa.string()),
    ],
    metadata=METADATA,
)

#: Why a restraint is not judged that an algorithm does not cover.
NO_RULE = "{algorithm} has no rule for it"
