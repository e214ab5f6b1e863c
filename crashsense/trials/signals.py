"""True signals of some draws: one event's, or those of several events side by side."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crashsense import engine
from crashsense.event import Event, SignalBlock, SteppingSource
from crashsense.synthesis.side_by_side import side_by_side

if TYPE_CHECKING:
    from crashsense.trials.block import Conditions


def signal_block(
    events: Sequence[Event],
    draws: Sequence[int],
    *,
    conditions: Conditions,
    channels: Collection[str] | None = None,
) -> SignalBlock:
    """Return the true signals of some draws: one row for all where the pulse does not vary.

    *channels*: those that are looked at, None: all; others may be absent.
    """
    source = events[0].source
    if source is not None and _made_anew(events[0], draws, conditions):
        selective = events[0].selective_source
        if channels is not None and selective is not None:
            return selective.block_for(list(draws), seed=conditions.seed, channels=channels)
        return source.block(list(draws), seed=conditions.seed)
    required = {
        event.name: {
            restraint: np.array([np.nan if r.required_s is None else r.required_s])
            for restraint, r in event.requirements.items()
        }
        for event in events
    }
    signals = {
        name: signal.as_block(note="repeated for every draw")
        for name, signal in events[0].signals.items()
    }
    numbers = np.arange(draws.start, draws.stop) if isinstance(draws, range) else np.asarray(draws)
    return SignalBlock(draws=numbers, signals=signals, required_s=required)


def _made_anew(event: Event, draws: Sequence[int], conditions: Conditions) -> bool:
    """True unless the event carries the signals: no seed changes draw 0."""
    return conditions.varies_pulse(event) and any(draw != 0 for draw in draws)


@dataclass(eq=False)
class Wanted:
    """Signals that a trial is about to make: as :func:`signal_block` takes them.

    Whoever runs several trials in step may let :func:`make_beside` make those of all.
    """

    events: Sequence[Event]
    draws: Sequence[int]
    conditions: Conditions
    channels: Collection[str] | None
    made: SignalBlock | None = None

    @property
    def marches(self) -> bool:
        """True where it pays to make them beside others: numpy integrates draws of their own."""
        return (
            engine.kernels() is None
            and isinstance(self.events[0].source, SteppingSource)
            and _made_anew(self.events[0], self.draws, self.conditions)
        )

    def take(self) -> SignalBlock:
        """Return the signals, made now if they have not been; they are not kept."""
        made, self.made = self.made, None
        if made is not None:
            return made
        return signal_block(
            self.events, self.draws, conditions=self.conditions, channels=self.channels
        )


def make_beside(wanted: Sequence[Wanted]) -> None:
    """Make the signals of some trials that :attr:`Wanted.marches`, side by side."""
    if len(wanted) < 2:
        return
    works = []
    for one in wanted:
        source = one.events[0].source
        if not isinstance(source, SteppingSource):
            raise TypeError(f"{one.events[0].name}: its signals are not made in steps")
        works.append(
            source.block_in_steps(list(one.draws), seed=one.conditions.seed, channels=one.channels)
        )
    for one, made in zip(wanted, side_by_side(works), strict=True):
        one.made = made
