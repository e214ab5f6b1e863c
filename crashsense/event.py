"""Events: one occurrence, what the control unit knows about it, and what is required."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest, unknown_name
from crashsense.resources import CAUTION
from crashsense.signal import Signal
from crashsense.values import Shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure


FAMILIES = ("frontal", "side", "rear", "rollover", "rough_road", "misuse")

RESTRAINTS = (
    "front_airbag_stage_1",
    "front_airbag_stage_2",
    "belt_pretensioner",
    "side_airbag_left",
    "side_airbag_right",
    "curtain_left",
    "curtain_right",
)

#: Restraints of which something is asked only where an algorithm has a rule for them or a plan
#: names them; what that is follows from the seven (:mod:`crashsense.further_restraints`).
FURTHER_RESTRAINTS = (
    "passenger_airbag_stage_1",
    "passenger_airbag_stage_2",
    "passenger_pretensioner",
    "knee_airbag",
    "second_pretensioner",
    "battery_cut_off",
)

ALL_RESTRAINTS = (*RESTRAINTS, *FURTHER_RESTRAINTS)

EXPECTATIONS = ("fire", "no_fire", "open")

#: Restraint -> the one that takes its place when left and right are exchanged.
MIRRORED_RESTRAINTS: Mapping[str, str] = MappingProxyType(
    {
        name: name.replace("left", "right") if "left" in name else name.replace("right", "left")
        for name in ALL_RESTRAINTS
    }
)


@dataclass(frozen=True)
class Waiver:
    """An agreed exception: a waived failure still counts and shows.

    ``why``: the reason; ``until``: the last day on which it is agreed; ``by`` and ``on``: who
    agreed to it, and when.
    """

    why: str
    until: date
    by: str = field(default="", kw_only=True)
    on: date | None = field(default=None, kw_only=True)

    def expired(self, *, on: date) -> bool:
        """True if the exception has expired by the day *on*.

        >>> waiver = Waiver("sensor of the prototype", date(2031, 3, 31))
        >>> waiver.expired(on=date(2031, 3, 31)), waiver.expired(on=date(2031, 4, 1))
        (False, True)
        """
        return on > self.until


#: Where the usual delays between the stages of an airbag come from.
ORDER_BASIS = (
    "trade practice, from memory: stages fire 0 to 10 ms apart in hard crashes, further apart in "
    "soft ones, and some 100 ms apart only to dispose of the second charge"
)

#: What a requirement says where a restraint need not follow any other.
NOTHING = "none"

_DELAY = re.compile(r"([-+.\deE]+)(?:\s*to\s*([-+.\deE]+))?\s*(?:ms)?")


@dataclass(frozen=True)
class Order:
    """A restraint fires after another one, if it fires at all: never before it, never alone.

    Parameters
    ----------
    after : the restraint that fires first
    least_s : the shortest allowed delay between both [s]
    most_s : the longest one [s]; None: any longer one will do
    basis : where the requirement comes from

    >>> print(Order("front_airbag_stage_1", most_s=0.010, basis="agreed").words)
    0 to 10 ms after front_airbag_stage_1
    >>> Order("belt_pretensioner", least_s=0.02, most_s=0.01, basis="agreed")
    Traceback (most recent call last):
        ...
    crashsense.errors.InputError: requirement: delay: got [0.02, 0.01]; expected ...
    """

    after: str
    least_s: float = field(default=0.0, kw_only=True)
    most_s: float | None = field(default=None, kw_only=True)
    basis: str = field(kw_only=True)

    def __post_init__(self) -> None:
        faults = []
        if self.after not in ALL_RESTRAINTS:
            expected = nearest(self.after, ALL_RESTRAINTS)
            faults.append(Fault("requirement", "after", self.after, expected))
        most = math.inf if self.most_s is None else self.most_s
        if not (0.0 <= self.least_s < math.inf and self.least_s <= most):
            given = [self.least_s, self.most_s]
            expected = "a delay of 0 or more, the shortest first"
            faults.append(Fault("requirement", "delay", given, expected))
        if faults:
            raise InputError(faults)

    @property
    def words(self) -> str:
        """The order in words, without its basis."""
        least = f"{1e3 * self.least_s:g}"
        if self.most_s is not None:
            return f"{least} to {1e3 * self.most_s:g} ms after {self.after}"
        return f"{least} ms or more after {self.after}" if self.least_s else f"after {self.after}"

    @property
    def delay_ms(self) -> list[float]:
        """The delay as files state it: shortest and, if there is one, longest [ms]."""
        parts = [self.least_s] if self.most_s is None else [self.least_s, self.most_s]
        return [round(1e3 * part, 9) for part in parts]


def order_name(restraint: str, after: str) -> str:
    """Name what is scored of two restraints in order; words that both share stand once.

    >>> order_name("front_airbag_stage_2", "front_airbag_stage_1")
    'front_airbag_stage_2_after_stage_1'
    >>> order_name("curtain_left", "side_airbag_left")
    'curtain_left_after_side_airbag_left'
    """
    own, other = restraint.split("_"), after.split("_")
    shared = 0
    while shared < min(len(own), len(other)) - 2 and own[shared] == other[shared]:
        shared += 1
    return f"{restraint}_after_{'_'.join(other[shared:])}"


def stated_delay(value: object) -> tuple[float, float | None] | None:
    """Read a delay as files state it [ms]; return shortest and longest [s], None if it is none.

    A number or one in a list is the shortest delay, two are the shortest and the longest; a text
    reads ``0 to 10``.

    >>> stated_delay([0, 10]), stated_delay("10"), stated_delay("5 to 40 ms"), stated_delay("soon")
    ((0.0, 0.01), (0.01, None), (0.005, 0.04), None)
    """
    if isinstance(value, str):
        words = _DELAY.fullmatch(value.strip())
        value = None if words is None else [part for part in words.groups() if part is not None]
    parts: list[Any] = list(value) if isinstance(value, Sequence) else [value]
    try:
        times = [float(part) for part in parts if not isinstance(part, bool)]
    except (TypeError, ValueError):
        return None
    if len(times) != len(parts) or len(times) not in (1, 2) or math.isnan(sum(times)):
        return None
    if times[0] < 0.0 or math.isinf(times[0]) or times[-1] < times[0]:
        return None
    most = times[1] if len(times) == 2 and not math.isinf(times[1]) else None
    return times[0] / 1e3, None if most is None else most / 1e3


def stated_order(
    restraint: str, table: Mapping[str, object], *, file: str, where: str
) -> tuple[Order | None, list[Fault]]:
    """Read the keys ``after``, ``delay_ms`` and ``order_basis`` of a stated requirement.

    Without them, or after ``none``: no order.

    >>> stated_order("curtain_left", {"after": "curtain_left"}, file="a", where="b")[1][0].field
    'b.after'
    """
    after, delay = table.get("after"), table.get("delay_ms")
    if after in (None, "", NOTHING):
        if delay is None:
            return None, []
        expected = "a restraint in 'after', which the delay counts from"
        return None, [Fault(file, f"{where}.delay_ms", delay, expected)]
    faults = []
    others = [name for name in ALL_RESTRAINTS if name != restraint]
    if after not in others:
        known = nearest(str(after), [*others, NOTHING])
        faults.append(Fault(file, f"{where}.after", after, known))
    times = (0.0, None) if delay is None else stated_delay(delay)
    if times is None:
        expected = "the shortest delay, or shortest and longest, 0 or more: [0, 10] [ms]"
        faults.append(Fault(file, f"{where}.delay_ms", delay, expected))
    if faults or times is None:
        return None, faults
    basis = str(table.get("order_basis") or table.get("basis") or "as stated")
    return Order(str(after), least_s=times[0], most_s=times[1], basis=basis), []


def usual_order(restraint: str, expectation: str, *, family: str) -> Order | None:
    """Return the order that holds for a restraint where nothing else is stated.

    The second stage of the front airbag in a frontal crash: after the first one, and within 10 ms
    where it must fire. Where it must not fire, firing is the failure, and its order is not scored.

    >>> usual_order("front_airbag_stage_2", "fire", family="frontal").words
    '0 to 10 ms after front_airbag_stage_1'
    """
    if restraint != "front_airbag_stage_2" or family != "frontal" or expectation == "no_fire":
        return None
    most_s = 0.010 if expectation == "fire" else None
    return Order("front_airbag_stage_1", most_s=most_s, basis=ORDER_BASIS)


def orders_assumed(requirements: Mapping[str, Requirement]) -> list[str]:
    """Return one sentence for each usual order that nobody stated."""
    return [
        f"{name}: {requirement.order.words} if it fires, assumed ({requirement.order.basis})"
        for name, requirement in requirements.items()
        if requirement.order is not None and requirement.order.basis == ORDER_BASIS
    ]


@dataclass(frozen=True)
class Requirement(Shown):
    """What one restraint must do in one event.

    Parameters
    ----------
    expectation : ``"fire"``, ``"no_fire"`` or ``"open"``
    required_s : nominal required time to fire [s] from time zero; None where none applies. A
        negative value is kept. For ``open`` it is information only.
    origin_s : time of the contact from which free flight is counted [s]
    not_before_s : a deployment before this time [s] is ``early``
    free_travel_m, inflation_s : the free travel [m] and the inflation time [s] from which
        ``required_s`` was computed; None where it has another origin
    basis : where the requirement comes from
    waiver : an agreed exception, or None
    follows : the restraint whose required time this one shares in every draw; empty: it has its own
    needs_rule : what an algorithm without a rule for the restraint comes to: True: it never fires,
        which is judged; False: it does not cover the restraint, which is not judged
    order : after which other restraint it fires, and how long after; scored apart, None: any
    """

    expectation: str
    required_s: float | None = field(default=None, kw_only=True)
    origin_s: float = field(default=0.0, kw_only=True)
    not_before_s: float = field(default=0.0, kw_only=True)
    free_travel_m: float | None = field(default=None, kw_only=True)
    inflation_s: float | None = field(default=None, kw_only=True)
    basis: str = field(kw_only=True)
    waiver: Waiver | None = field(default=None, kw_only=True)
    follows: str = field(default="", kw_only=True)
    needs_rule: bool = field(default=False, kw_only=True)
    order: Order | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        faults = []
        if self.expectation not in EXPECTATIONS:
            faults.append(
                Fault(
                    "requirement",
                    "expectation",
                    self.expectation,
                    nearest(self.expectation, EXPECTATIONS),
                )
            )
        if self.expectation == "fire" and self.required_s is None:
            faults.append(Fault("requirement", "required_s", None, "a required time for 'fire'"))
        if self.required_s is not None and not np.isfinite(self.required_s):
            faults.append(Fault("requirement", "required_s", self.required_s, "a finite time in s"))
        if faults:
            raise InputError(faults)


@dataclass(frozen=True)
class Context:
    """What the control unit knows besides the signals."""

    belted: bool = True
    driver_seat_occupied: bool = True
    passenger_seat_occupied: bool = True


@dataclass(frozen=True, eq=False)
class SignalBlock(Shown):
    """The signals of some draws of one occurrence, with the required times of each draw.

    ``signals[channel].samples`` has shape (draws, samples), or (1, samples) where all draws share
    one signal. ``required_s[event name][restraint]`` has shape (draws,), NaN where no time applies.
    """

    draws: npt.NDArray[np.int64]
    signals: Mapping[str, Signal]
    required_s: Mapping[str, Mapping[str, FloatArray]]
    #: more that the model knows, by name, shape (draws,): crush [m], velocity change [m/s] ...
    facts: Mapping[str, FloatArray] = field(default_factory=dict)
    #: axis ("x", "y") -> rigid-body acceleration of the cabin, of the nominal draw alone; empty
    #: where it is not known or not kept
    cabin: Mapping[str, Signal] = field(default_factory=dict)


@runtime_checkable
class EventSource(Protocol):
    """Where an event's signals come from: a recipe (varies by draw) or a record (repeats)."""

    @property
    def occurrence(self) -> str:
        """Name of the seed axis; belted and unbelted events of one occurrence share it."""
        ...

    @property
    def varies(self) -> bool:
        """False if every draw has the same signals."""
        ...

    def nominal(self) -> SignalBlock:
        """Return draw 0."""
        ...

    def block(self, draws: Iterable[int], *, seed: int) -> SignalBlock:
        """Return the given draws; draw k depends on (seed, occurrence, k) only."""
        ...


