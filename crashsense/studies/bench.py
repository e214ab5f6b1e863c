"""A bench of events in worker processes: sensed once, judged by many algorithms.

Each worker makes and senses its own events and keeps the samples; only a list of algorithms travels
to it, and a few numbers per requirement come back. Results do not depend on the number of workers.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from crashsense.arrays import BoolArray, FloatArray
from crashsense.errors import CrashsenseError, InputError
from crashsense.event import Event
from crashsense.rules.algorithm import algorithm_from_table
from crashsense.rules.contract import Algorithm, Rule
from crashsense.rules.sweep import swept_demand
from crashsense.sensing import EcuSamples, SensorSet
from crashsense.studies.challenge import class_of
from crashsense.synthesis import Recipe
from crashsense.trials import Trial, trial
from crashsense.trials.judge import in_order
from crashsense.trials.trial import joined

#: Algorithms judged at once: more need memory, fewer share less.
AT_ONCE = 8
#: Events of equal shape and context that are judged as one trial.
EVENTS_AT_ONCE = 8
#: Ways of grouping events that are kept: each holds a copy of its samples.
MOST_KEPT = 3
#: Time that counts as much as a factor of e in demand [s], where two restraints are in order; what
#: fires alone is as far from right as one that is this much out of order.
ORDER_S = 10e-3
#: Demand below which it counts as this much [-]: its logarithm stays finite.
LEAST_DEMAND = 1e-3
#: Swept demand of what fires at every scale [-].
HUGE = 1e9


@dataclass(frozen=True)
class Row:
    """One scored requirement: what it demands, and in which kind of event.

    ``restraint`` names two restraints in order by the name of their order; ``acting``: the
    restraints whose rules decide.
    """

    event: str
    restraint: str
    expectation: str
    family: str
    kind: str
    #: recipe without its speed, and belts: what faster and slower events share; empty: no speed
    ladder: str
    speed_kmh: float
    acting: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Judged:
    """Results of several algorithms on all rows of the bench.

    Parameters
    ----------
    headroom : logarithm of the factor by which demand may still grow (must not fire) or has grown
        (must fire, by its required time) past 1; > 0 is met; NaN if no rule could meet it or
        nothing is required; of two restraints in order how far their delay lies inside the allowed
        ones, in units of :data:`ORDER_S`; shape (algorithms, rows, draws)
    fire_s : fire time of the nominal draw [s], NaN without one; shape (algorithms, rows)
    reached : if asked for, largest demand in all, in time and before the earliest allowed time,
        shape (3, algorithms, rows, draws); in time is NaN where no rule could meet the
        requirement; of two restraints in order it is the headroom
    """

    headroom: FloatArray
    fire_s: FloatArray
    reached: FloatArray | None = None

    @classmethod
    def joined(cls, parts: Sequence[Judged], *, axis: int) -> Judged:
        """Rows (axis 1) or algorithms (axis 0) one after the other."""
        return cls(
            np.concatenate([part.headroom for part in parts], axis=axis),
            np.concatenate([part.fire_s for part in parts], axis=axis),
            np.concatenate([part.reached for part in parts if part.reached is not None], axis + 1)
            if parts[0].reached is not None
            else None,
        )


@dataclass(frozen=True)
class Setup:
    """What is sensed, and how."""

    draws: tuple[int, ...]
    seed: int
    sensor_set: SensorSet | str
    channels: tuple[str, ...]
    restraints: tuple[str, ...]
    #: restraints that have a rule; empty: those judged. One that is judged may have to follow
    #: another, or another it
    ruled: tuple[str, ...] = ()
    #: where files of rules are looked up
    folder: str | None = None


@dataclass(frozen=True, eq=False)
class _Group:
    """Some events as one trial, draws one after the other, with the rows required of each."""

    trial: Trial
    wanted: list[tuple[Event, list[tuple[int, str]]]]


class Shelf:
    """The events of one process, sensed."""

    def __init__(self, sources: Sequence[Recipe | Event], setup: Setup) -> None:
        self.setup = setup
        self.cases: list[Trial] = []
        self.rows: list[Row] = []
        self.places: list[list[tuple[int, str]]] = []
        self._grouped: dict[tuple[int, int, bytes], list[_Group]] = {}
        for source in sources:
            for event in [source] if isinstance(source, Event) else source.events():
                asked = [
                    restraint
                    for restraint in setup.restraints
                    if event.requirements[restraint].expectation != "open"
                ]
                asked += _orders(event, setup)
                if not asked:
                    continue
                case = trial(
                    event,
                    sensor_set=setup.sensor_set,
                    algorithm=(),
                    draw=setup.draws,
                    seed=setup.seed,
                    channels=setup.channels,
                ).without_signals()
                self.cases.append(case)
                first = len(self.rows)
                self.places.append([(first + at, name) for at, name in enumerate(asked)])
                self.rows += [_row(event, restraint) for restraint in asked]

    def judge(
        self,
        tables: Sequence[Mapping[str, Any]],
        *,
        draws: slice,
        rows: BoolArray | None = None,
        swept: Mapping[str, frozenset[str]] | None = None,
        reached: bool = False,
    ) -> Judged:
        """Judge some of the draws by every algorithm; omitted rows are NaN.

        *swept*: restraint -> leaves; demand is then the one that reaches k where the restraint
        fires with these leaves at scale k (:func:`crashsense.rules.sweep.swept_demand`).
        *reached*: also return the demands.
        """
        folder = None if self.setup.folder is None else Path(self.setup.folder)
        algorithms = [
            _named(table, f"a{number}", folder=folder, swept=swept or {})
            for number, table in enumerate(tables)
        ]
        amounts = np.full((3, len(tables), len(self.rows), 1), np.nan)
        start, stop, _ = draws.indices(len(self.setup.draws))
        size = stop - start
        if reached:
            amounts = np.repeat(amounts, size, axis=-1)
        headroom = np.full((len(tables), len(self.rows), size), np.nan)
        fire = np.full((len(tables), len(self.rows)), np.nan)
        for group in self._groups(start, stop, rows):
            names = {
                restraint
                for event, wanted in group.wanted
                for _, name in wanted
                for restraint in _acting(event, name)
            }
            for first in range(0, len(algorithms), AT_ONCE):
                part = [_only(one, names) for one in algorithms[first : first + AT_ONCE]]
                judged = group.trial.judged_by(part, scores_only=True)
                for number, one in enumerate(part, start=first):
                    for at, (event, wanted) in enumerate(group.wanted):
                        mine = slice(at * size, (at + 1) * size)
                        for row, name in wanted:
                            find = _order_found if name in event.orders else _found
                            found = find(judged, one, name, mine, event)
                            headroom[number, row], fire[number, row] = found[:2]
                            if reached:
                                amounts[:, number, row] = found[2]
        return Judged(headroom, fire, amounts if reached else None)

    def _groups(self, start: int, stop: int, rows: BoolArray | None) -> list[_Group]:
        """Group events of equal shape and context into one trial, to save its fixed cost."""
        key = (start, stop, b"" if rows is None else rows.tobytes())
        if key not in self._grouped:
            parts: dict[tuple[Any, ...], list[tuple[Trial, list[tuple[int, str]]]]] = {}
            for case, places in zip(self.cases, self.places, strict=True):
                wanted = [(at, name) for at, name in places if rows is None or rows[at]]
                if wanted:
                    parts.setdefault(_alike(case), []).append((case, wanted))
            if len(self._grouped) >= MOST_KEPT:
                self._grouped.clear()
            self._grouped[key] = []
            for members in parts.values():
                for first in range(0, len(members), EVENTS_AT_ONCE):
                    some = members[first : first + EVENTS_AT_ONCE]
                    head = some[0][0].event.name
                    trials = [
                        replace(
                            case.taken(range(start, stop)),
                            required_s={
                                head: {
                                    restraint: times[start:stop]
                                    for restraint, times in case.required_s[case.event.name].items()
                                }
                            },
                            answers={},
                        )
                        for case, _ in some
                    ]
                    self._grouped[key].append(
                        _Group(joined(trials), [(case.event, wanted) for case, wanted in some])
                    )
        return self._grouped[key]


def _alike(case: Trial) -> tuple[Any, ...]:
    event, samples = case.event, case.samples
    earliest = tuple(event.requirements[name].not_before_s for name in event.requirements)
    there = (frozenset(event.signals), event.quiet, tuple(samples.channels))
    return (samples.size, samples.rate_hz, event.context, earliest, there)


def _orders(event: Event, setup: Setup) -> list[str]:
    """Orders of the event that a judged restraint has a part in."""
    ruled, judged = set(setup.ruled or setup.restraints), set(setup.restraints)
    return [
        name
        for name, (restraint, order) in event.orders.items()
        if restraint in ruled and judged & {restraint, order.after}
    ]


def _acting(event: Event, name: str) -> tuple[str, ...]:
    """Restraints whose rules decide on a requirement, by its name."""
    if name not in event.orders:
        return (name,)
    restraint, order = event.orders[name]
    return (restraint, order.after)


def _row(event: Event, restraint: str) -> Row:
    if restraint in event.orders:
        return Row(
            event.name,
            restraint,
            "order",
            event.family,
            class_of(event),
            "",
            float("nan"),
            _acting(event, restraint),
        )
    speed = event.metadata.get("parameters", {}).get("speed_kmh")
    recipe = str(event.metadata.get("recipe", event.name))
    token = f"_{speed:g}" if isinstance(speed, (int, float)) else "?"
    belts = "belted" if event.context.belted else "unbelted"
    return Row(
        event.name,
        restraint,
        event.requirements[restraint].expectation,
        event.family,
        class_of(event),
        f"{recipe.replace(token, '', 1)} {belts}" if token in recipe else "",
        float(speed) if isinstance(speed, (int, float)) else float("nan"),
        (restraint,),
    )


def _named(
    table: Mapping[str, Any],
    name: str,
    *,
    folder: Path | None,
    swept: Mapping[str, frozenset[str]],
) -> Algorithm:
    algorithm = algorithm_from_table({**table, "name": name}, folder=folder)
    rules = {
        restraint: AtAnyScale(rule, swept[restraint]) if restraint in swept else rule
        for restraint, rule in algorithm.rules.items()
    }
    return Algorithm(name, rules=rules)


class AtAnyScale(Rule):
    """A rule whose demand reaches k where *inner* fires with its *chosen* leaves at scale k."""

    context_free = True

    def __init__(self, inner: Rule, chosen: frozenset[str]) -> None:
        self.inner = inner
        self.chosen = chosen

    @property
    def requires(self) -> frozenset[str]:
        """Those of the rule."""
        return self.inner.requires

    @property
    def uses(self) -> frozenset[str]:
        """Those of the rule."""
        return self.inner.uses

    @property
    def children(self) -> Mapping[str, Rule]:
        """The rule."""
        return {"rule": self.inner}

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """Those of the rule."""
        return self.inner.active(samples)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the swept demand; it is huge where the rule fires at every scale."""
        shape = (samples.draws, samples.size)
        demand = swept_demand(self.inner, samples, sweep=self.chosen)
        return np.minimum(np.broadcast_to(demand, shape), HUGE)


