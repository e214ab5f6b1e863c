"""A road event of any length in pieces: bounded memory, for drift and offset studies.

The car is marched piece by piece with its state kept; the road is made block by block. The pieces
joined are what one long run would give (the filters of the local structure keep their state, too).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError
from crashsense.signal import Signal
from crashsense.synthesis.dynamics.half_car import Road, initial_state, march
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import Recipe
from crashsense.synthesis.road import profile as road_profile
from crashsense.synthesis.road.locations import RideLocations
from crashsense.synthesis.road.ride import (
    RATE_HZ,
    RandomRoadDrive,
    road_normals,
)
from crashsense.synthesis.road.vehicle import Ride, load_ride, ride_path

#: Bytes that the signals of one piece may take.
LARGEST_PIECE_BYTES = 256 * 2**20
#: Channels of a piece: modelled, the rest of a road event is quiet.
CHANNELS_OF_A_PIECE = (
    "central_x",
    "central_z",
    "central_safing_x",
    "upfront_left_x",
    "upfront_right_x",
)


@dataclass(frozen=True, eq=False)
class Piece:
    """Signals of one piece, and its number from 0."""

    number: int
    signals: Mapping[str, Signal]


def stream(
    recipe: Recipe,
    *,
    duration_s: float,
    piece_s: float = 2.0,
    draw: int = 0,
    seed: int = 1,
) -> Iterator[Piece]:
    """Yield the event of a rough-road recipe in pieces of *piece_s* for *duration_s*.

    Parameters
    ----------
    recipe : random road, washboard or cobbles
    duration_s : length of the whole event [s], may be minutes or hours
    piece_s : length of a piece [s]; memory grows with it, not with the duration
    draw, seed : which realisation; draw 0 is nominal

    Raises
    ------
    InputError : not a rough road, or a piece that is too long for memory, with the figure
    """
    parameters = recipe.parameters
    faults = []
    if not isinstance(parameters, RandomRoadDrive):
        expected = "a random_road, washboard or cobbles recipe: an obstacle ends by itself"
        faults.append(Fault(f"recipe {recipe.name}", "model", recipe.model.name, expected))
    if not duration_s > 0:
        faults.append(Fault("stream", "duration_s", duration_s, "a positive duration in s"))
    size = len(CHANNELS_OF_A_PIECE) * piece_s * RATE_HZ * 8.0
    if not piece_s > 0 or piece_s * RATE_HZ < 1:
        faults.append(Fault("stream", "piece_s", piece_s, "a positive length in s"))
    elif size > LARGEST_PIECE_BYTES:
        limit = piece_s * LARGEST_PIECE_BYTES / size
        expected = f"at most {limit:.0f} s: the signals would take {size / 2**20:.0f} MiB"
        faults.append(Fault("stream", "piece_s", piece_s, expected))
    if faults:
        raise InputError(faults)
    return _pieces(recipe, duration_s=duration_s, piece_s=piece_s, draw=draw, seed=seed)


def _pieces(
    recipe: Recipe, *, duration_s: float, piece_s: float, draw: int, seed: int
) -> Iterator[Piece]:
    parameters: Any = recipe.parameters
    variation = draw_variation(
        np.array([draw], dtype=np.int64),
        seed=seed,
        occurrence=recipe.occurrence,
        tolerances=recipe.tolerances,
    )
    ride = load_ride(str(ride_path(parameters.vehicle, near=None)))
    car = ride.car(variation, speed_hold=parameters.speed_hold)
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    strip = _Strip(parameters, variation, ride=ride)
    position = np.zeros(1) - ride.wheel_radius_m
    state = initial_state(1, position=position, speed=speed, tracks=1)
    locations = RideLocations(ride, variation, rate_hz=RATE_HZ, keep=True)
    total = round(duration_s * RATE_HZ)
    done = number = 0
    while done < total:
        samples = min(round(piece_s * RATE_HZ), total - done)
        reach = float(state[0, 0]) + 1.3 * float(max(speed[0], state[1, 0])) * samples / RATE_HZ
        motion, state = march(
            car,
            state,
            roads=[strip.road(float(state[0, 0]), reach + 1.0)],
            steps=samples,
            step_s=1.0 / RATE_HZ,
            set_speed=speed,
        )
        read = locations.read(motion)
        at_centre, up, at_front = (read[n][0] for n in ("central_x", "central_z", "upfront_x"))
        arrays = dict(
            zip(CHANNELS_OF_A_PIECE, (at_centre, up, at_centre, at_front, at_front), strict=True)
        )
        note = f"piece {number} of a stream of recipe {recipe.name}, draw {draw}"
        yield Piece(
            number,
            {
                name: Signal(
                    values,
                    rate_hz=RATE_HZ,
                    start_s=done / RATE_HZ,
                    unit=CHANNELS[name].unit,
                    axis=CHANNELS[name].axis,
                    location=CHANNELS[name].location,
                    history=(note,),
                )
                for name, values in arrays.items()
            },
        )
        done += samples
        number += 1


class _Strip:
    """The wheel path over a moving stretch of road; random blocks are made as they are reached."""

    def __init__(self, parameters: RandomRoadDrive, variation: Any, *, ride: Ride) -> None:
        self.parameters, self.variation, self.ride = parameters, variation, ride
        self.random = road_profile.rough_road(parameters.road_class, step_m=parameters.grid_m)
        self.blocks: dict[int, FloatArray] = {}

    def _random_heights(self, first: int, points: int) -> FloatArray:
        """Random heights from grid point *first* on (0 where negative), shape (points,)."""
        hop = self.random.hop_points
        out = np.zeros(points)
        low, high = first // hop, (first + points - 1) // hop
        for number in [n for n in self.blocks if n < low]:
            del self.blocks[number]
        for number in range(max(low, 0), high + 2):
            if number not in self.blocks:
                normals = road_normals(
                    self.variation, block=number, width=self.random.normals_per_block
                )
                self.blocks[number] = self.random.block(normals)[0]
            # block k covers heights (k - 1) hop ... (k + 1) hop
            start = (number - 1) * hop - first
            begin, end = max(start, 0, -first), min(start + 2 * hop, points)
            if begin < end:
                out[begin:end] += self.blocks[number][begin - start : end - start]
        return out * np.sqrt(self.variation.factor("height")[0])

    def road(self, from_m: float, to_m: float) -> Road:
        """Road from behind the rear wheels at *from_m* to *to_m*."""
        grid = self.parameters.grid_m
        margin = int(np.ceil(self.ride.reach_m / grid)) + 3
        first = int(np.floor((from_m - self.ride.wheelbase_m - 0.5) / grid)) - margin
        points = int(np.ceil(to_m / grid)) - first + margin
        s = np.asarray((first + np.arange(points)) * grid)
        heights = self.parameters.compose(s, self._random_heights(first, points), self.variation)
        path = self.ride.tyre_path(heights, step_m=grid)
        inner = path[:, margin:-margin]
        return Road(inner, start_m=(first + margin) * grid, step_m=grid)
