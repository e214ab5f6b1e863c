"""Cut a plan into tasks, and bundle tasks for workers.

A task is one part of every table. How a plan is cut depends on the plan alone: parts, their names
and rows are the same on a fast machine and on a slow one, with one worker or with many. Bundles
depend on time, but they only say which tasks travel together and leave no trace in the folder.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any

import numpy as np

from crashsense.campaign.evaluation import Job
from crashsense.event import RESTRAINTS
from crashsense.results.tables import Task
from crashsense.trials.block import BLOCK, SENSED_BLOCK

#: Rows of a part at most (a block of draws is never cut): a few MB, half a second or so of work.
ROWS_A_PART = 2**13

#: The same where draws share a pulse and nothing is kept but verdicts: a draw then costs so little
#: that what every task pays once would count.
ROWS_OF_SHARED_PULSE = 2**15

#: The same where all rules are those of the house's families as well, which cost least of all.
ROWS_OF_FAMILIES = 2**17

#: Tables kept beside the verdicts have many rows a verdict: their parts hold fewer draws.
KEPT_SHARE = 8

#: Time that a bundle should take [s], so that the time to send it and its rows does not matter.
BUNDLE_SECONDS = 1.0

#: How many times as long it should take with numpy, whose models march side by side: a bundle then
#: holds as many events as gain by it.
BESIDE = 1.5

#: Number of random draws that cost as much as the nominal one, whose traces are kept for the page.
NOMINAL_DRAWS = 16

#: Number of bundles for each worker, so that all end at about the same time.
BUNDLES = 8

#: How many times as long as its guess an event may take of which nothing was computed: it is not
#: left to the end.
UNSURE = 3.0

#: Tasks that travel to a worker together.
Bundle = tuple[Task, ...]


def draws_a_part(job: Job, occurrence: int) -> int:
    """Draws of one task: whole blocks, bounded by the rows that they make.

    Where the pulse is shared, a multiple of the draws that are sensed at once.
    """
    settings = len(job.sensor_sets) * len(job.algorithms)
    events = job.occurrences[occurrence]
    rows = settings * sum(len(RESTRAINTS) + len(event.orders) for event in events)
    if job.keep or job.conditions.varies_pulse(events[0]):
        at_most = ROWS_A_PART // (KEPT_SHARE if job.keep else 1)
    else:
        at_most = ROWS_OF_FAMILIES if job.of_families else ROWS_OF_SHARED_PULSE
    most = at_most // rows
    unit = SENSED_BLOCK if most >= SENSED_BLOCK else BLOCK
    return max(most // unit, 1) * unit


def split(job: Job, *, draws: int, chunk: int | None = None) -> list[Task]:
    """Cut draws 0 to *draws* of every occurrence into tasks, of *chunk* draws if it is given."""
    tasks = []
    for index in range(len(job.occurrences)):
        size = draws_a_part(job, index) if chunk is None else chunk
        first = 0
        while first <= draws:
            # The nominal draw is part of the first task.
            last = min(draws + 1, first + size + (1 if first == 0 else 0))
            tasks.append(Task(index, first, last))
            first = last
    return tasks


class Bundles(Sequence[Bundle]):
    """Bundles, the longest first by what a draw of each occurrence was guessed to take [s]."""

    def __init__(self, bundles: Sequence[Bundle], *, seconds_a_draw: Sequence[float]) -> None:
        self._bundles = sorted(
            bundles, key=lambda one: work_of(one, seconds_a_draw=seconds_a_draw), reverse=True
        )
        self.seconds_a_draw = seconds_a_draw

    def __len__(self) -> int:
        return len(self._bundles)

    def __getitem__(self, index: Any) -> Any:
        return self._bundles[index]


def bundled(
    tasks: Sequence[Task], *, seconds_a_draw: Sequence[float], workers: int, beside: bool = False
) -> Bundles:
    """Join neighbouring tasks into bundles, the longest first: no worker begins a long one last.

    *seconds_a_draw*: of each occurrence. A bundle lasts about :data:`BUNDLE_SECONDS` (*beside*:
    :data:`BESIDE` times as long), and less where that would leave each worker fewer than
    :data:`BUNDLES` of them.

    >>> tasks = [Task(0, k, k + 1) for k in range(1, 11)] + [Task(1, 1, 2)]
    >>> [len(bundle) for bundle in bundled(tasks, seconds_a_draw=[0.25, 0.1], workers=1)]
    [2, 2, 2, 2, 2, 1]
    >>> bundled(tasks, seconds_a_draw=[0.25, 2.0], workers=2)[0]
    (Task(occurrence=1, first=1, last=2),)
    """

    def work(some: Sequence[Task]) -> float:
        return work_of(some, seconds_a_draw=seconds_a_draw)

    longest = BUNDLE_SECONDS * (BESIDE if beside else 1.0)
    wanted = min(longest, max(work(tasks) / workers / BUNDLES, BUNDLE_SECONDS / 20))
    bundles: list[Bundle] = []
    held: list[Task] = []
    for task in tasks:
        held.append(task)
        if work(held) >= wanted * (1.0 - 1e-9):
            bundles.append(tuple(held))
            held = []
    if held:
        bundles.append(tuple(held))
    return Bundles(bundles, seconds_a_draw=seconds_a_draw)


def guesses_of(bundles: Sequence[Bundle]) -> Sequence[float]:
    """Seconds that a draw of each occurrence was guessed to take; 1 where nothing was guessed."""
    if isinstance(bundles, Bundles):
        return bundles.seconds_a_draw
    return [1.0] * (1 + max((task.occurrence for task in chain.from_iterable(bundles)), default=0))


class Waiting:
    """Bundles that wait for a worker: the longest comes next, as far as that is known.

    What the draws of an event take is guessed within a factor of three or so. As soon as some of
    them have been computed, the others are known to some percent: then all workers end together.

    >>> given = Bundles([(Task(k, 1, 9),) for k in (0, 1, 0, 1)], seconds_a_draw=[2.0, 1.0])
    >>> waiting = Waiting(given)
    >>> [waiting.next()[0].occurrence for _ in range(2)]
    [0, 1]
    >>> waiting.took([Task(0, 1, 9)], 1.0)
    >>> waiting.took([Task(1, 1, 9)], 4.0)
    >>> [waiting.next()[0].occurrence for _ in range(2)]
    [1, 0]
    """

    def __init__(self, bundles: Sequence[Bundle]) -> None:
        queues: dict[int, deque[Bundle]] = {}
        for bundle in bundles:
            queues.setdefault(bundle[0].occurrence, deque()).append(bundle)
        self._queues = list(queues.values())
        #: of each occurrence: queues that hold tasks of it
        self._rows: dict[int, set[int]] = {}
        for row, queue in enumerate(self._queues):
            for task in chain.from_iterable(queue):
                self._rows.setdefault(task.occurrence, set()).add(row)
        self._left = len(bundles)
        self._guessed = guesses_of(bundles)
        #: measured over guessed time of occurrences of which a bundle has been computed
        self._factors: dict[int, float] = {}
        self._begun: set[int] = set()
        self._measured = self._expected = 0.0
        #: What the next bundle of each queue takes: seconds that are known, and guessed ones, which
        #: change with the usual factor. Kept, as there may be thousands of events.
        self._known, self._unknown = np.zeros((2, len(self._queues)))
        self._weigh(chain.from_iterable(bundles))

    def __bool__(self) -> bool:
        return self._left > 0

    def __iter__(self) -> Iterator[Bundle]:
        while self:
            yield self.next()

    def next(self) -> Bundle:
        """Take the bundle that should be begun now."""
        usual = self._measured / self._expected if self._expected else 1.0
        bundle = self._queues[np.argmax(self._known + usual * self._unknown)].popleft()
        self._left -= 1
        self._begun.update(task.occurrence for task in bundle)
        self._weigh(bundle)
        return bundle

    def took(self, bundle: Sequence[Task], seconds: float) -> None:
        """Learn what a bundle took."""
        guessed = work_of(bundle, seconds_a_draw=self._guessed)
        factor = seconds / guessed if guessed > 0.0 else 0.0
        if not 0.0 < factor < np.inf:
            return
        self._measured += seconds
        self._expected += guessed
        self._factors.update((task.occurrence, factor) for task in bundle)
        self._weigh(bundle)

    def _weigh(self, tasks: Iterable[Task]) -> None:
        """Weigh the next bundles of all queues with tasks of these occurrences."""
        for row in {row for task in tasks for row in self._rows[task.occurrence]}:
            queue = self._queues[row]
            known, unknown = (0.0 if queue else -np.inf), 0.0
            for task in queue[0] if queue else ():
                work = work_of([task], seconds_a_draw=self._guessed)
                if task.occurrence in self._factors:
                    known += work * self._factors[task.occurrence]
                else:
                    unknown += work * (1.0 if task.occurrence in self._begun else UNSURE)
            self._known[row], self._unknown[row] = known, unknown


def work_of(tasks: Sequence[Task], *, seconds_a_draw: Sequence[float]) -> float:
    """Seconds that tasks take; the nominal draw counts as :data:`NOMINAL_DRAWS`.

    >>> work_of([Task(0, 0, 1), Task(0, 1, 5)], seconds_a_draw=[0.25])
    5.0
    """
    more = NOMINAL_DRAWS - 1
    return sum(
        seconds_a_draw[task.occurrence]
        * (task.last - task.first + (more if task.first == 0 else 0))
        for task in tasks
    )
