"""How much of a criterion there is, against its threshold, in the unit of the trade.

Demand is criterion over threshold; here it is turned back: "velocity change 4.1 of 6.0 m/s".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from crashsense.rules.contract import Rule, part_demand
from crashsense.rules.displacement import Displacement, PredictedDisplacement
from crashsense.rules.fixed_point import FixedPointVelocityChange
from crashsense.rules.kernels import read
from crashsense.rules.maps import (
    RollEnergy,
    RollRateAngleMap,
    VelocityDisplacementMap,
    VelocityTimeMap,
    WindowVelocityJerkMap,
)
from crashsense.rules.plugins import PythonRule
from crashsense.rules.side import Plausible
from crashsense.rules.window import WindowVelocity
from crashsense.sensing.samples import EcuSamples

#: What a criterion is called where the name of its family does not say it.
_CALLED = {
    "level": "mean acceleration",
    "variance": "standard deviation of acceleration",
    "rear_velocity": "velocity change",
    "left_right_difference": "left-right difference of velocity",
    "band_energy": "effective value in the band",
    "peak_to_peak": "peak-to-peak acceleration",
}

#: End of a parameter's name -> unit, for rules of one's own, which declare none.
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
        """What is missing to the threshold, in ``unit``; 0 where it is reached."""
        return max(self.threshold - self.value, 0.0)

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
    """Write a value and its threshold so that rounding does not hide which is larger.

    >>> pair_text(4.08, 6.0), pair_text(5.9996, 6.0)
    (('4.1', '6.0'), ('5.9996', '6.0000'))
    """
    size = abs(threshold)
    decimals = 0 if size >= 100.0 else 1 if size >= 3.0 else 2 if size >= 0.1 else 4
    while decimals < _MOST_DECIMALS:
        texts = f"{value:.{decimals}f}", f"{threshold:.{decimals}f}"
        if texts[0] != texts[1] or value == threshold:
            return texts
        decimals += 1
    return f"{value:.{decimals}f}", f"{threshold:.{decimals}f}"


def amounts(rule: Rule, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
    """Return what a criterion reached at sample *at* of a block of one draw, and what it needs.

    Several where all are needed at once (a guard, a plausibility check, both axes of a map). Empty
    where demand is not a criterion over one threshold, or nothing is known of it (a rule of one's
    own without a parameter ``threshold...``, a C library).
    """
    demand = float(part_demand(rule, samples)[0, at])
    if isinstance(rule, PythonRule):
        return _own(rule, demand)
    if isinstance(rule, (Displacement, PredictedDisplacement)):
        return _with_guard(rule, samples, at)
    if isinstance(rule, Plausible):
        return _with_plausibility(rule, samples, at)
    if isinstance(rule, WindowVelocity):
        return (_window(rule, samples, at),)
    if isinstance(rule, VelocityTimeMap):
        elapsed = float(rule.elapsed_ms(samples)[0, at])
        times, thresholds = np.array(rule.line, dtype=np.float64).T
        threshold = float(np.interp(elapsed, times, thresholds))
        note = f"{elapsed:.1f} ms after it began"
        return (Amount("velocity change", demand * threshold, threshold, "m/s", note),)
    if isinstance(rule, (VelocityDisplacementMap, WindowVelocityJerkMap, RollRateAngleMap)):
        return _on_map(rule, samples, at, demand)
    if isinstance(rule, RollEnergy):
        rate = float(np.degrees(read(samples, rule.channel)[0][0, at]))
        return (Amount("roll rate", rate, rate / demand, "deg/s"),) if demand > 0.0 else ()
    if isinstance(rule, FixedPointVelocityChange):
        threshold = rule.threshold_code(samples.rate_hz) * rule.lsb_m_s2 / samples.rate_hz
        return (Amount("velocity change", demand * threshold, threshold, "m/s"),)
    return _over_threshold(rule, demand)


def _over_threshold(rule: Rule, demand: float, *, name: str = "") -> tuple[Amount, ...]:
    """A criterion over its only threshold."""
    if not rule.scales or not hasattr(rule, "__dataclass_fields__"):
        return ()
    found = [
        (item.metadata["parameter"].unit, getattr(rule, item.name))
        for item in fields(rule)  # type: ignore[arg-type]
        if item.name.startswith("threshold") and "parameter" in item.metadata
    ]
    if len(found) != 1 or not isinstance(found[0][1], (int, float)):
        return ()
    unit, threshold = found[0]
    family = str(getattr(rule, "family", ""))
    called = name or _CALLED.get(family) or family.replace("_", " ") or "criterion"
    return (Amount(called, demand * float(threshold), float(threshold), unit),)


def _own(rule: PythonRule, demand: float) -> tuple[Amount, ...]:
    if not rule.scales:
        return ()
    inner = getattr(rule.inner, "inner", rule.inner)  # a rule written by sample is wrapped
    known: Mapping[str, Any] = {**getattr(inner, "__dict__", {}), **rule.parameters}
    found = {
        name: value
        for name, value in known.items()
        if name.startswith("threshold")
        and isinstance(value, (int, float))
        and not isinstance(value, bool)
    }
    if len(found) != 1:
        return ()
    ((name, threshold),) = found.items()
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(f"_{end}")), "-")
    return (Amount("criterion", demand * float(threshold), float(threshold), unit),)


def _with_guard(
    rule: Displacement | PredictedDisplacement, samples: EcuSamples, at: int
) -> tuple[Amount, ...]:
    velocity, moved = (float(values[0, at]) for values in rule.motion(samples))
    name = rule.family.replace("_", " ")
    return (
        Amount(name, max(1e3 * moved, 0.0), rule.travel_mm, "mm"),
        Amount("velocity change", velocity, rule.guard_m_s, "m/s"),
    )


def _with_plausibility(rule: Plausible, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
    alone = replace(rule, plausible=None)
    own = _over_threshold(alone, float(alone.demand(samples)[0, at]))
    if rule.plausible is None:
        return own
    endless = np.full((samples.draws, samples.size), np.inf)
    held = float(rule.agreed(endless, samples)[0, at])
    name = f"plausibility, mean of {rule.plausible}"
    return (*own, Amount(name, held * rule.plausible_g, rule.plausible_g, "g"))


def _window(rule: WindowVelocity, samples: EcuSamples, at: int) -> Amount:
    pairs = rule.windows if rule.windows is not None else ((rule.window_ms, rule.threshold_m_s),)
    found = []
    for window_ms, threshold in pairs:
        one = replace(rule, windows=((window_ms, threshold),))
        demand = float(one.demand(samples)[0, at])
        name = f"velocity change in {window_ms:g} ms"
        found.append((demand, Amount(name, demand * threshold, threshold, "m/s")))
    return max(found, key=lambda pair: pair[0])[1]


def _on_map(
    rule: VelocityDisplacementMap | WindowVelocityJerkMap | RollRateAngleMap,
    samples: EcuSamples,
    at: int,
    demand: float,
) -> tuple[Amount, ...]:
    """Both axes of a map, against the point of its line on the same ray."""
    if not demand > 0.0:
        return ()
    found = []
    for (name, unit), axis in zip(rule.axes, rule.coordinates(samples), strict=True):
        value = float(axis[0, at])
        if value > 0.0:  # the ray runs along the other axis otherwise
            found.append(Amount(name, value, value / demand, unit))
    return tuple(reversed(found))
