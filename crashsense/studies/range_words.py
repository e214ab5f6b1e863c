"""Limits and wording of the study of sensor ranges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

#: Limits of the advice: velocity error at the required time and at 60 ms [m/s], shift [ms].
LIMIT_REQUIRED_M_S = 0.1
LIMIT_60MS_M_S = 0.2
LIMIT_SHIFT_MS = 0.5

#: Families whose velocity is looked at, at the required time and at 60 ms. A side airbag is due
#: some 10 ms after contact: what its sensor loses by 60 ms comes after the decision.
CRASHES = ("frontal", "side", "rear")
LASTING = ("frontal", "rear")
SIDE = ("side_", "curtain_")

#: Names listed in a sentence; the tables hold the rest.
LISTED = 5


def range_words(row: pd.Series, metadata: Mapping[str, Any]) -> str:
    """Say the range of a setting."""
    return f"+/-{row[metadata['range_column']]:g} {metadata['unit']}"


def listed(words: Sequence[str], *, separator: str = "; ") -> str:
    """Join some of the words and count the others."""
    more = len(words) - LISTED
    text = separator.join(words[:LISTED])
    return text + (f" and {more} more (see range.csv)" if more > 0 else "")


def fire_words(row: pd.Series) -> str:
    """Describe what became of the deployment in an event."""
    mine, ideal = row["fire_time_ms"], row["ideal_fire_time_ms"]
    event, change = row["event"], row["fire_change"]
    why = [row["cause"]] if row["cause"] != "-" else []
    if change == "lost":
        what = f"{event} no longer fires"
        why.insert(0, f"ideal {ideal:.1f} ms")
    elif change == "gained":
        what = f"{event} fires at {mine:.1f} ms"
        why.insert(0, "ideal never")
    elif change in ("earlier", "later"):
        what = f"{event} fires {abs(mine - ideal):.1f} ms {change}"
        why.insert(0, f"{mine:.1f} against {ideal:.1f} ms")
    else:
        return str(event)
    return f"{what} ({', '.join(why)})"


def moved(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows whose fire time moves by more than the limit, largest first."""
    size = rows["fire_time_shift_ms"].abs()
    size = size[size > LIMIT_SHIFT_MS + 1e-6].sort_values(ascending=False, kind="stable")
    return rows.loc[size.index]
