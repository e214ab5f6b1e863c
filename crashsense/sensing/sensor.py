"""Sensors: the numbers of one part at one channel, and a vehicle's set of them.

Everything is SI inside (m/s^2, Pa, rad/s; s; Hz); files use g, kPa and deg/s with the unit in the
name (:mod:`crashsense.sensing.catalogue`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from math import inf, isfinite, pi
from typing import TYPE_CHECKING, Any

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest, unknown_name
from crashsense.sensing.transport import Payload, word_time_s
from crashsense.units import STANDARD_GRAVITY
from crashsense.values import Shown

if TYPE_CHECKING:
    from crashsense.sensing.element import Element
    from crashsense.sensing.faults import SensorFault

#: Kind of sensor -> the SI unit of what it measures.
KINDS: Mapping[str, str] = {"accelerometer": "m/s^2", "pressure": "Pa", "roll_rate": "rad/s"}

FILTER_KINDS = ("bessel", "butterworth", "none")

#: Size of a number of a sensor, in SI units: what lies outside is a slip, and its square overflows.
SMALLEST, LARGEST = 1e-100, 1e15

#: Kind -> largest full scale in SI units, and in words: above what is sold for blasts and shots
#: (about 200000 g, 800 MPa and 20000 deg/s, from memory).
LARGEST_RANGE: Mapping[str, tuple[float, str]] = {
    "accelerometer": (1e6 * STANDARD_GRAVITY, "1e6 g"),
    "pressure": (1e9, "1e6 kPa"),
    "roll_rate": (1e5 * pi / 180.0, "1e5 deg/s"),
}

#: Saturation and stop may lie so many times above the largest full scale, where they never act.
HEAD_ROOM = 100.0

#: Largest resonance [Hz] and quality factor [-] of an element or a package: nothing that moves as a
#: whole is stiffer for its mass, and the best resonators in vacuum stay below (from memory).
LARGEST_RESONANCE_HZ, LARGEST_QUALITY = 1e8, 1e8

#: Fastest rate at which sensors are modelled [Hz]: two decades above what a crash signal holds.
FASTEST_HZ = 1e6


def number_faults(where: str, name: str, value: object, *, whole: bool = False) -> list[Fault]:
    """Return the faults of a number: its type, or an impossible size."""
    if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
        return [Fault(where, name, value, "a whole number" if whole else "a number")]
    # Compared before anything converts it: a whole number may have any number of digits.
    if isinstance(value, float) and not isfinite(value):
        return [Fault(where, name, value, "a finite number")]
    if value != 0 and not SMALLEST <= abs(value) <= LARGEST:
        digits = f"a number of {int(0.30103 * int(value).bit_length()) + 1} digits"
        shown = value if isinstance(value, float) else digits
        return [Fault(where, name, shown, f"0, or {SMALLEST:g} to {LARGEST:g} in size")]
    return []


@dataclass(frozen=True, kw_only=True)
class Sensor(Shown):
    """One sensor part, from true motion to the word on the bus. Units: u = SI unit of its kind.

    Element and front end
      ``range`` [u] full scale of the code; ``front_end`` [u] saturation *before* the filter;
      ``stop`` [u] mechanical stop; ``resonance_hz`` [Hz] and ``quality`` [-] of the element;
      ``nonlinearity`` and ``quadratic`` [-] cubic and quadratic part of the read-out at full range;
      ``mounting_angle`` [rad] and ``cross_axis`` [-] nominal. ``element``: the element that these
      numbers come from, whose tolerances are drawn with those of the part; None: the numbers are
      independent and do not vary.
    Filter
      ``filter_kind`` ``"bessel"``, ``"butterworth"`` or ``"none"``; ``filter_order`` 2..4;
      ``corner_hz`` [Hz], -3 dB at the corner.
    Tolerances, standard deviations, normal, cut at 3 sigma
      ``sensitivity_tolerance`` [-], ``offset_tolerance`` [u], ``drift_tolerance`` [u/s] (offset
      drift from time zero), ``sensitivity_temperature`` [1/K], ``offset_temperature`` [u/K],
      ``misalignment_tolerance`` [rad], ``cross_axis_tolerance`` [-], ``corner_tolerance`` [-] and
      ``quality_tolerance`` [-] (drawn from five fixed settings).
    Noise
      ``noise_density`` [u/sqrt(Hz)], one-sided, white, ahead of the filter.
    Code and transport
      ``sample_rate_hz``, ``bits``, ``code_limit`` (largest payload code), ``failed_code``,
      ``slot_start_s`` and ``bit_time_s`` (latency = slot start + word), ``jitter_s``,
      ``lost_frame_probability``, ``on_lost`` ``"hold"`` or ``"flag"``, ``hold_limit_s`` [s] how
      long the last code replaces lost ones before the channel is flagged as failed (5 ms, ten codes
      at 2 kHz: assumed; bridging a few codes and no more is practice, from memory).
    Control unit
      ``combine`` ``"last"`` or ``"mean"`` of the codes of one tick; ``offset_cancellation_hz``
      corner of the slow high-pass, 0 for none.
    ``faults``: :class:`~crashsense.sensing.faults.SensorFault` objects; none by default.
    ``build``: drawn quantity -> standard deviations at which it is held in every draw (of
      ``filter``: the setting, 0 to 4); empty: all are drawn.
    ``basis``: field -> where its number comes from.
    """

    part: str
    kind: str = "accelerometer"
    title: str = ""
    range: float
    front_end: float = 0.0
    stop: float = inf
    resonance_hz: float = 20_000.0
    quality: float = 1.0
    nonlinearity: float = 0.0
    quadratic: float = 0.0
    mounting_angle: float = 0.0
    cross_axis: float = 0.0
    filter_kind: str = "bessel"
    filter_order: int = 3
    corner_hz: float = 400.0
    sensitivity_tolerance: float = 0.0
    offset_tolerance: float = 0.0
    drift_tolerance: float = 0.0
    sensitivity_temperature: float = 0.0
    offset_temperature: float = 0.0
    misalignment_tolerance: float = 0.0
    cross_axis_tolerance: float = 0.0
    corner_tolerance: float = 0.0
    quality_tolerance: float = 0.0
    noise_density: float = 0.0
    sample_rate_hz: float = 2000.0
    bits: int = 10
    code_limit: int = 0
    failed_code: int = 0
    slot_start_s: float = 0.0
    bit_time_s: float = 0.0
    jitter_s: float = 0.0
    lost_frame_probability: float = 0.0
    on_lost: str = "hold"
    hold_limit_s: float = 0.005
    combine: str = "last"
    offset_cancellation_hz: float = 0.0
    faults: tuple[SensorFault, ...] = ()
    element: Element | None = None
    build: Mapping[str, float] = field(default_factory=dict)
    basis: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        found = _sensor_faults(self)
        if found:
            raise InputError(found)
        if self.front_end == 0.0:
            object.__setattr__(self, "front_end", self.range)
        payload = Payload.of(self.bits)
        if self.code_limit == 0:
            object.__setattr__(self, "code_limit", payload.limit)
        if self.failed_code == 0:
            object.__setattr__(self, "failed_code", payload.defect)
        object.__setattr__(self, "faults", tuple(self.faults))
        object.__setattr__(self, "basis", dict(self.basis))

    @property
    def unit(self) -> str:
        """SI unit of what the sensor measures."""
        return KINDS[self.kind]

    @property
    def step(self) -> float:
        """Value of one code [u]: full scale over the largest payload code."""
        return self.range / self.code_limit

    @property
    def latency_s(self) -> float:
        """From the sampling instant to the end of the word on the bus [s]."""
        return self.slot_start_s + word_time_s(self.bits, bit_time_s=self.bit_time_s)

    def changed(self, **changes: Any) -> Sensor:
        """Return the part with other values.

        A new ``range`` moves the front end and the stop with it (same head-room) and new ``bits``
        bring the payload of that word length, unless they are given too.
        """
        if "range" in changes:
            factor = changes["range"] / self.range
            changes.setdefault("front_end", self.front_end * factor)
            changes.setdefault("stop", self.stop * factor)
        if "bits" in changes:
            changes.setdefault("code_limit", 0)
            changes.setdefault("failed_code", 0)
        return replace(self, **changes)


#: Field -> lowest and highest number, and what a message expects; the ends are taken.
_WITHIN: Mapping[str, tuple[float, float, str]] = {
    "resonance_hz": (1.0, LARGEST_RESONANCE_HZ, "a resonance of 1 Hz or more, at most 100 MHz"),
    "nonlinearity": (-0.2, 0.2, "a cubic part within +/-0.2"),
    "quadratic": (-0.2, 0.2, "a quadratic part within +/-0.2"),
    "mounting_angle": (-2 * pi, 2 * pi, "an angle within one turn"),
    "cross_axis": (-0.5, 0.5, "a cross-axis sensitivity within +/-0.5"),
    "corner_hz": (1.0, FASTEST_HZ / 2, "a corner of 1 Hz or more, at most 500 kHz"),
    "sample_rate_hz": (1.0, FASTEST_HZ, "a sampling rate of 1 Hz or more, at most 1 MHz"),
    "bits": (4, 24, "a word length of 4 to 24 bits"),
    "slot_start_s": (0.0, 0.1, "a time of 0 to 100000 us"),
    "bit_time_s": (0.0, 1e-3, "a time of 0 to 1000 us"),
    "jitter_s": (0.0, 0.1, "a time of 0 to 100000 us"),
    "hold_limit_s": (0.0, 10.0, "a time of 0 to 10 s"),
    "corner_tolerance": (0.0, 0.3, "a standard deviation of 0 to 0.3"),
    "quality_tolerance": (0.0, 0.3, "a standard deviation of 0 to 0.3"),
    # 60 K away from 25 degC, 0.01/K alone moves the sensitivity by 60 %.
    "sensitivity_temperature": (0.0, 0.01, "0 to 0.01"),
    # Sine and cosine of 3 sigma are those of a series.
    "misalignment_tolerance": (0.0, 0.2, "0 to 0.2 rad (11.4 deg)"),
    "cross_axis_tolerance": (0.0, 0.5, "0 to 0.5"),
    # A high-pass so fast takes a crash away with the offset.
    "offset_cancellation_hz": (0.0, 100.0, "0 to 100 Hz"),
}

#: What adds to a reading: no more than the full scale, or nothing is left to be read.
_ADDS = {
    "offset_tolerance": "",
    "drift_tolerance": " in each second",
    "offset_temperature": " for each K",
    "noise_density": " in a band of 1 Hz",
}


def _reading_faults(sensor: Sensor, need: Callable[[str, bool, str], None]) -> None:
    """Check full scale, saturation and stop by *need*, and what adds to a reading."""
    most, said = LARGEST_RANGE.get(sensor.kind, LARGEST_RANGE["accelerometer"])
    far, far_said = HEAD_ROOM * most, f"{HEAD_ROOM:.0f} times the largest full scale, {said}"
    possible = 0 < sensor.range <= most
    need("range", possible, f"a full scale above 0, at most {said}")
    expected = f"a saturation level above 0, or 0 for the range; at most {far_said}"
    need("front_end", 0 <= sensor.front_end <= far, expected)
    if possible and sensor.stop != inf:
        expected = f"a mechanical stop at or beyond the range, at most {far_said}"
        need("stop", sensor.range <= sensor.stop <= far, expected)
    for name, time in _ADDS.items():
        good = 0 <= getattr(sensor, name) <= abs(sensor.range)
        need(name, good, f"0 or more, at most the full scale{time}")


def _sensor_faults(sensor: Sensor) -> list[Fault]:
    """Every impossible value of a sensor, with the reason."""
    where = f"sensor {sensor.part}"
    found: list[Fault] = []

    def need(name: str, good: bool, expected: str) -> None:
        if not good:
            found.append(Fault(where, name, getattr(sensor, name), expected))

    for item in fields(sensor):
        value = getattr(sensor, item.name)
        if item.type in ("float", "int") and not (item.name == "stop" and value == inf):
            found += number_faults(where, item.name, value, whole=item.type == "int")
    if found:
        return found
    need("kind", sensor.kind in KINDS, nearest(str(sensor.kind), KINDS))
    _reading_faults(sensor, need)
    for name, (low, high, expected) in _WITHIN.items():
        need(name, low <= getattr(sensor, name) <= high, expected)
    expected = f"a quality factor above 0, at most {LARGEST_QUALITY:.0f}"
    need("quality", 0 < sensor.quality <= LARGEST_QUALITY, expected)
    need(
        "filter_kind", sensor.filter_kind in FILTER_KINDS, nearest(sensor.filter_kind, FILTER_KINDS)
    )
    need("filter_order", sensor.filter_order in (2, 3, 4), "2, 3 or 4 poles")
    need(
        "sensitivity_tolerance",
        0 <= sensor.sensitivity_tolerance < 1 / 3,
        "0 to below 1/3 (3 sigma < 100 %)",
    )
    need("lost_frame_probability", 0 <= sensor.lost_frame_probability < 1, "a probability below 1")
    need("on_lost", sensor.on_lost in ("hold", "flag"), "'hold' or 'flag'")
    need("combine", sensor.combine in ("last", "mean"), "'last' or 'mean'")
    if 4 <= sensor.bits <= 24:
        top = 2 ** (sensor.bits - 1)
        need("code_limit", 0 <= sensor.code_limit < top, f"a payload limit inside +/-{top - 1}")
        limit = sensor.code_limit or Payload.of(sensor.bits).limit
        need(
            "failed_code",
            sensor.failed_code == 0 or limit < abs(sensor.failed_code) <= top,
            f"a status code outside the payload range +/-{limit} and inside {sensor.bits} bits",
        )
    if sensor.filter_kind != "none":
        need(
            "corner_hz",
            sensor.corner_hz <= sensor.sample_rate_hz / 2,
            f"a corner at or below half the sampling rate ({sensor.sample_rate_hz / 2:g} Hz):"
            " above it the samples alias",
        )
    return found


@dataclass(frozen=True, kw_only=True)
class ControlUnit(Shown):
    """When the control unit reads the codes and when it has processed them.

    ``tick_rate_hz`` [Hz]; ``read_s`` [s] from the synchronising instant (= sampling instant) to the
    reading of all codes; ``task_s`` [s] from there to the end of the decision task;
    ``internal_rate_hz`` [Hz] rate at which the sensors are modelled; ``temperature_c`` lowest and
    highest temperature [degC] of a draw (nominal 25); ``fixed_c`` temperature of every draw [degC],
    None: drawn.
    """

    tick_rate_hz: float = 2000.0
    read_s: float = 450e-6
    task_s: float = 500e-6
    internal_rate_hz: float = 10_000.0
    temperature_c: tuple[float, float] = (-40.0, 85.0)
    fixed_c: float | None = None

    def __post_init__(self) -> None:
        where = "control_unit"
        found: list[Fault] = []
        for name in ("tick_rate_hz", "internal_rate_hz", "read_s", "task_s"):
            found += number_faults(where, name, getattr(self, name))
        for name, most in (("tick_rate_hz", 1e5), ("internal_rate_hz", FASTEST_HZ)):
            value = getattr(self, name)
            if not 1.0 <= value <= most:
                found.append(Fault(where, name, value, f"a rate of 1 to {most:.0f} Hz"))
        for name in ("read_s", "task_s"):
            value = getattr(self, name)
            if not 0 <= value < 1:
                found.append(
                    Fault(where, name, value, "a time of 0 to 1 s (milliseconds in files)")
                )
        low, high = self.temperature_c
        if not -200.0 <= low <= 25.0 <= high <= 500.0:
            expected = "lowest <= 25 <= highest, within -200 to 500 degC"
            found.append(Fault(where, "temperature_c", [low, high], expected))
        if self.fixed_c is not None and not -200.0 <= self.fixed_c <= 500.0:
            found.append(Fault(where, "fixed_c", self.fixed_c, "-200 to 500 degC"))
        if not found and not _whole(self.internal_rate_hz / self.tick_rate_hz):
            expected = f"a whole multiple of the tick rate {self.tick_rate_hz:g} Hz"
            found.append(Fault(where, "internal_rate_hz", self.internal_rate_hz, expected))
        if found:
            raise InputError(found)


def _whole(ratio: float) -> bool:
    return (
        isfinite(ratio) and ratio >= 1 - 1e-9 and abs(ratio - round(ratio)) < 1e-9 * max(1.0, ratio)
    )


@dataclass(frozen=True, eq=False)
class SensorSet(Shown):
    """The sensors of a vehicle by channel, and the control unit that reads them."""

    name: str
    sensors: Mapping[str, Sensor] = field(kw_only=True)
    control_unit: ControlUnit = field(default_factory=ControlUnit, kw_only=True)
    title: str = field(default="", kw_only=True)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sensors", dict(self.sensors))
        found = []
        unit = self.control_unit
        for channel, sensor in self.sensors.items():
            where = f"sensor set {self.name}: {channel}"
            if channel not in CHANNELS:
                found.append(Fault(where, "channel", channel, nearest(channel, CHANNELS)))
                continue
            if CHANNELS[channel].unit != sensor.unit:
                expected = f"a sensor for {CHANNELS[channel].unit}"
                found.append(Fault(where, "kind", sensor.kind, expected))
            rate = sensor.sample_rate_hz
            if not _whole(unit.internal_rate_hz / rate):
                expected = f"a rate that divides the internal {unit.internal_rate_hz:g} Hz"
                found.append(Fault(where, "sample_rate_hz", rate, expected))
            if not (_whole(unit.tick_rate_hz / rate) or _whole(rate / unit.tick_rate_hz)):
                expected = f"a multiple or whole fraction of the {unit.tick_rate_hz:g} Hz tick"
                found.append(Fault(where, "sample_rate_hz", rate, expected))
            top = 0.5 * unit.internal_rate_hz / (1 + 1.5 * sensor.corner_tolerance)
            if sensor.filter_kind != "none" and sensor.corner_hz >= top:
                expected = f"a corner (with tolerance) below Nyquist, {top:g} Hz"
                found.append(Fault(where, "corner_hz", sensor.corner_hz, expected))
        if not self.sensors:
            found.append(Fault(f"sensor set {self.name}", "sensors", {}, "at least one sensor"))
        if found:
            raise InputError(found)

    def sensor(self, channel: str) -> Sensor:
        """Return the sensor at *channel*."""
        if channel not in self.sensors:
            raise unknown_name("channel", channel, self.sensors, file=f"sensor set {self.name}")
        return self.sensors[channel]

    @property
    def files(self) -> tuple[str, ...]:
        """Element files that the parts of the set come from."""
        found = {s.element.file for s in self.sensors.values() if s.element is not None}
        return tuple(sorted(found - {""}))

    def changed(self, *channels: str, name: str | None = None, **changes: Any) -> SensorSet:
        """Return the set with some values of the sensors at *channels* changed."""
        sensors = dict(self.sensors)
        for channel in channels:
            sensors[channel] = self.sensor(channel).changed(**changes)
        return replace(self, name=name or self.name, sensors=sensors)

    def held_ticks(self, channel: str) -> int:
        """Ticks by which a code comes too late for the reading of its own tick."""
        late = self.sensor(channel).latency_s - self.control_unit.read_s
        ticks = late * self.control_unit.tick_rate_hz
        return max(0, int(-(-(ticks - 1e-9) // 1)))

    def delay_s(self, channel: str) -> float:
        """Total delay [s] from true motion to the end of the task, at low frequency.

        Element (1 / (Q w0), only where it is stepped) + filter (group delay at zero frequency) +
        whole ticks waited for a late code + reading + task + averaging in the control unit. The
        wait for the next sampling instant (0 to one sampling period) is not included. The first
        part of a steep rise arrives earlier; nothing is earlier than :meth:`transport_s`.
        """
        from crashsense.sensing.chain import element_delay_s, filter_delay_s

        sensor, unit = self.sensor(channel), self.control_unit
        words = max(1, round(sensor.sample_rate_hz / unit.tick_rate_hz))
        averaging = 0.5 * (words - 1) / sensor.sample_rate_hz if sensor.combine == "mean" else 0.0
        return (
            element_delay_s(sensor, rate_hz=unit.internal_rate_hz)
            + filter_delay_s(sensor, rate_hz=unit.internal_rate_hz)
            + averaging
            + self.transport_s(channel)
        )

    def transport_s(self, channel: str) -> float:
        """Time [s] from the sampling instant of a code to the end of the task that reads it.

        Whole ticks waited for a late code + reading + task. Filter and element are not in it: they
        spread a rise, and its beginning passes at once.
        """
        unit = self.control_unit
        return self.held_ticks(channel) / unit.tick_rate_hz + unit.read_s + unit.task_s
