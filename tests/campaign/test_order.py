"""In which order bundles are begun: the longest first, by what was measured where it was."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence

import numpy as np
import pytest

from crashsense.campaign.tasks import UNSURE, Bundle, Bundles, Waiting, bundled, work_of
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


def expected_order(bundles: Bundles, source: np.random.Generator) -> tuple[list[Bundle], ...]:
    """Take bundles as Waiting does, and by weighing all that are left before each of them."""
    waiting, left = Waiting(bundles), list(bundles)
    taken: list[Bundle] = []
    slowly: list[Bundle] = []
    begun: set[int] = set()
    factors: dict[int, float] = {}
    measured = expected = 0.0

    def weight(bundle: Bundle) -> float:
        usual = measured / expected if expected else 1.0
        return sum(
            work_of([task], seconds_a_draw=bundles.seconds_a_draw)
            * factors.get(task.occurrence, usual * (1.0 if task.occurrence in begun else UNSURE))
            for task in bundle
        )

    while left:
        heads = {bundle[0].occurrence: bundle for bundle in reversed(left)}
        order = dict.fromkeys(bundle[0].occurrence for bundle in bundles)
        slowly.append(max((heads[k] for k in order if k in heads), key=weight))
        left.remove(slowly[-1])
        begun.update(task.occurrence for task in slowly[-1])
        taken.append(waiting.next())
        if source.random() < 0.6:
            done, seconds = slowly[source.integers(len(slowly))], source.uniform(0.1, 9.0)
            waiting.took(done, seconds)
            guessed = work_of(done, seconds_a_draw=bundles.seconds_a_draw)
            measured, expected = measured + seconds, expected + guessed
            factors.update((task.occurrence, seconds / guessed) for task in done)
    return taken, slowly


def test_what_is_weighed_is_up_to_date() -> None:
    source = np.random.default_rng(2)
    several = 0
    for _ in range(60):
        tasks = [Task(k, n, n + 1) for k in range(9) for n in range(1, source.integers(3, 9))]
        guessed = list(source.uniform(0.1, 2.0, 9))
        bundles = bundled(tasks, seconds_a_draw=guessed, workers=source.integers(1, 4))
        several += any(len({task.occurrence for task in bundle}) > 1 for bundle in bundles)
        taken, slowly = expected_order(bundles, source)
        assert taken == slowly
    assert several > 40  # bundles with tasks of more than one occurrence


def test_without_guesses_events_of_one_equal_bundle_stay_in_their_order() -> None:
    given = [(Task(k, 1, 2),) for k in range(9)]
    assert list(Waiting(given)) == given


def test_without_guesses_the_bundle_of_most_draws_comes_first() -> None:
    given = [(Task(k, 1, last),) for k, last in enumerate((2, 9, 5))]
    assert list(Waiting(given)) == [given[1], given[2], given[0]]


@pytest.mark.parametrize("seconds", [0.0, np.inf, np.nan])
def test_a_bundle_that_took_no_time_teaches_nothing(seconds: float) -> None:
    given = [(Task(k, first, first + 2),) for k in (0, 1) for first in (1, 3)]
    waiting = Waiting(Bundles(given, seconds_a_draw=[2.0, 1.0]))
    assert [waiting.next() for _ in range(2)] == [given[0], given[2]]
    waiting.took(given[0], seconds)
    waiting.took(given[2], 1.0)
    assert list(waiting) == [given[1], given[3]]


def test_a_bundle_that_was_guessed_to_take_no_time_teaches_nothing() -> None:
    given = [(Task(0, 1, 2),), (Task(0, 2, 3),), (Task(1, 1, 2),)]
    waiting = Waiting(Bundles(given, seconds_a_draw=[0.0, 1.0]))
    waiting.took(given[0], 1.0)
    assert list(waiting) == [given[2], given[0], given[1]]


def test_what_was_measured_makes_events_longer_of_which_nothing_is_known() -> None:
    given = [(Task(0, 1, 2),), (Task(0, 2, 3),), (Task(1, 1, 2),)]
    waiting = Waiting(Bundles(given, seconds_a_draw=[5.0, 1.0]))
    first = waiting.next()
    waiting.took(first, 20.0)  # four times as long as guessed, as the other event may be
    assert [bundle[0].occurrence for bundle in waiting] == [0, 1]
    waiting = Waiting(Bundles(given, seconds_a_draw=[5.0, 2.0]))
    waiting.took(waiting.next(), 20.0)
    assert [bundle[0].occurrence for bundle in waiting] == [1, 0]


def test_bundles_know_the_guesses_that_they_were_made_by() -> None:
    tasks = [Task(0, k, k + 1) for k in range(1, 11)] + [Task(1, 1, 2)]
    found = bundled(tasks, seconds_a_draw=[0.25, 2.0], workers=2)
    assert found.seconds_a_draw == [0.25, 2.0]
    assert found[0] == (Task(1, 1, 2),)
    assert len(found) == len(list(found))
