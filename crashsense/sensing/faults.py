"""Faults: small objects that act on the chain of one sensor.

A fault acts at one stage: on the true motion at the sensor (``"input"``), on the electrical reading
before the saturation (``"front_end"``) or on the codes sent (``"word"``). Times count from time
zero [s].
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import pi
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from crashsense import draws as random_draws
from crashsense.arrays import BoolArray, FloatArray, IntArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.sensing.sensor import (
    HEAD_ROOM,
    LARGEST_RANGE,
    LARGEST_RESONANCE_HZ,
    number_faults,
)
from crashsense.signal import cumulative_trapezoid

CodeArray = npt.NDArray[np.int32]


#: Largest code of the longest word, 24 bits.
LARGEST_CODE = 2**23


def _after(from_s: float) -> str:
    return f"later than the beginning, {1e3 * from_s:g} ms"


@dataclass(frozen=True, eq=False)
class Scene:
    """Data that a fault may read.

    ``draws``: numbers of the draws, shape (draws,); ``seed``, ``occurrence``, ``channel``: axes of
    its random numbers; ``rate_hz``: internal rate [Hz]; ``times_s``: shape (samples,) at the
    internal rate, or (draws, samples) for codes [s]; ``central_x``: true longitudinal acceleration
    of the vehicle [m/s^2] at the internal rate, or None; ``internal_times_s``: its times [s], shape
    (samples,); ``failed_code``: what the sensor's channel reads when no code arrives; ``truth``:
    channel -> true signal at the internal rate, shape (1 or all draws, samples), for faults of the
    input.
    """

    draws: IntArray
    seed: int
    occurrence: str
    channel: str
    rate_hz: float
    times_s: FloatArray
    central_x: FloatArray | None
    internal_times_s: FloatArray
    failed_code: int
    truth: Mapping[str, FloatArray]


#: Begins before anything else: the fault is there from the first sample.
ALWAYS_S = -1e9

#: Latest and earliest time at which a fault begins or ends [s]; :data:`ALWAYS_S` is another one.
LATEST_S = 1000.0

_TIME = (LATEST_S, f"within +/-{LATEST_S:g} s")
#: A fault belongs to a sensor of any kind: as large as saturation may be in one of them.
_LEVEL = (
    HEAD_ROOM * max(most for most, _ in LARGEST_RANGE.values()),
    f"within {HEAD_ROOM:.0f} times the largest full scale of any sensor",
)

#: Parameter -> largest size, and what a message expects.
_LARGEST: Mapping[str, tuple[float, str]] = {
    "from_s": _TIME,
    "until_s": _TIME,
    "step": _LEVEL,
    "level": _LEVEL,
    "factor": (1000.0, "a factor within +/-1000"),
    "resonance_hz": (LARGEST_RESONANCE_HZ, "a resonance of at most 100 MHz"),
    # Welded steel rings with less.
    "quality": (1000.0, "a quality factor of at most 1000"),
    "crush_m": (10.0, "a crush of at most 10 m"),
    "closing_speed_m_s": (200.0, "a speed of at most 200 m/s (720 km/h)"),
}

#: Parameters that are whole numbers, and those that are texts.
WHOLE_PARAMETERS, TEXT_PARAMETERS = ("code", "words"), ("partner",)


@dataclass(frozen=True, kw_only=True)
class SensorFault:
    """Base of all faults; a subclass overrides the method of its stage."""

    kind: ClassVar[str] = ""
    stage: ClassVar[str] = "word"

    def __post_init__(self) -> None:
        found: list[Fault] = []
        for item in fields(self):
            value = getattr(self, item.name)
            if value is not None and item.name not in TEXT_PARAMETERS:
                where, whole = f"fault {self.kind}", item.name in WHOLE_PARAMETERS
                wrong = number_faults(where, item.name, value, whole=whole)
                most, expected = _LARGEST.get(item.name, (np.inf, ""))
                if not wrong and value != ALWAYS_S and abs(value) > most:
                    wrong = [Fault(where, item.name, value, expected)]
                found += wrong
        found = found or self._impossible()
        if found:
            raise InputError(found)

    def _impossible(self) -> list[Fault]:
        return []

    def _need(self, name: str, good: bool, expected: str) -> list[Fault]:
        return [] if good else [Fault(f"fault {self.kind}", name, getattr(self, name), expected)]

    def at_input(self, samples: FloatArray, scene: Scene) -> FloatArray:
        """Change the true motion at the sensor, shape (draws or 1, samples)."""
        return samples

    def at_front_end(self, samples: FloatArray, scene: Scene) -> FloatArray:
        """Change the reading before saturation, shape (draws, samples)."""
        return samples

    def at_word(
        self, codes: CodeArray, arrived: BoolArray, scene: Scene
    ) -> tuple[CodeArray, BoolArray]:
        """Change codes and which of them arrive, shape (draws, samples)."""
        return codes, arrived


@dataclass(frozen=True, kw_only=True)
class StuckValue(SensorFault):
    """The code stays at *code* from *from_s* on; None: at the last code before that."""

    kind: ClassVar[str] = "stuck_value"
    from_s: float = ALWAYS_S
    code: int | None = None

    def _impossible(self) -> list[Fault]:
        good = self.code is None or abs(self.code) <= LARGEST_CODE
        return self._need("code", good, f"a code within +/-{LARGEST_CODE}, 24 bits")

    def at_word(
        self, codes: CodeArray, arrived: BoolArray, scene: Scene
    ) -> tuple[CodeArray, BoolArray]:
        late = scene.times_s >= self.from_s
        if self.code is not None:
            stuck = np.full((codes.shape[0], 1), self.code, dtype=np.int32)
        else:
            first = np.where(late.any(axis=-1), np.argmax(late, axis=-1), codes.shape[-1])
            stuck = np.take_along_axis(codes, np.maximum(first - 1, 0)[:, None], axis=-1)
        return np.where(late, stuck, codes).astype(np.int32), arrived


@dataclass(frozen=True, kw_only=True)
class OffsetStep(SensorFault):
    """The reading moves by *step* [SI unit of the sensor] at *from_s*."""

    kind: ClassVar[str] = "offset_step"
    stage: ClassVar[str] = "front_end"
    step: float
    from_s: float = 0.0

    def at_front_end(self, samples: FloatArray, scene: Scene) -> FloatArray:
        return samples + self.step * (scene.times_s >= self.from_s)


@dataclass(frozen=True, kw_only=True)
class BrokenWire(SensorFault):
    """No data arrives from *from_s* on: the channel is flagged as failed."""

    kind: ClassVar[str] = "broken_wire"
    from_s: float = 0.0

    def at_word(
        self, codes: CodeArray, arrived: BoolArray, scene: Scene
    ) -> tuple[CodeArray, BoolArray]:
        late = scene.times_s >= self.from_s
        return np.where(late, np.int32(scene.failed_code), codes).astype(np.int32), arrived


@dataclass(frozen=True, kw_only=True)
class SwappedPolarity(SensorFault):
    """The sensor is mounted or wired the wrong way round, from *from_s* on."""

    kind: ClassVar[str] = "swapped_polarity"
    stage: ClassVar[str] = "input"
    from_s: float = ALWAYS_S

    def at_input(self, samples: FloatArray, scene: Scene) -> FloatArray:
        return np.where(scene.times_s >= self.from_s, -samples, samples)


@dataclass(frozen=True, kw_only=True)
class SwappedChannel(SensorFault):
    """The sensor feels what another channel should feel, from *from_s* on: plugs exchanged.

    *partner*: the channel whose motion arrives. Its signal must be there, of the same unit.
    """

    kind: ClassVar[str] = "swapped_channel"
    stage: ClassVar[str] = "input"
    partner: str
    from_s: float = ALWAYS_S

    def _impossible(self) -> list[Fault]:
        return self._need("partner", self.partner in CHANNELS, nearest(str(self.partner), CHANNELS))

    def at_input(self, samples: FloatArray, scene: Scene) -> FloatArray:
        same = CHANNELS[self.partner].unit == CHANNELS[scene.channel].unit
        if self.partner not in scene.truth or not same:
            expected = f"a channel with a signal in {CHANNELS[scene.channel].unit}"
            raise InputError([Fault("fault swapped_channel", "partner", self.partner, expected)])
        return np.where(scene.times_s >= self.from_s, scene.truth[self.partner], samples)


@dataclass(frozen=True, kw_only=True)
class WrongGain(SensorFault):
    """The reading, offset included, is *factor* times what it should be, from *from_s* on."""

    kind: ClassVar[str] = "wrong_gain"
    stage: ClassVar[str] = "front_end"
    factor: float
    from_s: float = ALWAYS_S

    def at_front_end(self, samples: FloatArray, scene: Scene) -> FloatArray:
        return samples * np.where(scene.times_s >= self.from_s, self.factor, 1.0)


@dataclass(frozen=True, kw_only=True)
class LateWord(SensorFault):
    """Codes arrive *words* periods late from *from_s* on: the control unit reads older ones.

    The first *words* codes of an event, sent before the record began, are the failed code.
    """

    kind: ClassVar[str] = "late_word"
    words: int = 1
    from_s: float = ALWAYS_S

    def _impossible(self) -> list[Fault]:
        return self._need("words", 1 <= self.words <= 1000, "1 to 1000 words")

    def at_word(
        self, codes: CodeArray, arrived: BoolArray, scene: Scene
    ) -> tuple[CodeArray, BoolArray]:
        index = np.arange(codes.shape[-1]) - self.words
        older = np.where(index >= 0, codes[..., np.maximum(index, 0)], np.int32(scene.failed_code))
        came = np.where(index >= 0, arrived[..., np.maximum(index, 0)], True)
        late = scene.times_s >= self.from_s
        return (
            np.where(late, older, codes).astype(np.int32),
            np.where(late, came, arrived),
        )


@dataclass(frozen=True, kw_only=True)
class LooseMounting(SensorFault):
    """The sensor rides on a loose bracket: a second-order resonance between structure and sensor.

    ``H(s) = w0^2 / (s^2 + (w0/Q) s + w0^2)``, *resonance_hz* [Hz], *quality* [-].
    """

    kind: ClassVar[str] = "loose_mounting"
    stage: ClassVar[str] = "input"
    resonance_hz: float = 180.0
    quality: float = 8.0

    def _impossible(self) -> list[Fault]:
        return [
            *self._need("resonance_hz", self.resonance_hz > 0, "a resonance above 0 Hz"),
            *self._need("quality", self.quality > 0, "a quality factor above 0"),
        ]

    def at_input(self, samples: FloatArray, scene: Scene) -> FloatArray:
        from crashsense.scipy_filters import sosfilt

        if self.resonance_hz >= scene.rate_hz / 4:
            expected = f"a resonance below a quarter of the internal rate, {scene.rate_hz / 4:g} Hz"
            raise InputError(
                [Fault("fault loose_mounting", "resonance_hz", self.resonance_hz, expected)]
            )
        w = np.tan(pi * self.resonance_hz / scene.rate_hz)
        d = 1.0 + w / self.quality + w * w
        b = w * w / d
        section = np.array(
            [[b, 2 * b, b, 1.0, 2 * (w * w - 1) / d, (1 - w / self.quality + w * w) / d]]
        )
        first = samples[:, :1]
        return first + sosfilt(samples - first, sections=section)[0]


@dataclass(frozen=True, kw_only=True)
class NoiseBurst(SensorFault):
    """White noise of deviation *level* [SI unit] between two times, ahead of the filter."""

    kind: ClassVar[str] = "noise_burst"
    stage: ClassVar[str] = "front_end"
    level: float
    from_s: float = 0.0
    until_s: float = 0.02

    def _impossible(self) -> list[Fault]:
        return [
            *self._need("level", self.level >= 0, "0 or more"),
            *self._need("until_s", self.until_s > self.from_s, _after(self.from_s)),
        ]

    def at_front_end(self, samples: FloatArray, scene: Scene) -> FloatArray:
        axes = (scene.occurrence, scene.channel, "noise_burst")
        width = samples.shape[-1]
        noise = random_draws.noise(scene.draws, width, seed=scene.seed, axes=axes)
        if (scene.draws == 0).any():
            # The fault is asked for, so the nominal draw has it too: a burst that no seed changes.
            noise[scene.draws == 0] = random_draws.noise(
                [1], width, seed=0, axes=(*axes, "nominal")
            )
        during = (scene.times_s >= self.from_s) & (scene.times_s < self.until_s)
        return samples + self.level * noise * during


@dataclass(frozen=True, kw_only=True)
class LostFrames(SensorFault):
    """Every code between two times is lost."""

    kind: ClassVar[str] = "lost_frames"
    from_s: float = 0.0
    until_s: float = 0.005

    def _impossible(self) -> list[Fault]:
        return self._need("until_s", self.until_s > self.from_s, _after(self.from_s))

    def at_word(
        self, codes: CodeArray, arrived: BoolArray, scene: Scene
    ) -> tuple[CodeArray, BoolArray]:
        lost = (scene.times_s >= self.from_s) & (scene.times_s < self.until_s)
        return codes, arrived & ~lost


@dataclass(frozen=True, kw_only=True)
class DestroyedAtCrush(SensorFault):
    """The sensor is crushed when the front has been pushed in by *crush_m* [m].

    Crush is the travel of the cabin against the obstacle, ``v0 t + double integral of central_x``,
    with *closing_speed_m_s* as v0: exact against a fixed wall, an upper bound where the obstacle
    yields. From then on no data arrives. Needs the signal ``central_x``.
    """

    kind: ClassVar[str] = "destroyed_at_crush"
    crush_m: float
    closing_speed_m_s: float

    def _impossible(self) -> list[Fault]:
        return [
            *self._need("crush_m", self.crush_m > 0, "a crush above 0 m"),
            *self._need("closing_speed_m_s", self.closing_speed_m_s > 0, "a speed above 0"),
        ]

    def destroyed_s(self, scene: Scene) -> FloatArray:
        """Time of destruction [s], inf if never, shape (draws or 1,)."""
        if scene.central_x is None:
            expected = "the signal central_x, from which the crush is computed"
            raise InputError([Fault("fault destroyed_at_crush", "signals", None, expected)])
        step = 1.0 / scene.rate_hz
        after = scene.internal_times_s >= 0
        way = cumulative_trapezoid(
            cumulative_trapezoid(np.where(after, scene.central_x, 0.0), step_s=step), step_s=step
        ) + self.closing_speed_m_s * np.maximum(scene.internal_times_s, 0.0)
        reached = way >= self.crush_m
        first = np.argmax(reached, axis=-1)
        return np.where(reached.any(axis=-1), scene.internal_times_s[first], np.inf)

    def at_word(
        self, codes: CodeArray, arrived: BoolArray, scene: Scene
    ) -> tuple[CodeArray, BoolArray]:
        late = scene.times_s >= self.destroyed_s(scene)[:, None]
        return np.where(late, np.int32(scene.failed_code), codes).astype(np.int32), arrived


#: Kind -> class of every fault.
FAULT_KINDS: Mapping[str, type[SensorFault]] = {
    cls.kind: cls
    for cls in (
        StuckValue,
        OffsetStep,
        BrokenWire,
        SwappedPolarity,
        SwappedChannel,
        WrongGain,
        LateWord,
        LooseMounting,
        NoiseBurst,
        LostFrames,
        DestroyedAtCrush,
    )
}


def make_fault(kind: str, **values: Any) -> SensorFault:
    """Build a fault by name; unknown kinds and values are refused with the known ones.

    >>> make_fault("stuck_value", code=12)
    StuckValue(from_s=-1000000000.0, code=12)
    """
    if kind not in FAULT_KINDS:
        raise InputError([Fault("fault", "kind", kind, nearest(kind, FAULT_KINDS))])
    cls = FAULT_KINDS[kind]
    known = {item.name for item in fields(cls)}
    found = [
        Fault(f"fault {kind}", name, value, nearest(name, known))
        for name, value in values.items()
        if name not in known
    ]
    required = {item.name for item in fields(cls) if item.default is item.default_factory}
    found += [
        Fault(f"fault {kind}", name, None, "a value") for name in sorted(required - set(values))
    ]
    for name, value in values.items():
        if name in known and value is not None and name not in TEXT_PARAMETERS:
            whole = name in WHOLE_PARAMETERS
            found += number_faults(f"fault {kind}", name, value, whole=whole)
    if found:
        raise InputError(found)
    return cls(**values)
