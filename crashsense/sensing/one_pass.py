"""Words of a block of draws in one compiled pass, from random words to codes (engine ``fast``).

:class:`~crashsense.sensing.one_sensor.OneSensor` works stage by stage in numpy; a kernel of
:mod:`crashsense.compiled.sensing` does the same for a few draws at a time. Here its arguments are
gathered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense import draws as random_draws
from crashsense import engine
from crashsense.arrays import FloatArray, IntArray
from crashsense.sensing import chain
from crashsense.sensing.disturbance import noise_key
from crashsense.sensing.tolerance import PHASES

if TYPE_CHECKING:
    from crashsense.sensing.one_sensor import OneSensor


#: Codes, values; samples cut before the filter, words beyond the range, words at the last code.
Words = tuple[npt.NDArray[np.int32], FloatArray, IntArray, IntArray, IntArray]

_NO_WORDS = np.empty(0, dtype=np.uint64)
_NOTHING = np.empty((0, 0))
_NO_LANES = np.empty((0, 0, 0))
#: Rows of all draws.
_ALL = slice(None)

#: Other axes that a kernel adds to a reading.
_OTHERS = 2


def serves(one: OneSensor) -> bool:
    """True if the compiled pass does all that this sensor needs."""
    plain = all(fault.stage != "front_end" for fault in one.sensor.faults)
    return engine.kernels() is not None and plain and len(one.others) <= _OTHERS


def fast_words(one: OneSensor, rows: IntArray) -> Words:
    """Words of draws in which the chain is linear; twin: ``OneSensor._fast``."""
    kernels, drawn = _kernels(), one.drawn
    setting, phase = drawn.setting[rows], one.shared.phase[rows]
    noise = _word_noise(one, rows)
    sigma = _deviation(one, rows)
    if one.one_signal:
        tables, factors = one.parts
        codes, values, after, at_code = kernels.words_of(
            *_given(
                *(tables, factors[:, rows], drawn.offset[rows], sigma, setting, phase),
                *(*noise, _grid(one)),
            )
        )
    else:
        codes, values, after, at_code = kernels.words_of_signals(
            *_given(
                *(
                    *_signals_to_read(one, rows),
                    rows,
                    one.ramp_table,
                    drawn.drift[rows],
                    drawn.offset[rows],
                ),
                *(sigma, setting, phase, _chain(one, skipped=one.ahead)),
                *(*noise, _grid(one)),
            )
        )
    return codes, values, np.zeros(rows.size, dtype=np.int64), after, at_code


def steady(one: OneSensor) -> bool:
    """True if every word comes, in time, and is valid."""
    sensor = one.sensor
    loses = sensor.faults or sensor.lost_frame_probability > 0 or sensor.jitter_s > 0
    return not loses and not one.held


def serves_lanes(one: OneSensor) -> bool:
    """True if the compiled pass can give all ticks of this sensor in lanes."""
    plain = one.words_a_tick == 1 and not one.sensor.offset_cancellation_hz > 0
    return serves(one) and plain and steady(one)


#: Puts draws, from a number on, into a channel of tiles.
Fill = Callable[[int, FloatArray, int], None]


def in_lanes(one: OneSensor) -> Fill:
    """Return what fills a channel of tiles; all draws are fast. Twin: ``OneSensor.run``."""
    kernels, drawn = _kernels(), one.drawn
    own: list[Any]
    if one.one_signal:
        fill = kernels.lanes_of
        factors = np.array([factor for factor, _ in one.moves]).reshape(-1, one.draws.size)
        own = [*_given(one.word_lines(), factors)]
        own += [one.ramp_line, len(PHASES), one.words]
    else:
        fill = kernels.signal_lanes_of
        rows = np.arange(one.draws.size)
        own = [*_given(*_signals_to_read(one, rows), rows), one.ramp_line, len(PHASES), one.words]
    own += _given(drawn.drift, drawn.offset, _deviation(one, _ALL), drawn.setting, one.shared.phase)
    if not one.one_signal:
        own.append(_chain(one, skipped=one.ahead))
    arguments = [*own, *_given(*_lane_noise(one), _grid(one))]

    def put(first: int, tiles: FloatArray, channel: int) -> None:
        fill(*arguments, first, one.early, one.ticks_a_word, tiles, channel)

    return put


def _lane_noise(one: OneSensor) -> tuple[Any, ...]:
    """Noise in lanes, cached by a bank, or its random source; sections and warm-up."""
    sections, warm_up = one.noise_models.sections, one.noise_models.warm_up
    if one.bank is None or not one.noisy:
        return _NO_LANES, _source(one, _ALL, "words"), sections, warm_up

    def made() -> FloatArray:
        given = (*_given(sections, one.drawn.setting), warm_up, one.words)
        found: FloatArray = _kernels().noise_in_lanes(_source(one, _ALL, "words"), *given)
        return found

    noise = one.bank.get((*noise_key(one, _ALL), "lanes"), made)
    return noise, _made_of(_NO_WORDS, _NO_WORDS), sections, warm_up


def full_in_lanes(one: OneSensor) -> Callable[[int, FloatArray, int], IntArray]:
    """As :func:`in_lanes`, on the full path; the function returns samples cut so far, by draw.

    Twin: ``OneSensor.run``.
    """
    kernels, drawn = _kernels(), one.drawn
    signals = np.concatenate([samples for _, samples in one.felt])
    factors = np.stack([factor for factor, _ in one.felt])
    arguments = [
        *_given(signals, factors, drawn.offset, drawn.drift, one.ramp()[0], _deviation(one, _ALL)),
        *(float(one.sensor.front_end), one.ahead),
        *_given(drawn.setting, one.shared.phase, _chain(one), one.words),
        *_given(_source(one, _ALL, "internal"), _grid(one)),
    ]
    cut = np.zeros(one.draws.size, dtype=np.int64)

    def fill(first: int, tiles: FloatArray, channel: int) -> IntArray:
        place = (first, one.early, one.ticks_a_word, tiles, channel, cut)
        kernels.full_lanes_of(*arguments, *place)
        return cut

    return fill


def full_words(one: OneSensor, rows: IntArray) -> Words:
    """Words of draws with noise and filter at the internal rate; twin: ``OneSensor._full``."""
    if rows.size > 1 and not one.rows_differ(rows):
        alone = full_words(one, rows[:1])  # one signal, nominal sensors
        repeated: Any = tuple(np.repeat(array, rows.size, axis=0) for array in alone)
        return repeated
    kernels, drawn = _kernels(), one.drawn
    signals, factors = _signals(one, rows, felt=one.felt)
    codes, values, after, at_code, before = kernels.words_by_full_path(
        *_given(
            *(*signals, factors, rows, drawn.drift[rows], drawn.offset[rows], one.ramp()[0]),
            *(_deviation(one, rows), float(one.sensor.front_end), one.ahead),
            *(drawn.setting[rows], one.shared.phase[rows], _chain(one), one.words),
            *(_source(one, rows, "internal"), _grid(one)),
        )
    )
    return codes, values, before, after, at_code


def _kernels() -> ModuleType:
    kernels = engine.kernels()
    assert kernels is not None  # the caller's choice
    return kernels


def _given(*arguments: Any) -> Iterator[Any]:
    """Arrays as a kernel takes them, numbers as they are."""
    return (engine.given(a) if isinstance(a, np.ndarray) else a for a in arguments)


def _grid(one: OneSensor) -> FloatArray:
    sensor = one.sensor
    return _numbers(float(sensor.step), float(sensor.code_limit), float(sensor.range))


@lru_cache(maxsize=256)
def _numbers(*numbers: float) -> FloatArray:
    """Numbers as an array that a kernel takes, made once."""
    return engine.given(np.array(numbers))


def _deviation(one: OneSensor, rows: IntArray | slice) -> FloatArray:
    """Deviation of each draw's noise ahead of the filter; the nominal draw has none."""
    sigma = np.where(one.drawn.noisy[rows], one.sigma, 0.0)
    return sigma if one.drawn.element is None else sigma * one.drawn.element.noise[rows]


