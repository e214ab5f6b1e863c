"""In which order bundles are begun: the longest first, by what was measured where it was."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence

import numpy as np
import pytest

from crashsense.campaign.tasks import Bundle, Bundles, Waiting, bundled
from crashsense.results.tables import Task

WORKERS = 8

EVENTS = 27

#: Seconds a draw as guessed for each event.
GUESSED = [1.0 + k % 3 for k in range(EVENTS)]
BUNDLES = Bundles(
    [(Task(k, first, first + 5),) for k in range(EVENTS) for first in (1, 6)],
    seconds_a_draw=GUESSED,
)


def seconds_of(bundle: Bundle, true: Sequence[float] = GUESSED) -> float:
    """What a bundle really takes."""
    return sum(true[task.occurrence] * (task.last - task.first) for task in bundle)


def end_of(
    bundles: Iterable[Bundle], true: Sequence[float], *, waiting: Waiting | None = None
) -> float:
    """When the last worker ends, in shares of an even split; a free one takes the next bundle."""
    free = [0.0] * WORKERS
    running: list[tuple[float, Bundle]] = []
    upcoming = iter(bundles)
    end = 0.0
    while True:
        while free and (bundle := next(upcoming, None)) is not None:
            heapq.heappush(running, (heapq.heappop(free) + seconds_of(bundle, true), bundle))
        if not running:
            return end / (sum(seconds_of(bundle, true) for bundle in BUNDLES) / WORKERS)
        end, bundle = heapq.heappop(running)
        if waiting is not None:
            waiting.took(bundle, seconds_of(bundle, true))
        heapq.heappush(free, end)


def test_workers_end_together_although_guesses_are_wrong_by_a_factor_of_three() -> None:
    source = np.random.default_rng(5)
    found = []
    for _ in range(50):
        true = [guess * 3.0 ** source.uniform(-1.0, 1.0) for guess in GUESSED]
        waiting = Waiting(BUNDLES)
        found.append((end_of(waiting, true, waiting=waiting), end_of(list(BUNDLES), true)))
    measured, guessed = np.mean(found, axis=0)
    assert measured - 1.0 < 0.6 * (guessed - 1.0)


@pytest.mark.parametrize("known", [True, False])
def test_every_bundle_is_begun_once(known: bool) -> None:
    given = BUNDLES if known else list(BUNDLES)
    waiting = Waiting(given)
    found = []
    for number, bundle in enumerate(waiting):
        found.append(bundle)
        if number % 2:
            waiting.took(bundle, seconds_of(bundle))
    assert sorted(found) == sorted(given)
    assert not waiting


def test_events_of_which_nothing_is_known_are_not_left_to_the_end() -> None:
    waiting = Waiting(BUNDLES)
    begun = []
    for bundle in waiting:
        begun.append(bundle[0].occurrence)
        waiting.took(bundle, seconds_of(bundle))
    assert max(begun.index(k) for k in range(EVENTS)) < 40 < len(begun)


def test_without_guesses_bundles_stay_in_their_order() -> None:
    given = [(Task(k, 1, 2),) for k in range(9)]
    assert list(Waiting(given)) == given


def test_a_bundle_that_took_no_time_teaches_nothing() -> None:
    waiting = Waiting(BUNDLES)
    waiting.took(BUNDLES[0], 0.0)
    assert list(waiting)[0] == BUNDLES[0]


def test_what_is_left_of_bundles_keeps_its_guesses() -> None:
    tasks = [Task(0, k, k + 1) for k in range(1, 11)] + [Task(1, 1, 2)]
    found = bundled(tasks, seconds_a_draw=[0.25, 2.0], workers=2)
    assert found.seconds_a_draw == [0.25, 2.0]
    assert found[0] == (Task(1, 1, 2),)
    assert len(found) == len(list(found))
