"""Judging in lanes: rules of the house run over draws side by side by a kernel (engine ``fast``).

Where all that is wanted is scores, demand need not be written down: the rules of all restraints
are one program (:mod:`crashsense.rules.program`), and the kernel keeps fire ticks and largest
demand of each draw. What cannot be said so is left to :func:`crashsense.trials.block.answers_of`:
a rule of the user's own, a family without operations, a channel that is lost for a time.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.event import Event
from crashsense.rules import Rule
from crashsense.rules.checked import of_a_user
from crashsense.rules.contract import NotWritten
from crashsense.rules.program import Program, Writer
from crashsense.scoring import Reached, spans_of
from crashsense.sensing import EcuSamples, Sensed
from crashsense.trials.judge import Answer, Judge, valid_channels

#: Draws of a group of the kernel.
LANES = 32

#: Values of all channels that are in lanes at once (4 MB): they stay in the cache.
PIECE_VALUES = 2**19


def answers_in_lanes(
    judges: Sequence[Judge],
    sensed: Sensed,
    *,
    events: Sequence[Event],
    required_s: Mapping[str, Mapping[str, FloatArray]],
) -> dict[tuple[str, str, str], Answer] | None:
    """Ask every judge about the same samples, for scores alone; None where it cannot be done so."""
    kernels, samples = engine.kernels(), sensed.samples
    there = {name for name, valid in samples.valid.items() if valid.all()}
    if kernels is None or any(samples.valid[c].any() for c in samples.valid if c not in there):
        return None
    contexts = {event.name: event.context for event in events}
    asked = [judge for judge in judges if judge.asked]
    program = _PROGRAMS.get(
        [(judge.rule, contexts[judge.key[0]]) for judge in asked],
        rate_hz=samples.rate_hz,
        size=samples.size,
        there=frozenset(there),
    )
    if program is None:
        return None
    spans = [
        spans_of(
            start_s=samples.start_s,
            rate_hz=samples.rate_hz,
            size=samples.size,
            required_s=required_s[judge.key[0]][judge.key[2]],
            not_before_s=judge.not_before_s,
        )
        for judge in asked
    ]
    found = reached_in_lanes(program, samples, spans)
    if found is None:
        return None
    valid = valid_channels(samples)
    reached = dict(zip((judge.key for judge in asked), found, strict=True))
    answers = {}
    for judge in judges:
        event, _, restraint = judge.key
        answer = judge.heard(
            replace(samples, context=contexts[event]),
            sensed.reports,
            required_s=required_s[event][restraint],
            valid=valid,
        )
        if judge.key in reached:
            answer = replace(answer, found=reached[judge.key])
        answers[judge.key] = answer
    return answers


def reached_in_lanes(
    program: Program, samples: EcuSamples, spans: Sequence[Any]
) -> list[Reached] | None:
    """Run a program over a block; None if a demand was no finite number.

    *spans*: of each root, ticks before the allowed time and up to the required one, both (draws,).
    """
    kernels: Any = engine.kernels()
    given = engine.given
    values = [samples.channels[name] for name in program.channels]
    rows, size = samples.draws, samples.size
    allowed, until = (np.array([span[k] for span in spans], dtype=np.float64) for k in (0, 1))
    ticks = np.empty((3, len(spans), rows), dtype=np.int64)
    largest = np.empty((4, len(spans), rows))
    groups = max(1, PIECE_VALUES // (LANES * size * max(1, len(values))))
    tiles = np.empty((min(groups, -(-rows // LANES)), len(values), size, LANES))
    for first in range(0, rows, groups * LANES):
        for channel, line in enumerate(values):
            kernels.to_lanes(given(line[first : first + groups * LANES]), tiles, channel)
        sound = kernels.run_program(
            *(tiles, given(program.operations), given(program.numbers), given(program.weights)),
            *(given(program.initial), program.registers, given(program.roots)),
            *(given(allowed), given(until), first, ticks, largest),
        )
        if not sound:
            return None
    return [
        Reached(*(ticks[k, root] for k in range(3)), *(largest[k, root] for k in range(4)))
        for root in range(len(spans))
    ]


class _Programs:
    """Programs by the rules that they say; rules are kept beside them: ids are unique."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.kept: OrderedDict[object, tuple[object, Program | None]] = OrderedDict()

    def get(
        self, asked: Sequence[tuple[Any, Any]], *, rate_hz: float, size: int, there: frozenset[str]
    ) -> Program | None:
        """Return the program of some rules, each in its context; None if there is none."""
        key = (tuple((id(rule), context) for rule, context in asked), rate_hz, size, there)
        if key not in self.kept:
            self.kept[key] = (asked, written(asked, rate_hz=rate_hz, size=size, there=there))
            while len(self.kept) > self.most:
                self.kept.popitem(last=False)
        return self.kept[key][1]


_PROGRAMS = _Programs(most=64)


def written(
    asked: Sequence[tuple[Rule, Any]], *, rate_hz: float, size: int, there: frozenset[str]
) -> Program | None:
    """Return the program of some rules, each in its context; None if one cannot be written."""
    if not asked or size == 0 or any(of_a_user(rule) for rule, _ in asked):
        return None
    writer = Writer(rate_hz=rate_hz, size=size, there=there, context=asked[0][1])
    try:
        roots = [writer.branches(rule, context) for rule, context in asked]
    except NotWritten:
        return None
    return writer.program(roots)
