"""An event with its pulse scaled: amplitude, time, or both at constant velocity change.

Every channel is scaled alike (acceleration, pressure above ambient, roll rate). A required time
that comes from free flight follows the scaled pulse: it moves by as much as the free flight under
``central_x`` does. A stated time is kept, and stretched with the time axis. A scaled pulse is
not a crash at another speed (springs harden, parts fail): it shows how much margin a decision has.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import Event, EventSource, Requirement, SignalBlock
from crashsense.occupant import FREE_TRAVEL_M, flight_times
from crashsense.signal import Signal, resample
from crashsense.synthesis import Recipe

#: Way of scaling -> what is multiplied by the factor.
MODES: Mapping[str, str] = {
    "amplitude": "every sample is multiplied; duration stays, velocity change follows",
    "time": "the time axis is stretched; amplitude stays, velocity change follows",
    "constant_velocity": (
        "amplitude is multiplied and time divided: velocity change stays, above 1 it comes sooner"
    ),
}

#: Factors that are accepted, and the step of those that change the time axis.
LEAST, MOST, TIME_STEP = 0.1, 10.0, 0.01


def factors(mode: str, factor: float) -> tuple[float, float]:
    """Return what amplitude and time are multiplied by.

    >>> factors("amplitude", 1.2), factors("time", 1.2), factors("constant_velocity", 1.25)
    ((1.2, 1.0), (1.0, 1.2), (1.25, 0.8))
    """
    if mode not in MODES:
        raise InputError([Fault("scaled event", "mode", mode, nearest(mode, MODES))])
    if not LEAST <= factor <= MOST:
        raise InputError([Fault("scaled event", "factor", factor, f"{LEAST:g} to {MOST:g}")])
    if mode == "amplitude":
        return factor, 1.0
    if mode == "time":
        stretch = _stretch(factor)
        return 1.0, stretch
    stretch = _stretch(1.0 / factor)
    return 1.0 / stretch, stretch


def _stretch(factor: float) -> float:
    """A factor of time, on the steps that resampling takes."""
    return round(round(factor / TIME_STEP) * TIME_STEP, 9)


def scaled_signal(signal: Signal, *, amplitude: float, stretch: float) -> Signal:
    """Return a signal multiplied by *amplitude*, its time axis stretched about time zero.

    The rate stays (band-limited resampling) and, where the quiet before time zero got shorter, it
    is continued at the first value.

    >>> step = Signal([0.0, 0.0, 1.0], rate_hz=10.0, start_s=-0.1, unit="m/s^2", axis="x",
    ...     location="central")
    >>> scaled_signal(step, amplitude=2.0, stretch=1.0).samples.tolist()
    [0.0, 0.0, 2.0]
    """
    samples = signal.samples * amplitude
    start = signal.start_s
    if stretch != 1.0:
        to_hz = signal.rate_hz * stretch
        samples = resample(samples, rate_hz=signal.rate_hz, to_hz=to_hz)
        start = signal.start_s * stretch
        lost = ceil((start - signal.start_s) * signal.rate_hz - 1e-9)
        if lost > 0:
            edge = np.repeat(samples[..., :1], lost, axis=-1)
            samples = np.concatenate([edge, samples], axis=-1)
            start -= lost / signal.rate_hz
    note = f"amplitude times {amplitude:g}, time times {stretch:g}"
    return signal.replaced(samples, note=note, start_s=start)


def scaled_event(event: Event, factor: float, *, mode: str = "amplitude") -> Event:
    """Return an event with its pulse scaled; draws of its own follow, required times as above.

    Raises
    ------
    InputError : an unknown mode, a factor outside 0.1 to 10

    >>> from crashsense import load_events
    >>> (crash,) = load_events(["wall_full_40"])
    >>> milder = scaled_event(crash, 0.8)
    >>> name = "front_airbag_stage_1"
    >>> milder.requirements[name].required_s > crash.requirements[name].required_s
    True
    """
    amplitude, stretch = factors(mode, factor)
    signals = {
        name: scaled_signal(signal, amplitude=amplitude, stretch=stretch)
        for name, signal in event.signals.items()
    }
    requirements = {}
    for restraint, requirement in event.requirements.items():
        times = None
        if requirement.required_s is not None:
            nominal = np.array([requirement.required_s])
            before, after = event.signals.get("central_x"), signals.get("central_x")
            moved = _moved(event, restraint, nominal, before, after, stretch)
            times = float(moved[0])
        requirements[restraint] = replace(
            requirement,
            required_s=times,
            origin_s=requirement.origin_s * stretch,
            not_before_s=requirement.not_before_s * stretch,
            basis=f"{requirement.basis}; pulse scaled, {mode} {factor:g}",
        )
    name = f"{event.name}_{mode}_{factor:.4g}"
    source = None
    if event.source is not None:
        source = ScaledSource(event, event.source, name, amplitude, stretch)
    return replace(
        event,
        name=name,
        signals=signals,
        requirements=requirements,
        source=source,
        title=f"{event.title}; pulse scaled, {mode} times {factor:g}",
        metadata={**event.metadata, "scaled": {"mode": mode, "factor": factor}},
    )


@dataclass(frozen=True, eq=False)
class ScaledSource:
    """The source of a scaled event: the blocks of the event's own source, scaled."""

    event: Event
    source: EventSource
    name: str
    amplitude: float
    stretch: float

    @property
    def occurrence(self) -> str:
        """The seed axis: that of the event, so that draws are the same."""
        return self.source.occurrence

    @property
    def varies(self) -> bool:
        """False if every draw has the same signals."""
        return self.source.varies

    def nominal(self) -> SignalBlock:
        """Return draw 0."""
        return self._scaled(self.source.nominal())

    def block(self, draws: Iterable[int], *, seed: int) -> SignalBlock:
        """Return the given draws."""
        return self._scaled(self.source.block(draws, seed=seed))

    def _scaled(self, block: SignalBlock) -> SignalBlock:
        signals = {
            name: scaled_signal(signal, amplitude=self.amplitude, stretch=self.stretch)
            for name, signal in block.signals.items()
        }
        before, after = block.signals.get("central_x"), signals.get("central_x")
        required = {
            restraint: _moved(self.event, restraint, times, before, after, self.stretch)
            for restraint, times in block.required_s[self.event.name].items()
        }
        return replace(block, signals=signals, required_s={self.name: required})