def _made_of(start: Any, step: Any) -> Any:
    """Rows of random words as a kernel's source of noise."""
    return _kernels().Source(*_given(start, step, *random_draws.noise_tables()))


def _source(one: OneSensor, rows: IntArray | slice, rate: str) -> Any:
    """Random words of the noise of each draw, as a kernel takes them; none where all is silent."""
    start = step = _NO_WORDS
    if one.drawn.noisy[rows].any() and one.noisy:
        axes = (one.occurrence, one.channel, "noise", rate)
        start, step = random_draws.rows_of(one.draws[rows], kind="noise", seed=one.seed, axes=axes)
    return _made_of(start, step)


def _word_noise(one: OneSensor, rows: IntArray) -> tuple[Any, ...]:
    """Noise in the words: cached by a bank, or its random source."""
    sections, warm_up = one.noise_models.sections, one.noise_models.warm_up
    if one.noisy and one.bank is not None:
        return (
            one.disturbance.plain_noise(one, rows),
            _made_of(_NO_WORDS, _NO_WORDS),
            sections,
            warm_up,
        )
    return (_NOTHING, _source(one, rows, "words"), sections, warm_up)


def _signals(
    one: OneSensor, rows: IntArray, *, felt: Sequence[tuple[FloatArray, FloatArray]]
) -> tuple[tuple[FloatArray, FloatArray, FloatArray], FloatArray]:
    """Reading and other axes at the internal rate, and their factors by draw, shape (3, draws)."""
    factors = np.zeros((1 + _OTHERS, rows.size))
    for row, (factor, _) in zip(factors, felt, strict=False):
        row[:] = factor[rows]
    signals = [samples for _, samples in felt]
    signals += [_NOTHING] * (1 + _OTHERS - len(signals))
    return (signals[0], signals[1], signals[2]), factors


def _signals_to_read(one: OneSensor, rows: IntArray) -> tuple[Any, ...]:
    """As :func:`_signals`, in a row, and the element that has yet to read the first of them."""
    samples, element = one.unread
    own = (one.drawn.gain, np.ascontiguousarray(samples))
    signals, factors = _signals(one, rows, felt=(own, *one.felt_beside))
    return (*signals, factors, np.array(element))


def _chain(one: OneSensor, *, skipped: int = 0) -> Any:
    """Filters of every setting and places of the words, as a kernel takes them.

    *skipped*: samples of rest in front that are left out.
    """
    first = tuple(one.first_word(p) - skipped for p in range(len(PHASES)))
    return _chain_of(one.design, first, one.every)


@lru_cache(maxsize=256)
def _chain_of(design: chain.FilterDesign, first: tuple[int, ...], every: int) -> Any:
    """As :func:`_chain`; the blocks of an event share it."""
    words = np.array(first, dtype=np.int64)
    return _kernels().Chain(*_given(*chain.every_setting(design), words), every)
