"""Single faults of a channel by name and time: ``CHANNEL:KIND[:FROM_MS]``.

Short names for the faults of a fault matrix: lost, stuck, saturated, offset, swapped, inverted,
late, wrong gain. Each is one of the faults that a sensor file may contain, with values that fit the
sensor at the channel.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import isfinite

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.sensing.faults import (
    ALWAYS_S,
    BrokenWire,
    LateWord,
    OffsetStep,
    SensorFault,
    StuckValue,
    SwappedChannel,
    SwappedPolarity,
    WrongGain,
)
from crashsense.sensing.sensor import Sensor, SensorSet

#: Offset of the fault ``offset``, as a share of the full scale, and gain of ``wrong_gain``.
OFFSET_SHARE, WRONG_FACTOR = 0.1, 0.5

#: Kind -> what happens.
CHANNEL_FAULTS: Mapping[str, str] = {
    "lost": "no data arrives; the channel is flagged as failed",
    "stuck": "the code stays at its last value",
    "saturated": "the code stays at positive full scale",
    "saturated_negative": "the code stays at negative full scale",
    "offset": f"the reading moves by {100 * OFFSET_SHARE:g} % of the full scale",
    "swapped": "the sensor feels what its partner should feel (left and right, x and y)",
    "inverted": "the sensor is wired the wrong way round",
    "late_word": "codes arrive one period late: the control unit reads the previous one",
    "wrong_gain": f"the reading is {WRONG_FACTOR:g} times what it should be",
}

#: Latest time that a fault may begin [ms].
LATEST_MS = 1e6

_PARTNERS = (("_left_", "_right_"), ("_x", "_y"))


@dataclass(frozen=True)
class ChannelFault:
    """One fault of one channel; *from_s* [s] from time zero, :data:`ALWAYS_S`: from the start.

    >>> print(ChannelFault("central_x", "lost", from_s=0.02))
    central_x:lost:20
    """

    channel: str
    kind: str
    from_s: float = ALWAYS_S

    def __str__(self) -> str:
        begins = "" if self.from_s == ALWAYS_S else f":{1e3 * self.from_s:g}"
        return f"{self.channel}:{self.kind}{begins}"


def parse_channel_fault(text: str, *, file: str = "command line") -> ChannelFault:
    """Read ``CHANNEL:KIND[:FROM_MS]``; all errors are reported at once.

    >>> parse_channel_fault("upfront_left_x:stuck:12.5")
    ChannelFault(channel='upfront_left_x', kind='stuck', from_s=0.0125)
    >>> parse_channel_fault("central_x:los")
    Traceback (most recent call last):
    crashsense.errors.InputError: command line: fault: got 'los'; expected one of inverted,
    late_word, lost, offset, saturated, saturated_negative, stuck, swapped, wrong_gain (did you mean
    'lost'?)
    """
    parts = [part.strip() for part in text.split(":")]
    if len(parts) not in (2, 3):
        expected = "CHANNEL:KIND or CHANNEL:KIND:FROM_MS, as central_x:lost:20"
        raise InputError([Fault(file, "fault", text[:80], expected)])
    channel, kind = parts[:2]
    found = []
    if channel not in CHANNELS:
        found.append(Fault(file, "fault", channel[:80], nearest(channel, CHANNELS)))
    if kind not in CHANNEL_FAULTS:
        found.append(Fault(file, "fault", kind[:80], nearest(kind, CHANNEL_FAULTS)))
    elif kind == "swapped" and channel in CHANNELS and partner_of(channel) is None:
        expected = "a channel with a partner: left and right, or x and y at one place"
        found.append(Fault(file, "fault", text[:80], expected))
    from_s = ALWAYS_S
    if len(parts) == 3:
        try:
            from_ms = float(parts[2])
        except ValueError:
            from_ms = float("nan")
        if isfinite(from_ms) and abs(from_ms) <= LATEST_MS:
            from_s = from_ms * 1e-3
        else:
            expected = f"when it begins, -{LATEST_MS:g} to {LATEST_MS:g} ms from time zero"
            found.append(Fault(file, "fault", parts[2][:80], expected))
    if found:
        raise InputError(found)
    return ChannelFault(channel, kind, from_s=from_s)


def partner_of(channel: str) -> str | None:
    """Return the channel that *channel* may be exchanged with, or None.

    >>> partner_of("side_left_y"), partner_of("central_x"), partner_of("central_z")
    ('side_right_y', 'central_y', None)
    """
    for one, other in _PARTNERS:
        for here, there in ((one, other), (other, one)):
            if here in channel:
                partner = channel.replace(here, there)
                if partner in CHANNELS and CHANNELS[partner].unit == CHANNELS[channel].unit:
                    return partner
    return None


def sensor_fault(fault: ChannelFault, sensor: Sensor) -> SensorFault:
    """Return the fault of *sensor*, the one at the fault's channel."""
    at = fault.from_s
    if fault.kind == "lost":
        return BrokenWire(from_s=at)
    if fault.kind == "stuck":
        return StuckValue(from_s=at)
    if fault.kind == "saturated":
        return StuckValue(from_s=at, code=sensor.code_limit)
    if fault.kind == "saturated_negative":
        return StuckValue(from_s=at, code=-sensor.code_limit)
    if fault.kind == "offset":
        return OffsetStep(step=OFFSET_SHARE * sensor.range, from_s=at)
    if fault.kind == "inverted":
        return SwappedPolarity(from_s=at)
    if fault.kind == "late_word":
        return LateWord(from_s=at)
    if fault.kind == "wrong_gain":
        return WrongGain(factor=WRONG_FACTOR, from_s=at)
    partner = partner_of(fault.channel)
    if fault.kind != "swapped" or partner is None:
        expected = nearest(fault.kind, CHANNEL_FAULTS)
        raise InputError([Fault("fault", fault.channel, fault.kind, expected)])
    return SwappedChannel(partner=partner, from_s=at)


