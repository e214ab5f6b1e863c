"""Writes small tables as a user would: fictional impacts, for the tests only."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from exchange_writer import pulse_g

#: Times of the pulses [s].
TIMES = (np.arange(2501) - 500) / 10000.0


def impact_g(change_kmh: float = -50.0):
    """A haversine of 100 ms without offset, with some ringing [g], on :data:`TIMES`."""
    return pulse_g(change_kmh, offset_g=0.0, ringing_g=2.0)


def columns(change_kmh: float = -50.0) -> dict[str, Sequence[float]]:
    """A sound table: time and one column."""
    return {"time_s": TIMES, "central_x_g": impact_g(change_kmh)}


def write(
    path: Path,
    table: dict[str, Sequence[float]] | None = None,
    *,
    stated: Sequence[str] = (),
    separator: str = ",",
    decimal: str = ".",
    digits: int = 6,
    before: str = "",
    newline: str = "\n",
) -> Path:
    """Write a CSV, the statements as comment lines before it, and return its path."""
    table = columns() if table is None else table
    lines = [f"# {line}" for line in stated] + [separator.join(table)]
    for row in zip(*table.values(), strict=True):
        lines.append(separator.join(f"{v:.{digits}f}".replace(".", decimal) for v in row))
    path.write_bytes((before + newline.join([*lines, ""])).encode("utf-8"))
    return path
