"""The restraints that a plan is about: what is asked of the others is open, and not scored."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from crashsense.errors import Fault, InputError, nearest
from crashsense.event import RESTRAINTS, Event, Requirement
from crashsense.rules import Algorithm

#: Word for the restraints for which some algorithm of the plan has a rule.
COVERED = "covered"


def chosen_restraints(names: Sequence[str], algorithms: Iterable[Algorithm]) -> tuple[str, ...]:
    """Return the restraints of a plan in their usual order; none named: all.

    Raises
    ------
    InputError : a name that is no restraint

    >>> chosen_restraints(["curtain_left"], [])
    ('curtain_left',)
    """
    words = (*RESTRAINTS, COVERED)
    if faults := [
        Fault("plan", "restraints", n, nearest(n, words)) for n in names if n not in words
    ]:
        raise InputError(faults)
    if not names:
        return RESTRAINTS
    wanted = set(names)
    if COVERED in wanted:
        wanted |= {restraint for algorithm in algorithms for restraint in algorithm.rules}
    return tuple(name for name in RESTRAINTS if name in wanted)


def _kept(requirement: Requirement, restraints: Sequence[str]) -> Requirement:
    """The requirement of a restraint of the plan; it follows none that the plan is not about."""
    if requirement.order is None or requirement.order.after in restraints:
        return requirement
    return replace(requirement, order=None)


def limited_to(restraints: Sequence[str], events: Iterable[Event]) -> list[Event]:
    """Return events that ask for these restraints only: the others are open.

    Their required times stay, as information.
    """
    if len(restraints) == len(RESTRAINTS):
        return list(events)
    return [
        replace(
            event,
            requirements={
                name: _kept(requirement, restraints)
                if name in restraints
                else replace(
                    requirement,
                    expectation="open",
                    basis="not a restraint of this run",
                    waiver=None,
                    order=None,
                )
                for name, requirement in event.requirements.items()
            },
        )
        for event in events
    ]
