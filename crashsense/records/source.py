"""The source of a record's event: every draw repeats the measured signals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from crashsense.event import Requirement, SignalBlock
from crashsense.signal import Signal

#: Rate at which impact events are kept [Hz]; a record at another rate is resampled.
EVENT_RATE_HZ = 10000.0


@dataclass(frozen=True, eq=False)
class RecordSource:
    """The source of a record's event: every draw repeats the measured signals."""

    occurrence: str
    event_name: str
    signals: Mapping[str, Signal]
    required_s: Mapping[str, float]
    facts: Mapping[str, float] = field(default_factory=dict)
    varies: bool = False

    @classmethod
    def of(
        cls,
        name: str,
        *,
        signals: Mapping[str, Signal],
        requirements: Mapping[str, Requirement],
        facts: Mapping[str, float],
    ) -> RecordSource:
        """Return the source of the event called *name*, which is its own occurrence."""
        required_s = {
            restraint: np.nan if r.required_s is None else r.required_s
            for restraint, r in requirements.items()
        }
        return cls(name, event_name=name, signals=signals, required_s=required_s, facts=facts)

    def nominal(self) -> SignalBlock:
        """Return draw 0."""
        draw = 0  # no seed is drawn by
        return self.block([draw], seed=draw)

    def block(self, draws: Iterable[int], *, seed: int) -> SignalBlock:
        """Return the given draws: signals of one row, shared by all of them."""
        numbers = np.asarray(list(draws), dtype=np.int64)
        return SignalBlock(
            draws=numbers,
            signals={
                name: signal.replaced(np.atleast_2d(signal.samples), note="one row for all draws")
                for name, signal in self.signals.items()
            },
            required_s={
                self.event_name: {
                    name: np.full(numbers.size, value) for name, value in self.required_s.items()
                }
            },
            facts={name: np.full(numbers.size, value) for name, value in self.facts.items()},
        )
