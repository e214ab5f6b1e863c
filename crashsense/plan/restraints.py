"""The restraints that a plan is about: what is asked of the others is open, and not scored."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS, RESTRAINTS, Event, Requirement
from crashsense.further_restraints import asking
from crashsense.rules import Algorithm

#: Word for the restraints for which some algorithm of the plan has a rule.
COVERED = "covered"

#: What a plan may say of the passenger's seat.
SEATS = ("occupied", "empty")


def chosen_restraints(names: Sequence[str], algorithms: Iterable[Algorithm]) -> tuple[str, ...]:
    """Return the restraints of a plan in their usual order.

    None named: the seven, and those further ones that some algorithm covers.

    Raises
    ------
    InputError : a name that is no restraint

    >>> chosen_restraints(["curtain_left"], [])
    ('curtain_left',)
    """
    words = (*ALL_RESTRAINTS, COVERED)
    if faults := [
        Fault("plan", "restraints", n, nearest(n, words)) for n in names if n not in words
    ]:
        raise InputError(faults)
    wanted = set(names) if names else set(RESTRAINTS)
    if COVERED in wanted or not names:
        wanted |= {restraint for algorithm in algorithms for restraint in algorithm.rules}
    return tuple(name for name in ALL_RESTRAINTS if name in wanted)


def _kept(requirement: Requirement, restraints: Sequence[str]) -> Requirement:
    """The requirement of a restraint of the plan; it follows none that the plan is not about."""
    if requirement.order is None or requirement.order.after in restraints:
        return requirement
    return replace(requirement, order=None)


def limited_to(
    restraints: Sequence[str],
    events: Iterable[Event],
    *,
    named: Sequence[str] = (),
    covered: Iterable[str] = (),
) -> list[Event]:
    """Return events that ask for these restraints only: the others are open.

    Their required times stay, as information. Of those *named* by the plan an algorithm without a
    rule does not meet what is required; of the others it is not judged. *covered*: restraints that
    some algorithm has a rule for; left out of the plan, they are open as well.
    """
    wanted = [*restraints, *covered]
    return [_limited(asking(event, wanted), restraints, named=named) for event in events]


def _limited(event: Event, restraints: Sequence[str], *, named: Sequence[str]) -> Event:
    asked = {name: _kept(r, restraints) for name, r in event.requirements.items()}
    for name, requirement in asked.items():
        if name not in restraints:
            basis = "not a restraint of this run"
            asked[name] = replace(
                requirement, expectation="open", basis=basis, waiver=None, order=None
            )
        elif name in named:
            asked[name] = replace(requirement, needs_rule=True)
    same = all(asked[name] is event.requirements[name] for name in asked)
    return event if same else replace(event, requirements=asked)


def with_passenger_seat(seat: str, events: Iterable[Event]) -> list[Event]:
    """Return events with the passenger's seat ``"occupied"`` or ``"empty"``.

    Raises
    ------
    InputError : another word
    """
    if seat not in SEATS:
        raise InputError([Fault("plan", "passenger_seat", seat, nearest(seat, SEATS))])
    taken = seat == "occupied"
    return [
        replace(event, context=replace(event.context, passenger_seat_occupied=taken))
        for event in events
    ]
