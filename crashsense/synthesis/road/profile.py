"""Roads: random profiles by class of roughness, obstacles, and the path of a wheel over them.

Heights are positive **up** and lengths run forward, in metres; the signals of an event turn to the
axes of SAE J211 (+z down) later.

Random profile. One-sided displacement spectral density over spatial frequency n [cycle/m], with
exponent 2 (ISO 8608, from memory and from a table that cites ISO 8608:2016):

    Gd(n) = Gd(n0) (n / n0)^-2, n0 = 0.1 cycle/m; variance in a band: Gd(n0) n0^2 (1/n1 - 1/n2)

The same class is often written over angular spatial frequency, with the reference Omega0 = 1 rad/m:
16e-6 m^3 (class A) belongs to n0 and 1.005e-6 m^3 to Omega0. The two functions below carry the
reference in their names, so that the factor of 16 cannot be lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray

#: Reference spatial frequency of the cycle convention [cycle/m].
REFERENCE_CYCLES_PER_M = 0.1
#: Reference angular spatial frequency of the radian convention [rad/m].
REFERENCE_RAD_PER_M = 1.0

ROAD_CLASSES = ("A", "B", "C", "D", "E", "F", "G", "H")

#: Lowest and highest spatial frequency of a road profile [cycle/m] (ISO 8608:2016, extract).
LOWEST_CYCLES_PER_M = 0.01
HIGHEST_CYCLES_PER_M = 10.0
#: Highest spatial frequency of a rough road for a ride [cycle/m]: stones go on where the standard
#: ends, with its exponent (assumed).
STONES_CYCLES_PER_M = 40.0


#: Rows that are worked on at once where each is gone through many times: they stay in the cache.
ROWS_TOGETHER = 4


def density_at_reference_cycles(road_class: str) -> float:
    """Geometric mean Gd(n0 = 0.1 cycle/m) [m^3] of a class (ISO 8608, from memory).

    >>> [round(1e6 * density_at_reference_cycles(c)) for c in "ABC"]
    [16, 64, 256]
    """
    return 16e-6 * 4.0 ** ROAD_CLASSES.index(road_class)


def density_at_reference_radians(road_class: str) -> float:
    """Geometric mean Gd(Omega0 = 1 rad/m) [m^3] of a class: the same spectrum, other units.

    G(Omega) dOmega = G(n) dn with Omega = 2 pi n, so Gd(Omega0) = Gd(n0) (2 pi n0)^2 / (2 pi).

    >>> round(1e6 * density_at_reference_radians("A"), 4)
    1.0053
    """
    angular = 2.0 * pi * REFERENCE_CYCLES_PER_M
    ratio = (angular / REFERENCE_RAD_PER_M) ** 2
    return density_at_reference_cycles(road_class) * ratio / (2.0 * pi)


def class_limits_at_reference_cycles(road_class: str) -> tuple[float, float]:
    """Lowest and highest Gd(n0) [m^3] of a class: half and twice its geometric mean."""
    mean = density_at_reference_cycles(road_class)
    lower = 0.0 if road_class == "A" else 0.5 * mean
    upper = np.inf if road_class == "H" else 2.0 * mean
    return lower, upper


def displacement_density(cycles_per_m: FloatArray, *, at_reference_cycles: float) -> FloatArray:
    """Gd(n) [m^3] for n [cycle/m] > 0 and Gd(n0) [m^3]."""
    return np.asarray(at_reference_cycles * (cycles_per_m / REFERENCE_CYCLES_PER_M) ** -2.0)


def band_variance(low: float, high: float, *, at_reference_cycles: float) -> float:
    """Variance [m^2] between two spatial frequencies [cycle/m]: Gd(n0) n0^2 (1/n1 - 1/n2).

    >>> round(1e3 * band_variance(0.01, 10.0, at_reference_cycles=16e-6) ** 0.5, 4)
    3.998
    """
    return at_reference_cycles * REFERENCE_CYCLES_PER_M**2 * (1.0 / low - 1.0 / high)


def rough_road(road_class: str, *, step_m: float) -> RandomRoad:
    """The random road of a class as a ride meets it, down to single stones."""
    density = density_at_reference_cycles(road_class)
    return RandomRoad(density, step_m=step_m, high=STONES_CYCLES_PER_M)


@dataclass(frozen=True)
class RandomRoad:
    """A random profile made of overlapping blocks: cost and memory linear in length.

    Each block is a sum of sines with random amplitude and phase whose variance in every bin is the
    integral of the spectrum over the bin (zero outside the range). Neighbouring blocks overlap by
    half under the weights sin and cos, whose squares add to one: the variance is the same
    everywhere, and the spectrum is kept but for the smearing of the weight (one bin).

    Parameters
    ----------
    at_reference_cycles : Gd(n0) [m^3]
    step_m : distance between heights [m]
    block_points : points in a block, a power of two
    low, high : range of spatial frequencies [cycle/m]
    """

    at_reference_cycles: float
    step_m: float = 0.02
    block_points: int = 8192
    low: float = LOWEST_CYCLES_PER_M
    high: float = HIGHEST_CYCLES_PER_M

    @property
    def hop_points(self) -> int:
        """Points by which blocks follow each other."""
        return self.block_points // 2

    @property
    def normals_per_block(self) -> int:
        """Standard normal numbers that one block needs."""
        return 2 * self._bins.size

    @property
    def _bins(self) -> npt.NDArray[np.int64]:
        width = 1.0 / (self.block_points * self.step_m)
        numbers = np.arange(1, self.block_points // 2)
        upper = (numbers + 0.5) * width
        lower = (numbers - 0.5) * width
        return numbers[(upper > self.low) & (lower < self.high)]

    def block(self, normals: FloatArray) -> FloatArray:
        """One weighted block of heights [m], shape (draws, block_points)."""
        bins = self._bins
        width = 1.0 / (self.block_points * self.step_m)
        lower = np.maximum((bins - 0.5) * width, self.low)
        upper = np.minimum((bins + 0.5) * width, self.high)
        variance = (
            self.at_reference_cycles * REFERENCE_CYCLES_PER_M**2 * (1.0 / lower - 1.0 / upper)
        )
        # A sine of random phase has variance a^2/2; irfft halves and divides by the points.
        amplitude = np.sqrt(variance) * self.block_points / 2.0
        spectrum = np.zeros((ROWS_TOGETHER, self.block_points // 2 + 1), dtype=complex)
        weight = np.sin(pi * (np.arange(self.block_points) + 0.5) / self.block_points)
        own = slice(bins[0], bins[-1] + 1)  # neighbours
        out = np.empty((normals.shape[0], self.block_points))
        for at in range(0, len(normals), ROWS_TOGETHER):
            some = normals[at : at + ROWS_TOGETHER]
            part = spectrum[: len(some)]
            np.multiply(amplitude, some[:, : bins.size], out=part.real[:, own])
            np.multiply(amplitude, some[:, bins.size :], out=part.imag[:, own])
            heights = np.fft.irfft(part, n=self.block_points, axis=-1)
            np.multiply(heights, weight, out=out[at : at + ROWS_TOGETHER])
        return out

    def blocks_for(self, points: int) -> int:
        """Blocks that cover *points* heights."""
        return int(np.ceil(points / self.hop_points)) + 1

    def heights(self, block_normals: list[FloatArray], *, points: int) -> FloatArray:
        """Heights [m], shape (draws, points), from the normals of :meth:`blocks_for` blocks."""
        hop = self.hop_points
        out = np.empty((block_normals[0].shape[0], (len(block_normals) - 1) * hop))
        behind = self.block(block_normals[0])[:, hop:]
        for number, normals in enumerate(block_normals[1:]):
            block = self.block(normals)
            np.add(behind, block[:, :hop], out=out[:, number * hop : (number + 1) * hop])
            behind = block[:, hop:]
        return out[:, :points]


# -- obstacles: height [m] at distance s [m], the obstacle begins at s = 0 ----------------------


def kerb(s: FloatArray, *, height_m: FloatArray | float) -> FloatArray:
    """A vertical step up that stays: a kerb climbed head-on."""
    return np.where(s >= 0.0, np.asarray(height_m), 0.0)


def pothole(s: FloatArray, *, depth_m: FloatArray | float, length_m: float) -> FloatArray:
    """A hole with vertical edges; the far edge is the one that hits."""
    return np.where((s >= 0.0) & (s < length_m), -np.asarray(depth_m), 0.0)


def hump_radius(*, length_m: float, height_m: float) -> float:
    """Radius [m] of the arc of a circular hump: R = ((L/2)^2 + h^2) / (2 h).

    >>> round(hump_radius(length_m=3.7, height_m=0.075), 3)
    22.854
    """
    return ((0.5 * length_m) ** 2 + height_m**2) / (2.0 * height_m)


def circular_hump(s: FloatArray, *, height_m: FloatArray | float, length_m: float) -> FloatArray:
    """A hump that is an arc of a circle (the original 3.7 m profile, TRL Report 377, abstract)."""
    height = np.asarray(height_m)
    radius = ((0.5 * length_m) ** 2 + height**2) / (2.0 * height)
    from_middle = s - 0.5 * length_m
    inside = np.maximum(radius**2 - from_middle**2, 0.0)
    return np.where((s > 0.0) & (s < length_m), np.sqrt(inside) - (radius - height), 0.0)


def dip(s: FloatArray, *, depth_m: FloatArray | float, length_m: float) -> FloatArray:
    """A smooth dip, one period of a cosine."""
    shape = 0.5 * (1.0 - np.cos(2.0 * pi * s / length_m))
    return np.where((s > 0.0) & (s < length_m), -np.asarray(depth_m) * shape, 0.0)


def ramp_and_drop(s: FloatArray, *, height_m: FloatArray | float, length_m: float) -> FloatArray:
    """A ramp that rises ever steeper (parabola) and ends in a lip: the car jumps."""
    share = np.clip(s / length_m, 0.0, 1.0)
    return np.where((s > 0.0) & (s < length_m), np.asarray(height_m) * share * share, 0.0)


def rail_crossing(
    s: FloatArray,
    *,
    step_m: FloatArray | float,
    deck: float,
    head_m: float,
    flank_m: float,
    gauge_m: float,
    tracks: int,
    track_distance_m: float,
) -> FloatArray:
    """Tracks whose rails rise by *step_m* above a settled road, shape of *s*.

    ``deck`` [-]: how far the deck between the rails of a track has settled, 0: level with the rail
    heads (one step up and one down for each track), 1: level with the road (a pair of steps at each
    rail). Beside a rail the road and the deck are worn to a flank.
    """
    out = np.zeros(s.shape)
    for track in range(tracks):
        first = track * track_distance_m
        for rail in (first, first + gauge_m + head_m):
            beside = np.abs(s - rail - 0.5 * head_m) - 0.5 * head_m
            out = np.maximum(out, np.clip(1.0 - beside / flank_m, 0.0, 1.0))
        between = (s > first) & (s < first + gauge_m + 2.0 * head_m)
        out = np.where(between, np.maximum(out, 1.0 - deck), out)
    return np.asarray(out * np.asarray(step_m))


def washboard(s: FloatArray, *, height_m: FloatArray | float, pitch_m: float) -> FloatArray:
    """Regular waves of the given height from trough to crest, from s = 0 on."""
    wave = 0.5 * (1.0 - np.cos(2.0 * pi * s / pitch_m))
    return np.where(s > 0.0, np.asarray(height_m) * wave, 0.0)


def cobbles(s: FloatArray, *, crown_m: FloatArray | float, pitch_m: float) -> FloatArray:
    """Domed stones: parabolic crowns of the given height, joints every *pitch_m*, from s = 0 on."""
    across = 2.0 * ((s / pitch_m) % 1.0) - 1.0
    return np.where(s > 0.0, np.asarray(crown_m) * (1.0 - across * across), 0.0)


# -- the wheel ----------------------------------------------------------------------------------


def wheel_path(heights: FloatArray, *, step_m: float, radius_m: float) -> FloatArray:
    """Height of a rigid wheel's centre over a profile, less its radius, same shape.

    The wheel rests on the highest point under it (dilation by a circle):
    ``z(x) = max over |s| < R of h(x + s) + sqrt(R^2 - s^2) - R``. Over a step of height h the path
    begins with the slope tan(theta), cos(theta) = 1 - h / R, and rises along an arc. The tyre's
    compliance is in the wheel model, not here. Beyond the ends the last height continues.

    >>> step = np.where(np.arange(200) >= 100, 0.15, 0.0)[None, :]
    >>> path = wheel_path(step, step_m=0.005, radius_m=0.3)[0]
    >>> bool(path[47] == 0.0), bool(path[50] > 0.0), round(float(path[100]), 3)
    (True, True, 0.15)
    """
    drops = _drops(step_m=step_m, radius_m=radius_m)
    if engine.kernels() is not None:
        return _compiled_path(heights, drops, half=0)
    reach, size = drops.size // 2, heights.shape[-1]
    padded = np.pad(heights, [(0, 0), (reach, reach)], mode="edge")
    out = np.full(heights.shape, -np.inf)
    for begin, drop in enumerate(drops):
        np.maximum(out, padded[:, begin : begin + size] + drop, out=out)
    return out


def patch_mean(path: FloatArray, *, step_m: float, patch_m: float) -> FloatArray:
    """Mean of a wheel's path over the length of its contact patch, same shape.

    A tyre rests on a patch, not on a line: a step lifts it gradually, a rail head narrower than the
    patch is partly swallowed. The slope of the mean is the difference of the path at the two ends
    of the patch over its length, as of two feelers in tandem (a common tyre model, from memory).
    The mean still is a path: what a wheel climbs it descends again. Beyond the ends the last height
    stays.

    >>> patch_mean(np.array([[0.0, 0.0, 0.0, 3.0, 3.0, 3.0]]), step_m=0.1, patch_m=0.2).tolist()
    [[0.0, 0.0, 1.0, 2.0, 3.0, 3.0]]
    """
    half = _half_patch(step_m=step_m, patch_m=patch_m)
    if half == 0:
        return path.copy()
    size = path.shape[-1]
    out = np.empty(path.shape)
    # Few rows at a time: they stay in the processor's cache from one sum to the next.
    for at in range(0, len(path), ROWS_TOGETHER):
        rows = slice(at, at + ROWS_TOGETHER)
        padded = np.pad(path[rows], [(0, 0), (half, half)], mode="edge")
        total = padded[:, :size].copy()
        for offset in range(1, 2 * half + 1):
            total += padded[:, offset : offset + size]
        np.divide(total, 2 * half + 1, out=out[rows])
    return out


def tyre_path(heights: FloatArray, *, step_m: float, radius_m: float, patch_m: float) -> FloatArray:
    """Path of a tyre over a profile: rigid wheel, then mean over the patch; same shape."""
    if engine.kernels() is None:
        path = wheel_path(heights, step_m=step_m, radius_m=radius_m)
        return patch_mean(path, step_m=step_m, patch_m=patch_m)
    half = _half_patch(step_m=step_m, patch_m=patch_m)
    return _compiled_path(heights, _drops(step_m=step_m, radius_m=radius_m), half=half)


def _drops(*, step_m: float, radius_m: float) -> FloatArray:
    """How far a wheel lies below its lowest point, at the points under it."""
    reach = int(np.ceil(radius_m / step_m)) - 1
    away = np.arange(-reach, reach + 1) * step_m
    return np.asarray(np.sqrt(radius_m**2 - away**2) - radius_m)


def _half_patch(*, step_m: float, patch_m: float) -> int:
    """Points of a contact patch to each side of its middle."""
    return round(0.5 * patch_m / step_m)


def _compiled_path(heights: FloatArray, drops: FloatArray, *, half: int) -> FloatArray:
    compiled, out = engine.kernels(), np.empty(heights.shape)
    assert compiled is not None
    compiled.tyre_path(engine.given(heights), engine.given(drops), half, out)
    return out
