"""Calibration: move the free numbers of an algorithm until its smallest margin is largest.

The algorithm's file says which numbers are free, within which bounds, and which shape a threshold
line must keep (:mod:`crashsense.rules.numbers`). *Headroom* is the logarithm of the factor between
demand and 1, positive on the right side. The margin of a requirement is its mean headroom over
draws in units of its own scatter over draws. The search makes the smallest margin largest.
Requirements that are not met are counted first, so that one that cannot be met does not outweigh
all others. A faster crash of the same kind that fires later than a slower one counts as not met.

Results on the data searched prove nothing. So draws are held out, and whole classes of events are
left out in turn: the search is repeated without them from the numbers of the file, and its result
is judged on them. Only requirements met in every such draw may be called a success.

Events are sensed once in worker processes (:mod:`crashsense.studies.bench`) and judged many times.
A calibration that was stopped continues where it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import BoolArray, FloatArray
from crashsense.errors import Fault, InputError
from crashsense.files import read_text
from crashsense.rules.algorithm import algorithm_from_toml, algorithm_names, algorithm_text
from crashsense.rules.contract import Algorithm
from crashsense.rules.numbers import (
    Freedom,
    freedom_of,
    numbers_of,
    shape_shortfall,
    with_numbers,
)
from crashsense.sensing import SensorSet, load_sensor_set
from crashsense.studies.bench import Bench, Judged, Row, Setup, Shelf, opened_bench
from crashsense.trials.block import channels_read
from crashsense.values import content_of

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.event import Event
    from crashsense.synthesis import Recipe


#: Scatter below which headroom is not told apart: about one code of a sensor [-].
LEAST_SCATTER = 0.02
#: A requirement that must not fire weighs as much as this many that must: a bag that fires without
#: need can itself hurt, and it does so in everyday driving.
NO_FIRE_WEIGHT = 3.0
#: A requirement counts as met from so many scatters on: about one draw in fifty then fails. With 0,
#: one that nothing can meet would pull others down until half of their draws fail [-].
SURE = 2.0
#: A margin of this many scatters is a comfortable one: it counts half of what any could [-].
ENOUGH = 6.0
#: A faster crash may fire later than a slower one by a tick and rounding [s].
SAME_TICK_S = 0.6e-3
#: Events that in every first trial stay this far from firing are left out of the search [-].
FAR = float(np.log(2.5))
#: Significant digits of the numbers that are written.
DIGITS = 3


@dataclass(frozen=True)
class Search:
    """One search: free numbers that act on the same restraints, and classes that are left out."""

    name: str
    numbers: tuple[str, ...]
    restraints: tuple[str, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Calibration:
    """What :func:`study_calibration` found.

    Parameters
    ----------
    name : of the new algorithm
    start, text : the algorithm's file before and after
    numbers : one row a free number: bounds, before, after, range over the parts left out
    table : one row a requirement; columns in :data:`crashsense.studies.calibration_report.COLUMNS`
    success : True only if every requirement that can be met is met in every held-out draw, also
        where its class was left out
    draws, held_out, folds, seed, trials : as run; *trials* counts judged settings
    finished : False if the budget ended a search before it had converged
    """

    name: str
    start: str
    text: str
    numbers: pd.DataFrame
    table: pd.DataFrame
    success: bool
    draws: int
    held_out: int
    folds: int
    seed: int
    trials: int
    seconds: float
    finished: bool


# -- margins and loss ------------------------------------------------------------------------------


def margins(headroom: FloatArray) -> FloatArray:
    """Return mean over scatter of headroom over the last axis (draws); NaN where no draw counts.

    >>> margins(np.array([[0.1, 0.3], [np.nan, np.nan]])).round(2).tolist()
    [1.41, nan]
    """
    counted = np.isfinite(headroom)
    count = counted.sum(axis=-1)
    safe = np.where(counted, headroom, 0.0)
    mean = safe.sum(axis=-1) / np.maximum(count, 1)
    square = np.where(counted, (headroom - mean[..., None]) ** 2, 0.0).sum(axis=-1)
    scatter = np.sqrt(square / np.maximum(count - 1, 1))
    return np.where(count > 0, mean / np.maximum(scatter, LEAST_SCATTER), np.nan)


def loss(margin: FloatArray, *, weight: FloatArray) -> FloatArray:
    """Return the loss that the search minimises, shape (settings,), from margins (settings, rows).

    Requirements below :data:`SURE` come first, graded by how far they are; then the smallest margin
    of the others; last, with a tenth of its weight, the mean margin.
    """
    counted = np.isfinite(margin)
    failed = counted & (margin < SURE)
    missing = np.where(failed, SURE - margin, 0.0)
    depth = np.clip(missing / (SURE + ENOUGH), 0.0, 1.0)
    short = np.where(failed, weight * (0.5 + 0.5 * depth), 0.0).sum(axis=-1)
    met = counted & ~failed
    good = np.where(met, margin, np.inf)
    # Rises ever more slowly: of two large margins the difference hardly counts.
    good = np.where(met, 1.0 / (1.0 + ENOUGH / np.maximum(good, 1e-12)), 1.0)
    smallest = np.where(met.any(axis=-1), good.min(axis=-1), 0.0)
    mean = np.where(met, good, 0.0).sum(axis=-1) / np.maximum(met.sum(axis=-1), 1)
    return np.asarray(short - 0.1 * smallest - 0.01 * mean)


def ladders(rows: Sequence[Row]) -> list[tuple[int, int]]:
    """Return pairs of rows, slower and next faster, of one recipe, belt state and restraint."""
    groups: dict[tuple[str, str], list[int]] = {}
    for at, row in enumerate(rows):
        if row.ladder and row.expectation != "order":
            groups.setdefault((row.ladder, row.restraint), []).append(at)
    pairs = []
    for group in groups.values():
        ranked = sorted(group, key=lambda at: rows[at].speed_kmh)
        pairs += [
            (slow, fast)
            for slow, fast in zip(ranked[:-1], ranked[1:], strict=True)
            if rows[slow].speed_kmh < rows[fast].speed_kmh
        ]
    return pairs


def out_of_order(fire_s: FloatArray, pairs: Sequence[tuple[int, int]]) -> FloatArray:
    """Count pairs in which the faster crash fires later than the slower, or never; (settings,)."""
    if not pairs:
        return np.zeros(fire_s.shape[0])
    slow, fast = (np.array(side) for side in zip(*pairs, strict=True))
    first = fire_s[:, slow]
    second = np.where(np.isnan(fire_s[:, fast]), np.inf, fire_s[:, fast])
    return np.asarray((second > first + SAME_TICK_S).sum(axis=-1), dtype=np.float64)


# -- the search ------------------------------------------------------------------------------------


def searches_of(
    text: str,
    freedom: Freedom,
    *,
    classes: Sequence[str],
    folds: int,
    folder: Path | None = None,
    coupled: Collection[tuple[str, ...]] = (),
) -> tuple[list[Search], dict[str, int]]:
    """Return all searches, and the part in which each class is left out.

    Numbers that act on the same restraints are searched together, others apart; *coupled*: those
    that some order ties together.
    """
    table = tomllib.loads(text)
    before = algorithm_from_toml(text, folder=folder).rules
    groups: list[tuple[set[str], set[str]]] = []
    for name, bounds in freedom.bounds.items():
        start = numbers_of(table)[name]
        other = bounds[0] if abs(start - bounds[0]) > abs(start - bounds[1]) else bounds[1]
        after = _built(table, freedom, {name: other}, folder=folder).rules
        touched = {restraint for restraint in after if after[restraint] != before[restraint]}
        touched.update(*(pair for pair in coupled if touched & set(pair)))
        joined = [group for group in groups if group[1] & touched]
        groups = [group for group in groups if group not in joined]
        numbers = {name}.union(*(group[0] for group in joined))
        groups.append((numbers, touched.union(*(group[1] for group in joined))))
    part = {name: at % folds for at, name in enumerate(sorted(set(classes)))} if folds else {}
    found = []
    for numbers, restraints in groups:
        mine = tuple(name for name in freedom.bounds if name in numbers)
        acting = tuple(name for name in before if name in restraints)
        title = mine[0].partition(".")[0]
        found.append(Search(f"{title}: all classes", mine, acting))
        for fold in sorted(set(part.values())):
            out = tuple(name for name, at in part.items() if at == fold)
            found.append(Search(f"{title}: part {fold + 1} left out", mine, acting, out))
    return found, part


def _built(
    table: Mapping[str, Any],
    freedom: Freedom,
    values: Mapping[str, float],
    *,
    folder: Path | None,
) -> Algorithm:
    from crashsense.rules.algorithm import algorithm_from_table

    spread = {**values, **{k: values[v] for k, v in freedom.same.items() if v in values}}
    return algorithm_from_table(with_numbers(table, spread), folder=folder)


class Searcher:
    """Runs searches on a bench, within a budget, and saves their state in a file."""

    def __init__(
        self,
        bench: Bench | Shelf,
        *,
        table: Mapping[str, Any],
        freedom: Freedom,
        seen: slice,
        seed: int,
        state: Path | None,
        identity: str,
        on_progress: Callable[[str], None] | None,
    ) -> None:
        self.bench, self.table, self.freedom = bench, table, freedom
        self.seen, self.seed, self.state, self.identity = seen, seed, state, identity
        self.say = on_progress or (lambda line: None)
        self.weight = np.array(
            [NO_FIRE_WEIGHT if row.expectation == "no_fire" else 1.0 for row in bench.rows]
        )
        self.kept: dict[str, Any] = {}
        self.trials = 0
        self.near: dict[tuple[str, ...], BoolArray] = {}
        if state is not None and state.is_file():
            content = json.loads(state.read_text(encoding="utf-8"))
            if content["identity"] == identity:
                self.kept, self.trials = content["searches"], content["trials"]
                self.say(f"going on after {self.trials} judged settings")

    def judged(self, search: Search, settings: FloatArray, rows: BoolArray) -> Judged:
        """Judge settings, shape (settings, numbers)."""
        acting = {name for row in self._of(search) for name in row.acting}
        rules = {
            name: rule
            for name, rule in self.table["rules"].items()
            if name in search.restraints or name in acting or self._needed(name, search)
        }
        tables = []
        for setting in settings:
            values = dict(zip(search.numbers, (float(v) for v in setting), strict=True))
            same = {k: values[v] for k, v in self.freedom.same.items() if v in values}
            changed = with_numbers(self.table, {**values, **same})
            tables.append({**changed, "rules": {name: changed["rules"][name] for name in rules}})
        self.trials += len(tables)
        return self.bench.judge(tables, draws=self.seen, rows=rows)

    def _of(self, search: Search) -> list[Row]:
        """Requirements on which the rules of a search decide."""
        return [row for row in self.bench.rows if set(row.acting) & set(search.restraints)]

    def _needed(self, name: str, search: Search) -> bool:
        """True if a searched restraint is the mirror of this one."""
        rules = self.table["rules"]
        return any(
            name in (rules[r].get("mirror_of"), rules[r].get("same_as")) for r in search.restraints
        )

    def losses(self, search: Search, settings: FloatArray, *, first: bool = False) -> FloatArray:
        """Return the loss of each setting; *first*: find the events that a search may leave out."""
        rows = self.bench.rows
        own = set(search.restraints)
        mine = np.array([bool(own & set(row.acting)) for row in rows], dtype=np.bool_)
        near = self.near.get(search.numbers)
        if near is not None and not first:
            mine &= near
        judged = self.judged(search, settings, mine)
        headroom = judged.headroom
        if first and near is None:
            with np.errstate(invalid="ignore"):
                least = np.nanmin(np.where(np.isnan(headroom), np.inf, headroom), axis=(0, 2))
            must = np.array([row.expectation in ("fire", "order") for row in rows])
            self.near[search.numbers] = mine & (must | (least < FAR))
        counted = mine & np.array([row.kind not in search.left_out for row in rows])
        if search.numbers in self.near:
            counted &= self.near[search.numbers]
        margin = np.where(counted, margins(headroom), np.nan)
        found = loss(margin, weight=self.weight)
        pairs = [(a, b) for a, b in ladders(rows) if counted[a] and counted[b]]
        found = found + 0.5 * out_of_order(judged.fire_s, pairs)
        for at, setting in enumerate(settings):
            values = dict(zip(search.numbers, (float(v) for v in setting), strict=True))
            bent = shape_shortfall(
                with_numbers(self.table, self.freedom.spread(self._all(values))),
                self.freedom.shapes,
            )
            found[at] += 1e3 * (bent > 1e-12) + bent
        return found

    def _all(self, values: Mapping[str, float]) -> dict[str, float]:
        start = numbers_of(self.table)
        return {name: values.get(name, start[name]) for name in self.freedom.bounds}

    def run(self, search: Search, *, until: float, generations: int) -> bool:
        """Search until converged, the generations are used up or the time *until* is reached."""
        from scipy.optimize import differential_evolution
        from scipy.stats import qmc

        bounds = [self.freedom.bounds[name] for name in search.numbers]
        low, high = np.array(bounds).T
        start = np.array([numbers_of(self.table)[name] for name in search.numbers])
        size = max(8, 4 * len(bounds))
        # The same points for all searches of a group: the first look decides what is near.
        points = qmc.Sobol(len(bounds), rng=self.seed).random(1 << (size - 1).bit_length())[:size]
        wide = low + (high - low) * points
        wide[0] = start
        # Half of the population around the numbers of the file: they are no blind guess.
        wide[1 : size // 2] = start + 0.3 * (wide[1 : size // 2] - start)
        if search.numbers not in self.near:
            self.losses(search, wide, first=True)
        kept = self.kept.setdefault(search.name, {"generation": 0, "settled": False})
        if kept["settled"] or kept["generation"] >= generations:
            return True
        population = np.array(kept.get("population", wide))

        def objective(x: FloatArray) -> FloatArray | float:
            found = self.losses(search, np.atleast_2d(x.T))
            return found if x.ndim == 2 else float(found[0])

        def each(intermediate_result: Any) -> bool:
            kept["generation"] += 1
            kept["population"] = intermediate_result.population.tolist()
            kept["best"] = [float(v) for v in intermediate_result.x]
            kept["loss"] = float(intermediate_result.fun)
            self.save()
            self.say(
                f"{search.name}: generation {kept['generation']}, loss {kept['loss']:.3f},"
                f" {self.trials} settings judged"
            )
            return time.monotonic() > until

        result = differential_evolution(
            objective,
            bounds,
            init=population,
            maxiter=generations - kept["generation"],
            vectorized=True,
            updating="deferred",
            mutation=(0.4, 0.9),
            polish=False,
            tol=1e-3,
            atol=1e-4,
            rng=self.seed + 1000 * kept["generation"],
            callback=each,
        )
        kept["best"] = [float(v) for v in result.x]
        kept["loss"] = float(result.fun)
        kept["population"] = result.population.tolist()
        kept["settled"] = bool(result.success)
        self.save()
        return kept["settled"] or kept["generation"] >= generations

    def save(self) -> None:
        """Write the state reached so far, atomically."""
        if self.state is None:
            return
        content = {"identity": self.identity, "trials": self.trials, "searches": self.kept}
        partial = self.state.with_suffix(".partial")
        partial.write_text(json.dumps(content), encoding="utf-8")
        partial.replace(self.state)

    def best(self, search: Search) -> dict[str, float]:
        """Return the best numbers of a search, rounded as they are written."""
        kept = self.kept.get(search.name, {})
        start = numbers_of(self.table)
        values = kept.get("best", [start[name] for name in search.numbers])
        found = {}
        for name, value in zip(search.numbers, values, strict=True):
            low, high = self.freedom.bounds[name]
            found[name] = min(max(float(f"{value:.{DIGITS}g}"), low), high)
        return found


# -- the study -------------------------------------------------------------------------------------


def study_calibration(
    algorithm: str | Path,
    *,
    plan: str | Path | None = None,
    events: Sequence[str | Event] = (),
    records: Sequence[str] = (),
    reading: Mapping[str, Any] | None = None,
    sensor_set: str | Path | SensorSet = "standard",
    draws: int = 20,
    held_out: int = 20,
    folds: int = 4,
    seed: int = 1,
    budget_s: float = 480.0,
    generations: int = 60,
    most_numbers: int | None = None,
    name: str | None = None,
    workers: int | None = None,
    state: str | Path | None = None,
    on_progress: Callable[[str], None] | None = None,
) -> Calibration:
    """Calibrate an algorithm; see the module docstring.

    Parameters
    ----------
    algorithm : name or file; its ``[calibration]`` says what is free
    plan, events, records : what it is calibrated on: a plan file, or events and records as for
        :func:`crashsense.evaluate`; without any the shipped library
    reading : how records are read: ``channel``, ``belts``, ``expect``, ``required_from``
    sensor_set : name, path or object
    draws, held_out : draws that the search sees beside nominal, and further ones that it does not
    folds : parts into which classes of events are split, each left out once; 0: none, which can
        be no success
    seed : of draws and search
    budget_s, generations : at most so many wall-clock seconds in all, and generations per search.
        Where the seconds cut a search short depends on the machine
    most_numbers : free numbers at most; None: what the file says, else 20
    name : of the new algorithm; default ``NAME_calibrated``
    workers : processes; default one a core
    state : file in which a stopped calibration is saved, and from which it continues
    on_progress : called with one line at a time

    Raises
    ------
    InputError : no number is free, or too many; unknown names
    """
    began = time.monotonic()
    say = on_progress or (lambda line: None)
    shipped = str(algorithm) in algorithm_names()
    text = algorithm_text(str(algorithm)) if shipped else read_text(Path(algorithm))
    folder = None if shipped else Path(algorithm).parent
    before = algorithm_from_toml(text, file=str(algorithm), folder=folder)
    table = tomllib.loads(text)
    freedom = freedom_of(table, file=str(algorithm), most=most_numbers)
    sensors = sensor_set if isinstance(sensor_set, SensorSet) else load_sensor_set(sensor_set)
    sources = calibration_sources(plan, events, records, reading=reading)
    asked = tuple(before.rules)
    setup = Setup(
        tuple(range(draws + held_out + 1)),
        seed,
        sensors,
        tuple(channels_read([before], sensors)),
        asked,
        folder=None if folder is None else str(folder),
    )
    count = workers or os.cpu_count() or 1
    say(f"sensing {len(sources)} occurrences, {len(setup.draws)} draws each, {count} workers")
    with opened_bench(
        sources,
        setup,
        workers=count,
        on_progress=lambda done, total: say(f"sensed by worker {done} of {total}"),
    ) as bench:
        if not bench.rows:
            expected = "events that ask something of the algorithm's restraints"
            raise InputError([Fault("study calibrate", "events", None, expected)])
        classes = [row.kind for row in bench.rows]
        searches, part = searches_of(
            text,
            freedom,
            classes=classes,
            folds=min(folds, len(set(classes))),
            folder=folder,
            coupled={row.acting for row in bench.rows if len(row.acting) > 1},
        )
        identity = _identity(text, setup, folds, bench.rows)
        searcher = Searcher(
            bench,
            table=table,
            freedom=freedom,
            seen=slice(0, draws + 1),
            seed=seed,
            state=None if state is None else Path(state),
            identity=identity,
            on_progress=say,
        )
        sensed = time.monotonic() - began
        say(f"sensed in {sensed:.0f} s")
        end = began + budget_s - 0.15 * sensed - 5.0
        shares = np.array([len(s.numbers) * (1.0 if s.left_out else 2.0) for s in searches])
        finished = True
        for at, search in enumerate(searches):
            now = time.monotonic()
            until = now + (end - now) * shares[at] / shares[at:].sum()
            finished &= searcher.run(search, until=until, generations=generations)
        values: dict[str, float] = {}
        for search in searches:
            if not search.left_out:
                values |= searcher.best(search)
        settings = [table, with_numbers(table, freedom.spread(values))]
        by_part: dict[int, dict[str, float]] = {}
        for search in searches:
            if search.left_out:
                by_part.setdefault(part[search.left_out[0]], {}).update(searcher.best(search))
        settings += [with_numbers(table, freedom.spread(by_part[key])) for key in sorted(by_part)]
        say("judging what was found on draws and classes that were left out")
        everything = bench.judge(settings, draws=slice(0, draws + held_out + 1))
        rows = bench.rows
    from crashsense.studies.calibration_report import (
        calibrated_text,
        holds_out_of_sample,
        numbers_table,
        rows_table,
    )

    found = rows_table(rows, everything, part=part, draws=draws)
    how = f"{len(rows)} requirements, draws 0-{draws}, seed {seed}"
    whole = plan is None and not events and not records
    basis = ("the shipped library of synthetic events" if whole else how, how)
    called = name or f"{before.name}_calibrated"
    return Calibration(
        name=called,
        start=text,
        text=calibrated_text(text, freedom.spread(values), name=called, basis=basis),
        numbers=numbers_table(freedom, numbers_of(table), values, list(by_part.values())),
        table=found,
        success=bool(by_part) and held_out > 0 and holds_out_of_sample(found),
        draws=draws,
        held_out=held_out,
        folds=len(by_part),
        seed=seed,
        trials=searcher.trials,
        seconds=time.monotonic() - began,
        finished=finished,
    )


def calibration_sources(
    plan: str | Path | None,
    events: Sequence[str | Event],
    records: Sequence[str],
    *,
    reading: Mapping[str, Any] | None = None,
) -> list[Recipe | Event]:
    """Return the library as recipes, for workers to make their own events; others as events."""
    if plan is None and not events and not records and not reading:
        from crashsense.synthesis import load_recipes

        return list(load_recipes())
    from crashsense.plan import resolve_plan

    given: dict[str, Any] = {"events": list(events) or None, "records": list(records) or None}
    given |= reading or {}
    resolved = resolve_plan(plan, **{key: value for key, value in given.items() if value})
    return list(resolved.events)


def _identity(text: str, setup: Setup, folds: int, rows: Sequence[Row]) -> str:
    content = [text, setup.draws, setup.seed, content_of(setup.sensor_set), setup.restraints, folds]
    # In an order that does not depend on the number of workers.
    content += sorted((row.event, row.restraint, row.expectation) for row in rows)
    return hashlib.sha256(repr(content).encode()).hexdigest()
