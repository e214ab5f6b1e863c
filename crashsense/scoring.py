"""Scoring: fire times and requirements to verdicts and margins.

Every function works on a block of draws. Times are compared with a tolerance of 1 ns
(:data:`TOLERANCE_S`), on the clock of the control unit: a sample counts from the moment at which
the control unit has finished with it.

Edges, and what comes out:

- no fire: ``fire_s`` is NaN; must fire: ``missed``, no time margin; must not: ``held``;
- fire exactly at the required time: ``on_time``, time margin 0;
- fire before the earliest allowed time: ``early``, whatever follows;
- required time negative or shorter than the delays of the chain: reported as it is, ``infeasible``;
  ``late`` when the restraint fires, ``missed`` when it never does; outside separation;
- must fire, but no required time in a draw (NaN: the occupant never travels so far): not
  judged, ``not_evaluated``, margins NaN;
- no sample up to the required time: demand at the required time is 0;
- no samples at all: never fired, demand 0;
- empty set of must-fire (must-not) rows in :func:`separation`: c (m) is None.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense import engine

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]

#: Two times closer than this are the same time [s].
TOLERANCE_S = 1e-9

VERDICTS = (
    "on_time",
    "late",
    "missed",
    "early",
    "held",
    "inadvertent",
    "open_fired",
    "open_held",
    "not_evaluated",
    "rule_error",
)

#: Verdicts by which a requirement is not met.
FAILURES = ("late", "missed", "early", "inadvertent", "rule_error")


@dataclass(frozen=True, eq=False)
class Scores:
    """Scores of one restraint over a block of draws; every array has shape (draws,).

    Times in seconds, NaN where there is none. ``held_by`` is empty where the restraint fired.
    """

    fire_s: FloatArray
    arming_s: FloatArray
    time_margin_s: FloatArray
    max_demand: FloatArray
    demand_at_required: FloatArray
    demand_before_allowed: FloatArray
    demand_margin: FloatArray
    infeasible: npt.NDArray[np.bool_]
    held_by: npt.NDArray[np.object_]
    verdict: npt.NDArray[np.object_]


def first_crossing(demand: FloatArray, *, start_s: FloatArray, rate_hz: float) -> FloatArray:
    """Return the time [s] of the first sample with demand >= 1, NaN without one.

    Parameters
    ----------
    demand : shape (draws, samples)
    start_s : finish time of sample 0 [s], shape (draws,)
    rate_hz : tick rate [Hz]

    >>> first_crossing(np.array([[0.2, 1.0, 0.4], [0.0, 0.9, 0.9]]),
    ...     start_s=np.array([0.5, 0.5]), rate_hz=2.0)
    array([ 1., nan])
    """
    if demand.shape[-1] == 0:
        return np.full(demand.shape[0], np.nan)
    crossed = demand >= 1.0
    index = np.argmax(crossed, axis=-1)
    return np.where(crossed.any(axis=-1), start_s + index / rate_hz, np.nan)


def fire_times_at_scales(
    demand: FloatArray, *, scales: FloatArray, start_s: FloatArray, rate_hz: float
) -> FloatArray:
    """Return the fire time [s] for every threshold scale at once, shape (draws, scales).

    The restraint fires at scale k at the first sample where the running maximum of demand reaches
    k: one evaluation and a search. Valid where demand scales with the threshold
    (``Rule.scales``).
    """
    compiled = engine.kernels()
    if compiled is not None and np.all(np.diff(scales) >= 0.0):
        tick = compiled.ticks_at_scales(np.ascontiguousarray(demand), scales)
        return np.where(tick >= 0, start_s[:, None] + tick / rate_hz, np.nan)
    level = np.maximum.accumulate(demand, axis=-1)
    out = np.empty((demand.shape[0], scales.size))
    for row in range(demand.shape[0]):
        index = np.searchsorted(level[row], scales, side="left")
        out[row] = np.where(index < level.shape[-1], start_s[row] + index / rate_hz, np.nan)
    return out


def _largest_between(
    demand: FloatArray, *, first: npt.NDArray[np.int64], last: npt.NDArray[np.int64]
) -> FloatArray:
    """Largest demand of the samples first..last-1 of each row, 0 where there is none."""
    if demand.shape[0] and np.all(first == first[0]) and np.all(last == last[0]):
        part = demand[:, first[0] : max(last[0], first[0])]
        return part.max(axis=-1, initial=0.0)
    index = np.arange(demand.shape[-1])
    inside = (index >= first[:, None]) & (index < last[:, None])
    return np.where(inside, demand, 0.0).max(axis=-1, initial=0.0)


def score(
    branches: Mapping[str, FloatArray],
    *,
    start_s: FloatArray,
    rate_hz: float,
    expectation: str,
    required_s: FloatArray,
    origin_s: float = 0.0,
    not_before_s: float = 0.0,
    chain_delay_s: float = 0.0,
) -> Scores:
    """Score one restraint over a block of draws.

    Parameters
    ----------
    branches : ``"total"``, ``"main"`` and perhaps ``"arming"``: demand, shape (draws, samples)
    start_s : finish time of sample 0 [s], shape (draws,)
    rate_hz : tick rate [Hz]
    expectation : ``"fire"``, ``"no_fire"`` or ``"open"``
    required_s : required time [s], shape (draws,); NaN where none applies
    origin_s : the contact from which free flight counts [s]
    not_before_s : firing before this time [s] is ``early``
    chain_delay_s : the shortest delay of the channels that the rule reads [s]
    """
    total = branches["total"]
    size = total.shape[-1]
    arming = branches.get("arming")
    if arming is None:
        arming_s = np.full(start_s.shape, np.nan)
    else:
        arming_s = first_crossing(arming, start_s=start_s, rate_hz=rate_hz)

    def ticks_up_to(time_s: FloatArray) -> npt.NDArray[np.int64]:
        ticks = np.floor((time_s - start_s + TOLERANCE_S) * rate_hz) + 1.0
        return np.clip(np.nan_to_num(ticks, nan=0.0), 0, size).astype(np.int64)

    allowed = ticks_up_to(np.full(start_s.shape, not_before_s - 2.0 * TOLERANCE_S))
    until = ticks_up_to(required_s)
    compiled = engine.kernels()
    if compiled is None:
        fire = first_crossing(total, start_s=start_s, rate_hz=rate_hz)
        zero = np.zeros_like(until)
        largest = total.max(axis=-1, initial=0.0)
        at_required = _largest_between(total, first=zero, last=until)
        before = _largest_between(total, first=zero, last=allowed)
        in_time = _largest_between(total, first=np.minimum(allowed, until), last=until)
    else:
        tick, largest, at_required, before, in_time = compiled.summary_of(
            np.ascontiguousarray(total), allowed, until
        )
        fire = np.where(tick >= 0, start_s + tick / rate_hz, np.nan)
    fired = np.isfinite(fire)
    has_time = np.isfinite(required_s)
    infeasible = np.zeros(fire.shape, dtype=np.bool_)
    margin = np.full(fire.shape, np.nan)
    time_margin = np.full(fire.shape, np.nan)
    if expectation == "fire":
        infeasible = required_s < origin_s + chain_delay_s - TOLERANCE_S
        in_time = _largest_between(total, first=np.minimum(allowed, until), last=until)
        margin = np.where(has_time, in_time - 1.0, np.nan)
        time_margin = np.where(fired, required_s - fire, np.nan)
        early = fired & (fire < not_before_s - TOLERANCE_S)
        on_time = fired & (fire <= required_s + TOLERANCE_S) & ~infeasible
        verdict = np.where(
            ~fired, "missed", np.where(early, "early", np.where(on_time, "on_time", "late"))
        )
        verdict = np.where(has_time, verdict, "not_evaluated")
    elif expectation == "no_fire":
        margin = 1.0 - largest
        verdict = np.where(fired, "inadvertent", "held")
    else:
        verdict = np.where(fired, "open_fired", "open_held")
    main_held = branches["main"].max(axis=-1, initial=0.0) < 1.0
    arming_held = (
        np.zeros(fire.shape, dtype=np.bool_)
        if arming is None
        else arming.max(axis=-1, initial=0.0) < 1.0
    )
    # Where both reached 1 but never together, arming kept a main branch past 1 from firing.
    held_by = np.where(main_held & arming_held, "both", np.where(main_held, "main", "arming"))
    return Scores(
        fire_s=fire,
        arming_s=arming_s,
        time_margin_s=time_margin,
        max_demand=largest,
        demand_at_required=np.where(has_time, at_required, np.nan),
        demand_before_allowed=before,
        demand_margin=margin,
        infeasible=np.asarray(infeasible, dtype=np.bool_),
        held_by=np.where(fired, "", held_by).astype(object),
        verdict=verdict.astype(object),
    )


@dataclass(frozen=True)
class Separation:
    """How far one restraint's must-fire events stand from its must-not events.

    c = least demand up to the required time over must-fire rows, m = largest demand over must-not
    rows (and before the earliest allowed time). Threshold scale k works if and only if m < k <= c.
    The ratio c/m ranks settings and sensor ranges of one criterion; it does not rank criteria.
    """

    sensor_set: str
    algorithm: str
    restraint: str
    c: float | None
    c_event: str
    m: float | None
    m_event: str
    infeasible: tuple[str, ...] = ()

    @property
    def ratio(self) -> float | None:
        """c/m, None where either is missing or m is 0."""
        if self.c is None or self.m is None or self.m <= 0.0:
            return None
        return self.c / self.m

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for JSON."""
        return {
            "sensor_set": self.sensor_set,
            "algorithm": self.algorithm,
            "restraint": self.restraint,
            "c": self.c,
            "c_event": self.c_event,
            "m": self.m,
            "m_event": self.m_event,
            "ratio": self.ratio,
            "infeasible": list(self.infeasible),
        }


