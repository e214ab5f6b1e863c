"""The library as the control unit receives it: sensed once, asked often.

A search asks the same events again and again under other parameters. Here every event is made and
sensed once, and only the channels in question are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from crashsense.event import Event
from crashsense.rules.checked import rows
from crashsense.rules.contract import FloatArray, Rule
from crashsense.scoring import cannot_be_met
from crashsense.sensing.samples import EcuSamples
from crashsense.signal import Signal

#: Two times closer than this are the same time [s].
SAME_TIME_S = 1e-9


@dataclass(frozen=True, eq=False)
class Case:
    """One event as sensed: samples, and the required time of every restraint and draw.

    ``required_s[restraint]`` has shape (draws,), NaN where no time applies.
    ``transport_s[channel]``: from a sampling instant to the end of the task [s].
    """

    event: Event
    draws: npt.NDArray[np.int64]
    samples: EcuSamples
    required_s: Mapping[str, FloatArray]
    transport_s: Mapping[str, float] = field(default_factory=dict)

    def expectation(self, restraint: str) -> str:
        """What the restraint must do."""
        return self.event.requirements[restraint].expectation

    def taken(self, keep: Sequence[int]) -> Case:
        """Return the case with the draws at the given places only."""
        return Case(
            self.event,
            self.draws[list(keep)],
            rows(self.samples, list(keep)),
            {name: times[list(keep)] for name, times in self.required_s.items()},
            self.transport_s,
        )

    def infeasible(self, rule: Rule, restraint: str) -> npt.NDArray[np.bool_]:
        """True for each draw in which no rule on these channels can meet the required time."""
        read = [self.transport_s[n] for n in rule.active(self.samples) if n in self.transport_s]
        return cannot_be_met(
            self.required_s[restraint],
            start_s=self.samples.start_s,
            rate_hz=self.samples.rate_hz,
            origin_s=self.event.requirements[restraint].origin_s,
            chain_delay_s=min(read, default=0.0),
        )


def sense_events(
    events: Iterable[Event],
    *,
    draws: Sequence[int] = (0,),
    seed: int = 1,
    sensor_set: str = "standard",
    channels: frozenset[str] | None = None,
) -> list[Case]:
    """Make and sense events for the given draws, keeping *channels* only (None: all)."""
    from crashsense.sensing import load_sensor_set, sense

    sensors = load_sensor_set(sensor_set)
    numbers = np.asarray(list(draws), dtype=np.int64)
    transport = {channel: sensors.transport_s(channel) for channel in sensors.sensors}
    cases = []
    for event in events:
        required = {
            name: np.full(numbers.size, np.nan if r.required_s is None else r.required_s)
            for name, r in event.requirements.items()
        }
        if event.source is None:
            signals: Mapping[str, Signal] = event.signals
        else:
            made = event.source.block(numbers, seed=seed)
            signals = made.signals
            for name, times in made.required_s.get(event.name, {}).items():
                required[name] = np.asarray(times, dtype=np.float64)
        sensed = sense(
            signals,
            sensors,
            draws=numbers,
            seed=seed,
            occurrence=event.occurrence,
            context=event.context,
            channels=channels,
        )
        samples = sensed.samples
        if channels is not None:
            samples = EcuSamples(
                channels={k: v for k, v in samples.channels.items() if k in channels},
                codes={k: v for k, v in samples.codes.items() if k in channels},
                valid={k: v for k, v in samples.valid.items() if k in channels},
                rate_hz=samples.rate_hz,
                start_s=samples.start_s,
                context=samples.context,
            )
        cases.append(Case(event, numbers, samples, required, transport))
    return cases


def largest(case: Case, demand: FloatArray) -> FloatArray:
    """Return the largest demand of each draw."""
    return np.asarray(demand.max(axis=-1), dtype=np.float64)


def largest_in_time(
    case: Case, demand: FloatArray, restraint: str, *, earlier_s: float = 0.0
) -> FloatArray:
    """Return the largest demand of each draw up to its required time less *earlier_s*.

    NaN where the required time lies before the first sample: no rule can meet it.
    """
    limit = case.required_s[restraint] - earlier_s + SAME_TIME_S
    before = case.samples.times_s <= limit[:, None]
    found = np.where(before, demand, -np.inf).max(axis=-1)
    return np.where(before.any(axis=-1), found, np.nan)
