"""Units: SI inside; g, km/h and ms only in files and on screens."""

from __future__ import annotations

#: Standard acceleration of free fall [m/s^2] (CGPM 1901, exact by definition).
STANDARD_GRAVITY = 9.80665


def kmh_to_m_s(speed_kmh: float) -> float:
    """Convert km/h to m/s.

    >>> kmh_to_m_s(36.0)
    10.0
    """
    return speed_kmh / 3.6


def m_s_to_kmh(speed_m_s: float) -> float:
    """Convert m/s to km/h."""
    return speed_m_s * 3.6
