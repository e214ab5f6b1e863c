"""Judging in lanes: rules of the house run over draws side by side by a kernel (engine ``fast``).

Where all that is wanted is scores, neither samples nor demand need be written down: sensors put
their values into lanes, the rules of all restraints are one program
(:mod:`crashsense.rules.program`), and the kernel keeps fire ticks and largest demand of each draw.
A user-written rule, or one that reads a channel that may be lost for a time, is left to
``demand``: samples are then sensed as ever, and the rules beside it run in lanes.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from threading import local
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray, IntArray
from crashsense.errors import InputError
from crashsense.event import Context, Event
from crashsense.rules import Rule
from crashsense.rules.checked import of_a_user
from crashsense.rules.contract import NotWritten
from crashsense.rules.program import Program, Writer
from crashsense.scoring import Reached, spans_of
from crashsense.sensing import EcuSamples, Prepared, Sensed, one_pass
from crashsense.sensing.one_sensor import OneSensor
from crashsense.trials.judge import Answer, Judge, ValidChannels, valid_channels

#: Draws of a group of the kernel.
LANES = 32

#: Values of all channels that are in lanes at once (1 MB): they stay in the cache.
PIECE_VALUES = 2**17

#: Values of all channels in one group of draws (32 MB); longer events are judged as whole trials.
MOST_VALUES = 2**22

#: Puts the values of the draws from a first to before a last one into a channel of tiles.
Source = Callable[[int, int, FloatArray, int], None]

#: Event -> restraint -> required time of each draw [s].
Required = Mapping[str, Mapping[str, FloatArray]]

#: (event, algorithm, restraint) -> what its rule gave.
Answers = dict[tuple[str, str, str], Answer]


def answers_in_lanes(
    judges: Sequence[Judge],
    sensed: Sensed,
    *,
    events: Sequence[Event],
    required_s: Required,
) -> Answers:
    """Ask judges about the same samples, for scores alone; no answer from those that it cannot ask.

    It cannot where the rule has no operations, or reads a channel that is lost for a time.
    """
    samples = sensed.samples
    there = frozenset(name for name, valid in samples.valid.items() if valid.all())
    lost = {name for name in samples.valid if name not in there and samples.valid[name].any()}
    judges = [judge for judge in judges if judge.rule is None or not judge.rule.uses & lost]

    def source(name: str) -> Source:
        kernels: Any = engine.kernels()
        values = samples.channels[name]

        def put(first: int, last: int, tiles: FloatArray, channel: int) -> None:
            places = engine.given(np.arange(last - first))
            kernels.to_lanes(engine.given(values[first:last]), places, tiles, channel)

        return put

    asked = InLanes.asking(
        judges,
        events=events,
        required_s=required_s,
        samples=samples,
        valid=valid_channels(samples),
        start_s=samples.start_s,
        size=samples.size,
        there=there,
    )
    if asked is None:
        return {}
    cut = {name: one.clipped_before_filter for name, one in sensed.reports.items()}
    return asked.answers({name: source(name) for name in asked.program.channels}, cut)


def sensors_in_lanes(
    judges: Sequence[Judge],
    made: Prepared,
    *,
    events: Sequence[Event],
    required_s: Required,
) -> SensorsInLanes | None:
    """What senses a block and asks every judge, for scores alone; None where it cannot be done."""
    if not all(one_pass.steady(one) for one in made.sensors.values()):
        return None
    if any(judge.asks_a_user for judge in judges):
        return None
    asked = InLanes.asking(
        judges,
        events=events,
        required_s=required_s,
        samples=_validity(made),
        valid=[(tuple(name in made.sensors for name in made.channels), np.arange(made.draws.size))],
        start_s=made.start_s,
        size=made.base.ticks,
        there=frozenset(made.sensors),
    )
    return None if asked is None else SensorsInLanes(asked, made)


class SensorsInLanes:
    """Prepared sensors of a block, and the rules that are asked about them in lanes."""

    def __init__(self, asked: InLanes, made: Prepared) -> None:
        self._asked = asked
        self._cut: dict[str, IntArray] = {}
        self._sources = {
            name: _SensorSource(made.sensors[name], name, self._cut)
            for name in asked.program.channels
        }

    def prepare(self) -> None:
        """Gather what the kernels of every sensor take; else each does so when it is its turn."""
        for source in self._sources.values():
            source.prepare()

    def answers(self) -> Answers | None:
        """Sense the block and ask every judge; None where not all could be asked."""
        found = self._asked.answers(self._sources, self._cut)
        return found if len(found) == len(self._asked.judges) else None


def _spans_of(
    judges: Sequence[Judge], required_s: Required, **clock: Any
) -> list[tuple[IntArray, IntArray]]:
    """Spans of judges; of all that share their times, as most do that have none, found once."""
    found: dict[tuple[int, float], tuple[IntArray, IntArray]] = {}
    spans = []
    for judge in judges:
        times, begin = required_s[judge.key[0]][judge.key[2]], judge.not_before_s
        key = (id(times), begin)
        if key not in found:
            found[key] = spans_of(required_s=times, not_before_s=begin, **clock)
        spans.append(found[key])
    return spans


@dataclass(frozen=True, eq=False)
class InLanes:
    """Judges of a block, and the program of all rules that have one.

    Parameters
    ----------
    judges : all of them; ``asked``: those whose rules the program says, in its order
    spans : of each rule asked, ticks before the allowed time and up to the required one
    samples : those that a rule may ask before it reads, of the first draws of each group of
        *valid* at least
    draws, size : of the block, and its ticks
    """

    judges: Sequence[Judge]
    asked: Sequence[Judge]
    program: Program
    spans: Sequence[tuple[IntArray, IntArray]]
    required_s: Required
    samples: EcuSamples
    valid: ValidChannels
    contexts: Mapping[str, Context]
    draws: int
    size: int

    @classmethod
    def asking(
        cls,
        judges: Sequence[Judge],
        *,
        events: Sequence[Event],
        required_s: Required,
        samples: EcuSamples,
        valid: ValidChannels,
        start_s: FloatArray,
        size: int,
        there: frozenset[str],
    ) -> InLanes | None:
        """Write the program of some judges; None without kernels, or where nothing can be written.

        *start_s*: clock of all draws; *there*: channels that are valid throughout.
        """
        contexts = {event.name: event.context for event in events}
        asked = [judge for judge in judges if judge.asked]
        if engine.kernels() is None or LANES * size * len(there) > MOST_VALUES:
            return None
        program, said = _PROGRAMS.get(
            [(judge.rule, contexts[judge.key[0]]) for judge in asked],
            rate_hz=samples.rate_hz,
            size=size,
            there=there,
        )
        if program is None:
            return None
        asked = [asked[number] for number in said]
        return cls(
            judges=judges,
            asked=asked,
            program=program,
            spans=_spans_of(asked, required_s, start_s=start_s, rate_hz=samples.rate_hz, size=size),
            required_s=required_s,
            samples=samples,
            valid=valid,
            contexts=contexts,
            draws=start_s.size,
            size=size,
        )

    def answers(self, sources: Mapping[str, Source], cut: Mapping[str, IntArray]) -> Answers:
        """Run the program on what *sources* give of each channel.

        *cut*: samples cut before the filter, known once the program has run. No answer from judges
        whose rules the program does not say; none at all if a demand was no finite number.
        """
        channels = [sources[name] for name in self.program.channels]
        found = reached_in_lanes(
            self.program, channels, spans=self.spans, draws=self.draws, size=self.size
        )
        if found is None:
            return {}
        reached = dict(zip((judge.key for judge in self.asked), found, strict=True))
        in_context = {
            name: replace(self.samples, context=context) for name, context in self.contexts.items()
        }
        answers = {}
        for judge in self.judges:
            event, _, restraint = judge.key
            if judge.asked and judge.key not in reached:
                continue
            answers[judge.key] = judge.heard(
                in_context[event],
                cut,
                required_s=self.required_s[event][restraint],
                valid=self.valid,
                found=reached.get(judge.key),
            )
        return answers


def _validity(made: Prepared) -> EcuSamples:
    """What a rule may ask of samples before it reads them: which channels are valid.

    One tick of one draw: of sensors that give every word it holds for all.
    """
    shape = (1, 1)
    return EcuSamples(
        channels=dict.fromkeys(made.channels, np.zeros(shape)),
        codes=dict.fromkeys(made.channels, np.zeros(shape, dtype=np.int32)),
        valid={name: np.full(shape, name in made.sensors) for name in made.channels},
        rate_hz=made.sensor_set.control_unit.tick_rate_hz,
        start_s=made.start_s[:1],
        context=Context(),
    )


class _SensorSource:
    """Puts the values of a sensor into lanes, and notes in *cut* what it cut.

    Its reading is made for the first draws and released after the last: of a long event only one
    sensor at a time has it.
    """

    def __init__(self, one: OneSensor, name: str, cut: dict[str, IntArray]) -> None:
        self._one, self._name, self._cut = one, name, cut
        self._put: Source | None = None

    def prepare(self) -> Source:
        """Make its reading."""
        if self._put is None:
            self._put = _read_source(self._one, self._name, self._cut)
        return self._put

    def __call__(self, first: int, last: int, tiles: FloatArray, channel: int) -> None:
        self.prepare()(first, last, tiles, channel)
        if last == self._one.draws.size:
            self._put = None
            self._one.release()


def _read_source(one: OneSensor, name: str, cut: dict[str, IntArray]) -> Source:
    """As :class:`_SensorSource`.

    Draws that the compiled pass cannot give in lanes are sensed as ever, and moved there.
    """
    kernels: Any = engine.kernels()
    straight = np.zeros(one.draws.size, dtype=bool)
    if one_pass.serves_lanes(one):
        straight = one.fast
        if straight.all():
            return _fast_source(one, name, cut)
        if one.one_signal and not straight.any():
            return _full_source(one, name, cut)
    apart = np.flatnonzero(~straight)
    fill = one_pass.in_lanes(one) if straight.any() else None
    before = np.zeros(one.draws.size, dtype=np.int64)
    cut[name] = before

    def put(first: int, last: int, tiles: FloatArray, channel: int) -> None:
        if fill is not None:
            fill(first, tiles, channel)
        rows = apart[slice(*np.searchsorted(apart, (first, last)))] if apart.size else apart
        if rows.size:
            values, _, _, report = one.run_rows(rows)
            before[rows] = report.clipped_before_filter
            places = engine.given(rows - first)
            kernels.to_lanes(engine.given(values), places, tiles, channel)

    return put


def _fast_source(one: OneSensor, name: str, cut: dict[str, IntArray]) -> Source:
    """As :func:`_read_source`, of a sensor that cuts nothing in any draw."""
    fill = one_pass.in_lanes(one)
    cut[name] = np.zeros(one.draws.size, dtype=np.int64)
    return lambda first, _, tiles, channel: fill(first, tiles, channel)


def _full_source(one: OneSensor, name: str, cut: dict[str, IntArray]) -> Source:
    """As :func:`_read_source`, of a sensor whose draws all take the full path."""
    fill = one_pass.full_in_lanes(one)

    def put(first: int, last: int, tiles: FloatArray, channel: int) -> None:
        cut[name] = fill(first, tiles, channel)

    return put


def reached_in_lanes(
    program: Program, sources: Sequence[Source], *, spans: Sequence[Any], draws: int, size: int
) -> list[Reached] | None:
    """Run a program over a block; None if a demand was no finite number.

    *sources*: of the channels of the program; *spans*: of each root, ticks before the allowed time
    and up to the required one, both (draws,); *size*: ticks.
    """
    kernels: Any = engine.kernels()
    given = engine.given
    allowed, until = (np.array([span[k] for span in spans], dtype=np.float64) for k in (0, 1))
    ticks = np.empty((3, len(spans), draws), dtype=np.int64)
    largest = np.empty((4, len(spans), draws))
    step = LANES * max(1, PIECE_VALUES // (LANES * size * max(1, len(sources))))
    tiles = _tiles(min(step, draws), len(sources), size)
    work = -(-draws // LANES) * LANES * size
    parts, piece = kernels.parts_of(program.operations, program.roots, work=work)
    told = (
        *(given(program.operations), given(program.numbers), given(program.weights)),
        *(given(program.initial), given(parts), piece),
        *(program.registers, given(program.roots)),
        *(given(allowed), given(until)),
    )
    for first in range(0, draws, step):
        _fill(tiles, sources, first=first, last=min(first + step, draws))
        if not kernels.run_program(tiles, *told, first, ticks, largest):
            return None
    return [
        Reached(*(ticks[k, root] for k in range(3)), *(largest[k, root] for k in range(4)))
        for root in range(len(spans))
    ]


def _fill(tiles: FloatArray, sources: Sequence[Source], *, first: int, last: int) -> None:
    """Put the values of some draws into the channels of tiles."""
    for channel, put in enumerate(sources):
        put(first, last, tiles, channel)


class _Room(local):
    """Memory of the tiles of this thread: clearing it each time costs as much as judging a page."""

    rows: FloatArray | None = None


_ROOM = _Room()


def _tiles(draws: int, channels: int, size: int) -> FloatArray:
    """Tiles (groups, channels, size, LANES); numbers in every lane, also in those without a draw.

    They hold what the last program of this thread left there, until sources fill them again.
    """
    kernels: Any = engine.kernels()
    groups = -(-draws // LANES)
    wanted = groups * channels * size
    if wanted * LANES > PIECE_VALUES:  # a long event, or many channels: sources fill all of it
        room = np.empty((wanted + 1) * LANES)
        skip = -(room.ctypes.data // room.itemsize) % kernels.WIDTH
        tiles = room[skip : skip + wanted * LANES].reshape(groups, channels, size, LANES)
        tiles[-1, :, :, draws - LANES * (groups - 1) :] = 0.0
        return tiles
    if _ROOM.rows is None or len(_ROOM.rows) < wanted:
        _ROOM.rows = kernels.aligned(wanted)
    return _ROOM.rows[:wanted].reshape(groups, channels, size, LANES)


#: A program (None: no rule could be written), and the places of the rules that it says.
Written = tuple[Program | None, list[int]]


class _Programs:
    """Programs by the rules that they say; rules are kept beside them: ids are unique."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.kept: OrderedDict[object, tuple[object, Written]] = OrderedDict()

    def get(
        self, asked: Sequence[tuple[Any, Any]], *, rate_hz: float, size: int, there: frozenset[str]
    ) -> Written:
        """As :func:`written`."""
        key = (tuple((id(rule), context) for rule, context in asked), rate_hz, size, there)
        if key not in self.kept:
            self.kept[key] = (asked, written(asked, rate_hz=rate_hz, size=size, there=there))
            while len(self.kept) > self.most:
                self.kept.popitem(last=False)
        return self.kept[key][1]


_PROGRAMS = _Programs(most=64)


def written(
    asked: Sequence[tuple[Rule, Any]], *, rate_hz: float, size: int, there: frozenset[str]
) -> Written:
    """Write the program of some rules, each in its context, as far as they can be written."""
    if not asked or size == 0:
        return None, []
    writer = Writer(rate_hz=rate_hz, size=size, there=there, context=asked[0][1])
    roots: dict[int, tuple[int, int, int]] = {}
    for number, (rule, context) in enumerate(asked):
        # What is wrong with a rule at this tick rate is said where its demand is computed.
        with suppress(NotWritten, InputError):
            if not of_a_user(rule):
                roots[number] = writer.branches(rule, context)
    return (writer.program(list(roots.values())) if roots else None), list(roots)
