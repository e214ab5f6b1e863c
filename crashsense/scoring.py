"""Scoring: fire times and requirements to verdicts and margins.

Every function works on a block of draws. Times are compared with a tolerance of 1 ns
(:data:`TOLERANCE_S`), on the clock of the control unit: a sample counts from the moment
at which the control unit has finished processing it.

Edges, and what comes out:

- no fire: ``fire_s`` is NaN; must fire: ``missed``, no time margin; must not: ``held``;
- fire exactly at the required time: ``on_time``, time margin 0;
- fire before the earliest allowed time: ``early``, whatever follows;
- required time before the first tick whose codes could contain the contact (negative, or shorter
  than sampling, transport and task): reported as it is, ``infeasible``; ``late`` when the restraint
  fires after it, ``missed`` when it never does, ``early`` when it has fired by then, which cannot
  have been for this contact; demand margin -1, as if there were no sample; outside separation;
- must fire, but no required time in a draw (NaN: the occupant never travels so far): not
  judged, ``not_evaluated``, margins NaN;
- no sample up to the required time: demand at the required time is 0;
- no samples at all: never fired, demand 0;
- restraints in order (:func:`judge_order`): what never fires breaks no order, ``not_challenged``;
  both at the same tick: a delay of 0, ``in_order`` where none is asked for;
- empty set of must-fire (must-not) rows in :func:`separation`: c (m) is None.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray, IntArray
from crashsense.values import Shown

if TYPE_CHECKING:
    import pandas as pd


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
    "in_order",
    "not_challenged",
    "alone",
    "out_of_order",
    "too_soon",
    "too_late",
)

#: Verdicts of two restraints in order by which their requirement is not met.
ORDER_FAILURES = ("alone", "out_of_order", "too_soon", "too_late")

#: Verdicts by which a requirement is met, and by which it is not.
MET = ("on_time", "held", "in_order", "not_challenged")
FAILURES = ("late", "missed", "early", "inadvertent", "rule_error", *ORDER_FAILURES)


#: Why a restraint did not fire, by code.
HELD_BY = ("", "main", "arming", "both")

_CODE = {name: code for code, name in enumerate(VERDICTS)}
_VERDICT_NAMES = np.array(VERDICTS, dtype=object)
_HELD_NAMES = np.array(HELD_BY, dtype=object)


@dataclass(frozen=True, eq=False)
class Scores(Shown):
    """Scores of one restraint over a block of draws; every array has shape (draws,).

    Times in seconds, NaN where there is none. Verdicts are indices into :data:`VERDICTS`, what held
    the restraint back is an index into :data:`HELD_BY` (empty where it fired); ``verdict`` and
    ``held_by`` give the words.
    """

    fire_s: FloatArray
    arming_s: FloatArray
    time_margin_s: FloatArray
    max_demand: FloatArray
    demand_at_required: FloatArray
    demand_before_allowed: FloatArray
    demand_margin: FloatArray
    infeasible: npt.NDArray[np.bool_]
    held_code: npt.NDArray[np.int8]
    verdict_code: npt.NDArray[np.int8]

    @property
    def verdict(self) -> npt.NDArray[np.object_]:
        """Verdicts in words."""
        return np.asarray(_VERDICT_NAMES[self.verdict_code])

    @property
    def held_by(self) -> npt.NDArray[np.object_]:
        """What held the restraint back, in words."""
        return np.asarray(_HELD_NAMES[self.held_code])


@dataclass(frozen=True, eq=False)
class Reached(Shown):
    """What scoring needs to know of demand; every array has shape (draws,).

    First ticks with demand 1 or more (-1: never) of the whole rule, its main and its arming branch
    (-2: no arming), and the largest demand: overall, up to the required time, before the earliest
    allowed time, and between these two times.
    """

    fire: IntArray
    main: IntArray
    arming: IntArray
    max_demand: FloatArray
    at_required: FloatArray
    before_allowed: FloatArray
    in_time: FloatArray

    @classmethod
    def nothing(cls, draws: int) -> Reached:
        """Demand 0 throughout: no rule."""
        never, zero = np.full(draws, -1, dtype=np.int64), np.zeros(draws)
        return cls(never, never, never - 1, zero, zero, zero, zero)

    @classmethod
    def joined(cls, parts: Sequence[Reached]) -> Reached:
        """Draws of several blocks, one after the other."""
        if len(parts) == 1:
            return parts[0]
        return cls(*map(np.concatenate, zip(*map(_OF_REACHED, parts), strict=True)))

    def taken(self, places: Sequence[int]) -> Reached:
        """The draws at the given places."""
        at = list(places)
        return Reached(*(values[at] for values in _OF_REACHED(self)))


#: All arrays of what was reached, as its constructor takes them.
_OF_REACHED = attrgetter(*(item.name for item in fields(Reached)))


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
    tick = _first_tick(demand)
    return np.where(tick >= 0, start_s + tick / rate_hz, np.nan)


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
        rows = np.ascontiguousarray(demand)
        return np.asarray(compiled.times_at_scales(rows, scales, start_s, rate_hz))
    level = np.maximum.accumulate(demand, axis=-1)
    out = np.empty((demand.shape[0], scales.size))
    for row in range(demand.shape[0]):
        index = np.searchsorted(level[row], scales, side="left")
        out[row] = np.where(index < level.shape[-1], start_s[row] + index / rate_hz, np.nan)
    return out


def _largest_between(demand: FloatArray, *, first: IntArray, last: IntArray) -> FloatArray:
    """Largest demand of the samples first..last-1 of each row, 0 if there are none."""
    rows, n = demand.shape
    if rows == 0 or n == 0:
        return np.zeros(rows)
    edges = np.empty((rows, 2), dtype=np.int64)
    edges[:, 0], edges[:, 1] = np.minimum(first, n - 1), last
    edges += n * np.arange(rows)[:, None]
    flat = edges.reshape(-1)
    flat = flat[:-1] if flat[-1] == demand.size else flat
    largest = np.maximum.reduceat(np.ascontiguousarray(demand).reshape(-1), flat)[::2]
    return np.where(last > first, np.maximum(largest, 0.0), 0.0)


def _first_tick(demand: FloatArray, *, largest: FloatArray | None = None) -> IntArray:
    """First tick with demand 1 or more in each row, -1 without; *largest* demand, if known."""
    compiled = engine.kernels()
    if compiled is not None:
        return np.asarray(compiled.first_tick(engine.given(demand)))
    tick = np.full(demand.shape[0], -1, dtype=np.int64)
    if demand.shape[-1] == 0:
        return tick
    rows = np.flatnonzero((demand.max(axis=-1) if largest is None else largest) >= 1.0)
    if rows.size:
        some = demand if rows.size == tick.size else demand[rows]
        tick[rows] = np.argmax(some >= 1.0, axis=-1)
    return tick


def _ticks_up_to(time_s: FloatArray, *, start_s: FloatArray, rate_hz: float, size: int) -> IntArray:
    ticks = np.floor((time_s - start_s + TOLERANCE_S) * rate_hz) + 1.0
    ticks = np.where(np.isnan(ticks), 0.0, ticks)
    return np.clip(ticks, 0, size).astype(np.int64)


def spans_of(
    *,
    start_s: FloatArray,
    rate_hz: float,
    size: int,
    required_s: FloatArray,
    not_before_s: float = 0.0,
) -> tuple[IntArray, IntArray]:
    """Number of ticks before the allowed time and up to the required one, of *size* ticks."""
    clock: Any = {"start_s": start_s, "rate_hz": rate_hz, "size": size}
    allowed = _ticks_up_to(np.full(start_s.shape, not_before_s - 2.0 * TOLERANCE_S), **clock)
    return allowed, _ticks_up_to(required_s, **clock)


def reached(
    branches: Mapping[str, FloatArray],
    *,
    start_s: FloatArray,
    rate_hz: float,
    required_s: FloatArray,
    not_before_s: float = 0.0,
) -> Reached:
    """Extract from demand what scoring needs; parameters as in :func:`score`."""
    total, main, arming = branches["total"], branches["main"], branches.get("arming")
    allowed, until = spans_of(
        start_s=start_s,
        rate_hz=rate_hz,
        size=total.shape[-1],
        required_s=required_s,
        not_before_s=not_before_s,
    )
    compiled = engine.kernels()
    if compiled is None:
        zero = np.zeros_like(until)
        largest = total.max(axis=-1, initial=0.0)
        fire = _first_tick(total, largest=largest)
        at_required = np.zeros_like(largest)
        if until.any():
            at_required = _largest_between(total, first=zero, last=until)
        before, in_time = np.zeros_like(largest), at_required
        if allowed.any():
            before = _largest_between(total, first=zero, last=allowed)
            in_time = _largest_between(total, first=np.minimum(allowed, until), last=until)
    else:
        fire, largest, at_required, before, in_time = compiled.summary_of(
            engine.given(total), allowed, until
        )
    return Reached(
        fire=fire,
        main=fire if main is total else _first_tick(main),
        arming=np.full(fire.shape, -2) if arming is None else _first_tick(arming),
        max_demand=largest,
        at_required=at_required,
        before_allowed=before,
        in_time=in_time,
    )


def cannot_be_met(
    required_s: FloatArray,
    *,
    start_s: FloatArray,
    rate_hz: float,
    origin_s: float = 0.0,
    chain_delay_s: float | FloatArray = 0.0,
) -> npt.NDArray[np.bool_]:
    """Return True where no rule can meet a required time, shape (draws,); parameters as in score.

    That is the case if it lies before the first tick that ends *chain_delay_s* or more after the
    contact: no earlier tick holds a code sampled at or after the contact. The delay of the filter
    does not enter, because a steep rise already shows in the first code. False where no time
    applies (NaN).

    >>> bool(cannot_be_met(np.array([0.0016]), start_s=np.array([-0.04905]), rate_hz=2000.0,
    ...     chain_delay_s=0.00095)[0])
    False
    """
    wait = origin_s + chain_delay_s - start_s
    tick = np.maximum(np.ceil((wait - TOLERANCE_S) * rate_hz), 0.0)
    return np.asarray(required_s < start_s + tick / rate_hz - TOLERANCE_S, dtype=np.bool_)


def score(
    branches: Mapping[str, FloatArray],
    *,
    start_s: FloatArray,
    rate_hz: float,
    expectation: str,
    required_s: FloatArray,
    origin_s: float = 0.0,
    not_before_s: float = 0.0,
    chain_delay_s: float | FloatArray = 0.0,
) -> Scores:
    """Score one restraint over a block of draws.

    Parameters
    ----------
    branches : ``"total"``, ``"main"`` and, where there is one, ``"arming"``: demand, shape (draws,
        samples)
    start_s : finish time of sample 0 [s], shape (draws,)
    rate_hz : tick rate [Hz]
    expectation : ``"fire"``, ``"no_fire"`` or ``"open"``
    required_s : required time [s], shape (draws,); NaN where none applies
    origin_s : the contact from which free flight counts [s]
    not_before_s : firing before this time [s] is ``early``
    chain_delay_s : the shortest time from a sampling instant to the end of the task, of the
        channels that the rule reads [s], one or (draws,)
    """
    clock: Any = {"start_s": start_s, "rate_hz": rate_hz, "required_s": required_s}
    return judge(
        reached(branches, not_before_s=not_before_s, **clock),
        expectation=expectation,
        origin_s=origin_s,
        not_before_s=not_before_s,
        chain_delay_s=chain_delay_s,
        **clock,
    )


def judge(
    found: Reached,
    *,
    start_s: FloatArray,
    rate_hz: float,
    expectation: str,
    required_s: FloatArray,
    origin_s: float = 0.0,
    not_before_s: float = 0.0,
    chain_delay_s: float | FloatArray = 0.0,
) -> Scores:
    """Score the extract of :func:`reached`; parameters as in :func:`score`."""

    def time_of(tick: IntArray) -> FloatArray:
        return np.where(tick >= 0, start_s + tick / rate_hz, np.nan)

    fire = time_of(found.fire)
    fired = found.fire >= 0
    has_time = np.isfinite(required_s)
    infeasible = np.zeros(fire.shape, dtype=np.bool_)
    margin = np.full(fire.shape, np.nan)
    time_margin = np.full(fire.shape, np.nan)
    if expectation == "fire":
        infeasible = cannot_be_met(
            required_s,
            start_s=start_s,
            rate_hz=rate_hz,
            origin_s=origin_s,
            chain_delay_s=chain_delay_s,
        )
        margin = np.where(has_time, np.where(infeasible, 0.0, found.in_time) - 1.0, np.nan)
        time_margin = np.where(fired, required_s - fire, np.nan)
        in_time = fired & (fire <= required_s + TOLERANCE_S)
        early = (fired & (fire < not_before_s - TOLERANCE_S)) | (in_time & infeasible)
        verdict = np.where(in_time, _CODE["on_time"], _CODE["late"])
        verdict = np.where(early, _CODE["early"], verdict)
        verdict = np.where(fired, verdict, _CODE["missed"])
        verdict = np.where(has_time, verdict, _CODE["not_evaluated"])
    elif expectation == "no_fire":
        margin = 1.0 - found.max_demand
        verdict = np.where(fired, _CODE["inadvertent"], _CODE["held"])
    else:
        verdict = np.where(fired, _CODE["open_fired"], _CODE["open_held"])
    main_held, arming_held = found.main == -1, found.arming == -1
    # Where both reached 1 but never together, arming kept a main branch past 1 from firing.
    held = np.where(main_held, np.where(arming_held, 3, 1), 2)
    return Scores(
        fire_s=fire,
        arming_s=time_of(found.arming),
        time_margin_s=time_margin,
        max_demand=found.max_demand,
        demand_at_required=np.where(has_time, found.at_required, np.nan),
        demand_before_allowed=found.before_allowed,
        demand_margin=margin,
        infeasible=np.asarray(infeasible, dtype=np.bool_),
        held_code=np.where(fired, 0, held).astype(np.int8),
        verdict_code=verdict.astype(np.int8),
    )


@dataclass(frozen=True, eq=False)
class OrderScores(Shown):
    """How two restraints followed each other over a block of draws; arrays of shape (draws,).

    ``delay_s``: fire time less that of the other [s], NaN unless both fire; ``margin_s``: how far
    it lies inside the allowed delays [s], negative outside, NaN likewise; verdicts are numbers into
    :data:`VERDICTS`.
    """

    delay_s: FloatArray
    margin_s: FloatArray
    verdict_code: npt.NDArray[np.int8]

    @property
    def verdict(self) -> npt.NDArray[np.object_]:
        """Verdicts in words."""
        return np.asarray(_VERDICT_NAMES[self.verdict_code])


def judge_order(
    fire_s: FloatArray, other_s: FloatArray, *, least_s: float = 0.0, most_s: float | None = None
) -> OrderScores:
    """Score whether a restraint fires after another, and by how much.

    Parameters
    ----------
    fire_s : fire time of the restraint [s], NaN where it does not fire
    other_s : fire time of the one that it must follow [s], likewise
    least_s, most_s : shortest and longest allowed delay [s]; None: any longer one

    >>> never = float("nan")
    >>> judge_order(np.array([0.020, 0.012, 0.03, never]), np.array([0.015, 0.015, never, 0.01]),
    ...     most_s=0.010).verdict.tolist()
    ['in_order', 'out_of_order', 'alone', 'not_challenged']
    """
    delay = fire_s - other_s
    margin = delay - least_s
    broken = np.where(delay < -TOLERANCE_S, _CODE["out_of_order"], _CODE["too_soon"])
    verdict = np.where(margin < -TOLERANCE_S, broken, _CODE["in_order"])
    if most_s is not None:
        margin = np.minimum(margin, most_s - delay)
        verdict = np.where(delay > most_s + TOLERANCE_S, _CODE["too_late"], verdict)
    verdict = np.where(np.isnan(other_s), _CODE["alone"], verdict)
    verdict = np.where(np.isnan(fire_s), _CODE["not_challenged"], verdict)
    return OrderScores(delay, margin, verdict.astype(np.int8))


@dataclass(frozen=True)
class Separation(Shown):
    """How far one restraint's must-fire events stand from its must-not events.

    c = least demand up to the required time over must-fire rows, m = largest demand over must-not
    rows, and of must-fire rows before their earliest allowed time (``m_early`` then). Threshold
    scale k works if and only if m < k <= c. The ratio c/m ranks settings and sensor ranges of one
    criterion; it does not rank criteria. ``must_fire`` and ``must_not`` count the rows.
    Scale k multiplies all thresholds of a rule, arming too; the statement about k holds for rules
    whose demand scales with them (``Rule.scales``), not where a measure or a gate moves a level.
    """

    sensor_set: str
    algorithm: str
    restraint: str
    c: float | None
    c_event: str
    m: float | None
    m_event: str
    infeasible: tuple[str, ...] = ()
    must_fire: int = 0
    must_not: int = 0
    m_early: bool = False

    @property
    def ratio(self) -> float | None:
        """c/m, None where either is missing, m is 0, or no row must not fire.

        Without a must-not row, m is the largest demand of must-fire rows before their earliest
        allowed time, usually noise before the contact: it bounds k, but says nothing about how
        well crashes separate from other events.
        """
        if self.c is None or self.m is None or self.m <= 0.0 or not self.must_not:
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
            "must_fire": self.must_fire,
            "must_not": self.must_not,
            "m_early": self.m_early,
        }


def separation(verdicts: pd.DataFrame) -> list[Separation]:
    """Return the separation of every sensor set, algorithm and restraint of a verdict table.

    Uses all rows of the table: pass draw 0 only for the nominal separation. Rows not evaluated,
    rule errors and infeasible required times are left out; the latter are named.
    """
    out = []
    judged = verdicts[~verdicts["verdict"].isin(["not_evaluated", "rule_error"])]
    # As arrays: a frame for each restraint takes a hundred times as long.
    events, infeasible = judged["event"].to_numpy(), judged["infeasible"].to_numpy(dtype=bool)
    must_fire = (judged["expectation"] == "fire").to_numpy(dtype=bool) & ~infeasible
    must_not = (judged["expectation"] == "no_fire").to_numpy(dtype=bool)
    demand = {
        name: judged[name].to_numpy(dtype=np.float64)
        for name in ("max_demand", "demand_before_allowed", "demand_margin")
    }
    groups = judged.groupby(["sensor_set", "algorithm", "restraint"]).indices
    for (sensor_set, algorithm, restraint), rows in sorted(groups.items()):
        fire, barred = rows[must_fire[rows]], rows[must_not[rows]]
        against = [
            (float(np.fmax.reduce(values)), str(events[part[int(np.argmax(values))]]), part is fire)
            for name, part in (("max_demand", barred), ("demand_before_allowed", fire))
            if len(part)
            for values in [demand[name][part]]
        ]
        if not len(barred):
            against = [entry for entry in against if entry[0] > 0.0]
        c, c_event = None, ""
        if len(fire):
            at = fire[int(np.argmin(demand["demand_margin"][fire]))]
            c, c_event = float(demand["demand_margin"][at]) + 1.0, str(events[at])
        m, m_event, m_early = max(against, default=(None, "", False), key=lambda at: at[0] or 0.0)
        if c is None and m is None:
            continue
        named = events[rows[infeasible[rows]]]
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
                must_fire=len(fire),
                must_not=len(barred),
                m_early=m_early,
            )
        )
    return out
