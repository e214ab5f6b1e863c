"""Assumptions about a record that states nothing: requirement, belts, seats. Each is reported.

A crash record carries no requirement. The assumption is a convention of this program, not of any
standard: the maker's agreed requirement replaces it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import (
    ALL_RESTRAINTS,
    EXPECTATIONS,
    FURTHER_RESTRAINTS,
    RESTRAINTS,
    Context,
    Requirement,
    orders_assumed,
    usual_order,
)
from crashsense.occupant import FREE_TRAVEL_M, INFLATION_S
from crashsense.records.header import Record
from crashsense.records.motion import VELOCITY_WINDOW_S, Direction, Motion

#: Velocity change [km/h] from which front airbag stage 1 is required, and below which it is barred.
FIRE_FROM_KMH, NO_FIRE_BELOW_KMH = 35.0, 8.0

STAGE_1 = "front_airbag_stage_1"

#: Restraint codes of the header that are a belt (from memory of the format's guide).
_BELTS = ("3PT", "2PT", "4PT", "LAP", "SHB", "SHO", "BLT", "PS3", "PS2", "ABT", "MAN")


@dataclass(frozen=True)
class Assumed:
    """Context and requirements of a record's event, and the sentences that say so."""

    context: Context
    requirements: Mapping[str, Requirement]
    sentences: tuple[str, ...]


def parse_belts(belts: object) -> bool | None:
    """Return True, False or None (take the header's) for the wish *belts*.

    >>> parse_belts("unbelted"), parse_belts(None)
    (False, None)
    """
    if belts is None or isinstance(belts, bool):
        return belts
    known = {"belted": True, "unbelted": False, "header": None, "auto": None}
    if str(belts) not in known:
        raise InputError([Fault("records", "belts", belts, nearest(str(belts), known))])
    return known[str(belts)]


def parse_expect(expect: object) -> dict[str, str]:
    """Return restraint -> expectation for the wish *expect*; one word means stage 1.

    >>> parse_expect("no_fire")
    {'front_airbag_stage_1': 'no_fire'}
    >>> parse_expect("belt_pretensioner=fire, front_airbag_stage_1=open")
    {'belt_pretensioner': 'fire', 'front_airbag_stage_1': 'open'}
    """
    if expect is None or expect in ("", "auto", "assumed"):
        return {}
    if isinstance(expect, Mapping):
        pairs = [(str(k), str(v)) for k, v in expect.items()]
    else:
        parts = expect if isinstance(expect, (list, tuple)) else str(expect).split(",")
        pairs = []
        for part in parts:
            left, equals, right = str(part).partition("=")
            pairs.append((left.strip(), right.strip()) if equals else (STAGE_1, left.strip()))
    faults = []
    for restraint, expectation in pairs:
        if restraint not in ALL_RESTRAINTS:
            expected = f"a restraint: {nearest(restraint, ALL_RESTRAINTS)}"
            faults.append(Fault("records", "expect", restraint, expected))
        if expectation not in EXPECTATIONS:
            faults.append(
                Fault("records", "expect", expectation, nearest(expectation, EXPECTATIONS))
            )
    if faults:
        raise InputError(faults)
    return dict(pairs)


def stage_1_assumed(direction: Direction, velocity_change_m_s: float) -> tuple[str, str]:
    """Return what is assumed to be required of front airbag stage 1, and why."""
    change_kmh = abs(velocity_change_m_s) * 3.6
    within = f"velocity change {change_kmh:.1f} km/h within {VELOCITY_WINDOW_S * 1e3:g} ms"
    if direction.family != "frontal":
        basis = f"struck from the {direction.family} ({direction.basis}): no frontal requirement"
        return "open", basis
    if change_kmh >= FIRE_FROM_KMH:
        return "fire", f"{within}, {FIRE_FROM_KMH:g} or more"
    if change_kmh < NO_FIRE_BELOW_KMH:
        return "no_fire", f"{within}, below {NO_FIRE_BELOW_KMH:g}"
    return "open", f"{within}, between {NO_FIRE_BELOW_KMH:g} and {FIRE_FROM_KMH:g}"


