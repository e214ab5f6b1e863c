"""A sensing location: a bank of local modes, drawn independently in every draw.

One model for crash and misuse alike. A *place* (where a sensor is bolted) has a local mass and some
modes between about 60 Hz and 2.5 kHz. Folding in a crash shakes them at random
(:mod:`crashsense.synthesis.location.shaking`), a blow excites them by its force
(:mod:`crashsense.synthesis.location.blow`): what a decision rule sees of both in a band comes
through the same structure.

Nominal modes are equally spaced on a logarithmic scale and depend on the numbers of the place only,
never on a name. In every other draw frequencies, dampings, weights and level deviate, independently
for each place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from crashsense import draws as random_draws
from crashsense.arrays import FloatArray
from crashsense.synthesis.model import Variation

#: Highest nominal mode [Hz].
HIGHEST_HZ = 2300.0

#: Standard deviations from draw to draw: of ln frequency, ln damping, ln weight (each mode), of ln
#: level (the place), of ln level (each band). Assumed; level and band together 0.39, against 0.6 to
#: 0.7 that public tests show over cars, places and windows of time.
FREQUENCY_SCATTER, DAMPING_SCATTER, WEIGHT_SCATTER = 0.08, 0.25, 0.35
LEVEL_SCATTER, BAND_SCATTER = 0.25, 0.30

#: Deviations are cut at this many standard deviations.
CUT = 2.5


@dataclass(frozen=True)
class Place:
    """Where a sensor is bolted.

    Parameters
    ----------
    level : factor on the law of random shaking below 400 Hz [-]; 1: the median of public tests
    level_high : the same above 400 Hz [-]
    group : places of one group share most of their random shaking below 400 Hz; empty: none
    lowest_hz : lowest local mode [Hz]
    modes : number of modes, from *lowest_hz* to 2300 Hz
    damping : ratio of each mode [-]
    mass_kg : mass that moves with the place, by which a blow at the place is felt [kg]

    Source: lowest modes 60-200 Hz and damping 0.03-0.10 of sheet structure, local masses of
    5-30 kg, from memory of crash-sensing practice.
    """

    level: float = 1.0
    level_high: float = 1.0
    group: str = ""
    lowest_hz: float = 70.0
    modes: int = 9
    damping: float = 0.05
    mass_kg: float = 20.0

    @property
    def nominal_hz(self) -> FloatArray:
        """Frequencies of the nominal modes [Hz], shape (modes,).

        >>> Place(modes=3, lowest_hz=92.0).nominal_hz.round()
        array([  92.,  460., 2300.])
        """
        return _nominal_hz(self.lowest_hz, self.modes)


@lru_cache(maxsize=256)
def _nominal_hz(lowest: float, modes: int) -> FloatArray:
    found = np.array([lowest]) if modes == 1 else np.geomspace(lowest, HIGHEST_HZ, modes)
    found.setflags(write=False)
    return np.asarray(found)


@dataclass(frozen=True, eq=False)
class Modes:
    """The modes of one place in some draws.

    Parameters
    ----------
    frequency_hz, damping : shape (draws, modes)
    weight : participation of each mode [-], positive, sum 1 in every draw, shape (draws, modes)
    level : factor on the level of random shaking [-], shape (draws, bands)
    """

    frequency_hz: FloatArray
    damping: FloatArray
    weight: FloatArray
    level: FloatArray

    @property
    def of_mode(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Frequency, damping and weight."""
        return self.frequency_hz, self.damping, self.weight


def drawn_modes(place: Place, channel: str, *, variation: Variation, bands: int = 5) -> Modes:
    """The modes of the place at *channel* in the draws of *variation*.

    They depend on (seed, occurrence, draw, channel) alone: a crash and a blow at the same place in
    the same draw meet the same modes. Draw 0 has the nominal modes, equal weights and level 1.
    """
    return modes_of({channel: place}, variation=variation, bands=bands)[channel]


def modes_of(
    places: Mapping[str, Place], *, variation: Variation, bands: int = 5
) -> dict[str, Modes]:
    """As :func:`drawn_modes`, for several channels at once."""
    found = {}
    factor = variation.factor("mode_frequency")[:, None]
    for count in {place.modes: None for place in places.values()}:
        alike = {name: place for name, place in places.items() if place.modes == count}
        normal = random_draws.normals_of(
            [(variation.occurrence, "location", name, "modes") for name in alike],
            variation.draws,
            width=3 * count + 1 + bands,
            seed=variation.seed,
        )
        np.clip(normal, -CUT, CUT, out=normal)
        normal *= _scatter(count, bands)
        normal[..., 3 * count + 1 :] += normal[..., 3 * count, None]
        drawn = np.exp(normal)
        share = drawn[..., 2 * count : 3 * count]
        # In order: the same bits in any block.
        weight = share / np.add.accumulate(share, axis=2)[..., -1:]
        for k, (name, place) in enumerate(alike.items()):
            found[name] = Modes(
                frequency_hz=place.nominal_hz * drawn[k, :, :count] * factor,
                damping=place.damping * drawn[k, :, count : 2 * count],
                weight=weight[k],
                level=drawn[k, :, 3 * count + 1 :],
            )
    return found


@lru_cache(maxsize=64)
def _scatter(modes: int, bands: int) -> FloatArray:
    """Deviations of all numbers that a place draws, in their order."""
    kinds = (FREQUENCY_SCATTER, DAMPING_SCATTER, WEIGHT_SCATTER, LEVEL_SCATTER, BAND_SCATTER)
    found = np.repeat(kinds, (modes, modes, modes, 1, bands))
    found.setflags(write=False)
    return found


def drawn_signs(place: Place, channel: str, *, variation: Variation) -> FloatArray:
    """+1 or -1 of each mode at the place against its sign elsewhere, shape (draws, modes).

    They depend on what :func:`drawn_modes` does. Draw 0 has alternating signs.
    """
    toss = random_draws.uniforms(
        variation.draws,
        place.modes,
        seed=variation.seed,
        axes=(variation.occurrence, "location", channel, "signs"),
    )
    alternating = np.where(np.arange(place.modes) % 2 == 0, 1.0, -1.0)
    signs = np.where(toss < 0.5, -1.0, 1.0)
    return np.where(variation.draws[:, None] == 0, alternating, signs)