def _only(algorithm: Algorithm, restraints: set[str]) -> Algorithm:
    rules = {name: rule for name, rule in algorithm.rules.items() if name in restraints}
    return Algorithm(algorithm.name, rules=rules)


def _found(
    judged: Trial, algorithm: Algorithm, restraint: str, mine: slice, event: Event
) -> tuple[FloatArray, float, FloatArray]:
    """Headroom of the draws *mine*, fire time of the first if nominal, and the demands reached."""
    requirement = event.requirements[restraint]
    answer = judged.answers[judged.events[0].name, algorithm.name, restraint]
    if answer.found is None:
        nothing = np.full(mine.stop - mine.start, np.nan)
        return nothing, float("nan"), np.stack([nothing] * 3)
    answer = answer.taken(range(mine.start, mine.stop))
    found, start_s = answer.found, judged.start_s[mine]
    assert found is not None  # as before it was taken
    fire = float("nan")
    if judged.draws[mine.start] == 0 and found.fire[0] >= 0:
        fire = float(start_s[0] + found.fire[0] / judged.rate_hz)
    if requirement.expectation == "no_fire":
        amounts = np.stack([found.max_demand, found.in_time, found.before_allowed])
        return -np.log(np.maximum(found.max_demand, LEAST_DEMAND)), fire, amounts
    scores = answer.scores(requirement, start_s=start_s, rate_hz=judged.rate_hz)
    grown = np.log(np.maximum(found.in_time, LEAST_DEMAND))
    # Fired before it may: as far from right as one that reached as much where it must not.
    early = -np.log(np.maximum(found.before_allowed, LEAST_DEMAND))
    least = np.minimum(grown, np.where(found.before_allowed >= 1.0, early, np.inf))
    hopeless = scores.infeasible | np.isnan(answer.required_s)
    in_time = np.where(hopeless, np.nan, found.in_time)
    amounts = np.stack([found.max_demand, in_time, found.before_allowed])
    return np.where(hopeless, np.nan, least), fire, amounts


