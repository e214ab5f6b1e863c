"""The whole chain: true signals in, what the control unit receives out.

Two paths give the same result. The *full* path makes the noise and filters at the internal rate for
every draw, with every nonlinearity. The *fast* path uses that between saturations the chain is
linear:

    codes = gain F(signal) + cross F(other axes) + offset + drift F(time) + noise

with F = low-pass and sampling: it filters the signal once for each filter setting and draws the
noise at the rate of the codes (:mod:`crashsense.sensing.noise`). It is taken where, for that draw
and channel, no sample can reach the stop or the saturation before the filter, tolerances and
8 sigma of noise included, and no fault acts ahead of the codes (what comes after
sampling, code saturation too, is done draw by draw on both paths). The choice depends on the draw
alone, never on its neighbours in a block.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypedDict, Unpack

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import BoolArray, FloatArray, IntArray
from crashsense.draws import PAGE
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import Context
from crashsense.sensing.common import CommonSensors
from crashsense.sensing.faults import SwappedChannel
from crashsense.sensing.groups import GROUP
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.one_sensor import OneSensor
from crashsense.sensing.peaks import Peaks
from crashsense.sensing.samples import EcuSamples
from crashsense.sensing.sensor import Sensor, SensorSet
from crashsense.sensing.timebase import TimeBase, at_internal_rate
from crashsense.sensing.tolerance import (
    OTHER_AXES,
    PHASES,
    SensorDraws,
    UnitDraws,
    draw_sensors,
    draw_unit,
    known_by,
)
from crashsense.sensing.words import ChainReport
from crashsense.signal import Signal
from crashsense.values import Shown

#: Samples of one channel that are prepared at once, all draws together (8 MB).
PIECE_SAMPLES = 1_000_000

#: Ticks of one channel that are sensed at once, all draws together (2.6 MB, 512 draws of 0.3 s at
#: 2 kHz): every part costs most of a millisecond besides.
PART_TICKS = 320_000

#: Ticks of all channels of a part that has more than a group of draws (5 MB): short events with
#: few channels are sensed and judged many draws at a time.
PART_SAMPLES = 2 * PART_TICKS

PATHS = ("auto", "full", "fast")


@dataclass(frozen=True, eq=False)
class Sensed(Shown):
    """What :func:`sense` returns.

    ``samples``: what a rule sees; ``paths``: ``"fast"`` or ``"full"`` of each draw (full if any of
    its channels took the full path), shape (draws,); ``reports``: channel -> :class:`ChainReport`;
    ``draws``: the draw numbers.
    """

    samples: EcuSamples
    reports: Mapping[str, ChainReport]
    paths: npt.NDArray[np.str_]
    draws: IntArray

    @property
    def path(self) -> str:
        """``"fast"``, ``"full"`` or ``"mixed"`` for the block."""
        kinds = set(self.paths.tolist())
        return kinds.pop() if len(kinds) == 1 else "mixed"


class _How(TypedDict, total=False):
    """Optional arguments of :func:`sense` that every draw shares."""

    seed: int
    occurrence: str
    vary: bool
    path: str


class _Asked(_How, total=False):
    """All optional arguments of :func:`sense` that say what is sensed and how."""

    channels: Iterable[str] | None
    quiet: Iterable[str]
    deviates: Mapping[str, FloatArray] | None


def sense(
    signals: Mapping[str, Signal],
    sensor_set: SensorSet,
    *,
    draws: Iterable[int] = (0,),
    context: Context | None = None,
    **asked: Unpack[_Asked],
) -> Sensed:
    """Pass true signals through the sensors of a set.

    Parameters
    ----------
    signals : channel -> :class:`Signal`, samples (samples,), (1, samples) or (draws, samples) in SI
    sensor_set : the sensors and the control unit
    draws : numbers of the draws, 0 (nominal, noise-free) or more
    context : passed to the rules
    seed, occurrence : axes of the random numbers; default 1 and ``""``
    channels : which to compute; default: all of the set. A channel without sensor or signal comes
        out as a failed sensor: NaN, not valid, code of a failed sensor
    quiet : channels where only offset and noise arrive (they need no signal)
    vary : False: nominal, noise-free sensors in every draw
    path : ``"auto"`` (default), ``"full"`` or ``"fast"`` (refused where its conditions do not hold)
    deviates : channel -> standard normal numbers (draws, roles) in place of drawn ones, for
        sensitivity studies
    """
    numbers = np.asarray(draws if isinstance(draws, Sequence) else np.fromiter(draws, np.int64))
    numbers = numbers.astype(np.int64)
    path = asked.get("path", "auto")
    found = []
    if numbers.ndim != 1 or numbers.size == 0 or (numbers < 0).any():
        found.append(Fault("sense", "draws", numbers.tolist(), "draw numbers, 0 or more"))
    if path not in PATHS:
        found.append(Fault("sense", "path", path, nearest(str(path), PATHS)))
    if found:
        raise InputError(found)
    parts = sense_in_parts(signals, sensor_set, draws=numbers, size=GROUP, context=context, **asked)
    return joined(list(parts))


def sense_in_parts(
    signals: Mapping[str, Signal],
    sensor_set: SensorSet,
    *,
    draws: IntArray,
    size: int,
    context: Context | None = None,
    bank: NoiseBank | None = None,
    common: CommonSensors | None = None,
    **asked: Unpack[_Asked],
) -> Iterator[Sensed]:
    """As :func:`sense`, *size* draws at a time (fewer of a long event, or of many channels).

    Whatever all draws share is computed once; a draw's codes do not depend on the split. *bank*
    caches noise that will be needed again, *common* the sensors of this block that other sets have
    as well.
    """
    for made in prepared(signals, sensor_set, draws=draws, bank=bank, common=common, **asked):
        yield from _sensed_parts(made, size=size, context=Context() if context is None else context)


def prepared(
    signals: Mapping[str, Signal],
    sensor_set: SensorSet,
    *,
    draws: IntArray,
    channels: Iterable[str] | None = None,
    quiet: Iterable[str] = (),
    deviates: Mapping[str, FloatArray] | None = None,
    bank: NoiseBank | None = None,
    common: CommonSensors | None = None,
    **how: Unpack[_How],
) -> Iterator[Prepared]:
    """Draw the sensors of a block and bring its signals to them, as many draws as memory allows.

    Arguments as :func:`sense_in_parts`.
    """
    wanted = list(dict.fromkeys(sensor_set.sensors if channels is None else channels))
    for name, signal in signals.items():
        if signal.samples.ndim == 2 and signal.samples.shape[0] not in (1, draws.size):
            expected = f"1 row or one for each of the {draws.size} draws"
            raise InputError([Fault(f"signal {name}", "samples", signal.samples.shape, expected)])
    piece = _rows_a_piece(signals, sensor_set, draws=draws.size)
    for first in range(0, draws.size, piece):
        rows = slice(first, min(first + piece, draws.size))
        part = signals
        if draws.size > piece:
            part = {
                name: signal.rows(rows, note=f"draws {first} and on")
                for name, signal in signals.items()
            }
        yield _prepared(
            part,
            sensor_set,
            draws=draws[rows],
            channels=wanted,
            quiet=frozenset(quiet),
            deviates={} if deviates is None else {k: v[rows] for k, v in deviates.items()},
            bank=bank,
            common=common,
            **how,
        )


@dataclass(frozen=True, eq=False)
class Prepared(Shown):
    """The sensors of a block of draws, ready to run: channel -> sensor, of those that are there.

    ``base``: ticks and internal samples; ``start_s``: time at which the control unit has finished
    with sample 0 [s], shape (draws,); ``channels``: all that were asked for.
    """

    sensor_set: SensorSet
    channels: tuple[str, ...]
    draws: IntArray
    sensors: Mapping[str, OneSensor]
    base: TimeBase
    start_s: FloatArray


def _prepared(
    signals: Mapping[str, Signal],
    sensor_set: SensorSet,
    *,
    draws: IntArray,
    channels: Sequence[str],
    quiet: frozenset[str],
    deviates: Mapping[str, FloatArray],
    bank: NoiseBank | None,
    common: CommonSensors | None,
    seed: int = 1,
    occurrence: str = "",
    vary: bool = True,
    path: str = "auto",
) -> Prepared:
    unit, peaks = sensor_set.control_unit, Peaks()
    truth, base = at_internal_rate(
        signals,
        unit=unit,
        draws=draws.size,
        quiet=quiet,
        needed=signals_needed(channels, sensor_set),
        peaks=peaks,
    )
    about: dict[str, Any] = {"seed": seed, "occurrence": occurrence, "vary": vary}

    def unit_drawn() -> UnitDraws:
        return draw_unit(draws, unit=unit, **about)

    common_to = (*about.values(), unit, draws.tobytes())
    shared = (
        unit_drawn()
        if bank is None
        else bank.kept(("unit", *common_to), unit_drawn, size=lambda _: 2 * draws.nbytes)
    )

    there = [name for name in channels if name in sensor_set.sensors and name in truth]
    new = [name for name in there if common is None or not common.has(name, sensor_set, draws)]
    asked = {name: sensor_set.sensors[name] for name in new}
    felt = frozenset(truth)

    def sensors_drawn() -> tuple[Mapping[str, Sensor], dict[str, SensorDraws]]:
        """Their deviations, and the sensors: as long as these are kept no others have their ids."""
        drawn = draw_sensors(
            draws, sensors=asked, shared=shared, deviates=deviates, felt=felt, **about
        )
        return asked, drawn

    if bank is None or deviates:
        _, drawn = sensors_drawn()
    else:
        arrays = 16 * len(asked)  # those of its element among them
        _, drawn = bank.kept(
            ("sensors", known_by(asked, felt=felt), felt, *common_to),
            sensors_drawn,
            size=lambda _: arrays * draws.nbytes,
        )

    def made(channel: str) -> OneSensor:
        return OneSensor(
            channel,
            sensor=sensor_set.sensors[channel],
            sensor_set=sensor_set,
            base=base,
            truth=truth,
            peaks=peaks,
            drawn=drawn[channel],
            shared=shared,
            draws=draws,
            seed=seed,
            occurrence=occurrence,
            path=path,
            bank=bank,
        )

    sensors: dict[str, OneSensor] = {}
    for channel in there:
        if common is None:
            sensors[channel] = made(channel)
        else:
            sensors[channel] = common.get(channel, sensor_set, draws, partial(made, channel))
    offset = np.array([base.phase_samples(p) for p in range(len(PHASES))])[shared.phase]
    start_s = (base.tick + offset) / base.rate_hz + unit.read_s + unit.task_s
    return Prepared(
        sensor_set=sensor_set,
        channels=tuple(channels),
        draws=draws,
        sensors=sensors,
        base=base,
        start_s=np.asarray(start_s, dtype=np.float64),
    )


def _sensed_parts(made: Prepared, *, size: int, context: Context) -> Iterator[Sensed]:
    """Run prepared sensors, *size* draws at a time or fewer."""
    sensors, base, draws = made.sensors, made.base, made.draws
    size = min(size, max(1, PART_TICKS // base.ticks))
    size = size // PAGE * PAGE or size
    most = PART_SAMPLES // (base.ticks * max(1, len(sensors))) // PAGE * PAGE
    size = min(size, max(GROUP, most))
    # The nominal draw rides with the first part, so that the others keep to whole pages. It is a
    # part of its own where little fits at once, and for kernels, which leave it to numpy.
    lead = int(draws[0] == 0)
    alone = lead and draws.size > 1 and (size < PAGE or engine.kernels() is not None)
    starts = [0, *([1] if alone else []), *range(lead + size, draws.size, size)]
    for first, last in zip(starts, [*starts[1:], draws.size], strict=True):
        rows = slice(first, last)
        values: dict[str, FloatArray] = {}
        codes: dict[str, npt.NDArray[np.int32]] = {}
        valid: dict[str, BoolArray] = {}
        reports: dict[str, ChainReport] = {}
        all_fast = np.ones(rows.stop - rows.start, dtype=bool)
        for channel in made.channels:
            if channel in sensors:
                one = sensors[channel].run(rows)
                values[channel], codes[channel], valid[channel], reports[channel] = one
                all_fast &= reports[channel].fast
                if last == draws.size:
                    sensors[channel].release()
                continue
            shape = (rows.stop - rows.start, base.ticks)
            failed = made.sensor_set.sensors.get(channel)
            values[channel] = np.full(shape, np.nan)
            codes[channel] = np.full(shape, 500 if failed is None else failed.failed_code, np.int32)
            valid[channel] = np.zeros(shape, dtype=bool)
        samples = EcuSamples(
            channels=values,
            codes=codes,
            valid=valid,
            rate_hz=made.sensor_set.control_unit.tick_rate_hz,
            start_s=made.start_s[rows],
            context=context,
        )
        paths = np.where(all_fast, "fast", "full")
        yield Sensed(samples=samples, reports=reports, paths=paths, draws=draws[rows])


def signals_needed(wanted: Iterable[str], sensor_set: SensorSet) -> frozenset[str]:
    """Signals that the sensors at *wanted* need: their own, other axes, those of faults."""
    names = set(wanted)
    for channel in sorted(names):
        names |= set(OTHER_AXES.get(channel, ()))
        sensor = sensor_set.sensors.get(channel)
        for fault in () if sensor is None else sensor.faults:
            if fault.kind == "destroyed_at_crush":
                names.add("central_x")
            if isinstance(fault, SwappedChannel):
                names.add(fault.partner)
    return frozenset(names)


def _rows_a_piece(signals: Mapping[str, Signal], sensor_set: SensorSet, *, draws: int) -> int:
    """Draws that are prepared at once, so that long events keep within memory."""
    shared = all(np.atleast_2d(signal.samples).shape[0] == 1 for signal in signals.values())
    if shared and not any(sensor.element for sensor in sensor_set.sensors.values()):
        return draws  # a signal that all share is there once
    rate = sensor_set.control_unit.internal_rate_hz
    size = max(signal.size * rate / signal.rate_hz for signal in signals.values())
    rows = max(1, int(PIECE_SAMPLES / size))
    # Whole multiples of PAGE draws where they fit: their noise is made in one go. Otherwise pieces
    # of equal size.
    return -(-draws // -(-draws // rows)) if rows < PAGE else rows // PAGE * PAGE


def joined(pieces: Sequence[Sensed]) -> Sensed:
    """The draws of several parts, one after the other."""
    if len(pieces) == 1:
        return pieces[0]
    head = pieces[0]

    def table(name: str) -> dict[str, Any]:
        tables = [getattr(one.samples, name) for one in pieces]
        return {channel: np.concatenate([t[channel] for t in tables]) for channel in tables[0]}

    samples = replace(
        head.samples,
        channels=table("channels"),
        codes=table("codes"),
        valid=table("valid"),
        start_s=np.concatenate([one.samples.start_s for one in pieces]),
    )
    counts = (
        "at_stop",
        "clipped_before_filter",
        "clipped_after_filter",
        "clipped_at_code",
        "lost_frames",
        "fast",
    )
    reports = {}
    for channel, report in head.reports.items():
        parts = [one.reports[channel] for one in pieces]
        joined: dict[str, Any] = {
            name: np.concatenate([getattr(part, name) for part in parts]) for name in counts
        }
        reports[channel] = replace(report, **joined)
    numbers = np.concatenate([one.draws for one in pieces])
    return Sensed(samples, reports, np.concatenate([one.paths for one in pieces]), numbers)
