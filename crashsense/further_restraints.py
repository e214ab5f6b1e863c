"""Further restraints of a car: passenger's bag and belt, knee bag, second pretensioner, battery.

The library states what seven restraints must do; its front bag and pretensioner are the
driver's. What an event asks of a further restraint follows from these by practice of the trade
(from memory; a programme states its own in ``[requirements]`` of a plan or in a recipe):

- the passenger's bag and pretensioner do what the driver's do, at the same times, while somebody
  sits there; for an empty seat they must not fire
- the knee bag goes with the first stage of the driver's bag
- the second pretensioner (lap belt or anchor) must be fired by the time of the first, and is open
  in a rear impact
- the battery is cut off in a crash in which any of the seven must fire, by the latest of their
  required times; it must not be where none of them may fire, and is open where that is
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from crashsense.event import FURTHER_RESTRAINTS, RESTRAINTS, Event, Requirement

PRACTICE = "practice of the trade, from memory"

#: The two stages of the passenger's bag, which follow each other as the driver's do.
FIRST, SECOND = "passenger_airbag_stage_1", "passenger_airbag_stage_2"

#: Further restraint -> the one of the seven that it goes with.
GOES_WITH: Mapping[str, str] = MappingProxyType(
    {
        "passenger_airbag_stage_1": "front_airbag_stage_1",
        "passenger_airbag_stage_2": "front_airbag_stage_2",
        "passenger_pretensioner": "belt_pretensioner",
        "knee_airbag": "front_airbag_stage_1",
        "second_pretensioner": "belt_pretensioner",
    }
)


def further_requirement(event: Event, restraint: str) -> Requirement:
    """Return what an event asks of a further restraint: what it states, else what follows.

    >>> from crashsense.synthesis import load_events
    >>> from dataclasses import replace
    >>> (event,) = load_events(["wall_full_40"])
    >>> further_requirement(event, "passenger_airbag_stage_1").expectation
    'fire'
    >>> alone = replace(event, context=replace(event.context, passenger_seat_occupied=False))
    >>> further_requirement(alone, "passenger_airbag_stage_1").expectation
    'no_fire'
    """
    if restraint in event.requirements:
        return event.requirements[restraint]
    if restraint == "battery_cut_off":
        return _battery(event)
    if restraint.startswith("passenger_") and not event.context.passenger_seat_occupied:
        return Requirement("no_fire", basis=f"nobody sits there ({PRACTICE})")
    first = GOES_WITH[restraint]
    order = event.requirements[first].order
    if restraint != SECOND or order is None or order.after != GOES_WITH[FIRST]:
        order = None
    if restraint == "second_pretensioner" and event.family == "rear":
        basis = f"programmes differ on rear impacts ({PRACTICE})"
        return replace(
            event.requirements[first],
            expectation="open",
            basis=basis,
            waiver=None,
            order=None,
            follows=first,
            needs_rule=False,
        )
    return replace(
        event.requirements[first],
        basis=f"as {first} ({PRACTICE})",
        waiver=None,
        order=None if order is None else replace(order, after=FIRST),
        follows=first,
        needs_rule=False,
    )


def _battery(event: Event) -> Requirement:
    asked = {name: event.requirements[name] for name in RESTRAINTS}
    due = {name: r for name, r in asked.items() if r.expectation == "fire"}
    if not due:
        is_open = any(r.expectation == "open" for r in asked.values())
        what = "may" if is_open else "may not"
        basis = f"restraints {what} fire ({PRACTICE})"
        return Requirement("open" if is_open else "no_fire", basis=basis)
    last = max(due, key=lambda name: due[name].required_s or 0.0)
    return replace(
        due[last],
        not_before_s=min(r.not_before_s for r in due.values()),
        basis=f"by the required time of {last}, the latest ({PRACTICE})",
        waiver=None,
        order=None,
        follows=last,
        needs_rule=False,
    )


def asking(event: Event, restraints: Iterable[str]) -> Event:
    """Return the event with what it asks of the further ones of *restraints*."""
    further = [
        name for name in restraints if name in FURTHER_RESTRAINTS and name not in event.requirements
    ]
    if not further:
        return event
    asked = {**event.requirements}
    asked |= {name: further_requirement(event, name) for name in further}
    second = asked.get(SECOND)
    if second is not None and second.order is not None and second.order.after not in asked:
        asked[SECOND] = replace(second, order=None)  # the first stage is nobody's here
    return replace(event, requirements=asked)
