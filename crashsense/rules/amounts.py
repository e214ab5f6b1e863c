"""Amounts: a criterion against its threshold, in the unit of the trade.

Demand is criterion over threshold; an amount reverses that: "velocity change 4.1 of 6.0 m/s". Each
criterion family defines its own amounts (:meth:`crashsense.rules.contract.Rule.amounts`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

#: End of a parameter's name -> unit, for user-written rules, which declare none.
_UNITS = {
    "percent_ms": "%/ms",
    "percent": "%",
    "g2_ms": "g^2 ms",
    "g_ms": "g/ms",
    "w_kg": "W/kg",
    "deg_s": "deg/s",
    "rad_s": "rad/s",
    "m_s2": "m/s^2",
    "m_s": "m/s",
    "kpa": "kPa",
    "pa": "Pa",
    "deg": "deg",
    "mm": "mm",
    "ms": "ms",
    "g": "g",
}

#: Decimals beyond which two numbers that differ are written alike.
_MOST_DECIMALS = 9


@dataclass(frozen=True)
class Amount:
    """A criterion at one sample: ``value`` of the ``threshold`` that it is compared with.

    ``note``: what the threshold depends on at that sample.
    """

    name: str
    value: float
    threshold: float
    unit: str
    note: str = ""

    @property
    def short(self) -> float:
        """How much is missing to the threshold, in ``unit``; 0 if it is reached."""
        return max(self.threshold - self.value, 0.0)

    @property
    def share(self) -> float:
        """Value over threshold [-]."""
        return self.value / self.threshold

    def scaled(self, factor: float, *, note: str = "") -> Amount:
        """Return the amount against its threshold times *factor*."""
        notes = "; ".join(part for part in (self.note, note) if part)
        return replace(self, threshold=self.threshold * factor, note=notes)

    def __str__(self) -> str:
        value, threshold = pair_text(self.value, self.threshold)
        unit = "" if self.unit == "-" else f" {self.unit}"
        note = f" ({self.note})" if self.note else ""
        return f"{self.name} {value} of {threshold}{unit}{note}"


def pair_text(value: float, threshold: float) -> tuple[str, str]:
    """Format a value and its threshold so that rounding does not hide which is larger.

    Thresholds from 100, 3 and 0.1 are written with 0, 1 and 2 decimals.

    >>> pair_text(4.08, 6.0), pair_text(5.9996, 6.0)
    (('4.1', '6.0'), ('5.9996', '6.0000'))
    >>> [pair_text(0.0, threshold)[1] for threshold in (0.09, 0.1, 2.9, 3.0, 99.0, 100.0)]
    ['0.0900', '0.10', '2.90', '3.0', '99.0', '100']
    """
    size = abs(threshold)
    decimals = 0 if size >= 100.0 else 1 if size >= 3.0 else 2 if size >= 0.1 else 4
    while decimals < _MOST_DECIMALS:
        texts = f"{value:.{decimals}f}", f"{threshold:.{decimals}f}"
        if texts[0] != texts[1] or value == threshold:
            return texts
        decimals += 1
    return f"{value:.{decimals}f}", f"{threshold:.{decimals}f}"


def only_threshold(known: Mapping[str, Any]) -> tuple[float, str] | None:
    """Return the only number whose name begins with ``threshold``, and the unit that ends its name.

    None if there is none or more than one: an amount cannot then be read from demand alone.

    >>> only_threshold({"threshold_m_s": 2.5, "leak_g": 1.0})
    (2.5, 'm/s')
    """
    found = thresholds_in(known)
    if len(found) != 1:
        return None
    ((name, threshold),) = found.items()
    return threshold, next((u for end, u in _UNITS.items() if name.endswith(f"_{end}")), "-")


def thresholds_in(known: Mapping[str, Any]) -> dict[str, float]:
    """Return the numbers whose names begin with ``threshold``."""
    return {
        name: float(value)
        for name, value in known.items()
        if name.startswith("threshold")
        and isinstance(value, (int, float))
        and not isinstance(value, bool)
    }