@runtime_checkable
class SelectiveSource(EventSource, Protocol):
    """A source that need not make every signal."""

    def block_for(
        self, draws: Iterable[int], *, seed: int, channels: Collection[str]
    ) -> SignalBlock:
        """Return the given draws for whoever reads *channels* alone: others may be absent."""
        ...


@runtime_checkable
class SteppingSource(EventSource, Protocol):
    """A source whose model can march beside those of other events."""

    def block_in_steps(
        self, draws: Iterable[int], *, seed: int, channels: Collection[str] | None = None
    ) -> Generator[Any, Any, SignalBlock]:
        """Return the given draws (of these channels), in steps that wait for what is integrated.

        See :mod:`crashsense.synthesis.side_by_side`.
        """
        ...


@dataclass(frozen=True, eq=False)
class Event:
    """One occurrence as one control unit meets it.

    Parameters
    ----------
    name : unique name
    family : one of :data:`FAMILIES`
    occurrence : seed axis, shared by the belted and unbelted event of one occurrence
    context : belt state, seat occupation
    signals : channel -> :class:`Signal` (nominal, shape (samples,)); a channel without a signal is
        *absent* and reaches a rule as a failed sensor
    requirements : restraint -> :class:`Requirement`, of the seven, and of those further ones of
        which something is asked
    source : the :class:`EventSource`, or None for an event made by hand
    quiet : channels that the recipe declares quiet (only offset and noise arrive)
    title : plain words
    metadata : speed, model, parameters, basis ...; never reaches a rule
    cabin : axis ("x", "y") -> rigid-body acceleration of the cabin [m/s^2], without the ringing of
        any sensing location; for figures and lessons, never for a sensor or a rule. Empty if
        unknown (a measured record)
    """

    name: str
    family: str = field(kw_only=True)
    occurrence: str = field(kw_only=True)
    context: Context = field(kw_only=True)
    signals: Mapping[str, Signal] = field(kw_only=True)
    requirements: Mapping[str, Requirement] = field(kw_only=True)
    source: EventSource | None = field(default=None, kw_only=True)
    quiet: frozenset[str] = field(default=frozenset(), kw_only=True)
    title: str = field(default="", kw_only=True)
    metadata: Mapping[str, Any] = field(default_factory=dict, kw_only=True)
    cabin: Mapping[str, Signal] = field(default_factory=dict, kw_only=True)

    def __post_init__(self) -> None:
        faults = []
        where = f"event {self.name}"
        if self.family not in FAMILIES:
            faults.append(Fault(where, "family", self.family, nearest(self.family, FAMILIES)))
        for channel in self.signals:
            if channel not in CHANNELS:
                faults.append(Fault(where, "signals", channel, nearest(channel, CHANNELS)))
        for restraint in RESTRAINTS:
            if restraint not in self.requirements:
                faults.append(Fault(where, "requirements", None, f"a requirement for {restraint}"))
        for restraint in self.requirements:
            if restraint not in ALL_RESTRAINTS:
                faults.append(
                    Fault(where, "requirements", restraint, nearest(restraint, ALL_RESTRAINTS))
                )
        for restraint, requirement in self.requirements.items():
            if requirement.order is not None and requirement.order.after == restraint:
                faults.append(Fault(where, f"{restraint}.after", restraint, "another restraint"))
        if not self.signals:
            faults.append(Fault(where, "signals", {}, "at least one channel"))
        if faults:
            raise InputError(faults)
        asked = self.requirements
        ordered = {name: asked[name] for name in ALL_RESTRAINTS if name in asked}
        object.__setattr__(self, "signals", dict(self.signals))
        object.__setattr__(self, "requirements", ordered)
        object.__setattr__(self, "quiet", frozenset(self.quiet))

    @cached_property
    def selective_source(self) -> SelectiveSource | None:
        """Its source, if that need not make every signal; kept, as a protocol is slow to ask."""
        return self.source if isinstance(self.source, SelectiveSource) else None

    @property
    def orders(self) -> Mapping[str, tuple[str, Order]]:
        """What is scored of restraints in order: its name -> the restraint, and its order."""
        return {
            order_name(restraint, requirement.order.after): (restraint, requirement.order)
            for restraint, requirement in self.requirements.items()
            if requirement.order is not None
        }

    def __repr__(self) -> str:
        wanted = [
            f"{name} by {1e3 * r.required_s:.1f} ms"
            for name, r in self.requirements.items()
            if r.expectation == "fire" and r.required_s is not None
        ]
        first = next(iter(self.signals.values()))
        return (
            f"Event({self.name!r}, {self.family}, {'belted' if self.context.belted else 'unbelted'}"
            f", {len(self.signals)} channels, {1e3 * first.start_s:g} to {1e3 * first.end_s:g} ms"
            f"\n  fire: {', '.join(wanted) or 'nothing'})"
        )

    def _repr_html_(self) -> str:
        from html import escape

        rows = "".join(
            f"<tr><td>{name}</td><td>{r.expectation.replace('_', ' ')}</td><td>"
            f"{'' if r.required_s is None else f'{1e3 * r.required_s:.1f} ms'}</td></tr>"
            for name, r in self.requirements.items()
        )
        return (
            f"<p><b>{escape(self.name)}</b> ({self.family}): {escape(self.title)}</p><table>"
            f"<caption>Requirements. {escape(CAUTION)}</caption><thead><tr><th>restraint</th>"
            f"<th>must</th><th>required time</th></tr></thead><tbody>{rows}</tbody></table>"
        )

    def plot(
        self, channels: Iterable[str] | None = None, *, draws: int = 0, seed: int = 1
    ) -> Figure:
        """Return a figure of the signals over time, in the units of files.

        *channels*: names to draw, in that order; default: all channels of the event.
        *draws*: random draws (of *seed*) whose range is drawn behind the nominal lines; a record
        repeats, and has none.

        Raises
        ------
        UnknownNameError : a channel that this event does not carry
        """
        from crashsense.plotting import signal_panels

        given = [channels] if isinstance(channels, str) else channels
        names = list(self.signals) if given is None else list(given)
        for name in names:
            if name not in self.signals:
                raise unknown_name("channel", name, self.signals, file=f"event {self.name}")
        varied = draws > 0 and self.source is not None and self.source.varies
        signals = self.vary(draws + 1, seed=seed) if varied else self.signals
        return signal_panels(
            {name: signals[name] for name in names}, title=f"{self.name}: {self.title}"
        )

    def vary(self, n: int, *, seed: int) -> Mapping[str, Signal]:
        """Return draws 0..n-1, channel -> :class:`Signal` of (n, samples); draw 0 is nominal."""
        if n < 1:
            raise InputError([Fault(f"event {self.name}", "n", n, "1 or more variants")])
        if self.source is None:
            return {
                name: signal.replaced(
                    np.repeat(np.atleast_2d(signal.samples), n, axis=0), note="repeated"
                )
                for name, signal in self.signals.items()
            }
        return {
            name: signal
            if signal.samples.shape[0] == n
            else signal.replaced(np.repeat(signal.samples, n, axis=0), note="repeated")
            for name, signal in self.source.block(range(n), seed=seed).signals.items()
        }


def expired_waivers(events: Iterable[Event], *, on: date) -> tuple[str, ...]:
    """Return ``event: sentence`` for each waiver that has expired by the day *on*.

    The rows stay marked as waived, so that a plan gives the same table whatever the date.
    """
    return tuple(
        f"{event.name}: waiver of {restraint} expired on {requirement.waiver.until}"
        for event in events
        for restraint, requirement in event.requirements.items()
        if requirement.waiver is not None and requirement.waiver.expired(on=on)
    )
