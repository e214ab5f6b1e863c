"""The chain of one sensor for one block of draws, on the full or the fast path."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
import numpy.typing as npt

from crashsense import draws as random_draws
from crashsense.arrays import BoolArray, FloatArray, IntArray, row_by_row
from crashsense.errors import Fault, InputError
from crashsense.sensing import chain, one_pass
from crashsense.sensing.choice_of_path import can_be_fast, largest_word
from crashsense.sensing.disturbance import Disturbance
from crashsense.sensing.faults import Scene
from crashsense.sensing.groups import in_groups, place, runs_of
from crashsense.sensing.noise import NoiseBank, NoiseModels, noise_models
from crashsense.sensing.peaks import Peaks
from crashsense.sensing.sensor import Sensor, SensorSet
from crashsense.sensing.timebase import TimeBase
from crashsense.sensing.tolerance import PHASES, SensorDraws, UnitDraws
from crashsense.sensing.transport import arrived_in_time, hold_last
from crashsense.sensing.words import ChainReport, Run, Words

#: Occurrence of sensors that meet every event: the same noise up to the end of the shorter one.
ANY_OCCURRENCE = "any occurrence"

#: Words of the time since time zero by all that they depend on: events of one length share them.
_RAMPS: dict[tuple[object, ...], FloatArray] = {}
_MOST_RAMP_BYTES = 16_000_000

#: Numbers behind a table that a kernel reads several words at a time (``compiled.vectors.WIDTH``).
ROOM_BEHIND = 8


class OneSensor:
    """The chain of one sensor for one block of draws."""

    def __init__(
        self,
        channel: str,
        *,
        sensor: Sensor,
        sensor_set: SensorSet,
        base: TimeBase,
        truth: Mapping[str, FloatArray],
        peaks: Peaks,
        drawn: SensorDraws,
        shared: UnitDraws,
        draws: IntArray,
        seed: int,
        occurrence: str,
        path: str,
        bank: NoiseBank | None,
    ) -> None:
        self.bank = bank
        self.channel, self.sensor, self.base = channel, sensor, base
        self.drawn, self.shared, self.draws = drawn, shared, draws
        self.seed, self.occurrence = seed, occurrence
        unit = sensor_set.control_unit
        self.unit = unit
        self.held = sensor_set.held_ticks(channel)
        # Words a tick (fast sensors) or ticks a word (slow ones).
        self.words_a_tick = max(1, round(sensor.sample_rate_hz / unit.tick_rate_hz))
        self.ticks_a_word = max(1, round(unit.tick_rate_hz / sensor.sample_rate_hz))
        self.every = round(base.rate_hz / sensor.sample_rate_hz)
        first_tick = base.tick // base.every
        #: ticks by which the first word lies before the first tick
        self.early = first_tick % self.ticks_a_word
        self.words = (
            base.ticks * self.words_a_tick
            if self.ticks_a_word == 1
            else (self.early + base.ticks - 1) // self.ticks_a_word + 1
        )
        lead = (
            (self.words_a_tick - 1) * self.every
            if self.ticks_a_word == 1
            else self.early * base.every
        )
        #: internal samples of rest put in front, so that noise is stationary at the first word
        self.ahead = chain.settling_samples(sensor, rate_hz=base.rate_hz) + lead
        self.design = chain.FilterDesign.of(sensor, rate_hz=base.rate_hz)
        #: index (into samples with the rest in front) of the first word at phase 0
        self.origin = self.ahead + base.tick - base.first - lead
        self.truth, self.peaks, self.path = truth, peaks, path
        self.others = {name: truth[name] for name in drawn.cross if name in truth}
        #: True if another sensor set may ask for the same draws; whether their runs are kept for it
        self.is_common = self.keeps_runs = False
        self._runs: dict[tuple[int, int], Run] = {}
        self.disturbance = Disturbance()
        #: words of signals that all draws share, kept beside the samples that they are made of
        self._tables: dict[int, tuple[FloatArray, FloatArray]] = {}

    def _scene(self, times_s: FloatArray, rows: IntArray) -> Scene:
        central = self.truth.get("central_x")
        if central is not None and central.shape[0] > 1:
            central = central[rows]
        return Scene(
            draws=self.draws[rows],
            seed=self.seed,
            occurrence=self.occurrence,
            channel=self.channel,
            rate_hz=self.base.rate_hz,
            times_s=times_s,
            central_x=central,
            internal_times_s=self.base.times_s,
            failed_code=self.sensor.failed_code,
            truth=self.truth,
        )

    @cached_property
    def read_one_by_one(self) -> bool:
        """True if each sample is read by itself, as the nominal element does short of its stop."""
        sensor = self.sensor
        if sensor.faults or self.drawn.element is not None:
            return False
        if not chain.element_is_static(sensor, rate_hz=self.base.rate_hz):
            return False
        return self.peaks.most(self.truth[self.channel]) <= sensor.stop

    @cached_property
    def _at_rest(self) -> bool:
        """True if the element reads nothing, as nothing moves it."""
        return not self.sensor.faults and self.peaks.most(self.truth[self.channel]) == 0.0

    @cached_property
    def _response(self) -> tuple[FloatArray, IntArray]:
        """Reading of the element [u], (1 or draws, samples), and samples at the stop."""
        true = self.truth[self.channel]
        every = np.arange(self.draws.size)
        for fault in self.sensor.faults:
            true = fault.at_input(true, self._scene(self.base.times_s, every))
        if self.drawn.element is not None:
            return chain.respond_as_made(
                true, sensor=self.sensor, made=self.drawn.element, rate_hz=self.base.rate_hz
            )
        if self._at_rest:
            return true, np.zeros(true.shape[0], dtype=np.int64)
        return chain.respond(true, sensor=self.sensor, rate_hz=self.base.rate_hz)

    @property
    def unread(self) -> tuple[FloatArray, tuple[float, float, float]]:
        """Samples that are the reading once an element with these numbers has read them.

        Full scale, quadratic and cubic number. A kernel that reads on its way needs no array for
        the reading.
        """
        if self.read_one_by_one:
            sensor = self.sensor
            return self.truth[self.channel], (sensor.range, sensor.quadratic, sensor.nonlinearity)
        return self.reading, (1.0, 0.0, 0.0)

    @property
    def reading(self) -> FloatArray:
        """Reading of the element [u], shape (1 or draws, samples); made when it is asked for."""
        return self._response[0]

    @cached_property
    def at_stop(self) -> IntArray:
        """Samples at the stop, of each row of the reading."""
        if self.read_one_by_one:
            return np.zeros(self.truth[self.channel].shape[0], dtype=np.int64)
        return self._response[1]

    def release(self) -> None:
        """Drop the reading and what is made of it: a long one is as large as the true signal.

        It is made again if it is asked for, so that a sensor which several sets have keeps it.
        """
        if not self.is_common:
            self._tables.clear()
            for name in ("_response", "felt", "felt_beside", "parts"):
                self.__dict__.pop(name, None)

    # --- choice of path --------------------------------------------------------------------------

    @cached_property
    def noise_models(self) -> NoiseModels:
        """Models of the noise in the words."""
        return noise_models(self.design, self.every)

    # --- the two paths ---------------------------------------------------------------------------

    @cached_property
    def fast(self) -> BoolArray:
        """True for each draw that takes the fast path."""
        if self.path == "full":
            return np.zeros(self.draws.size, dtype=bool)
        fast = can_be_fast(self)
        if self.path == "fast" and not fast.all():
            expected = (
                "'auto' or 'full': in draw"
                f" {int(self.draws[np.flatnonzero(~fast)[0]])} a sample of {self.channel}"
                " can reach a stop, a saturation or a fault"
            )
            raise InputError([Fault("sense", "path", self.path, expected)])
        return fast

    def run(self, part: slice) -> Run:
        """Values, codes and validity at the control unit for some draws, and what happened."""
        if not self.keeps_runs:
            return self.run_rows(np.arange(part.start, part.stop))
        key = part.start, part.stop
        if key not in self._runs:
            self._runs[key] = self.run_rows(np.arange(*key))
        return self._runs[key]

    def run_rows(self, rows: IntArray) -> Run:
        """As :meth:`run`, for rising numbers of draws."""
        words = Words.empty(rows.size, self.words)
        fast = self.fast[rows]
        lanes = np.zeros(rows.size, dtype=bool)
        if one_pass.serves(self):
            # The nominal draw, which comes alone, would leave all lanes but one empty.
            lanes = self.draws[rows] != 0
            for chosen, made in ((fast, one_pass.fast_words), (~fast, one_pass.full_words)):
                if (chosen & lanes).all():
                    words = Words(*made(self, rows))
                elif (chosen & lanes).any():
                    at = np.flatnonzero(chosen & lanes)
                    words.put(at, made(self, rows[at]))
        at = np.flatnonzero(fast & ~lanes)
        if at.size:
            self._fast(rows[at], at, words)
        at = np.flatnonzero(~fast & ~lanes)
        if at.size:
            analogue, words.before[at] = self._full(rows[at])
            words.quantise(analogue, at, self.sensor)
        return self._at_control_unit(words, rows)

    def _ahead(self, samples: FloatArray) -> FloatArray:
        out = np.empty((samples.shape[0], self.ahead + samples.shape[1]))
        out[:, : self.ahead] = samples[:, :1]
        out[:, self.ahead :] = samples
        return out

    def first_word(self, phase: int) -> int:
        """Internal sample of the first word, the rest in front counted."""
        return self.origin + self.base.phase_samples(phase)

    def _word_index(self, phase: int) -> slice:
        first = self.first_word(phase)
        return slice(first, first + self.every * (self.words - 1) + 1, self.every)

    @cached_property
    def one_signal(self) -> bool:
        """True where all draws share one signal."""
        return self.unread[0].shape[0] == 1 and all(o.shape[0] == 1 for o in self.others.values())

    @property
    def _words_in_table(self) -> int:
        return len(chain.CORNER_SETTINGS) * len(PHASES) * self.words

    def fill_words(self, samples: FloatArray, line: FloatArray) -> None:
        """Put words of one signal in every filter setting and phase into a line, zeros behind."""
        chain.fill_words(
            line,
            samples,
            ahead=self.ahead,
            design=self.design,
            first=tuple(self._word_index(p).start for p in range(len(PHASES))),
            every=self.every,
            words=self.words,
        )

    def table(self, samples: FloatArray) -> FloatArray:
        """Samples of one signal in every filter setting and phase, (settings, phases, words)."""
        line = np.empty(self._words_in_table)
        if samples.any():
            self.fill_words(samples, line)
        else:
            line[:] = 0.0
        return line.reshape(-1, len(PHASES), self.words)

    @cached_property
    def _row(self) -> IntArray:
        """Row of each draw in a table of all settings and phases."""
        return self.drawn.setting * len(PHASES) + self.shared.phase

    def rows_of(self, table: FloatArray, rows: IntArray | slice) -> FloatArray:
        """Words of some draws from a table of all settings and phases."""
        return np.asarray(table.reshape(-1, self.words).take(self._row[rows], axis=0))

    def _filtered(self, samples: FloatArray, rows: IntArray | slice) -> FloatArray:
        """Low-pass and sampling of deterministic samples, for each of *rows* its own setting."""
        if samples.shape[0] == 1:
            if id(samples) not in self._tables:
                self._tables[id(samples)] = samples, self.table(samples)
            return self.rows_of(self._tables[id(samples)][1], rows)
        setting, phase = self.drawn.setting[rows], self.shared.phase[rows]
        out = np.empty((setting.size, self.words))
        for s in np.unique(setting):
            mine = np.flatnonzero(setting == s)
            source = self._ahead(samples[rows][mine])
            smooth = chain.lowpass(
                source,
                sensor=self.sensor,
                rate_hz=self.base.rate_hz,
                rest=source[:, 0],
                setting=int(s),
            )
            for p in np.unique(phase[mine]):
                at = np.flatnonzero(phase[mine] == p)
                out[mine[at]] = smooth[at, self._word_index(int(p))]
        return out

    def ramp(self) -> FloatArray:
        """Time since time zero, by which drift grows, shape (1, samples)."""
        return self.base.since_zero_s[None, :]

    def _fast(self, rows: IntArray, at: IntArray, words: Words) -> None:
        """Make the words of draws in which the chain is linear, and put them at their places."""
        drawn = self.drawn
        largest = largest_word(self) if rows.size > 1 else np.inf
        others = [(drawn.cross[n], o) for n, o in self.others.items() if self.peaks.most(o) > 0.0]
        with row_by_row():
            for part, disturbance in self.disturbance.parts(self, rows):
                for group in in_groups(part.stop - part.start):
                    here = slice(part.start + group.start, part.start + group.stop)
                    own = place(rows[here])
                    out = self._filtered(self.reading, own)
                    out *= drawn.gain[own, None]
                    for share, samples in others:
                        if share[own].any():
                            out += share[own, None] * self._filtered(samples, own)
                    out += disturbance[group]
                    words.quantise(out, place(at[here]), self.sensor, largest=largest)

    @cached_property
    def parts(self) -> tuple[FloatArray, FloatArray]:
        """Contributions to the codes: tables (parts, settings, phases, words), factors by draw."""
        tables = [self.table(samples) for _, samples in self.felt]
        factors = [factor for factor, _ in self.felt]
        return np.stack([*tables, self.ramp_table]), np.stack([*factors, self.drawn.drift])

    def word_lines(self) -> FloatArray:
        """Words of each of :attr:`moves`, in every setting and phase, as :attr:`ramp_line`."""
        lines = np.empty((len(self.moves), self._words_in_table + ROOM_BEHIND))
        for line, (_, samples) in zip(lines, self.moves, strict=True):
            self.fill_words(samples, line)
        return lines

    @property
    def ramp_table(self) -> FloatArray:
        """Words of the time since time zero, (settings, phases, words)."""
        return self.ramp_line[: self._words_in_table].reshape(-1, len(PHASES), self.words)

    @cached_property
    def ramp_line(self) -> FloatArray:
        """As :attr:`ramp_table`, a number after the other, and :data:`ROOM_BEHIND` numbers more."""
        base = self.base
        span = (base.rate_hz, base.first, base.size, base.every, self.origin)
        key = (*span, self.ahead, self.design, self.every, self.words)
        found = _RAMPS.get(key)
        if found is None:
            found = np.empty(self._words_in_table + ROOM_BEHIND)
            self.fill_words(self.ramp(), found)
            found.setflags(write=False)
            if sum(kept.nbytes for kept in list(_RAMPS.values())) + found.nbytes > _MOST_RAMP_BYTES:
                _RAMPS.clear()
            _RAMPS[key] = found
        return found

    @cached_property
    def felt(self) -> tuple[tuple[FloatArray, FloatArray], ...]:
        """Factors by draw and samples of the reading, and of other axes if something happens there.

        In C order.
        """
        return ((self.drawn.gain, np.ascontiguousarray(self.reading)), *self.felt_beside)

    @property
    def moves(self) -> tuple[tuple[FloatArray, FloatArray], ...]:
        """As :attr:`felt`, of signals at which something happens."""
        return self.felt_beside if self._at_rest else self.felt

    @cached_property
    def felt_beside(self) -> tuple[tuple[FloatArray, FloatArray], ...]:
        """As :attr:`felt`, of the other axes alone."""
        return tuple(
            (self.drawn.cross[name], np.ascontiguousarray(other))
            for name, other in self.others.items()
            if self.peaks.most(other) > 0.0
        )

    @cached_property
    def noisy(self) -> bool:
        """True if any draw has noise."""
        return self.sensor.noise_density > 0 and bool(self.drawn.noisy.any())

    @cached_property
    def sigma(self) -> float:
        """Deviation of the noise ahead of the filter."""
        return chain.noise_deviation(self.sensor, rate_hz=self.base.rate_hz)

    def as_made(self, noise: FloatArray, rows: IntArray) -> FloatArray:
        """Unit noise of some draws, scaled by their elements."""
        made = self.drawn.element
        return noise if made is None else noise * made.noise[rows][:, None]

    def _full(self, rows: IntArray) -> tuple[FloatArray, IntArray]:
        if not self.rows_differ(rows):
            # One signal, nominal sensors: computed once for all.
            out = np.empty((rows.size, self.words))
            before = np.empty(rows.size, dtype=np.int64)
            out[:], before[:] = self._full_block(rows[:1])
            return out, before
        return self._full_block(rows)

    def rows_differ(self, rows: IntArray) -> bool:
        """True unless all these draws have one signal, equal sensors and no noise."""
        d = self.drawn
        same = (
            self.reading.shape[0] == 1
            and d.element is None
            and all(samples.shape[0] == 1 for samples in self.others.values())
            and not d.noisy[rows].any()
            and not any(fault.kind == "noise_burst" for fault in self.sensor.faults)
        )
        varied = (d.gain, d.offset, d.drift, d.setting, self.shared.phase, *d.cross.values())
        return not (same and all((a[rows] == a[rows[0]]).all() for a in varied))

    def _full_block(self, rows: IntArray) -> tuple[FloatArray, IntArray]:
        setting, phase = self.drawn.setting[rows], self.shared.phase[rows]
        out = np.empty((rows.size, self.words))
        before = np.empty(rows.size, dtype=np.int64)
        # In the order of the settings: many rows of noise at once, then a few through the filter.
        order = np.argsort(setting, kind="stable")
        noise = self._internal_noise(rows[order]) if self.noisy else None
        for part in runs_of(setting[order]):
            at = order[part]
            raw, before[at], rest = self._readings(rows[at], None if noise is None else noise[part])
            s = int(setting[at[0]])
            smooth = chain.apply_setting(raw, design=self.design, rest=rest, setting=s)
            for line, draw in zip(smooth, at.tolist(), strict=True):
                out[draw] = line[self._word_index(int(phase[draw]))]
        return out, before

    def _internal_noise(self, rows: IntArray) -> FloatArray:
        """Normal numbers at the internal rate, shape (draws, ahead + samples)."""
        width = self.ahead + self.reading.shape[1]
        axes = (self.occurrence, self.channel, "noise", "internal")
        noise = random_draws.noise(
            self.draws[rows],
            width,
            seed=self.seed,
            axes=axes,
        )
        return self.as_made(noise, rows)

    def _readings(
        self, rows: IntArray, noise: FloatArray | None
    ) -> tuple[FloatArray, IntArray, FloatArray]:
        """Readings ahead of the filter, cut; how many were cut; readings at rest.

        *noise* of these draws, which the readings are added to.
        """
        drawn, sensor, base = self.drawn, self.sensor, self.base

        def of(samples: FloatArray) -> FloatArray:
            return samples if samples.shape[0] == 1 else samples[rows]

        raw = drawn.gain[rows][:, None] * of(self.reading)
        for name, samples in self.others.items():
            coefficient = drawn.cross[name][rows]
            if coefficient.any() and samples.any():
                raw += coefficient[:, None] * of(samples)
        raw += drawn.offset[rows][:, None]
        if drawn.drift[rows].any():
            raw += drawn.drift[rows][:, None] * self.ramp()
        for fault in sensor.faults:
            raw = fault.at_front_end(raw, self._scene(base.times_s, rows))
        rest = np.clip(raw[:, 0], -sensor.front_end, sensor.front_end)
        if noise is not None:
            noise *= self.sigma
            noise[:, : self.ahead] += raw[:, :1]
            noise[:, self.ahead :] += raw
            raw = noise
        else:
            raw = self._ahead(raw)
        before = np.zeros(rows.size, dtype=np.int64)
        if max(raw.max(), -raw.min()) > sensor.front_end:
            before = np.count_nonzero(np.abs(raw[:, self.ahead :]) > sensor.front_end, axis=-1)
            np.clip(raw, -sensor.front_end, sensor.front_end, out=raw)
        return raw, before, rest

    # --- words and control unit ------------------------------------------------------------------

    def _at_control_unit(self, words: Words, rows: IntArray) -> Run:
        sensor, n = self.sensor, rows.size
        codes, values = words.codes, words.values
        room_s = self.unit.read_s + self.held / self.unit.tick_rate_hz - sensor.latency_s
        arrived = arrived_in_time(
            self.draws[rows],
            codes.shape[1],
            lost=sensor.lost_frame_probability,
            jitter_s=sensor.jitter_s,
            room_s=room_s,
            noisy=self.drawn.noisy[rows],
            seed=self.seed,
            axes=(self.occurrence, self.channel),
        )
        lost = np.zeros(n, dtype=np.int64)
        flagged = None
        if arrived is not None or sensor.faults:
            if arrived is None:
                arrived = np.ones(codes.shape, dtype=bool)
            scene = self._scene(self._word_times_s(rows), rows)
            for fault in sensor.faults:
                codes, arrived = fault.at_word(codes, arrived, scene)
            lost = np.count_nonzero(~arrived, axis=-1)
            if lost.any():
                if sensor.on_lost == "hold":
                    codes = hold_last(
                        codes,
                        arrived=arrived,
                        most=int(sensor.hold_limit_s * sensor.sample_rate_hz + 1e-9),
                        failed=sensor.failed_code,
                    )
                else:
                    codes = np.where(arrived, codes, np.int32(sensor.failed_code)).astype(np.int32)
            flagged = np.abs(codes) > sensor.code_limit
            values = np.multiply(codes, sensor.step, dtype=np.float64)
            values[flagged] = np.nan
        values, codes = self._at_ticks(values, codes)
        sure = flagged is None and not self.held
        good = np.ones(values.shape, dtype=bool) if sure else np.isfinite(values)
        if sensor.offset_cancellation_hz > 0:
            reading = self.reading[:, 0] if self.reading.shape[0] == 1 else self.reading[rows, 0]
            rest = self.drawn.offset[rows] + self.drawn.gain[rows] * reading
            # The estimate waits while codes are missing: the last good one replaces them,
            # before any has come the offset that was found at rest.
            last = np.maximum.accumulate(np.where(good, np.arange(values.shape[1]), -1), axis=-1)
            filled = np.take_along_axis(values, np.maximum(last, 0), axis=-1)
            filled = np.where(last >= 0, filled, np.broadcast_to(rest, (n,))[:, None])
            high = chain.cancel_offset(
                filled,
                corner_hz=sensor.offset_cancellation_hz,
                rate_hz=self.unit.tick_rate_hz,
                rest=np.broadcast_to(rest, (n,)),
            )
            values = np.where(good, high, np.nan)
        report = ChainReport(
            at_stop=np.broadcast_to(self.at_stop, self.draws.shape)[rows],
            clipped_before_filter=words.before,
            clipped_after_filter=words.after,
            clipped_at_code=words.at_code,
            lost_frames=np.asarray(lost, dtype=np.int64),
            internal_samples=self.base.size,
            words=self.words,
            fast=self.fast[rows],
        )
        return values, codes, good, report

    def _word_times_s(self, rows: IntArray) -> FloatArray:
        offset = np.array([self.base.phase_samples(p) for p in range(len(PHASES))])
        first = self.base.first - self.ahead + self.origin + offset[self.shared.phase[rows]]
        number = first[:, None] + self.every * np.arange(self.words)
        return np.asarray(number / self.base.rate_hz, dtype=np.float64)

    def _at_ticks(
        self, values: FloatArray, codes: npt.NDArray[np.int32]
    ) -> tuple[FloatArray, npt.NDArray[np.int32]]:
        ticks = self.base.ticks
        if self.words_a_tick > 1:
            last = slice(self.words_a_tick - 1, None, self.words_a_tick)
            codes = np.ascontiguousarray(codes[:, last])
            if self.sensor.combine == "mean":
                values = chain.average_words(values, words=self.words_a_tick)
            else:
                values = np.ascontiguousarray(values[:, last])
        elif self.ticks_a_word > 1:
            index = (self.early + np.arange(ticks)) // self.ticks_a_word
            values, codes = values[:, index], codes[:, index]
        if self.held:
            # The codes that the first ticks would hold were sampled before the record began.
            index = np.maximum(np.arange(ticks) - self.held, 0)
            values, codes = values[:, index], codes[:, index]
            values[:, : self.held], codes[:, : self.held] = np.nan, self.sensor.failed_code
        return values, codes
