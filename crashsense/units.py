"""Units: SI inside; g, km/h and ms only in files and on screens."""

from __future__ import annotations

#: Standard acceleration of free fall [m/s^2] (CGPM 1901, exact by definition).
STANDARD_GRAVITY = 9.80665
