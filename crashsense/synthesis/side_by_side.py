"""Models that march side by side: integrations that several events wait for are computed at once.

A step over arrays of a few draws takes numpy as long as its calls, so that four events of 20 draws
march together in little more than the time of one. A model that can wait is a generator (*steps*):
it yields what is to be integrated, is resumed with the motion, and returns what it makes of it.
Rows depend on nothing but themselves, so that the result is the same bit for bit.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Generator, Hashable, Sequence
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeVar

from crashsense import engine

Work = TypeVar("Work")
Result = TypeVar("Result")
Given = ParamSpec("Given")


@dataclass(frozen=True, eq=False)
class March:
    """What a model waits for: the motion that *integrate* finds for *what*.

    ``integrate`` takes several, and returns their motions in order.
    """

    integrate: Callable[[Sequence[Any]], list[Any]]
    what: Any


def march_kinds(
    works: Sequence[Work],
    *,
    kind: Callable[[Work], Hashable],
    march: Callable[[Sequence[Work]], list[Result]],
) -> list[Result]:
    """March works of one *kind* together where numpy computes, each by itself in a kernel.

    *march* returns the motions of those that it is given; so does this, in order.
    """
    alone = engine.kernels() is not None
    kinds: dict[Hashable, list[int]] = defaultdict(list)
    for place, work in enumerate(works):
        kinds[place if alone else kind(work)].append(place)
    found: dict[int, Result] = {}
    for places in kinds.values():
        found |= zip(places, march([works[place] for place in places]), strict=True)
    return [found[place] for place in range(len(works))]


#: A model in steps: yields marches, is sent their motions, returns the result.
Steps = Generator[March, Any, Result]


def side_by_side(works: Sequence[Steps[Result]]) -> list[Result]:
    """Run some works to their ends; marches that they wait for at the same time go together.

    >>> def halved(numbers):
    ...     print("marched:", *numbers)
    ...     return [number / 2 for number in numbers]
    >>> def work(number):
    ...     while number > 1:
    ...         number = yield March(halved, number)
    ...     return number
    >>> side_by_side([work(4), work(6), work(1)])
    marched: 4 6
    marched: 2.0 3.0
    marched: 1.5
    [1.0, 0.75, 1]
    """
    found: dict[int, Result] = {}
    motions: dict[int, Any] = dict.fromkeys(range(len(works)))
    while motions:
        waiting: dict[Any, list[tuple[int, Any]]] = defaultdict(list)
        for place in list(motions):
            try:
                march = works[place].send(motions.pop(place))
            except StopIteration as end:
                found[place] = end.value
            else:
                waiting[march.integrate].append((place, march.what))
        for integrate, some in waiting.items():
            places, what = zip(*some, strict=True)
            motions |= zip(places, integrate(what), strict=True)
    return [found[place] for place in range(len(works))]


def at_once(steps: Callable[Given, Steps[Result]]) -> Callable[Given, Result]:
    """Return the function that runs a model in steps by itself."""

    def whole(*args: Given.args, **more: Given.kwargs) -> Result:
        (result,) = side_by_side([steps(*args, **more)])
        return result

    whole.__doc__ = steps.__doc__
    return whole
