"""What the codes of a sensor hold without any signal: offset, drift and noise (engine ``numpy``).

They depend on the draw and on the sensor, not on the event: where sensor sets or events share
draws, a bank keeps them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from crashsense import draws as random_draws
from crashsense import engine
from crashsense.arrays import FloatArray, IntArray, row_by_row
from crashsense.filters.causal import convolved, filter_noise
from crashsense.sensing.groups import in_groups, place

if TYPE_CHECKING:
    from crashsense.sensing.one_sensor import OneSensor

#: Samples of noise that are drawn at once, all draws together: 512 draws of a 0.3 s event.
NOISE_WORDS = 320_000


class Disturbance:
    """Offset, drift and noise in the codes of one sensor, made some parts of its draws ahead.

    Each call names the sensor, always the same one: an object that kept it would be part of a
    cycle, and the signals of the sensor would stay in memory until the garbage collector runs.
    """

    def __init__(self) -> None:
        self._made, self._of = np.empty((0, 0)), ("", -1)

    def parts(self, one: OneSensor, rows: IntArray) -> Iterator[tuple[slice, FloatArray]]:
        """Yield offset, drift and noise in the codes of rising draws [u], some draws at a time.

        With each part (draws, words) comes which of *rows* it is for.
        """
        return self._ahead_of_use(one, rows, "all", _kept)

    def plain_noise(self, one: OneSensor, rows: IntArray) -> FloatArray:
        """Noise in the codes of some draws, of unit deviation ahead of the filter, (draws, words).

        Before the element; the nominal draw has none.
        """
        parts = [noise for _, noise in self._ahead_of_use(one, rows, "noise", _kept_noise)]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _ahead_of_use(
        self,
        one: OneSensor,
        rows: IntArray,
        what: str,
        make: Callable[[OneSensor, IntArray], FloatArray],
    ) -> Iterator[tuple[slice, FloatArray]]:
        ahead = NOISE_WORDS // one.words // random_draws.PAGE * random_draws.PAGE
        lead = int(one.draws[0] == 0)
        if not ahead or int(rows[-1]) < lead:
            yield slice(0, rows.size), make(one, rows)
            return
        begin = 0
        while begin < rows.size:
            # The nominal draw rides with the first piece.
            number = max(int(rows[begin]) - lead, 0) // ahead
            first, last = number * ahead + lead if number else 0, (number + 1) * ahead + lead
            if (what, first) != self._of:
                # Some parts ahead: the filter has rows enough of each setting to run side by side.
                coming = np.arange(first, min(last, one.draws.size))
                self._made, self._of = make(one, coming), (what, first)
            end = int(np.searchsorted(rows, last))
            yield slice(begin, end), self._made[place(rows[begin:end] - first)]
            begin = end


def noise_key(one: OneSensor, rows: IntArray | slice) -> tuple[Hashable, ...]:
    """All that noise in the words depends on."""
    return (
        *(one.seed, one.occurrence, one.channel, one.design, one.every, one.words),
        *(one.draws[rows].tobytes(), one.drawn.setting[rows].tobytes()),
    )


def _kept_noise(one: OneSensor, rows: IntArray) -> FloatArray:
    if one.bank is None:
        return _noise(one, rows)
    key = (*noise_key(one, rows), "noise", engine.kernels() is not None)
    return one.bank.get(key, lambda: _noise(one, rows))


def _kept(one: OneSensor, rows: IntArray) -> FloatArray:
    drawn = one.drawn
    if one.bank is None:
        return _all(one, rows)
    element = b"" if drawn.element is None else drawn.element.noise[rows].tobytes()
    key = (
        *(*noise_key(one, rows), "disturbance", one.noisy, one.sigma, element),
        *(drawn.offset[rows].tobytes(), drawn.drift[rows].tobytes()),
        # where the words lie in time, by which drift grows
        *(one.base.rate_hz, one.base.every, one.base.first, one.base.size, one.origin),
        one.shared.phase[rows].tobytes(),
    )
    return one.bank.get(key, lambda: _all(one, rows))


def _all(one: OneSensor, rows: IntArray) -> FloatArray:
    drawn = one.drawn
    noisy = one.noisy and bool(drawn.noisy[rows].any())
    out = _noise(one, rows) if noisy else np.zeros((rows.size, one.words))
    drifts = bool(drawn.drift[rows].any())
    with row_by_row():
        for group in in_groups(rows.size):
            some, own = out[group], place(rows[group])
            if noisy:
                if drawn.element is not None:
                    some *= drawn.element.noise[own, None]
                some *= one.sigma
            some += drawn.offset[own, None]
            if drifts:
                drift = one.rows_of(one.ramp_table, own)
                drift *= drawn.drift[own, None]
                some += drift
    return out


def _noise(one: OneSensor, rows: IntArray) -> FloatArray:
    models, setting, kernels = one.noise_models, one.drawn.setting[rows], engine.kernels()
    if kernels is not None:
        noise = _plain_numbers(one, one.draws[rows])
        kernels.filter_by_setting(models.sections, setting, noise, np.empty((0, 0, 0)))
        return noise[:, models.warm_up :]
    # In the order of the settings, so that each is filtered where it stands.
    order = np.argsort(setting, kind="stable")
    taps, ahead, draws = models.taps, models.warm_up, one.draws[rows[order]]
    if taps is None:
        numbers = _plain_numbers(one, draws)
    else:
        # Before every row, the first one too, as many zeros as the taps reach back beyond it.
        rest = max(1, max(own.size for own in taps) - 1 - ahead)
        numbers = _plain_numbers(one, np.concatenate([draws[:1], draws]), rest=rest)
    out = np.empty((rows.size, one.words))
    begin = 0
    for s, count in zip(*np.unique(setting, return_counts=True), strict=True):
        for group in in_groups(int(count)):
            first, last = begin + group.start, begin + group.stop
            if taps is None:
                made = filter_noise(numbers[first:last], sections=models.models[s].sections)
            else:
                made = convolved(numbers[first : last + 1], taps=taps[s])
            out[order[first:last]] = made[:, ahead : ahead + one.words]
        begin += int(count)
    return out


def _plain_numbers(one: OneSensor, draws: IntArray, *, rest: int = 0) -> FloatArray:
    """Numbers that the noise of some draws is made of, (draws, warm-up + words).

    *rest*: zeros behind them at least.
    """
    used = one.noise_models.warm_up + one.words
    axes = (one.occurrence, one.channel, "noise", "words")
    if not rest:
        return random_draws.noise(draws, used, seed=one.seed, axes=axes)
    width = -(-(used + rest) // 4) * 4  # four numbers are made at once, and none is then cut off
    numbers = random_draws.noise(draws, width, seed=one.seed, axes=axes)
    numbers[:, used:] = 0.0
    return np.ascontiguousarray(numbers)
