"""A trial: some draws of one occurrence, one sensor set, some algorithms."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import numpy.typing as npt

from crashsense import engine as engines
from crashsense.arrays import BoolArray, FloatArray, IntArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, unknown_name
from crashsense.event import Event, SignalBlock
from crashsense.resources import CAUTION
from crashsense.rules import Algorithm, load_algorithm, rate_faults
from crashsense.rules.checked import rows as rows_of_draws
from crashsense.scoring import Reached, Scores, reached
from crashsense.sensing import ChainReport, EcuSamples, Sensed, SensorSet, load_sensor_set
from crashsense.sensing.sense import joined as joined_sensed
from crashsense.signal import Signal
from crashsense.trials.block import (
    Conditions,
    answers_of,
    asked_by,
    channels_read,
    judges_of,
    required_times,
    run_trials,
    sense_block,
)
from crashsense.trials.judge import Answer, InOrder, in_order
from crashsense.trials.rows import Coded, build_table, verdict_columns
from crashsense.verdict_schema import KEY, VERDICT_SCHEMA

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from crashsense.trials.explain import Explanation


_Named = TypeVar("_Named", Event, Algorithm)

#: Columns of a trial that its short table shows.
SHOWN = ("restraint", "expectation", "verdict", "required_time_ms", "fire_time_ms", "max_demand")


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Trial:
    """Some draws of one occurrence as one sensor set sensed them and some algorithms judged them.

    Made by :func:`trial`, and for whole plans by :func:`run_trials`. What asks for one restraint
    needs a trial with one event and one algorithm; :meth:`of` takes these from one that has more.

    Parameters
    ----------
    events : events of the occurrence; they differ in context and requirements only
    sensor_set, algorithms : what sensed and what judged
    draws : numbers of the draws, shape (draws,); 0 is nominal
    conditions : how the draws were made
    full : True where the full signal path was taken, shape (draws,)
    rate_hz : tick of the control unit [Hz]
    start_s : time at which the control unit had finished with sample 0 [s], shape (draws,)
    required_s : event -> restraint -> required time [s], shape (draws,); NaN where none applies
    answers : (event, algorithm, restraint) -> :class:`~crashsense.trials.judge.Answer`
    engine : what computed, ``"numpy"`` or ``"fast"``, and computes what is made from this trial
    sensed : what the sensors made of the signals; None in a trial that keeps scores only
    block, place : the true signals, and which rows of them are these draws
    """

    events: tuple[Event, ...]
    sensor_set: SensorSet
    algorithms: tuple[Algorithm, ...]
    draws: IntArray
    conditions: Conditions
    full: BoolArray
    rate_hz: float
    start_s: FloatArray
    required_s: Mapping[str, Mapping[str, FloatArray]]
    answers: Mapping[tuple[str, str, str], Answer]
    engine: str = "numpy"
    sensed: Sensed | None = None
    block: SignalBlock | None = None
    place: slice = field(default_factory=lambda: slice(None))

    # -- what was sensed -----------------------------------------------------------------------

    @property
    def event(self) -> Event:
        """The event, of a trial that has one."""
        return self._one(self.events, None, kind="event")

    @property
    def algorithm(self) -> Algorithm:
        """The algorithm, of a trial that has one."""
        return self._one(self.algorithms, None, kind="algorithm")

    @cached_property
    def signals(self) -> Mapping[str, Signal]:
        """True signals by channel: one row for all draws, or a row each; empty if not kept."""
        if self.block is None:
            return {}
        return {
            name: signal
            if signal.samples.shape[0] in (1, self.draws.size)
            else signal.replaced(signal.samples[self.place], note="some of the draws")
            for name, signal in self.block.signals.items()
        }

    @property
    def samples(self) -> EcuSamples:
        """What the control unit received, and what it knew (of several events: in the first)."""
        return replace(self._kept().samples, context=self.events[0].context)

    @property
    def reports(self) -> Mapping[str, ChainReport]:
        """What the chain did to each channel that has a sensor: clipping, lost frames."""
        return self._kept().reports

    @property
    def times_s(self) -> FloatArray:
        """Finish time of every sample [s], shape (draws, samples)."""
        return self._kept().samples.times_s

    def _kept(self) -> Sensed:
        if self.sensed is None:
            raise InputError([Fault("trial", "samples", None, "a trial that keeps its samples")])
        return self.sensed

    # -- what was judged -----------------------------------------------------------------------

    def of(self, *, event: str | None = None, algorithm: str | None = None) -> Trial:
        """Return the trial with one event and one algorithm; a name is needed of several only."""
        one = self._one(self.events, event, kind="event")
        ruler = self._one(self.algorithms, algorithm, kind="algorithm")
        chosen = (one.name, ruler.name)
        answers = {key: answer for key, answer in self.answers.items() if key[:2] == chosen}
        return replace(self, events=(one,), algorithms=(ruler,), answers=answers)

    def each(self) -> Iterator[Trial]:
        """Yield the trial of every event and algorithm."""
        for event in self.events:
            for algorithm in self.algorithms:
                yield self.of(event=event.name, algorithm=algorithm.name)

    def answer(self, restraint: str) -> Answer:
        """Return what the rule gave for a restraint, before it is scored."""
        if restraint not in self.event.requirements:
            raise unknown_name("restraint", restraint, self.event.requirements, file="trial")
        return self.answers[self.event.name, self.algorithm.name, restraint]

    def demand(self, restraint: str) -> FloatArray:
        """Return demand [-], shape (draws, samples); 0 where there is no rule or no evaluation."""
        branches = self.answer(restraint).branches
        return branches["total"] if branches else self._no_demand

    @cached_property
    def demands(self) -> Mapping[str, Mapping[str, FloatArray]]:
        """Restraint -> branch -> demand [-], shape (draws, samples).

        Zero without a rule that is needed; no branch where a restraint is not evaluated.
        """
        nothing = {"total": self._no_demand, "main": self._no_demand}
        found = {name: self.answer(name) for name in self.event.requirements}
        return {
            name: one.branches or ({} if one.found is None else nothing)
            for name, one in found.items()
        }

    @cached_property
    def _no_demand(self) -> FloatArray:
        return np.zeros((self.draws.size, self._kept().samples.size))

    def scores(self, restraint: str) -> Scores:
        """Return the scores of a restraint, arrays over draws; of no evaluation: as demand 0."""
        requirement = self.event.requirements[restraint]
        answer = self.answer(restraint)
        return answer.scores(requirement, start_s=self.start_s, rate_hz=self.rate_hz)

    def order(self, name: str) -> InOrder:
        """Return how two restraints followed each other, by the name of :attr:`Event.orders`."""
        known = self.event.orders
        if name not in known:
            raise unknown_name("order", name, known, file="trial")
        restraint, order = known[name]
        mine, other = self.answer(restraint), self.answer(order.after)
        return in_order(order, mine, other, start_s=self.start_s, rate_hz=self.rate_hz)

    def verdicts(self, restraint: str) -> npt.NDArray[np.object_]:
        """Return the verdict of a restraint in each draw, or of two in order by their name."""
        if restraint in self.event.orders:
            return self.order(restraint).scores.verdict
        answer = self.answer(restraint)
        if answer.found is None:
            return np.full(self.draws.size, "not_evaluated", dtype=object)
        words = self.scores(restraint).verdict
        words[list(answer.errors)] = "rule_error"
        return words

    def reached(self, restraint: str, *, ahead_s: float = 0.0) -> Reached:
        """Return what demand reached, as if the required time lay *ahead_s* earlier."""
        branches = self.answer(restraint).branches
        if not branches:
            return Reached.nothing(self.draws.size)
        with engines.using(self.engine):
            return reached(
                branches,
                start_s=self.start_s,
                rate_hz=self.rate_hz,
                required_s=self.required_s[self.event.name][restraint] - ahead_s,
                not_before_s=self.event.requirements[restraint].not_before_s,
            )

    def row(self, restraint: str, *, draw: int | None = None) -> dict[str, Any]:
        """Return the verdict row of one restraint and draw (default: the first); NaN: no number."""
        at, event, ruler = self.at(draw), self.event, self.algorithm.name
        orders = event.orders
        if restraint in orders:
            names = [orders[restraint][0], orders[restraint][1].after]
        else:
            names = [restraint]
        answers = {(event.name, ruler, name): self.answer(name) for name in names}
        rows = verdict_columns(replace(self, answers=answers))
        columns = next(row for row in rows if row["restraint"] == restraint)
        plain = {
            name: value[at] if isinstance(value, np.ndarray | Coded) else value
            for name, value in columns.items()
        }
        return {name: np.nan if value is None else value for name, value in plain.items()}

    @cached_property
    def rows(self) -> pd.DataFrame:
        """Verdict rows, sorted by their key: as in the verdict table of a run."""
        frame = build_table(list(verdict_columns(self)), schema=VERDICT_SCHEMA).to_pandas()
        return frame.sort_values(list(KEY), ignore_index=True)

    def traces(self, *, draw: int | None = None) -> pd.DataFrame:
        """Return samples and every demand of one draw (default: the first), one row a tick.

        Times to the microsecond, as the control unit finished with a sample; channels in the unit
        that their column names (``central_x_g``).
        """
        import pandas as pd

        at = self.at(draw)
        columns: dict[str, Any] = {"time_ms": (1e3 * self.times_s[at]).round(3)}
        for channel, values in self.samples.channels.items():
            card = CHANNELS[channel]
            columns[card.file_name] = values[at] / card.file_scale
        for restraint, branches in self.demands.items():
            for branch, demand in branches.items():
                columns[f"{restraint}_{branch}"] = demand[at]
        return pd.DataFrame(columns)

    def explain(self, restraint: str, *, draw: int | None = None) -> Explanation:
        """Say why a restraint fired or not; see :func:`crashsense.trials.explain.explain`."""
        from crashsense.trials.explain import explain

        return explain(self, restraint, draw=draw)

    # -- other trials from this one ------------------------------------------------------------

    def scores_only(self) -> Trial:
        """Return the trial without signals, samples and demand: all that its rows need."""
        kept = any(answer.branches for answer in self.answers.values())
        if self.sensed is None and self.block is None and not kept:
            return self
        answers = {
            key: replace(answer, branches={}) if answer.branches else answer
            for key, answer in self.answers.items()
        }
        return replace(self, answers=answers, sensed=None, block=None)

    def without_signals(self) -> Trial:
        """Return the trial without its true signals, which take the most memory."""
        return replace(self, block=None)

    def taken(self, places: Sequence[int]) -> Trial:
        """Return the trial with the draws at the given places only, without its true signals."""
        at = list(places)
        sensed = self._kept()
        if at == [0] and self.draws.size == 1:
            return self.without_signals()
        return replace(
            self,
            draws=self.draws[at],
            full=self.full[at],
            start_s=self.start_s[at],
            required_s={
                event: {restraint: times[at] for restraint, times in required.items()}
                for event, required in self.required_s.items()
            },
            answers={key: answer.taken(at) for key, answer in self.answers.items()},
            sensed=Sensed(
                rows_of_draws(sensed.samples, at), {}, sensed.paths[at], sensed.draws[at]
            ),
            block=None,
        )

    def judged_by(self, algorithms: Sequence[Algorithm], *, scores_only: bool = False) -> Trial:
        """Return the trial with the same samples, judged by other algorithms.

        A channel that was not sensed counts as missing: name it in ``channels`` when sensing. With
        *scores_only* demand may be left out of the answers.
        """
        events = asked_by(self.events, algorithms)
        required = {e.name: dict(required_times(e, self.required_s[e.name])) for e in events}
        judges = judges_of(events, algorithms, self.sensor_set)
        with engines.using(self.engine):
            answers = answers_of(
                judges, self._kept(), events=events, required_s=required, scores_only=scores_only
            )
        return replace(
            self,
            events=tuple(events),
            algorithms=tuple(algorithms),
            required_s=required,
            answers=answers,
        )

    def with_sensor(self, channel: str, sensor_set: SensorSet) -> Trial:
        """Return the trial with one channel sensed anew, by another set with the same control unit.

        All other channels keep their samples.
        """
        if self.block is None:
            raise InputError([Fault("trial", "signals", None, "a trial that keeps its signals")])
        kept = self._kept()
        with engines.using(self.engine):
            parts = sense_block(
                replace(self.block, draws=self.draws, signals=self.signals),
                self.events[0],
                sensor_set=sensor_set,
                conditions=self.conditions,
                channels=[channel],
            )
            anew = joined_sensed(list(parts))
        samples = replace(
            anew.samples,
            channels={**kept.samples.channels, **anew.samples.channels},
            codes={**kept.samples.codes, **anew.samples.codes},
            valid={**kept.samples.valid, **anew.samples.valid},
        )
        sensed = replace(anew, samples=samples, reports={**kept.reports, **anew.reports})
        changed = replace(self, sensor_set=sensor_set, sensed=sensed)
        return changed.judged_by(self.algorithms)

    # -- showing -------------------------------------------------------------------------------

    def plot(self, *, draw: int | None = None) -> Figure:
        """Return a matplotlib figure of signals and demand of one draw (default: the first)."""
        from crashsense.trials.plot import trial_figure

        return trial_figure(self, draw=draw)

    def __repr__(self) -> str:
        many = self.draws.size != 1
        draws = f"{self.draws.size} draws" if many else f"draw {self.draws[0]}"
        events = " + ".join(event.name for event in self.events)
        algorithms = ", ".join(algorithm.name for algorithm in self.algorithms) or "no algorithm"
        counts = self._verdict_counts()
        verdicts = ", ".join(f"{number} {word}" for word, number in counts.items())
        return f"<Trial {events}, {draws}: {self.sensor_set.name}, {algorithms}\n {verdicts}>"

    def _verdict_counts(self) -> dict[str, int]:
        words = [
            one.verdicts(name)
            for one in self.each()
            for name in (*one.event.requirements, *one.event.orders)
        ]
        found, numbers = np.unique(
            np.concatenate(words).astype(str) if words else np.array([], dtype=str),
            return_counts=True,
        )
        return dict(zip(found.tolist(), numbers.tolist(), strict=True))

    def _repr_html_(self) -> str:
        head = escape(repr(self).splitlines()[0].lstrip("<"))
        table = self.rows[self.rows["draw"] == self.draws[0]]
        columns = ["event", "algorithm", *SHOWN]
        if len(self.events) == 1 and len(self.algorithms) == 1:
            columns = columns[2:]
        body = table[columns].to_html(index=False, na_rep="-", float_format="{:.3g}".format)
        shown = f"draw {self.draws[0]}" if self.draws.size > 1 else ""
        return f"<p><b>CAUTION</b>: {escape(CAUTION)}</p><p>{head}</p>{body}<p>{shown}</p>"

    # -- names ---------------------------------------------------------------------------------

    def at(self, draw: int | None) -> int:
        """Return the place of a draw, by its number; None: the first."""
        if draw is None:
            return 0
        found = np.flatnonzero(self.draws == draw)
        if not found.size:
            expected = f"one of the draws of the trial: {', '.join(map(str, self.draws[:12]))}"
            raise InputError([Fault("trial", "draw", draw, expected)])
        return int(found[0])

    def _one(self, items: Sequence[_Named], name: str | None, *, kind: str) -> _Named:
        if name is None and len(items) == 1:
            return items[0]
        known = [item.name for item in items]
        if name is None:
            expected = f"a name, as the trial has {len(items)}: {', '.join(known)}"
            raise InputError([Fault("trial", kind, None, expected)])
        if name not in known:
            raise unknown_name(kind, name, known, file="trial")
        return items[known.index(name)]


def joined(trials: Sequence[Trial]) -> Trial:
    """Return the draws of several trials of one occurrence and sensor set as one trial.

    Samples and signals are kept if all of them keep theirs.
    """
    head = trials[0]
    if len(trials) == 1:
        return head
    sensed = [trial.sensed for trial in trials if trial.sensed is not None]
    return replace(
        head,
        draws=np.concatenate([trial.draws for trial in trials]),
        full=np.concatenate([trial.full for trial in trials]),
        start_s=np.concatenate([trial.start_s for trial in trials]),
        required_s={
            event: {
                restraint: np.concatenate([t.required_s[event][restraint] for t in trials])
                for restraint in required
            }
            for event, required in head.required_s.items()
        },
        answers={
            key: Answer.joined([trial.answers[key] for trial in trials]) for key in head.answers
        },
        sensed=joined_sensed(sensed) if len(sensed) == len(trials) else None,
        block=_joined_block(trials),
        place=slice(None),
    )


def _joined_block(trials: Sequence[Trial]) -> SignalBlock | None:
    blocks = [trial.block for trial in trials if trial.block is not None]
    if len(blocks) < len(trials):
        return None
    return replace(
        blocks[0],
        draws=np.concatenate([trial.draws for trial in trials]),
        signals={name: _joined_signal(trials, name) for name in blocks[0].signals},
        required_s={},
        facts={},
    )


def _joined_signal(trials: Sequence[Trial], name: str) -> Signal:
    """One row for all draws where they share it; else a row each.

    A block of one draw has one row as well, of that draw alone: the rows decide.
    """
    first = trials[0].signals[name]
    parts = [trial.signals[name].samples for trial in trials]
    if len(first.samples) == 1 and all(np.array_equal(part, parts[0]) for part in parts):
        return first
    rows = [
        np.broadcast_to(part, (trial.draws.size, first.size))
        for part, trial in zip(parts, trials, strict=True)
    ]
    return first.replaced(np.concatenate(rows), note="draws joined")


def trial(
    event: str | Event,
    *,
    sensor_set: str | Path | SensorSet = "standard",
    algorithm: str | Path | Algorithm | Sequence[str | Path | Algorithm] = "guarded",
    draw: int | Sequence[int] = 0,
    channels: Iterable[str] | None = None,
    seed: int = 1,
    vary: str = "both",
    sensor_draws: str = "own",
    path: str = "auto",
    engine: str | None = None,
) -> Trial:
    """Sense and judge some draws of one event: the rows that a run of a plan has for them.

    Parameters
    ----------
    event : name of an event of the shipped library, or an event
    sensor_set : name, file or object
    algorithm : name, file or object, or several of them; none: what is sensed is judged later
        (:meth:`Trial.judged_by`)
    draw : number of a draw, or several; 0 is nominal and free of noise
    channels : which are sensed; None: those that the algorithms read, without algorithm all
    seed, vary, sensor_draws, path : as :class:`Conditions`
    engine : ``"numpy"`` or ``"fast"``; None: the fastest installed

    Raises
    ------
    InputError : unknown names, impossible values, a rule that is not made for the tick

    >>> found = trial("side_pole_90_29")
    >>> found.verdicts("side_airbag_left").tolist()
    ['on_time']
    >>> round(float(1e3 * found.scores("side_airbag_left").fire_s[0]), 2) < 6.0
    True
    """
    from crashsense.synthesis import load_events

    conditions = Conditions(seed=seed, vary=vary, sensor_draws=sensor_draws, path=path)
    numbers = [draw] if isinstance(draw, int | np.integer) else list(draw)
    if not numbers or any(number < 0 for number in numbers):
        raise InputError([Fault("trial", "draw", draw, "numbers of draws, 0 or more")])
    names = [algorithm] if isinstance(algorithm, str | Path | Algorithm) else list(algorithm)
    algorithms = [a if isinstance(a, Algorithm) else load_algorithm(a) for a in names]
    sensors = load_sensor_set(sensor_set)
    wanted = [] if channels is None else list(channels)
    if unknown := [name for name in wanted if name not in CHANNELS]:
        raise unknown_name("channels", unknown[0], CHANNELS, file="trial")
    if channels is None:
        wanted = channels_read(algorithms, sensors) if algorithms else list(sensors.sensors)
    rate_hz = sensors.control_unit.tick_rate_hz
    if faults := [f for one in algorithms for f in rate_faults(one, rate_hz=rate_hz)]:
        raise InputError(faults)
    with engines.using(engines.choose(engine)[0]):
        found = [event] if isinstance(event, Event) else load_events([event])
        if len(found) != 1:
            expected = f"the name of one event; this names {len(found)}"
            raise InputError([Fault("trial", "event", event, expected)])
        return joined(
            list(
                run_trials(
                    found,
                    numbers,
                    sensor_sets=[sensors],
                    algorithms=algorithms,
                    conditions=conditions,
                    channels=wanted,
                )
            )
        )