def with_channel_faults(sensor_set: SensorSet, faults: Iterable[ChannelFault]) -> SensorSet:
    """Return the set with faults added; a swap exchanges both sensors where both are there.

    Raises
    ------
    InputError : channels without a sensor, all at once
    """
    sensors = dict(sensor_set.sensors)
    found = []
    for fault in faults:
        if fault.channel not in sensors:
            known = nearest(fault.channel, sensors)
            found.append(Fault(f"sensor set {sensor_set.name}", "fault", str(fault), known))
            continue
        places = [fault]
        partner = partner_of(fault.channel) if fault.kind == "swapped" else None
        if partner in sensors:
            places.append(replace(fault, channel=partner))
        for place in places:
            sensor = sensors[place.channel]
            more = (*sensor.faults, sensor_fault(place, sensor))
            sensors[place.channel] = sensor.changed(faults=more)
    if found:
        raise InputError(found)
    return replace(sensor_set, sensors=sensors)


def single_faults(
    sensor_set: SensorSet, *, channels: Iterable[str] | None = None, from_s: float = ALWAYS_S
) -> list[ChannelFault]:
    """Return every single fault of every sensor; a swap of two sensors once.

    *channels*: only these; None: all of the set.
    """
    wanted = list(sensor_set.sensors if channels is None else channels)
    faults = []
    for channel in wanted:
        for kind in CHANNEL_FAULTS:
            if kind == "swapped":
                partner = partner_of(channel)
                if partner not in sensor_set.sensors or (partner in wanted and partner < channel):
                    continue
            faults.append(ChannelFault(channel, kind, from_s=from_s))
    return faults


def channel_fault_lines() -> list[str]:
    """The short names with what they do, one a line."""
    return [f"  {kind:<20} {text}" for kind, text in CHANNEL_FAULTS.items()]
