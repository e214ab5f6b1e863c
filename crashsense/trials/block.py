"""The block: true signals of some draws, a sensor set, algorithms -> demand and scores.

:func:`judge_block` is the one place where signals are sensed and rules are asked. What it gives for
a draw depends on that draw alone, bit for bit, whatever the block; a faster way of computing a
block goes behind it.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray, reuse_memory
from crashsense.draws import PAGE
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import Event, SignalBlock
from crashsense.further_restraints import asking
from crashsense.rules import Algorithm, sharing
from crashsense.rules.checked import Evaluated
from crashsense.sensing import (
    ANY_OCCURRENCE,
    CommonSensors,
    NoiseBank,
    Sensed,
    SensorSet,
    prepared,
    sense_in_parts,
    signals_needed,
)
from crashsense.trials.judge import Answer, Judge, valid_channels
from crashsense.trials.lanes import answers_in_lanes, sensors_in_lanes
from crashsense.trials.signals import Wanted

if TYPE_CHECKING:
    from crashsense.trials.trial import Trial


VARY = ("pulse", "sensor", "both", "none")
SENSOR_DRAWS = ("own", "shared")
PATHS = ("auto", "full")

#: Draws of varied pulses made at once: a small block stays in the cache, of whole pages of draws.
BLOCK = 2 * PAGE

#: Samples of all signals of such a block at most (25 MB; a model takes up to three times as much):
#: an event with longer or more signals is made fewer draws at a time.
BLOCK_SAMPLES = 3 * 2**20

#: Draws prepared at once where all share one pulse, which is filtered once for each filter setting;
#: so many are judged at once if that is little work for each.
SENSED_BLOCK = 16 * PAGE

#: The same where scores alone are kept: what is sensed of a draw is forgotten at once.
SCORED_BLOCK = 8 * SENSED_BLOCK

#: Noise that sensor sets or events share, per process.
_BANK = NoiseBank(most_bytes=64_000_000)


@dataclass(frozen=True)
class Conditions:
    """How draws are made; the same for every trial of a run.

    Parameters
    ----------
    seed : root of all random numbers
    vary : what is drawn: ``"pulse"``, ``"sensor"``, ``"both"`` or ``"none"``
    sensor_draws : ``"own"``: each occurrence has sensors and noise of its own; ``"shared"``: draw k
        is one car, whose sensors and noise meet every occurrence
    path : ``"auto"`` or ``"full"`` (noise and filters at the internal rate throughout)
    """

    seed: int = 1
    vary: str = "both"
    sensor_draws: str = "own"
    path: str = "auto"

    def __post_init__(self) -> None:
        known = {"vary": VARY, "sensor_draws": SENSOR_DRAWS, "path": PATHS}
        faults = [
            Fault("trial", name, value, nearest(str(value), words))
            for name, words in known.items()
            if (value := getattr(self, name)) not in words
        ]
        if self.seed < 0:
            faults.append(Fault("trial", "seed", self.seed, "0 or more"))
        if faults:
            raise InputError(faults)

    def varies_pulse(self, event: Event) -> bool:
        """True if the draws of an event have signals of their own."""
        source = event.source
        return source is not None and source.varies and self.vary in ("pulse", "both")


def channels_read(algorithms: Sequence[Algorithm], sensor_set: SensorSet) -> list[str]:
    """Channels that any algorithm reads and the set has a sensor for, in the order of the set."""
    used = frozenset[str]().union(*(algorithm.uses for algorithm in algorithms))
    return [name for name in sensor_set.sensors if name in used]


def release_noise() -> None:
    """Release cached noise that other sensor sets and events would have shared."""
    _BANK.clear()


def run_trials(
    events: Sequence[Event],
    draws: Iterable[int],
    *,
    sensor_sets: Sequence[SensorSet],
    algorithms: Sequence[Algorithm],
    conditions: Conditions,
    channels: Sequence[str] | None = None,
    scores_only: bool = False,
) -> Iterator[Trial]:
    """Yield trials of one occurrence, at most :data:`SCORED_BLOCK` draws each, in order of draws.

    Signals are made once for all sensor sets. *events* share the occurrence and differ in context
    and requirements only. *channels*: which are sensed; None: those that the algorithms read.
    *scores_only*: keep nothing but what rows need, as :meth:`Trial.scores_only`.
    """
    steps = trials_in_steps(
        events,
        draws,
        sensor_sets=sensor_sets,
        algorithms=algorithms,
        conditions=conditions,
        channels=channels,
        scores_only=scores_only,
    )
    return (trial for trial in steps if not isinstance(trial, Wanted | None))


def trials_in_steps(
    events: Sequence[Event],
    draws: Iterable[int],
    *,
    sensor_sets: Sequence[SensorSet],
    algorithms: Sequence[Algorithm],
    conditions: Conditions,
    channels: Sequence[str] | None = None,
    scores_only: bool = False,
) -> Iterator[Trial | Wanted | None]:
    """As :func:`run_trials`; yields None as well, where kernels are about to compute a short event.

    Kernels fill the processor's cache, and what prepares their work then runs two to three times
    slower. Where several events have been brought up to here, their kernels come one after another.
    Signals that gain by being made beside those of other events are yielded before they are made.
    """
    if conditions.varies_pulse(events[0]):
        size = draws_made_at_once(events[0])
    else:
        size = SCORED_BLOCK if scores_only else SENSED_BLOCK
    bank = _BANK if len(sensor_sets) > 1 or conditions.sensor_draws == "shared" else None
    common = CommonSensors(sensor_sets) if len(sensor_sets) > 1 else None
    events = asked_by(events, algorithms)
    judges = [judges_of(events, algorithms, sensor_set) for sensor_set in sensor_sets]
    looked_at = None
    if scores_only:  # nothing else is asked for later
        looked_at = {
            name
            for sensor_set in sensor_sets
            for name in signals_needed(
                channels_read(algorithms, sensor_set) if channels is None else channels,
                sensor_set,
            )
        }
    # Blocks end where pages of draws end; the nominal draw rides with the first.
    for numbers in _in_blocks(draws, size):
        wanted_signals = Wanted(events, numbers, conditions, looked_at)
        if wanted_signals.marches:
            yield wanted_signals
        block = wanted_signals.take()
        if common is not None:
            common.begin_block()
        for sensor_set, asked in zip(sensor_sets, judges, strict=True):
            how: Any = {
                "events": events,
                "sensor_set": sensor_set,
                "algorithms": algorithms,
                "conditions": conditions,
                "judges": asked,
                "bank": bank,
                "common": common,
            }
            light = None
            if scores_only:
                wanted = channels_read(algorithms, sensor_set) if channels is None else channels
                light = yield from _scored_in_lanes(block, channels=wanted, **how)
            if light is None:
                yield from judge_block(block, channels=channels, scores_only=scores_only, **how)
            else:
                yield from light
        del block  # before the next one is made: one of them an event is in memory


def samples_of(event: Event) -> int:
    """Samples of all signals of a draw."""
    return sum(signal.size for signal in event.signals.values())


def draws_made_at_once(event: Event) -> int:
    """Draws in a block whose signals vary: a power of 2, at most :data:`BLOCK`."""
    samples = samples_of(event)
    size = BLOCK
    while size > 1 and size * samples > BLOCK_SAMPLES:
        size //= 2
    return size


def _in_blocks(draws: Iterable[int], size: int) -> Iterator[Sequence[int]]:
    """Cut draws into blocks."""
    if isinstance(draws, range) and draws.step == 1:
        first = draws.start
        while first < draws.stop:
            last = min((max(first - 1, 0) // size + 1) * size + 1, draws.stop)
            yield range(first, last)
            first = last
        return
    for _, numbers in groupby(draws, key=lambda draw: max(draw - 1, 0) // size):
        yield list(numbers)


def judge_block(
    block: SignalBlock,
    *,
    events: Sequence[Event],
    sensor_set: SensorSet,
    algorithms: Sequence[Algorithm],
    conditions: Conditions,
    channels: Sequence[str] | None = None,
    bank: NoiseBank | None = None,
    common: CommonSensors | None = None,
    deviates: Mapping[str, FloatArray] | None = None,
    scores_only: bool = False,
    judges: Sequence[Judge] | None = None,
) -> Iterator[Trial]:
    """Sense the draws of a block and judge them, some draws a trial.

    Parameters
    ----------
    block : true signals and required times of the draws
    events : the events of the occurrence; they share the samples
    sensor_set, algorithms : what senses, and what judges
    conditions : how the draws are made
    channels : which are sensed; None: those that the algorithms read
    bank : noise to share with other sensor sets and occurrences
    common : sensors of this block that other sensor sets have as well
    deviates : channel -> standard normal numbers (draws, roles) in place of drawn ones, for
        sensitivity studies; see :func:`crashsense.sensing.sense`
    scores_only : keep nothing but what rows need
    judges : those of :func:`judges_of`, where they are made already
    """
    from crashsense.trials.trial import Trial

    reuse_memory()
    wanted = channels_read(algorithms, sensor_set) if channels is None else list(channels)
    events = asked_by(events, algorithms)
    if judges is None:
        judges = judges_of(events, algorithms, sensor_set)
    first = 0
    sensing = sense_block(
        block,
        events[0],
        sensor_set=sensor_set,
        conditions=conditions,
        channels=wanted,
        bank=bank,
        common=common,
        deviates=deviates,
    )
    for sensed in sensing:
        part = slice(first, first + sensed.samples.draws)
        first = part.stop
        required = _required_of(block, events, part=part)
        trial = Trial(
            events=tuple(events),
            sensor_set=sensor_set,
            algorithms=tuple(algorithms),
            draws=sensed.draws,
            conditions=conditions,
            full=sensed.paths == "full",
            rate_hz=sensed.samples.rate_hz,
            start_s=sensed.samples.start_s,
            required_s=required,
            answers=answers_of(
                judges, sensed, events=events, required_s=required, scores_only=scores_only
            ),
            engine=engine.current(),
            sensed=sensed,
            block=block,
            place=part,
        )
        yield trial.scores_only() if scores_only else trial


def _required_of(
    block: SignalBlock, events: Sequence[Event], *, part: slice
) -> dict[str, dict[str, FloatArray]]:
    """Required times of some draws of a block, by event and restraint."""
    size = part.stop - part.start
    same: dict[float | None, FloatArray] = {}  # most restraints have no required time
    cut: dict[int, FloatArray] = {}  # and most of these share one array in the block

    def some(times: FloatArray) -> FloatArray:
        if id(times) not in cut:
            cut[id(times)] = own_of(times)
        return cut[id(times)]

    def own_of(times: FloatArray) -> FloatArray:
        value = np.nan
        if np.size(times) > 1:
            own = times[part]
            if not np.isnan(own).all():
                return own
        else:
            value = times.item()
        key = None if np.isnan(value) else value
        if key not in same:
            same[key] = np.full(size, value)
        return same[key]

    return {
        event.name: {
            restraint: some(times)
            for restraint, times in required_times(event, block.required_s[event.name])
        }
        for event in events
    }


#: Samples of the signals of an event that is prepared ahead of its kernels: with its words in every
#: filter setting it takes less than 4 MB.
_SHORT = 2**16


def _scored_in_lanes(
    block: SignalBlock,
    *,
    events: Sequence[Event],
    judges: Sequence[Judge],
    sensor_set: SensorSet,
    algorithms: Sequence[Algorithm],
    conditions: Conditions,
    channels: Sequence[str],
    bank: NoiseBank | None,
    common: CommonSensors | None,
) -> Generator[None, None, list[Trial] | None]:
    """Sense and judge a block in lanes, scores alone; the result is None where that cannot be done.

    Yields as :func:`trials_in_steps`.
    """
    from crashsense.trials.trial import Trial

    if engine.kernels() is None:
        return None
    reuse_memory()
    found: list[Trial] = []
    first = 0
    how = _how_sensed(
        block, events[0], conditions=conditions, channels=channels, bank=bank, common=common
    )
    short = sum(signal.samples.size for signal in block.signals.values()) <= _SHORT
    for made in prepared(block.signals, sensor_set, **how):
        required = _required_of(block, events, part=slice(first, first + made.draws.size))
        first += made.draws.size
        asked = sensors_in_lanes(judges, made, events=events, required_s=required)
        if asked is None:
            return None
        if short:
            asked.prepare()
            yield
        answers = asked.answers()
        if answers is None:
            return None
        full = np.zeros(made.draws.size, dtype=bool)
        for one in made.sensors.values():
            full |= ~one.fast
        found.append(
            Trial(
                events=tuple(events),
                sensor_set=sensor_set,
                algorithms=tuple(algorithms),
                draws=made.draws,
                conditions=conditions,
                full=full,
                rate_hz=sensor_set.control_unit.tick_rate_hz,
                start_s=made.start_s,
                required_s=required,
                answers=answers,
                engine=engine.current(),
            )
        )
        del made, one, asked  # its signals, before those of the next draws are brought over
    return found


def _how_sensed(
    block: SignalBlock,
    event: Event,
    *,
    conditions: Conditions,
    channels: Sequence[str],
    bank: NoiseBank | None,
    common: CommonSensors | None,
    deviates: Mapping[str, FloatArray] | None = None,
) -> dict[str, Any]:
    """Arguments of sensing that a block and the conditions decide."""
    shared = conditions.sensor_draws == "shared"
    return {
        "draws": np.asarray(block.draws),
        "seed": conditions.seed,
        "occurrence": ANY_OCCURRENCE if shared else event.occurrence,
        "channels": channels,
        "quiet": [name for name in event.quiet if name not in block.signals],
        "vary": conditions.vary in ("sensor", "both"),
        "path": conditions.path,
        "bank": bank,
        "common": common,
        "deviates": deviates,
    }


def sense_block(
    block: SignalBlock,
    event: Event,
    *,
    sensor_set: SensorSet,
    conditions: Conditions,
    channels: Sequence[str],
    bank: NoiseBank | None = None,
    common: CommonSensors | None = None,
    deviates: Mapping[str, FloatArray] | None = None,
) -> Iterator[Sensed]:
    """Sense the draws of a block: as many at a time as stay in the cache."""
    how = _how_sensed(
        block,
        event,
        conditions=conditions,
        channels=channels,
        bank=bank,
        common=common,
        deviates=deviates,
    )
    return sense_in_parts(
        block.signals, sensor_set, size=SENSED_BLOCK, context=event.context, **how
    )


def judges_of(
    events: Sequence[Event], algorithms: Sequence[Algorithm], sensor_set: SensorSet
) -> list[Judge]:
    """Return a judge for every event, algorithm and restraint, in this order."""
    return [
        Judge(event, algorithm, restraint, sensor_set)
        for event in events
        for algorithm in algorithms
        for restraint in event.requirements
    ]


def asked_by(events: Sequence[Event], algorithms: Sequence[Algorithm]) -> list[Event]:
    """Return events with what they ask of the further restraints that some algorithm covers."""
    covered = [name for algorithm in algorithms for name in algorithm.rules]
    return [asking(event, covered) for event in events]


#: Required times [s] of a restraint that has none.
_NO_TIME = np.array([np.nan])
_NO_TIME.setflags(write=False)


def required_times(
    event: Event, times: Mapping[str, FloatArray]
) -> Iterator[tuple[str, FloatArray]]:
    """Yield each restraint of an event and its required times [s], of which some follow others'."""
    for restraint, requirement in event.requirements.items():
        yield restraint, times.get(requirement.follows or restraint, _NO_TIME)


def answers_of(
    judges: Sequence[Judge],
    sensed: Sensed,
    *,
    events: Sequence[Event],
    required_s: Mapping[str, Mapping[str, FloatArray]],
    scores_only: bool = False,
) -> dict[tuple[str, str, str], Answer]:
    """Ask every judge about the same samples; what does not read the context is computed once.

    With *scores_only* demand may be left out of the answers.
    """
    about: Any = {"events": events, "required_s": required_s}
    in_lanes = scores_only and engine.kernels() is not None
    told = answers_in_lanes(judges, sensed, **about) if in_lanes else {}
    samples = {event.name: replace(sensed.samples, context=event.context) for event in events}
    valid = valid_channels(sensed.samples)
    shared: dict[int, Evaluated] = {}
    with sharing():
        return {
            judge.key: told[judge.key]
            if judge.key in told
            else judge.answer(
                samples[judge.key[0]],
                sensed,
                required_s=required_s[judge.key[0]][judge.key[2]],
                valid=valid,
                shared=shared,
            )
            for judge in judges
        }