def _order_found(
    judged: Trial, algorithm: Algorithm, name: str, mine: slice, event: Event
) -> tuple[FloatArray, float, FloatArray]:
    """The same of two restraints in order: no fire time of its own."""
    order = event.orders[name][1]
    one, other = (
        judged.answers[judged.events[0].name, algorithm.name, restraint].taken(
            range(mine.start, mine.stop)
        )
        for restraint in _acting(event, name)
    )
    found = in_order(order, one, other, start_s=judged.start_s[mine], rate_hz=judged.rate_hz)
    verdict = found.scores.verdict
    headroom = found.scores.margin_s / ORDER_S
    headroom = np.where(verdict == "in_order", np.maximum(headroom, 0.0), headroom)
    headroom = np.where(verdict == "alone", -1.0, headroom)
    return headroom, float("nan"), np.stack([headroom] * 3)


class Bench:
    """All events, sensed in *workers* processes; use it in a ``with`` block."""

    def __init__(self, links: Sequence[Connection], sizes: Sequence[int], rows: list[Row]) -> None:
        self._links = links
        self._sizes = sizes
        self.rows = rows

    def judge(
        self,
        tables: Sequence[Mapping[str, Any]],
        *,
        draws: slice,
        rows: BoolArray | None = None,
        swept: Mapping[str, frozenset[str]] | None = None,
        reached: bool = False,
    ) -> Judged:
        """Judge all events by every algorithm; see :meth:`Shelf.judge`."""
        first = 0
        for link, size in zip(self._links, self._sizes, strict=True):
            mine = None if rows is None else rows[first : first + size]
            link.send((list(tables), draws, mine, swept, reached))
            first += size
        return Judged.joined([_answer(link) for link in self._links], axis=1)