def _moved(
    event: Event,
    restraint: str,
    times: FloatArray,
    before: Signal | None,
    after: Signal | None,
    stretch: float,
) -> FloatArray:
    """Required times [s] under the scaled pulse, shape (draws,)."""
    travel = flight_travel(event, restraint)
    if travel is None or before is None or after is None:
        return times * stretch
    origin = event.requirements[restraint].origin_s
    flights = [
        flight_times(
            -np.atleast_2d(signal.samples),
            rate_hz=signal.rate_hz,
            start_s=signal.start_s,
            travel_m=travel,
            origin_s=from_s,
        )
        for signal, from_s in ((before, origin), (after, origin * stretch))
    ]
    moved = times + (flights[1] - flights[0])
    # A pulse too mild for free flight asks for no time before its end.
    return np.where(np.isfinite(moved) | ~np.isfinite(times), moved, after.end_s)


def flight_travel(event: Event, restraint: str) -> float | None:
    """Return the travel [m] of the free flight that a required time comes from; None: a stated one.

    Of a recipe its own timing says so; of a record the basis of the requirement.
    """
    requirement: Requirement = event.requirements[restraint]
    source = event.source
    if isinstance(source, Recipe):
        state = "belted" if event.context.belted else "unbelted"
        entries = source.requirements.get(state) or next(iter(source.requirements.values()))
        entry = entries[restraint]
        return 1e-3 * entry.travel_mm if entry.timing == "free_flight" else None
    return FREE_TRAVEL_M if "free flight" in requirement.basis else None