def assume(
    record: Record,
    *,
    vehicle: int,
    motion: Motion,
    direction: Direction,
    belts: bool | None,
    expect: Mapping[str, str],
    file: str,
    barred: str = "",
) -> Assumed:
    """Assume the requirement, belts and seats of one event; every assumption becomes a sentence.

    *barred*: why the channel may not set a requirement; stage 1 is then open, without a time.
    """
    sentences: list[str] = []
    stage_1, why = stage_1_assumed(direction, motion.velocity_change_m_s)
    if barred:
        stage_1, why = "open", f"the channel fails the check: {barred}"
    required = motion.free_flight_s - INFLATION_S
    reached = bool(np.isfinite(required)) and motion.free_flight_s <= motion.end_s
    reached = reached and not barred
    rule = (
        f"free flight of {FREE_TRAVEL_M * 1e3:g} mm less {INFLATION_S * 1e3:g} ms, a rule of thumb"
    )
    wanted = {STAGE_1: stage_1, **expect}
    faults = [
        Fault(
            file,
            f"expect {name}",
            "fire",
            f"a channel that passes the check, to take the required time from ({barred})"
            if barred
            else "a record in which free flight is reached",
        )
        for name, expectation in wanted.items()
        if expectation == "fire" and not reached
    ]
    if faults:
        raise InputError(faults)
    requirements = {}
    for name in (*RESTRAINTS, *(name for name in FURTHER_RESTRAINTS if name in expect)):
        expectation = wanted.get(name, "open")
        timed = reached and (expectation == "fire" or name == STAGE_1) and expectation != "no_fire"
        if name in expect:
            basis = f"stated by the user; time from {rule}" if timed else "stated by the user"
        elif name == STAGE_1:
            basis = f"assumed: {why}" + (f"; time from {rule}" if timed else "")
        else:
            basis = "assumed: a record carries no requirement"
        requirements[name] = Requirement(
            expectation,
            required_s=required if timed else None,
            free_travel_m=FREE_TRAVEL_M if timed else None,
            inflation_s=INFLATION_S if timed else None,
            basis=basis,
            order=usual_order(name, expectation, family=direction.family),
        )
    if STAGE_1 in expect:
        sentences.append(f"{STAGE_1}: {expect[STAGE_1]}, stated by the user")
    else:
        sentences.append(f"{STAGE_1}: {stage_1}, assumed ({why})")
    if requirements[STAGE_1].required_s is not None:
        sentences.append(f"required time {required * 1e3:.1f} ms, assumed ({rule})")
    others = [name for name in expect if name != STAGE_1]
    sentences.append(
        "all other restraints: open, assumed (a record carries no requirement)"
        if not others
        else "stated by the user: "
        + ", ".join(f"{n} {expect[n]}" for n in others)
        + "; the rest open, assumed"
    )
    sentences += orders_assumed(requirements)
    context, spoken = _context(record, vehicle, belts=belts, stage_1=wanted[STAGE_1])
    return Assumed(context, requirements, (*sentences, *spoken))


def _context(
    record: Record, vehicle: int, *, belts: bool | None, stage_1: str
) -> tuple[Context, list[str]]:
    sentences = []
    if belts is not None:
        belted = belts
        sentences.append(f"belts: {'belted' if belts else 'unbelted'}, stated by the user")
    else:
        mine = [r for r in record.restraints if r.vehicle == vehicle and r.seat in (1, None)]
        if mine:
            belted = any(r.kind.startswith(_BELTS) for r in mine)
            state = "belted" if belted else "unbelted"
            sentences.append(f"belts: {state}, from the header's restraints of the driver")
        else:
            belted = stage_1 != "no_fire"
            state = "belted" if belted else "unbelted"
            sentences.append(f"belts: {state}, assumed (the header lists none; the harder state)")
    seats = {o.seat for o in record.occupants if o.vehicle == vehicle}
    if not seats:
        sentences.append("front seats: both occupied, assumed (the header lists no occupant)")
        return Context(belted=belted), sentences
    return (
        Context(belted=belted, driver_seat_occupied=1 in seats, passenger_seat_occupied=2 in seats),
        sentences,
    )