def _answer(link: Connection) -> Any:
    try:
        kind, content = link.recv()
    except EOFError:
        raise CrashsenseError("a worker ended before it answered; possibly out of memory") from None
    if kind == "fault":
        raise content
    return content


#: How long an event of a family lasts, about [s]: what sensing and judging it costs.
_LASTS = {"rollover": 2.4, "rough_road": 2.1, "misuse": 0.9}


def shares_of(sources: Sequence[Recipe | Event], count: int) -> list[list[Recipe | Event]]:
    """Deal events out to *count* workers: of each family as much work to every one as may be.

    A search soon leaves out families that no setting comes near, so that the sum alone is no
    measure. The longest come first, each to the worker that has least of its family, then in all.

    >>> [len(share) for share in shares_of([], 2)]
    [0, 0]
    """

    def work(source: Recipe | Event) -> float:
        events = 1 if isinstance(source, Event) else len(source.event_names)
        return events * _LASTS.get(source.family, 0.3)

    shares: list[list[Recipe | Event]] = [[] for _ in range(count)]
    whole = [0.0] * count
    for family in dict.fromkeys(source.family for source in sources):
        own = [0.0] * count
        members = [source for source in sources if source.family == family]
        for source in sorted(members, key=work, reverse=True):
            at = min(range(count), key=lambda k: (round(own[k], 9), round(whole[k], 9), k))
            shares[at].append(source)
            own[at] += work(source)
            whole[at] += work(source)
    return shares


@contextmanager
def opened_bench(
    sources: Sequence[Recipe | Event],
    setup: Setup,
    *,
    workers: int,
    on_progress: Callable[[int, int], None] | None = None,
) -> Iterator[Bench | Shelf]:
    """Sense all events and yield the bench; its processes end with the block.

    One worker is this process.
    """
    count = max(1, min(workers, len(sources)))
    if count == 1:
        yield Shelf(sources, setup)
        return
    shares = shares_of(sources, count)
    method = "forkserver" if "forkserver" in get_all_start_methods() else "spawn"
    context: Any = get_context(method)
    links: list[Connection] = []
    processes = []
    try:
        for share in shares:
            here, there = context.Pipe()
            process = context.Process(target=_serve, args=(there, share, setup), daemon=True)
            process.start()
            there.close()
            links.append(here)
            processes.append(process)
        rows: list[Row] = []
        sizes = []
        for done, link in enumerate(links, start=1):
            found = _answer(link)
            rows += found
            sizes.append(len(found))
            if on_progress is not None:
                on_progress(done, count)
        yield Bench(links, sizes, rows)
    finally:
        for link in links:
            link.close()
        for process in processes:
            process.terminate()
            process.join()


def _serve(link: Connection, sources: Sequence[Recipe | Event], setup: Setup) -> None:
    """Sense, then answer requests until the other end is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    try:
        shelf = Shelf(sources, setup)
        link.send(("rows", shelf.rows))
        while True:
            tables, draws, rows, swept, reached = link.recv()
            judged = shelf.judge(tables, draws=draws, rows=rows, swept=swept, reached=reached)
            link.send(("judged", judged))
    except (EOFError, BrokenPipeError):
        return
    except InputError as error:
        link.send(("fault", error))
    except Exception as error:
        link.send(("fault", CrashsenseError(f"{type(error).__name__}: {error}")))