def separation(verdicts: pd.DataFrame) -> list[Separation]:
    """Return the separation of every sensor set, algorithm and restraint of a verdict table.

    Uses all rows that are there: pass draw 0 for the nominal separation. Rows not evaluated, rule
    errors and infeasible required times stay outside; the latter are named.
    """
    out = []
    judged = verdicts[~verdicts["verdict"].isin(["not_evaluated", "rule_error"])]
    keys = ["sensor_set", "algorithm", "restraint"]
    for (sensor_set, algorithm, restraint), rows in judged.groupby(keys, sort=True):
        fire = rows[(rows["expectation"] == "fire") & ~rows["infeasible"].astype(bool)]
        barred = rows[rows["expectation"] == "no_fire"]
        against = [
            (float(demand), str(event))
            for column, part in (("max_demand", barred), ("demand_before_allowed", fire))
            if len(part)
            for demand, event in [
                (part[column].max(), part["event"].iloc[int(np.argmax(part[column].to_numpy()))])
            ]
        ]
        if not len(barred):
            against = [pair for pair in against if pair[0] > 0.0]
        c, c_event = None, ""
        if len(fire):
            at = int(np.argmin(fire["demand_margin"].to_numpy()))
            c, c_event = float(fire["demand_margin"].iloc[at]) + 1.0, str(fire["event"].iloc[at])
        m, m_event = max(against, default=(None, ""), key=lambda pair: pair[0] or 0.0)
        if c is None and m is None:
            continue
        named = rows.loc[rows["infeasible"].astype(bool), "event"]
        out.append(
            Separation(
                sensor_set=str(sensor_set),
                algorithm=str(algorithm),
                restraint=str(restraint),
                c=c,
                c_event=c_event,
                m=m,
                m_event=m_event,
                infeasible=tuple(sorted(set(named))),
            )
        )
    return out
